"""Retuning by MIDI Tuning messages while it is played: the methods `note`, `octave` and `dump`.

Everything that is played passes through as it is, in order; the player's own bends and fine tuning add to the table.
Tuning messages go out when the table changes, only for what differs, and never hold a note back; when which part of a
table is sent is decided in `bridge.engine.mts.pacing`.

- After a GM, GM2, GS or XG reset everything is sent again, when the synth listens again or before the next note.
- Drums are never retuned (`bridge.engine.rhythm`): channels that become drum kits while playing are put aside.

Not safe to share between threads.

Sources: MIDI 1.0 Detailed Specification, "MIDI Tuning"; addenda CA-020 and CA-021 (The MIDI Association).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from bridge.engine.channel_state import PLAIN_CONTROLLERS
from bridge.engine.lifetimes import ENDING, HOLDING, RESET_CONTROLLERS, Sounding
from bridge.engine.mts.cells import KeyCells
from bridge.engine.mts.own_parameters import OwnParameters
from bridge.engine.mts.pacing import Lane
from bridge.engine.mts.tuned_channels import TunedChannels
from bridge.engine.mts.tuner import Tuner
from bridge.engine.protocols import Due, OnChange
from bridge.engine.rhythm import RhythmTracker
from bridge.errors import MethodProblem
from bridge.wire.profile import SynthProfile, moves_sounding
from bridge.wire.resets import reset_kind
from bridge.wire.stream import is_whole

_GM_RESET = b"\xf0\x7e\x7f\x09\x01\xf7"


class MtsLiveEngine:
    """A `LiveEngine` for the methods `note`, `octave` and `dump`; `table_hz` are frequencies by MIDI key.

    Channels are those from 1 to 16 that may play pitched notes, the synth's where left out, and never channel
    10, which is for drums. `plain` keeps modulation, chorus depth and celeste depth at 0, so that beats can
    be heard. MethodProblem if the method is not one of these, cannot express the table, or no channel is
    left.
    """

    def __init__(
        self,
        profile: SynthProfile,
        table_hz: Sequence[float],
        method: str,
        channels: Iterable[int] | None = None,
        plain: bool = False,
    ) -> None:
        self.profile = profile
        self.method = method
        self._rhythm = RhythmTracker()
        allowed = set(profile.channels if channels is None else channels) & set(profile.channels)
        self._channels = frozenset(allowed - self._rhythm.drum_channels)
        if not self._channels:
            raise MethodProblem("no channel is left for pitched notes", f"{profile.title} listens on others")
        self._tuner = Tuner(profile, method, self._channels)
        self._told = TunedChannels(self._tuner, plain)
        self._own = OwnParameters()
        self._lane = Lane(profile, self._tuner.cells, moves_sounding(profile, method), table_hz)
        self._note_kits()
        self._sounding: list[Sounding[int]] = [Sounding() for _ in range(16)]
        self._owed = [0] * 2048
        self._pedals: dict[tuple[int, int], int] = {}
        self._bent: set[int] = set()
        self._resync_s: float | None = None
        self._running = False
        self._put_back: list[float] | None = None

    # ---- what the driver calls

    def start(self, now_s: float) -> list[Due]:
        """Return what gives the synth the table, and what the player has set before if it was away."""
        self._running = True
        own = self._told.reselecting(self._own.again())
        return _due([*own, *self._set_up(now_s, whole=True)], now_s)

    def put_back(self, data: Sequence[int]) -> None:
        """Remember what the synth held before: frequency data of 128 keys, to be restored by `stop`."""
        self._put_back = list(data)

    def feed(self, data: bytes, now_s: float) -> list[Due]:
        """Take one whole message; return what is to be sent for it. Bytes that are no whole message are dropped."""
        if not is_whole(data):
            return []
        status = data[0]
        if status < 0xA0:
            tuning = self._note(data, status, now_s)
            return _due([*tuning, data], now_s) if tuning else [(now_s, data)]
        if status < 0xF0:
            kind = status & 0xF0
            if kind == 0xB0:
                return _due(self._control(data, now_s), now_s)
            if kind == 0xE0:
                (self._bent.discard if data[1:] == b"\x00\x40" else self._bent.add)(status & 0x0F)
            elif kind == 0xC0:
                self._rhythm.feed(data)
                return _due([data, *self._swap_drums()], now_s)
            return [(now_s, data)]
        if status == 0xF0:
            if reset_kind(data) is None:
                self._rhythm.feed(data)
                return _due([data, *self._swap_drums()], now_s)
            self._reset(data, now_s)
        elif status == 0xFF:
            self._reset(_GM_RESET, now_s)
        return [(now_s, data)]

    def change(
        self, table_hz: Sequence[float], now_s: float, mode: OnChange = "now", glide_s: float = 0.5
    ) -> list[Due]:
        """Take a new table; return what is to be sent at once (see `LiveEngine.change`)."""
        self._lane.change(table_hz, now_s, mode, glide_s)
        return _due(self._pump(now_s) if self._resync_s is None else [], now_s)

    @property
    def next_wake_s(self) -> float | None:
        """When `wake` wants to be called; None if nothing is pending."""
        if not self._running:
            return None
        return self._lane.next_wake_s if self._resync_s is None else self._resync_s

    def wake(self, now_s: float) -> list[Due]:
        """Do what is due by now: a step of a glide, a piece of a table, a pitch that waited for a note's end."""
        if self._resync_s is not None:
            return _due(self._set_up(now_s), now_s) if now_s >= self._resync_s else []
        shift_cents = self._tuner.shift_cents
        return _due(self._with_shift(self._lane.wake(now_s), shift_cents), now_s)

    def silence(self, now_s: float) -> list[Due]:
        """Return what ends all that sounds: note-offs, pedals up, bends centred. The tuning stays."""
        sent: list[bytes] = []
        for index, count in enumerate(self._owed):
            if count:
                sent += [bytes((0x80 | index >> 7, index & 0x7F, 64))] * count
        sent += [bytes((0xB0 | nibble, pedal, 0)) for (nibble, pedal), value in self._pedals.items() if value]
        sent += [bytes((0xE0 | nibble, 0, 0x40)) for nibble in sorted(self._bent)]
        self._silence()
        self._owed = [0] * 2048
        return _due(sent, now_s)

    def stop(self, now_s: float) -> list[Due]:
        """Return what leaves the synth silent and in tune as before `start`: `silence`, then the tuning."""
        due = self.silence(now_s)
        if self._running and self._resync_s is None:  # after a reset it holds no tuning of ours
            due += self._restore(now_s)
        self._resync_s = None
        self._running = False
        return due

    # ---- what a display asks

    @property
    def at_rest(self) -> bool:
        """Whether no note sounds and none is owed its end."""
        return not any(self._owed) and not any(self._sounding)

    def sounding(self) -> list[tuple[int, int, int, float]]:
        """Return the pitched notes that sound: channel, key, channel again, cents from equal as sent."""
        cells, wanted = self._tuner.cells, self._lane.wanted
        return sorted(
            (index + 1, key, index + 1, cells.cents(wanted, key))
            for index, notes in enumerate(self._sounding)
            if not self._kits[index]
            for key, _ in notes
        )

    # ---- notes and controllers

    def _note(self, data: bytes, status: int, now_s: float) -> list[bytes]:
        """Keep count of a note; return what must go out before it."""
        index = status & 0x0F
        key = data[1]
        place = index << 7 | key
        notes = self._sounding[index]
        if status >= 0x90 and data[2]:
            self._owed[place] += 1
            notes.strike(key, key)
            if self._kits[index]:
                return []
            tuning = self._set_up(now_s) if self._resync_s is not None else []
            shift_cents = self._tuner.shift_cents
            return tuning + self._with_shift(self._lane.strike(key, now_s), shift_cents)
        if self._owed[place]:
            self._owed[place] -= 1
        if notes.release(key) is not None and not notes.hold(key, key) and not self._kits[index]:
            self._lane.end(key, now_s)
        return []

    def _control(self, data: bytes, now_s: float) -> list[bytes]:
        index, number, value = data[0] & 0x0F, data[1], data[2]
        if number in ENDING:
            for key in self._sounding[index].control(number, value):
                if not self._kits[index]:
                    self._lane.end(key, now_s)
            if number in HOLDING:
                self._pedals[index, number] = value
            elif number == RESET_CONTROLLERS:
                self._bent.discard(index)
                for pedal in HOLDING:
                    self._pedals.pop((index, pedal), None)
                self._told.control(data, ())
                self._own.take(data)
            return [data]
        if self._told.plain and number in PLAIN_CONTROLLERS and not self._kits[index]:
            return [bytes((data[0], number, 0))]
        if number == 0:
            self._rhythm.feed(data)
            return [data]
        ranges = self._own.take(data)
        follows = self._told.control(data, self._pitched())
        return [data, *follows, *self._told.reselecting(ranges)] if ranges else [data, *follows]

    # ---- the tuning

    def _pitched(self) -> frozenset[int]:
        return self._channels - self._rhythm.drum_channels

    def _set_up(self, now_s: float, whole: bool = False) -> list[bytes]:
        """Everything that a synth in its power-up state needs."""
        self._resync_s = None
        self._lane.restart()
        return [*self._lane.pump(now_s, whole), *self._told.equip(self._pitched())]

    def _pump(self, now_s: float) -> list[bytes]:
        shift_cents = self._tuner.shift_cents
        return self._with_shift(self._lane.pump(now_s), shift_cents)

    def _with_shift(self, tuning: list[bytes], before_cents: float) -> list[bytes]:
        """Add the fine tuning of each channel where the common shift has moved from `before_cents`."""
        return [*tuning, *self._told.shift_from(before_cents, self._pitched())] if tuning else tuning

    # ---- drums and resets

    def _note_kits(self) -> None:
        self._kits = [self._rhythm.is_drums(channel) for channel in range(1, 17)]
        self._tuner.address(self._pitched())

    def _swap_drums(self) -> list[bytes]:
        """Put channels aside that have just become drum kits, and take back those that ceased to be."""
        before = self._kits
        self._note_kits()
        if before == self._kits:
            return []
        swapped = [index for index in range(16) if before[index] != self._kits[index]]
        for index in swapped:
            for key, _ in self._sounding[index]:
                self._lane.count(key, -1 if self._kits[index] else 1)
        ours = [index + 1 for index in swapped if index + 1 in self._channels]
        return self._told.swap(
            [channel for channel in ours if self._kits[channel - 1]],
            [channel for channel in ours if not self._kits[channel - 1]],
        )

    def _reset(self, kind: bytes, now_s: float) -> None:
        """The synth starts afresh: nothing sounds, nothing is tuned."""
        self._rhythm.feed(kind)
        self._note_kits()
        self._silence()
        self._told.reset()
        self._own.clear()
        self._resync_s = now_s + self.profile.reset_gap_s

    def _silence(self) -> None:
        """Take it that nothing sounds and no pedal is down. Note-offs that are owed stay so."""
        for notes in self._sounding:
            notes.reset()
        self._lane.silence()
        self._pedals.clear()
        self._bent.clear()

    def _restore(self, now_s: float) -> list[Due]:
        """Give the synth the tuning that it had; equal temperament if that is not known."""
        cells, lane = self._tuner.cells, self._lane
        shift_cents = cells.shift_cents
        kept = self._put_back
        method = self._put_back_method()
        if kept is not None and method == self.method:
            due = lane.hand_over(cells, kept, now_s)
        else:
            due = lane.hand_over(cells, cells.equal(), now_s)
        due += _due(self._told.shift_from(shift_cents, self._pitched()), now_s)
        if kept is not None and method not in (None, self.method):
            due += lane.hand_over(KeyCells(self.profile, str(method)), kept, now_s)
        return due

    def _put_back_method(self) -> str | None:
        """How a whole program can be restored: keys, one by one or all at once."""
        obeyed = [method for method in ("note", "dump") if self.profile.obeys(method)]
        return self.method if self.method in obeyed else obeyed[0] if obeyed else None


def _due(messages: Sequence[bytes], now_s: float) -> list[Due]:
    return [(now_s, message) for message in messages]
