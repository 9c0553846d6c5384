"""The channels that a tuning is used on, in a file or while one plays: what they are told beside the tuning itself.

Channels select the tuning program, take the table's common shift into their fine tuning, and leave the tuning while
they are drum kits. What the source sets itself is kept: its own fine tuning is added to the shift, and since our
messages may stand in the middle of its parameter entries, its own parameter number is selected again after them.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

from bridge.engine.channel_state import PLAIN_CONTROLLERS
from bridge.engine.mts.tuner import Tuner
from bridge.wire.rpn import FINE_TUNING, RpnReader, fine_tuning, fine_tuning_cents


class TunedChannels:
    """Follows the source's parameters, and returns what pitched channels must be told.

    `plain` keeps modulation, chorus depth and celeste depth at 0, so that beats can be heard.
    """

    def __init__(self, tuner: Tuner, plain: bool) -> None:
        self.tuner = tuner
        self.plain = plain
        self._reader = RpnReader()
        self._own_cents: dict[int, float] = {}

    def reset(self) -> None:
        """The synth starts afresh."""
        self._reader.clear()
        self._own_cents.clear()

    def control(self, data: bytes, pitched: Collection[int]) -> list[bytes]:
        """Take notice of a controller of the source; return what must follow it at once on pitched channels."""
        change = self._reader.feed_message(data)
        if change is None or not change.registered or change.number != FINE_TUNING:
            return []
        self._own_cents[change.channel] = fine_tuning_cents(change.value)
        return self._shifts({change.channel} & set(pitched)) if self.tuner.moved(0.0) else []

    def equip(self, channels: Iterable[int]) -> list[bytes]:
        """Return what makes channels in their power-up state use the tuning."""
        channels = sorted(channels)
        sent = self.tuner.select(channels)
        if self.plain:
            sent += [
                bytes((0xB0 | channel - 1, each, 0)) for channel in channels for each in PLAIN_CONTROLLERS
            ]
        if self.tuner.moved(0.0):
            sent += [message for channel in channels for message in self._fine(channel)]
        return self.reselecting(sent)

    def shift_from(self, before_cents: float, channels: Iterable[int]) -> list[bytes]:
        """Return what channels are told if the common shift has moved from `before_cents`."""
        return self._shifts(channels) if self.tuner.moved(before_cents) else []

    def swap(self, gone: Iterable[int], back: Iterable[int]) -> list[bytes]:
        """Return what leaves some channels untuned, which are drums now, and tunes others that are not any more."""
        gone, back = sorted(gone), sorted(back)
        sent = self.tuner.put_aside(gone) + self.tuner.take_back(back)
        if self.tuner.moved(0.0):
            for channel in gone:
                sent += fine_tuning(channel, self._own_cents.get(channel, 0.0))
            sent += [message for channel in back for message in self._fine(channel)]
        return self.reselecting(sent)

    def _fine(self, channel: int) -> list[bytes]:
        return self.tuner.fine(channel, self._own_cents.get(channel, 0.0))

    def _shifts(self, channels: Iterable[int]) -> list[bytes]:
        return self.reselecting([message for channel in sorted(channels) for message in self._fine(channel)])

    def reselecting(self, messages: Sequence[bytes]) -> list[bytes]:
        """Return messages, and after them what selects the source's own parameter numbers again."""
        sent = list(messages)
        for index in sorted({message[0] & 0x0F for message in messages if message[0] & 0xF0 == 0xB0}):
            number = self._reader.selected(index + 1)
            if number is not None:
                first = 101 if self._reader.selected_is_registered(index + 1) else 99
                sent += [bytes((0xB0 | index, first - at, value)) for at, value in enumerate(number)]
        return sent
