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
from bridge.engine.lifetimes import ENDING, HOLD_2, RESET_CONTROLLERS, SOSTENUTO, SUSTAIN, Sounding
from bridge.engine.mts.cells import Cells, ClassCells, KeyCells
from bridge.engine.mts.pacing import Lane
from bridge.engine.protocols import Due, OnChange, moves_sounding
from bridge.engine.rhythm import RhythmTracker
from bridge.errors import MethodProblem
from bridge.wire.profile import MTS_METHODS, SynthProfile
from bridge.wire.resets import reset_kind
from bridge.wire.rpn import FINE_TUNING, RpnReader, fine_tuning, fine_tuning_cents, select_tuning

_MOST_FINE_CENTS = 100.0 - 100.0 / 8192.0
_PEDALS = (SUSTAIN, SOSTENUTO, HOLD_2)
_LENGTHS = {0x80: 3, 0x90: 3, 0xA0: 3, 0xB0: 3, 0xC0: 2, 0xD0: 2, 0xE0: 3}
_GM_RESET = b"\xf0\x7e\x7f\x09\x01\xf7"


class MtsLiveEngine:
    """A `LiveEngine` for the methods `note`, `octave` and `dump`.

    Parameters
    ----------
    profile : SynthProfile
        What the synth obeys.
    table_hz : sequence of 128 float
        Frequencies by MIDI key.
    method : {"note", "octave", "dump"}
    channels : iterable of int, optional
        Channels 1 to 16 that may play pitched notes; the synth's where left out. Channel 10 is for drums and never
        among them.
    plain : bool
        Keep modulation, chorus depth and celeste depth at 0, so that beats can be heard.

    Raises
    ------
    MethodProblem
        The method is not one of these, cannot express the table, or no channel is left.
    """

    def __init__(
        self,
        profile: SynthProfile,
        table_hz: Sequence[float],
        method: str,
        channels: Iterable[int] | None = None,
        plain: bool = False,
    ) -> None:
        if method not in MTS_METHODS:
            raise MethodProblem(f"method {method!r} sends no MIDI Tuning message", "use note, octave or dump")
        self.profile = profile
        self.method = method
        self._plain = plain
        self._rhythm = RhythmTracker()
        allowed = set(profile.channels if channels is None else channels) & set(profile.channels)
        self._channels = frozenset(allowed - self._rhythm.drum_channels)
        if not self._channels:
            raise MethodProblem("no channel is left for pitched notes", f"{profile.title} listens on others")
        self._cells: Cells = ClassCells(profile) if method == "octave" else KeyCells(profile, method)
        self._lane = Lane(profile, self._cells, moves_sounding(profile, method), table_hz)
        self._note_kits()
        self._sounding: list[Sounding[int]] = [Sounding() for _ in range(16)]
        self._owed = [0] * 2048
        self._pedals: dict[tuple[int, int], int] = {}
        self._bent: set[int] = set()
        self._reader = RpnReader()
        self._own_cents: dict[int, float] = {}
        self._resync_s: float | None = None
        self._running = False
        self._put_back: list[float] | None = None

    # ---- what the driver calls

    def start(self, now_s: float) -> list[Due]:
        """Return what gives the synth the table."""
        self._running = True
        return _due(self._set_up(now_s, whole=True), now_s)

    def put_back(self, data: Sequence[int]) -> None:
        """Remember what the synth held before: frequency data of 128 keys, to be restored by `stop`."""
        self._put_back = list(data)

    def feed(self, data: bytes, now_s: float) -> list[Due]:
        """Take one whole message; return what is to be sent for it. Bytes that are no whole message are dropped."""
        if not data:
            return []
        status = data[0]
        if status < 0xA0:
            if len(data) != 3 or status < 0x80 or (data[1] | data[2]) > 0x7F:
                return []
            tuning = self._note(data, status, now_s)
            return _due([*tuning, data], now_s) if tuning else [(now_s, data)]
        if status < 0xF0:
            kind = status & 0xF0
            if len(data) != _LENGTHS[kind] or max(data[1:]) > 0x7F:
                return []
            if kind == 0xB0:
                return _due(self._control(data, now_s), now_s)
            if kind == 0xE0:
                (self._bent.discard if data[1:] == b"\x00\x40" else self._bent.add)(status & 0x0F)
            elif kind == 0xC0:
                self._rhythm.feed(data)
                return _due([data, *self._swap_drums()], now_s)
            return [(now_s, data)]
        if status == 0xF0:
            if data[-1] != 0xF7:
                return []
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
        shift_cents = self._cells.shift_cents
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
        cells, wanted = self._cells, self._lane.wanted
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
            shift_cents = self._cells.shift_cents
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
            if number in _PEDALS:
                self._pedals[index, number] = value
            elif number == RESET_CONTROLLERS:
                self._bent.discard(index)
                for pedal in _PEDALS:
                    self._pedals.pop((index, pedal), None)
                self._reader.feed_message(data)
            return [data]
        if self._plain and number in PLAIN_CONTROLLERS and not self._kits[index]:
            return [bytes((data[0], number, 0))]
        if number == 0:
            self._rhythm.feed(data)
            return [data]
        change = self._reader.feed_message(data)
        if change is None or not change.registered or change.number != FINE_TUNING:
            return [data]
        self._own_cents[change.channel] = fine_tuning_cents(change.value)
        if not self._shifted() or change.channel not in self._pitched():
            return [data]
        messages = self._fine_messages(change.channel)
        return [data, *messages, *self._reselect(messages)]

    # ---- the tuning

    def _pitched(self) -> frozenset[int]:
        return self._channels - self._rhythm.drum_channels

    def _set_up(self, now_s: float, whole: bool = False) -> list[bytes]:
        """Everything that a synth in its power-up state needs."""
        self._resync_s = None
        self._lane.restart()
        tuning = self._with_shift(self._lane.pump(now_s, whole), 0.0)
        chosen = self._select(self._pitched())
        if self._plain:
            for channel in sorted(self._pitched()):
                chosen += [bytes((0xB0 | channel - 1, number, 0)) for number in PLAIN_CONTROLLERS]
        return [*tuning, *chosen, *self._reselect(chosen)]

    def _pump(self, now_s: float) -> list[bytes]:
        shift_cents = self._cells.shift_cents
        return self._with_shift(self._lane.pump(now_s), shift_cents)

    def _with_shift(self, tuning: list[bytes], before_cents: float) -> list[bytes]:
        """Add the fine tuning of each channel where the common shift has moved from `before_cents`."""
        if self._cells.shift_cents == before_cents or self.profile.fine_tuning != "rpn":
            return tuning
        shift = [message for channel in sorted(self._pitched()) for message in self._fine_messages(channel)]
        return [*tuning, *shift, *self._reselect(shift)]

    def _select(self, channels: Iterable[int], program: int | None = None) -> list[bytes]:
        """Controllers that make channels follow the tuning program."""
        profile = self.profile
        if self.method == "octave" or profile.select == "none":
            return []
        number = profile.program if program is None else program
        return [
            message
            for channel in sorted(channels)
            for message in select_tuning(channel, profile.bank, number, profile.select == "bank+program")
        ]

    def _shifted(self) -> bool:
        return self.profile.fine_tuning == "rpn" and self._cells.shift_cents != 0.0

    def _fine_messages(self, channel: int) -> list[bytes]:
        """The table's common shift and the player's own fine tuning of a channel, together."""
        total = self._own_cents.get(channel, 0.0) + self._cells.shift_cents
        return fine_tuning(channel, min(max(total, -100.0), _MOST_FINE_CENTS))

    def _reselect(self, messages: Sequence[bytes]) -> list[bytes]:
        """Select the player's own parameter numbers again where `messages` changed them."""
        restored = []
        for index in sorted({message[0] & 0x0F for message in messages if message[0] & 0xF0 == 0xB0}):
            number = self._reader.selected(index + 1)
            if number is not None:
                first = 101 if self._reader.selected_is_registered(index + 1) else 99
                restored += [bytes((0xB0 | index, first - at, value)) for at, value in enumerate(number)]
        return restored

    # ---- drums and resets

    def _note_kits(self) -> None:
        self._kits = [self._rhythm.is_drums(channel) for channel in range(1, 17)]
        if isinstance(self._cells, ClassCells):
            self._cells.channels = tuple(sorted(self._pitched()))

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
        gone = [channel for channel in ours if self._kits[channel - 1]]
        back = [channel for channel in ours if not self._kits[channel - 1]]
        if isinstance(self._cells, ClassCells):
            if self.profile.octave_shared:
                return []
            return [*self._cells.for_channels(gone, False), *self._cells.for_channels(back, True)]
        messages = self._select(gone, (self.profile.program + 1) % 128) + self._select(back)
        return messages + self._reselect(messages)

    def _reset(self, kind: bytes, now_s: float) -> None:
        """The synth starts afresh: nothing sounds, nothing is tuned."""
        self._rhythm.feed(kind)
        self._note_kits()
        self._silence()
        self._reader = RpnReader()
        self._own_cents.clear()
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
        cells, lane = self._cells, self._lane
        shift_cents = cells.shift_cents
        kept = self._put_back
        method = self._put_back_method()
        if kept is not None and method == self.method:
            due = lane.hand_over(cells, kept, now_s)
        else:
            due = lane.hand_over(cells, cells.equal(), now_s)
        if shift_cents != cells.shift_cents and self.profile.fine_tuning == "rpn":
            for channel in sorted(self._pitched()):
                due += [(now_s, message) for message in self._fine_messages(channel)]
        if kept is not None and method not in (None, self.method):
            due += lane.hand_over(KeyCells(self.profile, str(method)), kept, now_s)
        return due

    def _put_back_method(self) -> str | None:
        """How a whole program can be restored: keys, one by one or all at once."""
        obeyed = [method for method in ("note", "dump") if self.profile.obeys(method)]
        return self.method if self.method in obeyed else obeyed[0] if obeyed else None


def _due(messages: Sequence[bytes], now_s: float) -> list[Due]:
    return [(now_s, message) for message in messages]
