"""What a retuned MIDI file sounds, read from the file as it was written, for tests to compare with.

It shares nothing with the package: the file is read by `support.independent`, the messages are obeyed by a synth on
paper (`support.obedient`), and notes are paired first on, first off. Sustain (CC 64) holds notes.

Index
-----
`sounding` → `Sounding` : every note with its pitch, and how far it moved while it sounded.
`relative` : notes with the source's own bends and tunings taken out; those that it bends as they sound are left out.
`share` : the part of the time in which thirds, fourths, fifths and sixths are pure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

from support import independent
from support.obedient import ObedientSynth

PURE = {3: "6/5", 4: "5/4", 5: "4/3", 7: "3/2", 8: "8/5", 9: "5/3"}
_DRUMS = 9


@dataclass
class Sounding:
    """A note as it sounds: cents above C-1 of equal temperament at A4 = 440 Hz, when it begins."""

    start_s: float
    end_s: float
    channel: int
    key: int
    cents: float
    moved_cents: float = 0.0

    @property
    def offset_cents(self) -> float:
        """How far it lies from equal temperament."""
        return self.cents - 100.0 * self.key


def sounding(path: Path, drums: tuple[int, ...] = (_DRUMS,)) -> list[Sounding]:
    """Return all notes of a file in order of start, then key."""
    reading = independent.read(path)
    synth = ObedientSynth()
    open_: dict[tuple[int, int], list[Sounding]] = {}
    found: list[Sounding] = []
    pedal: set[int] = set()
    held: list[Sounding] = []

    def finish(note: Sounding, now_s: float) -> None:
        note.end_s = now_s
        found.append(note)

    now_s = 0.0
    order = independent.playing_order(reading)
    times_s = independent.seconds_of(reading)
    for place, ((_, _, kind, data), now_s) in enumerate(zip(order, times_s, strict=True)):
        if kind == "meta" or data[0] == 0xFF:
            continue
        channel = data[0] & 15
        if kind == "note_on" and data[2]:
            if channel in drums:
                continue
            note = Sounding(now_s, now_s, channel, data[1], 100.0 * synth.pitch(channel, data[1]))
            open_.setdefault((channel, data[1]), []).append(note)
        elif kind in ("note_on", "note_off"):
            if open_.get((channel, data[1])):
                note = open_[channel, data[1]].pop(0)
                if channel in pedal:
                    held.append(note)
                else:
                    finish(note, now_s)
        else:
            synth.feed(data)
            if kind == "control_change" and data[1] == 64:
                if data[2]:
                    pedal.add(channel)
                else:
                    pedal.discard(channel)
                    for note in [one for one in held if one.channel == channel]:
                        held.remove(note)
                        finish(note, now_s)
        # What follows at the same moment belongs to it: look when the moment is over.
        if place + 1 == len(order) or times_s[place + 1] > now_s:
            alive = [note for notes in open_.values() for note in notes] + held
            for note in alive:
                if note.start_s < now_s or place + 1 < len(order):
                    off = 100.0 * synth.pitch(note.channel, note.key) - note.cents
                    note.moved_cents = max(note.moved_cents, abs(off))
    for notes in [*open_.values(), held]:
        for note in notes:
            finish(note, now_s)
    return sorted(found, key=lambda note: (note.start_s, note.key, note.channel))


def relative(notes: list[Sounding], source: list[Sounding]) -> list[Sounding]:
    """Return the notes of a retuned file as if its source had bent and tuned nothing itself.

    A note lies at its key, moved by how far its pitch is from that of the same note in the source. Notes that the
    source bends while they sound take part in no chord and are left out.
    """
    assert [(note.start_s, note.key) for note in notes] == [(note.start_s, note.key) for note in source]
    return [
        replace(note, cents=100.0 * note.key + note.cents - own.cents)
        for note, own in zip(notes, source, strict=True)
        if own.moved_cents < 0.01
    ]


def share(notes: list[Sounding], within_cents: float = 1.0) -> float:
    """Return the share of pure thirds, fourths, fifths and sixths, weighted by time, from the definition alone."""
    pure = total = 0.0
    heard = [note for note in notes if note.end_s - note.start_s > 0.05]
    for index, one in enumerate(heard):
        for other in heard[index + 1 :]:
            if other.start_s >= one.end_s:
                break
            low, high = (one, other) if one.key <= other.key else (other, one)
            together = min(one.end_s, other.end_s) - max(one.start_s, other.start_s)
            folded = (high.key - low.key) % 12
            if together < 0.05 or folded not in PURE:
                continue
            size = (high.cents - low.cents) % 1200.0
            total += together
            pure += together * (abs(size - 1200 * math.log2(Fraction(PURE[folded]))) <= within_cents)
    return pure / total if total else 1.0
