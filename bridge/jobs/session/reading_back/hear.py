"""Listening to a retuned track without sound: what every note sounds like, beside what it should.

Two receivers follow the track as it was and the track as it is, tick by tick. Each note of the one is found again in
the other: same place, same key, same velocity. Its pitch is compared when it starts and, where the method moves
sounding notes, after every tick until it ends. Wanted is the table that holds there, and on top whatever the track's
own bends and tunings do.

Limits are the method's resolution: half a step of a tuning message, or half a step of the bend at the range that the
channel has.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby

from bridge.engine.mts.file import is_note_on
from bridge.jobs.session.reading_back.read import half_step_cents, lifted_hz
from bridge.sound.generator.channels import Note
from bridge.sound.generator.receiver import Receiver
from bridge.store.playing import Playing, sequences
from bridge.store.smf import MidiFile
from bridge.tuning.notes import key_to_hz, note_name
from bridge.wire.frequency import in_reach
from bridge.wire.profile import BEND_METHODS, SynthProfile

ROUNDING_CENTS = 1e-5


@dataclass
class TrackHeard:
    """What was heard in a track."""

    notes: int = 0  # pitched notes
    exact: int = 0  # those within the method's resolution for their whole length
    # By how much the worst was off, notes beyond the reach of tuning messages left out.
    worst_cents: float = 0.0
    problems: list[str] = field(default_factory=list)  # notes that are missing, added or moved


@dataclass
class _Pair:
    """A note of the track as it was, and the same in the track as it is."""

    source: Note
    output: Note
    exact: bool = True


def hear_track(
    source: MidiFile,
    output: MidiFile,
    tables: Sequence[Sequence[tuple[int, Sequence[float]]]],
    method: str,
    profile: SynthProfile,
    before: Sequence[bytes] = (),
) -> tuple[TrackHeard, Receiver]:
    """Compare a retuned track with the track that it was made of.

    Parameters
    ----------
    source, output : MidiFile
        As it was, and as it is.
    tables : sequence of sequence of (int, sequence of 128 float)
        For each sequence of the file, ticks and frequencies in hertz, the first from the start.
    method : str
        How it was retuned.
    profile : SynthProfile
        The synth that it is for.
    before : sequence of bytes
        Messages that the synth has received before the track.

    Returns
    -------
    heard : TrackHeard
    receiver : Receiver
        The synth as the track leaves it.
    """
    heard = TrackHeard()
    receiver = Receiver()
    for message in before:
        receiver.message(message)
    for old, new, held in zip(sequences(source), sequences(output), tables, strict=True):
        _Listening(heard, receiver, held, method, profile).run(old, new)
    return heard, receiver


class _Listening:
    """One sequence of events that play together."""

    def __init__(
        self,
        heard: TrackHeard,
        receiver: Receiver,
        tables: Sequence[tuple[int, Sequence[float]]],
        method: str,
        profile: SynthProfile,
    ) -> None:
        self.heard = heard
        self.source, self.output = Receiver(), receiver
        self.tables = tables
        self.method = method
        self.profile = profile
        self.moves = method in profile.sounding and method != "dump"
        self.pairs: list[_Pair] = []

    def run(self, old: Playing, new: Playing) -> None:
        hz = self.tables[0][1]
        ticks = [tick for tick, _ in self.tables[1:]]
        markers = dict(
            zip(old.mark(ticks, before=is_note_on), (hz for _, hz in self.tables[1:]), strict=True)
        )
        groups = _by_tick(new)
        waiting = next(groups, None)
        for tick, events in _by_tick(old):
            while waiting is not None and waiting[0] < tick:
                self._only_tuning(waiting[1])
                waiting = next(groups, None)
            here: list[tuple[int, bytes]] = []
            if waiting is not None and waiting[0] == tick:
                here = waiting[1]
                waiting = next(groups, None)
            wanted = []
            for anchor, data in events:
                if anchor in markers:
                    hz = markers[anchor]
                started = _feed(self.source, data)
                if started is not None:
                    wanted.append((started, self._wanted_hz(started, hz)))
            found = []
            for _, data in here:
                started = _feed(self.output, data)
                if started is not None:
                    found.append((started, started.hz))  # as it starts: bends may follow at the same tick
            self._match(wanted, found)
            self._look(hz)
        while waiting is not None:
            self._only_tuning(waiting[1])
            waiting = next(groups, None)
        self._end(self.pairs)

    def _only_tuning(self, events: list[tuple[int, bytes]]) -> None:
        """Take messages at a tick where the track as it was has none: no note may start there."""
        for _, data in events:
            note = _feed(self.output, data)
            if note is not None:
                self._problem(f"{note_name(note.key)} on channel {note.channel} is struck where nothing was")

    def _match(self, wanted: list[tuple[Note, float]], found: list[tuple[Note, float]]) -> None:
        """Pair the notes that start at a tick; they stand in the same order."""
        if [(note.key, note.velocity) for note, _ in wanted] != [
            (note.key, note.velocity) for note, _ in found
        ]:
            names = ", ".join(note_name(note.key) for note, _ in wanted) or "none"
            others = ", ".join(note_name(note.key) for note, _ in found) or "none"
            self._problem(f"notes that start together are {others} instead of {names}")
            return
        for (note, hz), (other, heard_hz) in zip(wanted, found, strict=True):
            pair = _Pair(note, other)
            self._compare(pair, heard_hz, hz)
            self.pairs.append(pair)

    def _look(self, hz: Sequence[float]) -> None:
        """Compare what still sounds."""
        ended = [pair for pair in self.pairs if pair.source.releasing or pair.output.releasing]
        if ended:
            self._end(ended)
            self.pairs = [pair for pair in self.pairs if not (pair.source.releasing or pair.output.releasing)]
        if self.moves:
            for pair in self.pairs:
                self._compare(pair, pair.output.hz, self._wanted_hz(pair.source, hz))

    def _end(self, pairs: list[_Pair]) -> None:
        self.heard.notes += len(pairs)
        self.heard.exact += sum(pair.exact for pair in pairs)

    def _wanted_hz(self, note: Note, hz: Sequence[float]) -> float:
        """Return what a note should sound like: the table at its key, and what the track itself does to it."""
        own_cents = 1200.0 * math.log2(note.hz / key_to_hz(note.key))
        key = note.key
        sent_hz = lifted_hz(key, hz[key], self.profile.lift_cents)
        if self.method not in BEND_METHODS:
            return float(sent_hz * 2.0 ** (own_cents / 1200.0))
        offset_cents = 1200.0 * math.log2(sent_hz / key_to_hz(key))
        if self.profile.key_stretch_cents is not None:
            offset_cents -= self.profile.key_stretch_cents[key]
        return float(key_to_hz(key) * 2.0 ** ((offset_cents / self.profile.bend_scale + own_cents) / 1200.0))

    def _compare(self, pair: _Pair, hz: float, wanted_hz: float) -> None:
        off_cents = abs(1200.0 * math.log2(hz / wanted_hz))
        if self.method in BEND_METHODS:
            channel = self.output.channels[pair.output.channel]
            limit_cents = channel.bend_range_semitones * 100.0 / 16384.0
        else:
            limit_cents = half_step_cents(self.method, self.profile)
            if self.method != "octave" and not in_reach(wanted_hz):
                limit_cents = math.inf
        if off_cents > limit_cents + ROUNDING_CENTS:
            pair.exact = False
        if math.isfinite(limit_cents):
            self.heard.worst_cents = max(self.heard.worst_cents, off_cents)

    def _problem(self, text: str) -> None:
        if len(self.heard.problems) < 5:
            self.heard.problems.append(text)


def _by_tick(playing: Playing) -> Iterator[tuple[int, list[tuple[int, bytes]]]]:
    """Yield ticks with the anchors and messages that stand there."""
    numbered = enumerate(playing.events)
    for tick, events in groupby(numbered, key=lambda item: item[1][0]):
        yield tick, [(anchor, data) for anchor, (_, data) in events]


def _feed(receiver: Receiver, data: bytes) -> Note | None:
    """Give a receiver one event of a file; return the pitched note that it starts, if any."""
    if not data or data[0] == 0xFF:
        return None
    if data[0] == 0xF7:
        receiver.feed(data[1:])
        return None
    if data[0] < 0xF0 and max(data[1:]) > 0x7F:
        data = bytes((data[0], *(byte & 0x7F for byte in data[1:])))
    receiver.message(data)
    if not is_note_on(data):
        return None
    notes = receiver.channels[(data[0] & 0x0F) + 1].notes
    if not notes or notes[-1].key != data[1] or receiver.is_drums((data[0] & 0x0F) + 1):
        return None
    return notes[-1]
