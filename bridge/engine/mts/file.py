"""Retuning a whole file by MIDI Tuning messages: where the messages go among the file's own events.

Everything in the file passes through as it is; the file's own pitch bends and fine tuning add to the table. The
tuning is sent before the first note, again after every reset in the file (0.1 s later where the music allows, in any
case before the next note), and at every table change only what changed.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from bridge.engine.channel_state import PLAIN_CONTROLLERS
from bridge.engine.mts.tuned_channels import TunedChannels
from bridge.engine.mts.tuner import Tuner
from bridge.engine.notices import hiding_notices
from bridge.engine.protocols import Output, TableChange, TimedEvent
from bridge.engine.report import spans
from bridge.engine.rhythm import RhythmTracker
from bridge.engine.score import SourceFacts
from bridge.errors import MethodProblem
from bridge.wire.packets import Packets, understood
from bridge.wire.profile import SynthProfile
from bridge.wire.resets import reset_kind


@dataclass(frozen=True)
class FileParts:
    """Which channels of a file play pitched notes, drums, or both in turn."""

    # Channels 1-16 with at least one such note.
    pitched: frozenset[int]
    drums: frozenset[int]
    # For each pitched channel, the programs (0-127) under which it plays.
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
    for _, _, data in understood(events):
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
    """A `FileEngine` for the methods `note`, `octave` and `dump`; `hz` is the first table, `name` the tuning's in a
    dump.

    `plain` keeps modulation, chorus depth and celeste depth of pitched channels at 0, so that beats can be
    heard.
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
        self.inserted = 0  # messages added so far
        self.channels: tuple[int, ...] = ()  # channels that play pitched notes
        # For each table in order, the anchor from which it holds and how often each key was struck under it.
        self.played: list[tuple[int, Counter[int]]] = []
        self.notices: list[str] = []

    def process(self, events: Sequence[TimedEvent], changes: Sequence[TableChange]) -> Iterable[Output]:
        """Yield the file's events with the tuning messages among them (see `bridge.engine.protocols`).

        MethodProblem if this method cannot express one of the tables.
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
        tuner = Tuner(self.profile, self.method, parts.pitched, self._name)
        mixed = sorted(parts.pitched & parts.drums)
        if mixed:
            self.notices.append(
                f"channel {', '.join(map(str, mixed))} plays drums and pitched notes in turn; "
                + (
                    "the tuning is put aside while it plays drums"
                    if tuner.puts_aside
                    else "this synth has one octave table for all channels, so its drums are tuned too"
                )
            )
        programs = [set(parts.programs.get(channel, ())) for channel in range(1, 17)]
        self.notices += hiding_notices([SourceFacts(programs=played) for played in programs])
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
        first_notes = {segment.note for segment in segments.values()}
        opening = segments.get(-1)
        waiting: _Segment | None = None
        queue: deque[tuple[float, bytes]] = deque()
        hz = self._hz
        packets = Packets()
        for anchor, (time_s, data) in enumerate(events):
            if opening is not None and data and data[0] != 0xFF:
                waiting, opening = opening, None
            if waiting is not None and (
                time_s > waiting.due_s or waiting.anchor < 0 or anchor == waiting.note
            ):
                queue.extend(self._paced(state.set_up(hz), waiting.due_s))
                waiting = None
            while queue and (queue[0][0] < time_s or anchor in first_notes or is_note_on(data)):
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
            told, completed = packets.feed(data) if data[0] in (0xF0, 0xF7) else ([data], ())
            for message in told:
                if message[0] & 0xF0 == 0x90:
                    if message[2] and state.is_pitched(message[0] & 0x0F):
                        struck[message[1] & 0x7F] += 1
                    yield anchor, None, message
                    continue
                yield anchor, None, state.plainer(message)
                yield from self._here(anchor, state.follow(message))
            for message in completed:
                yield from self._here(anchor, state.follow(message))
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
        for anchor, time_s, data in understood(events):
            if not data:
                continue
            if data[0] == 0xF0 and reset_kind(data) is not None:
                start, start_s, open_ = anchor, time_s, True
            elif open_ and is_note_on(data):
                wait_s = 0.0 if start < 0 else self.profile.reset_gap_s
                yield _Segment(start, anchor, start_s + wait_s)
                open_ = False


class _FileState:
    """What the file and the synth hold at a point of the file: what channels were told, drums."""

    def __init__(self, tuner: Tuner, pitched: frozenset[int], drums: frozenset[int], plain: bool) -> None:
        self.ready = False
        self._tuner = tuner
        self._told = TunedChannels(tuner, plain)
        self._pitched = pitched
        self._mixed = pitched & drums
        self._rhythm = RhythmTracker()
        self._put_aside: frozenset[int] = frozenset()
        self._addressed = tuner.channels

    def is_pitched(self, nibble: int) -> bool:
        """Tell whether a channel (0 to 15) plays pitched notes now."""
        return not self._rhythm.is_drums(nibble + 1)

    def plainer(self, data: bytes) -> bytes:
        """Return a message of the file; where beats are to be heard, without what hides them."""
        if (
            self._told.plain
            and data[0] & 0xF0 == 0xB0
            and data[1] in PLAIN_CONTROLLERS
            and self.is_pitched(data[0] & 0x0F)
        ):
            return bytes((data[0], data[1], 0))
        return data

    def set_up(self, hz: Sequence[float]) -> list[bytes]:
        """SysEx messages that bring a synth in its power-up state to `hz`; `finish` returns the rest."""
        self.ready = True
        self._look_for_drums()
        self._addressed = self._tuner.channels
        self._tuner.forget()
        return self._tuner.sysex(hz)

    def finish(self) -> list[bytes]:
        """Controllers that make the pitched channels use the tuning now."""
        self._look_for_drums()
        late = self._put_aside.intersection(self._addressed) if self._tuner.method == "octave" else ()
        return self._told.equip(self._tuner.channels) + self._told.swap(late, ())

    def change(self, hz: Sequence[float], unfinished: bool = False) -> list[bytes]:
        """Messages that bring the synth from the table it holds to `hz` (and end a set-up left unfinished)."""
        before_cents = self._tuner.shift_cents
        messages = self._tuner.sysex(hz)
        rest = self.finish() if unfinished else self._told.shift_from(before_cents, self._tuner.channels)
        return messages + rest

    def follow(self, data: bytes) -> list[bytes]:
        """Note what one of the file's own events does; return what must follow it at once."""
        kind = data[0] & 0xF0
        if kind == 0xB0:
            if data[1] == 0:
                self._rhythm.feed(data)
            shifts = self._told.control(data, self._tuner.channels)
            return shifts if self.ready else []
        if kind == 0xC0 or data[0] == 0xF0:
            self._rhythm.feed(data)
            if data[0] == 0xF0 and reset_kind(data) is not None:
                self.ready = False
                self._told.reset()
            elif self.ready and self._mixed:
                before = self._put_aside
                self._look_for_drums()
                return self._told.swap(self._put_aside - before, before - self._put_aside)
        return []

    def _look_for_drums(self) -> None:
        """Leave the tuning aside on channels that play drums now and pitched notes at other times."""
        self._put_aside = self._mixed & self._rhythm.drum_channels
        self._tuner.address(self._pitched - self._put_aside)
