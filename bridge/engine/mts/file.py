"""Retuning a whole file by MIDI Tuning messages: where the messages go among the file's own events.

Everything in the file passes through as it is; the file's own pitch bends and fine tuning add to the table. The
tuning is sent before the first note, again after every reset in the file (0.1 s later where the music allows, in any
case before the next note), and at every table change only what changed.

A set-up may stand in the middle of the file's own parameter entries (RPN or NRPN), so after each insertion the file's
own parameter number is selected again.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from bridge.engine.channel_state import PLAIN_CONTROLLERS
from bridge.engine.mts.tuner import Tuner
from bridge.engine.notices import hiding_notices
from bridge.engine.protocols import Output, TableChange, TimedEvent
from bridge.engine.report import spans
from bridge.engine.rhythm import RhythmTracker
from bridge.engine.score import SourceFacts
from bridge.errors import MethodProblem
from bridge.wire.profile import SynthProfile
from bridge.wire.resets import reset_kind
from bridge.wire.rpn import FINE_TUNING, RpnReader, fine_tuning, fine_tuning_cents


@dataclass(frozen=True)
class FileParts:
    """Which channels of a file play pitched notes, drums, or both in turn.

    Attributes
    ----------
    pitched, drums : frozenset of int
        Channels 1-16 with at least one such note.
    programs : dict of int to frozenset of int
        For each pitched channel, the programs (0-127) under which it plays.
    """

    pitched: frozenset[int]
    drums: frozenset[int]
    programs: Mapping[int, frozenset[int]]


def is_note_on(data: bytes) -> bool:
    """Tell whether a message starts a note (a note-on with velocity 0 ends one)."""
    return len(data) == 3 and data[0] & 0xF0 == 0x90 and data[2] != 0


def find_parts(events: Sequence[TimedEvent]) -> FileParts:
    """Look through a file for the channels that play (see `RhythmTracker` for what counts as drums)."""
    tracker = RhythmTracker()
    pitched: set[int] = set()
    drums: set[int] = set()
    program = [0] * 17
    programs: dict[int, set[int]] = {}
    for _, data in events:
        if not data:
            continue
        kind = data[0] & 0xF0
        if kind == 0x90:
            if is_note_on(data):
                channel = (data[0] & 0x0F) + 1
                if tracker.is_drums(channel):
                    drums.add(channel)
                else:
                    pitched.add(channel)
                    programs.setdefault(channel, set()).add(program[channel])
        elif kind in (0xB0, 0xC0) or data[0] == 0xF0:
            tracker.feed(data)
            if kind == 0xC0:
                program[(data[0] & 0x0F) + 1] = data[1] & 0x7F
    played = {channel: frozenset(numbers) for channel, numbers in programs.items()}
    return FileParts(frozenset(pitched), frozenset(drums), played)


@dataclass(frozen=True)
class _Segment:
    """A stretch that starts with a synth in an unknown or reset state, up to its first note."""

    anchor: int  # of the reset; -1 at the start of the file
    note: int  # anchor of the first note-on
    due_s: float  # when the tuning is to be sent, unless the note comes first


class MtsFileEngine:
    """A `FileEngine` for the methods `note`, `octave` and `dump`.

    Parameters
    ----------
    profile : SynthProfile
        What the synth obeys.
    method : str
        ``"note"``, ``"octave"`` or ``"dump"``.
    hz : sequence of 128 float
        The first table.
    name : str
        The tuning's name in a dump.
    plain : bool
        Keep modulation, chorus depth and celeste depth of pitched channels at 0, so that beats can be heard.

    Attributes
    ----------
    inserted : int
        Messages added so far.
    channels : tuple of int
        Channels that play pitched notes.
    played : list of (int, Counter of int)
        For each table in order, the anchor from which it holds and how often each key was struck under it.
    """

    def __init__(
        self,
        profile: SynthProfile,
        method: str,
        hz: Sequence[float],
        name: str = "stillbeat",
        plain: bool = False,
    ) -> None:
        self.profile = profile
        self.method = method
        self._hz = hz
        self._name = name
        self._plain = plain
        self.inserted = 0
        self.channels: tuple[int, ...] = ()
        self.played: list[tuple[int, Counter[int]]] = []
        self.notices: list[str] = []

    def process(self, events: Sequence[TimedEvent], changes: Sequence[TableChange]) -> Iterable[Output]:
        """Yield the file's events with the tuning messages among them (see `bridge.engine.protocols`).

        Raises
        ------
        MethodProblem
            This method cannot express one of the tables.
        """
        parts = find_parts(events)
        self.channels = tuple(sorted(parts.pitched))
        allowed = frozenset(self.profile.channels)
        outside = sorted(parts.pitched - allowed)
        if outside:
            raise MethodProblem(
                f"channel {outside[0]} plays pitched notes, but this synth listens on {spans(allowed)}",
                "use --method bend, which moves parts to other channels",
            )
        mixed = sorted(parts.pitched & parts.drums)
        if mixed:
            self.notices.append(
                f"channel {', '.join(map(str, mixed))} plays drums and pitched notes in turn; the tuning is put aside "
                "while it plays drums"
            )
        programs = [set(parts.programs.get(channel, ())) for channel in range(1, 17)]
        self.notices += hiding_notices([SourceFacts(programs=played) for played in programs])
        tuner = Tuner(self.profile, self.method, parts.pitched, self._name)
        for _, hz in ((0, self._hz), *changes):
            tuner.check(hz)
        return self._run(events, changes, tuner, parts)

    def _run(
        self, events: Sequence[TimedEvent], changes: Sequence[TableChange], tuner: Tuner, parts: FileParts
    ) -> Iterator[Output]:
        state = _FileState(tuner, parts.pitched, parts.drums, self._plain)
        struck: Counter[int] = Counter()
        self.played.append((0, struck))
        at_marker = dict(changes)
        segments = {segment.anchor: segment for segment in self._segments(events)}
        opening = segments.get(-1)
        waiting: _Segment | None = None
        queue: deque[tuple[float, bytes]] = deque()
        hz = self._hz
        for anchor, (time_s, data) in enumerate(events):
            if opening is not None and data and data[0] != 0xFF:
                waiting, opening = opening, None
            if waiting is not None and (
                time_s > waiting.due_s or waiting.anchor < 0 or anchor == waiting.note
            ):
                queue.extend(self._paced(state.set_up(hz), waiting.due_s))
                waiting = None
            while queue and (queue[0][0] < time_s or is_note_on(data)):
                due_s, message = queue.popleft()
                place, at_s = anchor, None
                if anchor > 0 and due_s < time_s:
                    place, at_s = anchor - 1, due_s if due_s > events[anchor - 1][0] else None
                for item in [message] if message else state.finish():
                    self.inserted += 1
                    yield place, at_s, item
            if not data:
                if anchor in at_marker:
                    hz = at_marker[anchor]
                    struck = Counter()
                    self.played.append((anchor, struck))
                    if state.ready:
                        early = [message for _, message in queue if message]
                        yield from self._here(anchor, early + state.change(hz, unfinished=bool(queue)))
                        queue.clear()
                continue
            if data[0] & 0xF0 == 0x90:
                if data[2] and state.is_pitched(data[0] & 0x0F):
                    struck[data[1] & 0x7F] += 1
                yield anchor, None, data
                continue
            yield anchor, None, state.plainer(data)
            yield from self._here(anchor, state.follow(data))
            if anchor in segments:
                waiting = segments[anchor]
                queue.clear()

    def _here(self, anchor: int, messages: Sequence[bytes]) -> Iterator[Output]:
        for message in messages:
            self.inserted += 1
            yield anchor, None, message

    def _paced(self, messages: Sequence[bytes], due_s: float) -> Iterator[tuple[float, bytes]]:
        """Give each message the time at which a synth that needs pauses between SysEx messages can take it.

        A last item without data stands for the controllers that finish the set-up: they are worked out when their
        time has come, and are never torn apart.
        """
        for message in messages:
            yield due_s, message
            due_s += self.profile.pause_after_s(message)
        yield due_s, b""

    def _segments(self, events: Sequence[TimedEvent]) -> Iterator[_Segment]:
        """Find every stretch from a reset (or the start) to the first note after it; skip those without notes."""
        start, start_s = -1, 0.0
        open_ = True
        for anchor, (time_s, data) in enumerate(events):
            if not data:
                continue
            if data[0] == 0xF0 and reset_kind(data) is not None:
                start, start_s, open_ = anchor, time_s, True
            elif open_ and is_note_on(data):
                wait_s = 0.0 if start < 0 else self.profile.reset_gap_s
                yield _Segment(start, anchor, start_s + wait_s)
                open_ = False


class _FileState:
    """What the file and the synth hold at a point of the file: parameter numbers, own fine tuning, drums."""

    def __init__(self, tuner: Tuner, pitched: frozenset[int], drums: frozenset[int], plain: bool) -> None:
        self.ready = False
        self._plain = plain
        self._tuner = tuner
        self._pitched = pitched
        self._mixed = pitched & drums
        self._rhythm = RhythmTracker()
        self._reader = RpnReader()
        self._own_cents: dict[int, float] = {}
        self._put_aside: set[int] = set()

    def is_pitched(self, nibble: int) -> bool:
        """Tell whether a channel (0-15) plays pitched notes now."""
        return not self._rhythm.is_drums(nibble + 1)

    def plainer(self, data: bytes) -> bytes:
        """Return a message of the file; where beats are to be heard, without what hides them."""
        if (
            self._plain
            and data[0] & 0xF0 == 0xB0
            and data[1] in PLAIN_CONTROLLERS
            and self.is_pitched(data[0] & 0x0F)
        ):
            return bytes((data[0], data[1], 0))
        return data

    def set_up(self, hz: Sequence[float]) -> list[bytes]:
        """SysEx messages that bring a synth in its power-up state to `hz`; `finish` returns the rest."""
        self.ready = True
        self._tuner.forget()
        return [message for message in self._tuner.messages(hz) if message[0] == 0xF0]

    def finish(self) -> list[bytes]:
        """Controllers that make the pitched channels use the tuning now."""
        self._put_aside = {channel for channel in self._mixed if self._rhythm.is_drums(channel)}
        messages = self._tuner.select(self._pitched - self._put_aside)
        if self._plain:
            messages += [
                bytes((0xB0 | channel - 1, controller, 0))
                for channel in sorted(self._pitched - self._put_aside)
                for controller in PLAIN_CONTROLLERS
            ]
        if self._shifted_by_rpn():
            for channel in sorted(self._pitched):
                messages += self._fine_messages(channel)
        return messages + self._restore(messages)

    def change(self, hz: Sequence[float], unfinished: bool = False) -> list[bytes]:
        """Messages that bring the synth from the table it holds to `hz` (and end a set-up left unfinished)."""
        before = self._tuner.shift_cents
        messages = [message for message in self._tuner.messages(hz) if message[0] == 0xF0]
        if unfinished or (self._tuner.profile.fine_tuning == "rpn" and before != self._tuner.shift_cents):
            shift = [m for channel in sorted(self._pitched) for m in self._fine_messages(channel)]
            return messages + (self.finish() if unfinished else shift + self._restore(shift))
        return messages

    def follow(self, data: bytes) -> list[bytes]:
        """Note what one of the file's own events does; return what must follow it at once."""
        kind = data[0] & 0xF0
        if kind == 0xB0:
            return self._follow_controller(data)
        if kind == 0xC0 or data[0] == 0xF0:
            self._rhythm.feed(data)
            if data[0] == 0xF0 and reset_kind(data) is not None:
                self.ready = False
                self._reader = RpnReader()
                self._own_cents.clear()
            elif self.ready and self._mixed:
                return self._swap_drums()
        return []

    def _follow_controller(self, data: bytes) -> list[bytes]:
        if data[1] == 0:
            self._rhythm.feed(data)
        change = self._reader.feed_message(data)
        if change is None or not change.registered or change.number != FINE_TUNING:
            return []
        self._own_cents[change.channel] = fine_tuning_cents(change.value)
        if not (self.ready and self._shifted_by_rpn() and change.channel in self._pitched):
            return []
        messages = self._fine_messages(change.channel)
        return messages + self._restore(messages)

    def _shifted_by_rpn(self) -> bool:
        return self._tuner.profile.fine_tuning == "rpn" and self._tuner.shift_cents != 0.0

    def _fine_messages(self, channel: int) -> list[bytes]:
        """The table's common shift and the file's own fine tuning of a channel, together."""
        total = self._own_cents.get(channel, 0.0) + self._tuner.shift_cents
        return fine_tuning(channel, min(max(total, -100.0), 100.0 - 100.0 / 8192.0))

    def _restore(self, messages: Sequence[bytes]) -> list[bytes]:
        """Select the file's own parameter numbers again on the channels whose numbers `messages` changed."""
        touched = {(message[0] & 0x0F) + 1 for message in messages if message[0] & 0xF0 == 0xB0}
        restored = []
        for channel in sorted(touched):
            number = self._reader.selected(channel)
            if number is not None:
                first = 101 if self._reader.selected_is_registered(channel) else 99
                for controller, value in zip((first, first - 1), number, strict=True):
                    restored.append(bytes((0xB0 | channel - 1, controller, value)))
        return restored

    def _swap_drums(self) -> list[bytes]:
        """Put the tuning aside on channels that have just become drums, and back on those that ceased to be."""
        now = {channel for channel in self._mixed if self._rhythm.is_drums(channel)}
        leaving, coming = now - self._put_aside, self._put_aside - now
        self._put_aside = now
        equal = (self._tuner.profile.program + 1) % 128
        messages = self._tuner.select(leaving, equal) + self._tuner.select(coming)
        return messages + self._restore(messages)
