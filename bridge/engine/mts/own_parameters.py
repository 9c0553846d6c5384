"""What the player sets by registered parameters while it is played: passed on, and kept for a synth that comes back.

With the methods `note`, `octave` and `dump` bends and fine tuning reach the synth as they are played, and so do the
parameters that give them their meaning. A synth that was switched off has forgotten these, and the keyboard does not
know: `OwnParameters.again` says all of them once more.

An MPE keyboard may send the configuration message (RPN 00 06) alone: its members bend by 48 semitones from then on, and
its manager by 2. A synth that does not know MPE would go on at 2, so the bend ranges are sent after it.

Source: *MIDI Polyphonic Expression* (2018), "Pitch Bend Sensitivity".
"""

from __future__ import annotations

from bridge.wire.mpe import MpeReceiver
from bridge.wire.rpn import (
    BEND_RANGE,
    COARSE_TUNING,
    FINE_TUNING,
    MODULATION_DEPTH,
    MPE_CONFIGURATION,
    Parameter,
    RpnReader,
    bend_range,
    fine_tuning,
    fine_tuning_cents,
    mpe_configuration,
    rpn,
    rpn_null,
)

_KEPT = frozenset((BEND_RANGE, FINE_TUNING, COARSE_TUNING, MODULATION_DEPTH))


class OwnParameters:
    """Follows the parameters that one player sets on all channels."""

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """The synth has been reset, and so has all that was set."""
        self._reader = RpnReader()
        self._zones = MpeReceiver()
        self._values: dict[tuple[int, Parameter], int] = {}

    def take(self, data: bytes) -> list[bytes]:
        """Take notice of a controller; return what must follow it, null parameters at the end."""
        change = self._reader.feed_message(data)
        if change is None or not change.registered:
            return []
        if change.number in _KEPT:
            self._values[change.channel, change.number] = change.value
            return []
        if change.number != MPE_CONFIGURATION:
            return []
        sent: list[bytes] = []
        for channel, semitones in sorted(self._zones.reach_after(change.channel, change.msb).items()):
            self._values[channel, BEND_RANGE] = semitones << 7
            sent += bend_range(channel, semitones)
        return sent

    def again(self) -> list[bytes]:
        """Return everything that was set, for a synth in its power-up state."""
        sent: list[bytes] = []
        for zone in self._zones.zones:
            sent += mpe_configuration(zone.manager, zone.members)
        for (channel, number), value in sorted(self._values.items()):
            if number == FINE_TUNING:
                sent += fine_tuning(channel, fine_tuning_cents(value))
            else:
                sent += rpn(channel, number, value >> 7, value & 0x7F) + rpn_null(channel)
        return sent
