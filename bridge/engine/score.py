"""Reading a whole file for the bend engine: every pitched note from its start to its real end, and what the
source channels do.

A note ends where it stops sounding: its key is up and no pedal holds it (see `lifetimes`). Beside the notes, each
source channel is read for what decides its bend range (the targets that really sound), and for what a player should
know.

Conventions: a note is numbered in order of starting; anchors are indices into the events; sources are 0 to 15.

Index: `Score`, `SourceFacts`, `read_score`.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from bridge.engine.channel_state import PARAMETER_CONTROLLERS, loudness
from bridge.engine.lifetimes import ENDING, MONO, RESET_CONTROLLERS, Sounding
from bridge.engine.offsets import DEFAULT_RANGE_CENTS, own_bend_cents
from bridge.engine.protocols import TimedEvent
from bridge.engine.rhythm import DRUM_CHANNEL, RhythmTracker
from bridge.wire.mpe import MpeReceiver
from bridge.wire.packets import understood
from bridge.wire.resets import reset_kind
from bridge.wire.rpn import (
    BEND_RANGE,
    COARSE_TUNING,
    FINE_TUNING,
    MPE_CONFIGURATION,
    RpnReader,
    fine_tuning_cents,
)


@dataclass
class SourceFacts:
    """What one source channel does in the file."""

    # Pitched notes, drum notes, and all channel messages.
    notes: int = 0
    drums: int = 0
    messages: int = 0
    # Lowest and highest target that sounds: offset plus own bend and fine tuning.
    low_cents: float = math.inf
    high_cents: float = -math.inf
    # The same for the offsets alone.
    low_offset_cents: float = math.inf
    high_offset_cents: float = -math.inf
    widest_cents: float = DEFAULT_RANGE_CENTS  # the widest bend range that it sets itself
    programs: set[int] = field(default_factory=set)  # programs under which it plays pitched notes
    turned: bool = False  # it is turned into a drum kit at some time, whether drums are played there or not
    # It sets coarse tuning; it announces an MPE zone; SysEx sets its part up.
    transposed: bool = False
    zoned: bool = False
    part_setup: bool = False


class _Channel:
    """The state of a source channel that matters here."""

    __slots__ = (
        "expression",
        "fine_cents",
        "kit",
        "mono",
        "moved_s",
        "own_cents",
        "program",
        "range_cents",
        "sounding",
        "value",
        "volume",
    )

    def __init__(self) -> None:
        self.sounding: Sounding[int] = Sounding()
        self.kit = False
        self.moved_s = -math.inf  # when its bend or fine tuning changed last
        self.clear()

    def clear(self) -> None:
        self.value = 8192
        self.range_cents = DEFAULT_RANGE_CENTS
        self.fine_cents = self.own_cents = 0.0
        self.volume = self.expression = -1
        self.program = 0
        self.mono = False


class Score:
    """The pitched notes of a file, as columns, and the facts of its source channels."""

    def __init__(self) -> None:
        # Anchors of a note's start and of the event that ends it (the number of events if nothing does).
        self.starts = array("i")
        self.ends = array("i")
        # The same in seconds.
        self.starts_s = array("d")
        self.ends_s = array("d")
        # Source channel and key of each note.
        self.sources = bytearray()
        self.keys = bytearray()
        self.loud = array("f")  # loudness, 0 to 1
        self.mono: set[int] = set()  # notes struck in mono mode
        self.bent: set[int] = set()  # notes that the source bends while they sound
        self.facts = [SourceFacts() for _ in range(16)]
        self.end_s = 0.0  # time of the last event
        self.resets: list[int] = []  # anchors of GM, GM2, GS and XG resets
        self.tuned = False  # the file carries MIDI Tuning messages of its own

    def __len__(self) -> int:
        return len(self.starts)

    @property
    def drums(self) -> list[int]:
        """Channels, 1 to 16, that play drums or are turned into a drum kit: pitched notes cannot use them."""
        return [number for number, fact in enumerate(self.facts, 1) if fact.drums or fact.turned]

    @property
    def pitched(self) -> list[int]:
        """Source channels, 1 to 16, that play pitched notes."""
        return [number for number, fact in enumerate(self.facts, 1) if fact.notes]


def read_score(
    events: Iterable[TimedEvent],
    offsets: Sequence[float],
    changes: Mapping[int, Sequence[float]],
    without: Collection[int] = (),
) -> Score:
    """Read a file's events, seconds and message in playing order, but for the source channels `without`.

    `offsets` are those of the first table, for 128 keys in cents; `changes` has those that hold from an
    anchor on.
    """
    return _Reader(offsets, changes).read(events, frozenset(channel - 1 for channel in without))


class _Reader:
    def __init__(self, offsets: Sequence[float], changes: Mapping[int, Sequence[float]]) -> None:
        self.score = Score()
        self.offsets = offsets
        self.changes = changes
        self.channels = [_Channel() for _ in range(16)]
        self.rhythm = RhythmTracker()
        self.rpn = RpnReader()
        self.zones = MpeReceiver()
        self._kits()

    def read(self, events: Iterable[TimedEvent], without: frozenset[int]) -> Score:
        score, channels, facts = self.score, self.channels, self.score.facts
        starts, starts_s, ends, ends_s = score.starts, score.starts_s, score.ends, score.ends_s
        anchor, now_s = -1, 0.0
        for anchor, now_s, data in understood(events):
            if not data:
                if anchor in self.changes:
                    self._change(anchor)
                continue
            status = data[0]
            if status >= 0xF0:
                if status == 0xF0:
                    self._sysex(data, anchor, now_s)
                continue
            index = status & 0x0F
            if index in without:
                continue
            channel = channels[index]
            fact = facts[index]
            fact.messages += 1
            kind = status & 0xF0
            if kind == 0x90 and data[2]:
                if channel.kit:
                    fact.drums += 1
                    channel.sounding.strike_drum(data[1] & 0x7F)
                    continue
                key = data[1] & 0x7F
                fact.notes += 1
                fact.programs.add(channel.program)
                channel.sounding.strike(key, len(starts))
                if channel.mono:
                    score.mono.add(len(starts))
                starts.append(anchor)
                starts_s.append(now_s)
                ends.append(-1)
                ends_s.append(0.0)
                score.sources.append(index)
                score.keys.append(key)
                score.loud.append(loudness(data[2] & 0x7F, channel.volume, channel.expression))
                offset = self.offsets[key]
                target = offset + channel.own_cents
                if target < fact.low_cents or target > fact.high_cents:
                    self._stretch(fact, target)
                if offset < fact.low_offset_cents or offset > fact.high_offset_cents:
                    fact.low_offset_cents = min(fact.low_offset_cents, offset)
                    fact.high_offset_cents = max(fact.high_offset_cents, offset)
            elif kind <= 0x90:
                key, sounding = data[1] & 0x7F, channel.sounding
                if key in sounding.drums and sounding.release_drum(key):
                    continue
                note = sounding.release(key)
                if note is not None and not sounding.hold(key, note):
                    ends[note] = anchor
                    ends_s[note] = now_s
                    if channel.moved_s > starts_s[note]:
                        score.bent.add(note)
            elif kind == 0xB0:
                self._control(channel, fact, data, anchor, now_s)
            elif kind == 0xE0:
                channel.value = data[1] & 0x7F | (data[2] & 0x7F) << 7
                self._own(channel, fact, now_s)
            elif kind == 0xC0:
                channel.program = data[1] & 0x7F
                self.rhythm.feed(data)
                channel.kit = self.rhythm.is_drums(index + 1)
                fact.turned = fact.turned or (channel.kit and index + 1 != DRUM_CHANNEL)
        for channel in channels:
            self._end([note for _, note in channel.sounding], anchor + 1, now_s)
        score.end_s = now_s
        return score

    def _end(self, notes: Iterable[int], anchor: int, now_s: float) -> None:
        score = self.score
        for note in notes:
            score.ends[note] = anchor
            score.ends_s[note] = now_s
            # What is set at a note's own stroke bends nothing.
            if self.channels[score.sources[note]].moved_s > score.starts_s[note]:
                score.bent.add(note)

    @staticmethod
    def _stretch(fact: SourceFacts, target: float) -> None:
        fact.low_cents = min(fact.low_cents, target)
        fact.high_cents = max(fact.high_cents, target)

    def _own(self, channel: _Channel, fact: SourceFacts, now_s: float) -> None:
        """The channel's own bend or fine tuning has changed, under the notes that sound."""
        own = own_bend_cents(channel.value, channel.range_cents) + channel.fine_cents
        moved = own != channel.own_cents
        channel.own_cents = own
        if not channel.sounding:
            return
        if moved:
            channel.moved_s = now_s
        if fact.low_cents <= own + fact.low_offset_cents and own + fact.high_offset_cents <= fact.high_cents:
            return
        for key in channel.sounding.sounding_keys():
            self._stretch(fact, self.offsets[key] + own)

    def _change(self, anchor: int) -> None:
        self.offsets = self.changes[anchor]
        for channel, fact in zip(self.channels, self.score.facts, strict=True):
            for key in channel.sounding.sounding_keys():
                offset = self.offsets[key]
                self._stretch(fact, offset + channel.own_cents)
                fact.low_offset_cents = min(fact.low_offset_cents, offset)
                fact.high_offset_cents = max(fact.high_offset_cents, offset)

    def _control(self, channel: _Channel, fact: SourceFacts, data: bytes, anchor: int, now_s: float) -> None:
        controller, value = data[1] & 0x7F, data[2] & 0x7F
        if controller in ENDING:
            self._end(channel.sounding.control(controller, value), anchor, now_s)
            if controller == RESET_CONTROLLERS:
                self.rpn.feed_message(data)
                channel.value = 8192
                channel.expression = 127
                self._own(channel, fact, now_s)
            elif controller >= MONO:
                channel.mono = controller == MONO
        elif controller == 7:
            channel.volume = value
        elif controller == 11:
            channel.expression = value
        elif controller == 0:
            self.rhythm.feed(data)
        elif controller in PARAMETER_CONTROLLERS:
            change = self.rpn.feed((data[0] & 0x0F) + 1, controller, value)
            if change is None or not change.registered:
                return
            if change.number == BEND_RANGE:
                channel.range_cents = change.msb * 100.0 + change.lsb
                fact.widest_cents = max(fact.widest_cents, channel.range_cents)
                self._own(channel, fact, now_s)
            elif change.number == FINE_TUNING:
                channel.fine_cents = fine_tuning_cents(change.value)
                self._own(channel, fact, now_s)
            elif change.number == COARSE_TUNING:
                fact.transposed = fact.transposed or change.msb != 64
            elif change.number == MPE_CONFIGURATION:
                fact.zoned = True
                for number, semitones in self.zones.reach_after(change.channel, change.msb).items():
                    other, others_fact = self.channels[number - 1], self.score.facts[number - 1]
                    other.range_cents = 100.0 * semitones
                    others_fact.widest_cents = max(others_fact.widest_cents, other.range_cents)
                    self._own(other, others_fact, now_s)

    def _sysex(self, data: bytes, anchor: int, now_s: float) -> None:
        self.rhythm.feed(data)
        if reset_kind(data) is not None:
            self.score.resets.append(anchor)
            self.rpn.clear()
            self.zones.clear()
            for channel in self.channels:
                channel.clear()
                self._end(channel.sounding.reset(), anchor, now_s)
        elif data[1:2] in (b"\x7e", b"\x7f") and data[3:4] == b"\x08":
            self.score.tuned = True
        else:
            part = _part_of(data)
            if part is not None:
                self.score.facts[part].part_setup = True
        self._kits()

    def _kits(self) -> None:
        for index, (channel, fact) in enumerate(zip(self.channels, self.score.facts, strict=True)):
            channel.kit = self.rhythm.is_drums(index + 1)
            fact.turned = fact.turned or (channel.kit and index + 1 != DRUM_CHANNEL)


def _part_of(data: bytes) -> int | None:
    """Return the channel (0 to 15) of the part that a GS or XG message sets up, or None."""
    if data[1:2] == b"\x41" and data[3:6] == b"\x42\x12\x40" and len(data) > 7 and data[6] & 0xF0 == 0x10:
        block = data[6] & 0x0F
        return 9 if block == 0 else block - 1 if block <= 9 else block
    if data[1:2] == b"\x43" and data[3:5] == b"\x4c\x08" and len(data) > 6 and data[5] < 16:
        return data[5]
    return None
