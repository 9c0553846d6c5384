"""An octave of a keyboard as a picture: how far each note lies from a tuner's.

Conventions
-----------
From C to B, in the octave of the reference. A bar above or below the line shows the distance from equal temperament at
A4 = 440 Hz; the figure beside it is in whole cents. On each key stand its note and its degree; the tonic has a ring.
"""

from __future__ import annotations

import numpy as np

from bridge.sheet.phrases import signed
from bridge.sheet.shapes import BLACK, FIGURE_MM, NOTE_MM, WHITE, Box, Line, Picture, Shape, Text
from bridge.tuning.tables import Table

REPEATS_CENTS = 0.05
"""Octaves of a note that differ by less are the same on paper."""

_WHITE_KEYS = (0, 2, 4, 5, 7, 9, 11)
_BLACK_KEYS = {1: 1, 3: 2, 6: 4, 8: 5, 10: 6}
"""Pitch classes of the black keys, and how many white keys lie to their left."""

_SCALE, _CHART, _WHITE_LONG, _BLACK_LONG = 8.5, 32.0, 32.5, 17.0
_BLACK_WIDE = 0.66
_LEAST_CENTS = 20.0


def octave_keys(table: Table) -> range:
    """Return the twelve MIDI keys from C to B round the reference as it sounds."""
    key = table.sounding_reference[0]
    start = min(max(key - key % 12, 0), 108)
    return range(start, start + 12)


def repeats(table: Table) -> bool:
    """Whether every octave of the table is like the others."""
    cents = table.cents_from_equal
    spread = [float(np.ptp(cents[pitch_class::12])) for pitch_class in range(12)]
    return max(spread) < REPEATS_CENTS


def keyboard_picture(table: Table, width_mm: float = 100.0) -> Picture:
    """Draw an octave of a table."""
    keys = octave_keys(table)
    cents = {key % 12: float(table.cents_from_equal[key]) for key in keys}
    key_mm = (width_mm - _SCALE - 1.0) / 7
    centres = {note: _SCALE + key_mm * (index + 0.5) for index, note in enumerate(_WHITE_KEYS)}
    centres.update({note: _SCALE + key_mm * index for note, index in _BLACK_KEYS.items()})
    names = {key % 12: table.note(key).rstrip("-0123456789") for key in keys}
    degrees = {key % 12: table.degrees[key] or "" for key in keys}
    top = _CHART + 1.5
    shapes: list[Shape] = _chart(cents, centres, width_mm)
    for index, note in enumerate(_WHITE_KEYS):
        shapes.append(Box(_SCALE + key_mm * index, top, key_mm, _WHITE_LONG, WHITE, BLACK, 0.35))
        shapes += _label(centres[note], top + _WHITE_LONG - 9.2, names[note], degrees[note], BLACK, key_mm)
    for note in _BLACK_KEYS:
        wide = _BLACK_WIDE * key_mm
        shapes.append(Box(centres[note] - wide / 2, top, wide, _BLACK_LONG, BLACK, BLACK, 0.35))
        shapes += _label(centres[note], top + _BLACK_LONG - 9.2, names[note], degrees[note], WHITE, wide)
    title = f"keyboard: {table.name}, cents from equal temperament at A4 = 440 Hz"
    return Picture(title, width_mm, top + _WHITE_LONG + 0.8, tuple(shapes))


def _label(x: float, y: float, name: str, degree: str, shade: float, key_mm: float) -> list[Shape]:
    """Name of a note and its degree below it; a ring round the tonic."""
    size = min(NOTE_MM, 0.39 * key_mm if shade == BLACK else 0.6 * key_mm)
    shapes: list[Shape] = []
    if degree == "1":
        half = min(0.5 * key_mm - 0.5, (0.75 if len(name) == 1 else 0.95) * size)
        shapes.append(Box(x - half, y - 1.1 * size, 2 * half, 1.48 * size, None, shade, 0.45, 0.74 * size))
    shapes.append(Text(x, y, name, size, "middle", True, shade))
    if degree:
        shapes.append(Text(x, y + 6.6, degree, size, "middle", False, shade))
    return shapes


def _chart(cents: dict[int, float], centres: dict[int, float], width_mm: float) -> list[Shape]:
    """Bars for the distances, with a line every ten cents."""
    most = max(_LEAST_CENTS, *(abs(value) for value in cents.values()))
    lowest = min(0.0, *cents.values())
    highest = max(0.0, *cents.values())
    reach = max(highest - lowest, most * 0.8)
    per_cent = (_CHART - 10.0) / reach
    zero = 5.0 + per_cent * (highest if highest - lowest >= reach else (reach + highest + lowest) / 2)
    step = 10 if reach <= 60 else 50 if reach <= 300 else 200
    shapes: list[Shape] = []
    for level in range(step * round(lowest / step), step * round(highest / step) + 1, step):
        y = zero - per_cent * level
        shapes.append(
            Line(_SCALE, y, width_mm - 1.0, y, 0.45 if level == 0 else 0.15, BLACK if level == 0 else 0.6)
        )
        shapes.append(Text(_SCALE - 0.8, y + 1.1, f"{level:+d}" if level else "0", FIGURE_MM, "end"))
    for note, value in cents.items():
        x, y = centres[note], zero - per_cent * value
        if abs(value) * per_cent > 0.15:
            fill = WHITE if note in _BLACK_KEYS else BLACK
            shapes.append(
                Box(x - 1.3, min(y, zero), 2.6, abs(y - zero), 0.0 if fill == WHITE else 0.75, BLACK, 0.3)
            )
        below = round(value, 1) < 0
        shapes.append(Text(x, y + 3.4 if below else y - 1.0, signed(value, 0), FIGURE_MM, "middle"))
    return shapes
