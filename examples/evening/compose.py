"""Writes the six backing tracks of this example; everything in them was made up for it.

Run ``python examples/evening/compose.py`` from anywhere; the files in ``tracks/`` come out the same every time (needs
mido).

A piece is written as bars, a line each: the chord, then the melody as notes with their length in beats. Chords are held
by an organ (channel 1), their roots played by a bass (channel 2), the melody by a flute or a plucked string (channel
3); some pieces have a light drum part (channel 10).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import mido

TICKS_PER_BEAT = 480
HERE = Path(__file__).resolve().parent

_CLASSES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_CHORDS = {"": (0, 4, 7), "m": (0, 3, 7), "7": (0, 4, 7, 10), "m7": (0, 3, 7, 10), "5": (0, 7)}
_FLUTE, _PLUCKED = 73, 24


@dataclass(frozen=True)
class Tune:
    """A piece: its file, title, tempo, metre, key signatures by bar, voice of the melody, drums, and bars."""

    file: str
    title: str
    tempo: int
    beats: int
    bars: str
    keys: dict[int, str] = field(default_factory=dict)
    voice: int = _FLUTE
    drums: bool = False
    pickup: str = ""


TUNES = (
    Tune(
        "low-water", "Low Water", 66, 4,
        """
        D    F#4:2 A4:2
        Bm   B4:3 A4:1
        G    G4:2 B4:1 D5:1
        A    C#5:4
        D    D5:2 A4:2
        Em   G4:1 B4:1 E5:2
        Em   G4:2 E4:2
        A    A4:2 E5:2
        D    F#5:2 D5:2
        G    B4:2 D5:2
        Em   E5:2 B4:1 G4:1
        A7   G4:1 E4:1 C#5:2
        D    D5:3 A4:1
        G    G4:2 B4:2
        D    A4:4
        D    F#4:4
        """,
    ),
    Tune(
        "kettle-hymn", "Kettle Hymn", 72, 3,
        """
        D    F#4:1 E4:1 D4:1
        G    G4:2 B4:1
        A    A4:2 E4:1
        D    F#4:3
        Bm   B4:1 A4:1 F#4:1
        G    G4:2 D5:1
        A    C#5:2 E5:1
        D    D5:3
        G    B4:1 D5:1 G5:1
        C    E5:2 C5:1
        D    A4:2 F#4:1
        G    G4:3
        C    G4:1 C5:1 E5:1
        G    D5:2 B4:1
        D    A4:1 C5:1 F#4:1
        G    G4:2 A4:1
        D    F#4:1 A4:1 D5:1
        G    B4:2 G4:1
        A    E4:1 A4:1 C#5:1
        D    D5:3
        """,
        keys={1: "D", 10: "G", 18: "D"}, pickup="A4:1",
    ),
    Tune(
        "ferry-bell", "Ferry Bell", 84, 4,
        """
        A    C#5:1 E5:1 A4:2
        A7   G4:2 E5:2
        D    F#5:2 D5:1 A4:1
        E    B4:2 G#4:2
        A    A4:1 C#5:1 E5:2
        F#m  F#5:2 C#5:2
        D    D5:1 F#5:1 A5:2
        E    G#5:2 E5:2
        A7   C#5:2 G4:2
        D    F#5:3 D5:1
        A    E5:2 C#5:2
        E    B4:4
        A    C#5:2 E5:2
        D    A4:2 F#5:2
        E    E5:2 B4:2
        A    A4:4
        """,
        voice=_PLUCKED, drums=True,
    ),
    Tune(
        "slate-roof-blues", "Slate Roof Blues", 92, 4,
        """
        D7   F4:1 A4:1 C5:2
        D7   D5:2 C5:1 A4:1
        D7   F4:1 D4:1 F4:1 A4:1
        D7   C5:4
        G7   B4:1 D5:1 F5:2
        G7   D5:2 B4:2
        D7   A4:2 F4:2
        D7   D4:4
        A7   C#5:1 E5:1 G5:2
        G7   F5:2 D5:2
        D7   C5:1 A4:1 F4:2
        A7   E4:2 G4:2
        D7   D4:4
        """,
        voice=_PLUCKED, drums=True,
    ),
    Tune(
        "two-frets-up", "Two Frets Up", 76, 4,
        """
        E    G#4:2 B4:2
        A    C#5:2 E5:2
        E    B4:1 G#4:1 E4:2
        B    F#4:2 D#5:2
        C#m  E5:2 G#5:2
        A    A4:2 C#5:2
        E    B4:2 E5:2
        B7   D#5:1 F#5:1 A4:2
        E    G#4:2 E5:2
        A    E5:2 C#5:2
        B    B4:2 F#5:2
        E    E5:4
        """,
    ),
    Tune(
        "lantern-waltz", "Lantern Waltz", 96, 3,
        """
        G    D5:2 B4:1
        G7   F5:2 D5:1
        C    E5:1 G5:1 E5:1
        D7   F#5:1 A5:1 C5:1
        G    B4:1 D5:1 G5:1
        Em   E5:2 B4:1
        C    C5:1 E5:1 G5:1
        D    A4:3
        G    G4:1 B4:1 D5:1
        G7   F5:2 B4:1
        C    C5:2 E5:1
        Am   A4:1 C5:1 E5:1
        D7   F#5:2 C5:1
        G    B4:1 G4:1 D5:1
        D    A4:1 F#5:1 D5:1
        G    G4:3
        """,
    ),
)  # fmt: skip


def key_of(note: str) -> int:
    """Return the MIDI key of a note such as ``F#4``; C4 is 60."""
    letter, sharp, octave = note[0], "#" in note, int(note[-1])
    return 12 * (octave + 1) + _CLASSES[letter] + sharp


def chord(name: str) -> tuple[int, list[int]]:
    """Return a chord's bass key and the keys that the organ holds, between G3 and G4."""
    root = name[:2] if name[1:2] == "#" else name[:1]
    bass = key_of(f"{root}2")
    keys = [55 + (bass + step - 55) % 12 for step in _CHORDS[name[len(root) :]]]
    return bass if bass >= 36 else bass + 12, sorted(keys)


def melody(text: str) -> list[tuple[int, int]]:
    """Return keys and lengths in ticks of notes such as ``F#4:2 A4:1``."""
    notes = [word.split(":") for word in text.split()]
    return [(key_of(note), round(float(beats) * TICKS_PER_BEAT)) for note, beats in notes]


def write(tune: Tune, folder: Path) -> Path:
    """Write one track."""
    bar_ticks = tune.beats * TICKS_PER_BEAT
    bars = [line.split(None, 1) for line in tune.bars.strip().splitlines()]
    first = 1 if tune.pickup else 0  # a pickup fills the end of a bar of its own
    conductor = [
        (0, mido.MetaMessage("track_name", name=tune.title)),
        (0, mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(tune.tempo))),
        (0, mido.MetaMessage("time_signature", numerator=tune.beats, denominator=4)),
    ]
    for bar, key in sorted(tune.keys.items()):
        conductor.append(((bar - 1) * bar_ticks, mido.MetaMessage("key_signature", key=key)))
    parts: list[list[tuple[int, int, int, int]]] = [[], [], [], []]  # tick, length, key, velocity
    for index, (name, tune_text) in enumerate(bars):
        start = (index + first) * bar_ticks
        bass, keys = chord(name)
        parts[0] += [(start, bar_ticks - 30, key, 68) for key in keys]
        parts[1].append((start, bar_ticks // 2 - 20, bass, 88))
        parts[1].append((start + bar_ticks // 2, bar_ticks // 2 - 20, bass, 70))
        tick = start
        for key, length in melody(tune_text):
            parts[2].append((tick, length - 20, key, 84))
            tick += length
        if tune.drums:
            parts[3] += [(start + beat * TICKS_PER_BEAT, 60, 42, 40) for beat in range(tune.beats)]
            parts[3] += [(start, 60, 36, 60), (start + 2 * TICKS_PER_BEAT, 60, 37, 50)]
    notes = melody(tune.pickup)
    tick = first * bar_ticks - sum(length for _, length in notes)
    for key, length in notes:
        parts[2].append((tick, length - 20, key, 80))
        tick += length
    midi = mido.MidiFile(type=1, ticks_per_beat=TICKS_PER_BEAT)
    end = (len(bars) + first) * bar_ticks
    midi.tracks.append(_track(conductor, end))
    names = ("Organ", "Bass", "Melody", "Drums")
    for number, (channel, program) in enumerate(((0, 19), (1, 32), (2, tune.voice), (9, 0))):
        if parts[number]:
            midi.tracks.append(_track(_part(names[number], channel, program, parts[number]), end))
    path = folder / f"{tune.file}.mid"
    midi.save(path)
    return path


def _part(name: str, channel: int, program: int, notes: list[tuple[int, int, int, int]]) -> list[tuple]:
    events: list[tuple] = [
        (0, mido.MetaMessage("track_name", name=name)),
        (0, mido.Message("program_change", channel=channel, program=program)),
        (0, mido.Message("control_change", channel=channel, control=7, value=96)),
    ]
    for tick, length, key, velocity in notes:
        events.append((tick, mido.Message("note_on", channel=channel, note=key, velocity=velocity)))
        events.append((tick + length, mido.Message("note_off", channel=channel, note=key, velocity=64)))
    return events


def _track(events: list[tuple], end: int) -> mido.MidiTrack:
    """Turn absolute ticks into a track; ends of notes stand before what starts at the same tick."""
    order = {"note_off": 0, "note_on": 2}
    track = mido.MidiTrack()
    last = 0
    for tick, message in sorted(events, key=lambda event: (event[0], order.get(event[1].type, 1))):
        track.append(message.copy(time=tick - last))
        last = tick
    track.append(mido.MetaMessage("end_of_track", time=end - last))
    return track


if __name__ == "__main__":
    for one in TUNES:
        print(write(one, HERE / "tracks"))
