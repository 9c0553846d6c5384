"""The demo's music: "Two Strings Down", a short piece for a rehearsal in open G, composed for this project.

Fifteen bars of 4/4 at 66 beats a minute: sustained chords (organ), a bass, a plucked tune and a light drum part.
It visits I, vi, IV, V, ii and V with its minor seventh, then the tonic's own minor seventh (G7) on the way to IV,
because each shows something: thirds that stop beating, a second degree that cannot serve both V and ii, and a
seventh that has more than one pure place.

Everything here is invented; ticks are 480 to a quarter note, bars count from 1.
"""

from __future__ import annotations

from dataclasses import dataclass

TICKS_PER_QUARTER = 480
BAR_TICKS = 4 * TICKS_PER_QUARTER
BEATS_PER_MINUTE = 66
TITLE = "Two Strings Down"

_ORGAN, _BASS, _PLUCKED, _DRUMS = 0, 1, 2, 9  # channel nibbles
_PROGRAMS = {_ORGAN: 19, _BASS: 32, _PLUCKED: 24}
_VOLUMES = {_ORGAN: 84, _BASS: 96, _PLUCKED: 100}


@dataclass(frozen=True)
class Bar:
    """One bar of the piece."""

    chord: str  # name of the chord, as players write it
    degree: str  # its place in the key, in Roman numerals
    keys: tuple[int, ...]  # MIDI keys of the sustained chord, from low to high
    bass: int  # MIDI key of the bass
    tune: tuple[tuple[float, int], ...]  # beats and MIDI keys of the plucked tune; the beats fill the bar


BARS: tuple[Bar, ...] = (
    Bar("G", "I", (55, 62, 67, 71), 43, ((2, 74), (1, 71), (1, 67))),
    Bar("Em", "vi", (55, 64, 67, 71), 40, ((1.5, 76), (0.5, 74), (2, 71))),
    Bar("C", "IV", (55, 60, 64, 67), 36, ((1, 72), (1, 76), (2, 79))),
    Bar("D", "V", (57, 62, 66, 69), 38, ((2, 78), (1, 74), (1, 69))),
    Bar("Am", "ii", (57, 60, 64, 69), 45, ((1, 72), (1, 76), (2, 81))),
    Bar("Am", "ii", (57, 64, 69, 72), 45, ((4, 76),)),
    Bar("D7", "V7", (57, 60, 62, 66), 38, ((1.5, 78), (0.5, 81), (2, 72))),
    Bar("G", "I", (55, 59, 62, 67), 43, ((3, 71), (1, 74))),
    Bar("G7", "I7", (55, 59, 62, 65), 43, ((2, 77), (2, 74))),
    Bar("C", "IV", (55, 60, 64, 67), 36, ((1, 76), (1, 72), (2, 67))),
    Bar("Em", "vi", (55, 59, 64, 67), 40, ((2, 71), (2, 79))),
    Bar("Am", "ii", (57, 60, 64, 69), 45, ((2, 76), (2, 72))),
    Bar("D", "V", (57, 62, 66, 69), 38, ((1, 74), (1, 78), (2, 81))),
    Bar("G", "I", (55, 62, 67, 71), 43, ((4, 79),)),
    Bar("G", "I", (55, 62, 67, 71), 31, ((4, 67),)),
)


def bars_on(degree: str) -> list[int]:
    """Return the numbers of the bars, from 1, that stand on a degree."""
    return [number for number, bar in enumerate(BARS, 1) if bar.degree == degree]


def demo_tracks() -> list[list[tuple[int, bytes]]]:
    """Return the piece as five tracks of (absolute tick, message); meta events are FF, type, payload."""
    tempo = round(60_000_000 / BEATS_PER_MINUTE).to_bytes(3, "big")
    end = len(BARS) * BAR_TICKS
    conductor = [
        (0, _text(0x03, TITLE)),
        (0, b"\xff\x51" + tempo),
        (0, b"\xff\x58\x04\x02\x18\x08"),
        (0, b"\xff\x59\x01\x00"),
        (end, b"\xff\x2f"),
    ]
    return [
        conductor,
        _part("Organ", _ORGAN, _chords(), end),
        _part("Bass", _BASS, _basses(), end),
        _part("Plucked", _PLUCKED, _tune(), end),
        _part("Drums", _DRUMS, _beat(), end),
    ]


_Note = tuple[int, int, int, int]  # tick, length in ticks, key, velocity


def _chords() -> list[_Note]:
    """Sustained chords; a note that the next bar keeps is struck again with it, so that every bar speaks."""
    return [
        (index * BAR_TICKS, BAR_TICKS - 20, key, 70) for index, bar in enumerate(BARS) for key in bar.keys
    ]


def _basses() -> list[_Note]:
    notes = []
    for index, bar in enumerate(BARS):
        start = index * BAR_TICKS
        notes.append((start, 3 * TICKS_PER_QUARTER - 20, bar.bass, 84))
        notes.append((start + 3 * TICKS_PER_QUARTER, TICKS_PER_QUARTER - 20, bar.bass, 70))
    return notes


def _tune() -> list[_Note]:
    notes = []
    for index, bar in enumerate(BARS):
        tick = index * BAR_TICKS
        for beats, key in bar.tune:
            length = round(beats * TICKS_PER_QUARTER)
            notes.append((tick, length - 10, key, 88))
            tick += length
    return notes


def _beat() -> list[_Note]:
    """Bass drum on one and three, a closed hi-hat on every beat, rim on two and four; silent in the last bar."""
    notes = []
    for index in range(len(BARS) - 1):
        for beat in range(4):
            tick = index * BAR_TICKS + beat * TICKS_PER_QUARTER
            notes.append((tick, 60, 42, 36))
            notes.append((tick, 60, 36 if beat % 2 == 0 else 37, 52))
    return notes


def _part(name: str, channel: int, notes: list[_Note], end: int) -> list[tuple[int, bytes]]:
    """Make a track of one part: name, set-up, notes, end of track."""
    events: list[tuple[int, bytes]] = [(0, _text(0x03, name))]
    if channel in _PROGRAMS:
        events.append((0, bytes((0xC0 | channel, _PROGRAMS[channel]))))
        events.append((0, bytes((0xB0 | channel, 7, _VOLUMES[channel]))))
    timed: list[tuple[int, int, bytes]] = []
    for tick, length, key, velocity in notes:
        timed.append((tick, 1, bytes((0x90 | channel, key, velocity))))
        timed.append((tick + length, 0, bytes((0x80 | channel, key, 64))))
    events += [(tick, data) for tick, _, data in sorted(timed)]
    events.append((end, b"\xff\x2f"))
    return events


def _text(kind: int, text: str) -> bytes:
    return bytes((0xFF, kind)) + text.encode("ascii")
