"""A voice's pitch in time against the pure lines of a table: what `sing --picture` draws.

Time runs to the right, pitch upward, in cents. Every degree of the table near the voice is a thin line with its name;
the pitch as it went is a thick one; the centre of each note lies on it as a box, with what it is off written above.
Where a note beats against a drone, marks along it stand as far apart as its beats; vibrato is told in words.

Conventions: as in `bridge.sheet.shapes`; seconds, and cents above any pitch that all figures share.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeAlias

from bridge.sheet.phrases import signed
from bridge.sheet.shapes import FIGURE_MM, Box, Line, Picture, Shape, Text

SECOND_MM, LEAST_MM, MOST_MM = 22.0, 120.0, 2000.0
"""Width of a second; long takes are drawn narrower than that."""

CENT_MM = 0.12
MARGIN_CENTS = 120.0
LEFT_MM, RIGHT_MM, TOP_MM, BOTTOM_MM = 24.0, 8.0, 14.0, 12.0
HALF_MM = 1.2
_JUMP_CENTS = 150.0
_MOST_MARKS = 400
_Place: TypeAlias = Callable[[float], float]


@dataclass(frozen=True)
class LineNote:
    """A note of the voice."""

    start_s: float
    end_s: float
    cents: float  # its centre
    off_cents: float  # from its pure line
    name: str
    beats_hz: float = 0.0  # against a drone; 0 for none
    # Vibrato; 0 for none.
    vibrato_hz: float = 0.0
    vibrato_cents: float = 0.0


def voice_picture(
    title: str,
    track: Sequence[tuple[float, float | None]],
    lines: Sequence[tuple[float, str]],
    notes: Sequence[LineNote],
) -> Picture:
    """Draw a voice.

    Parameters
    ----------
    track : sequence of (seconds, cents or None)
        The pitch as it went; None where there was none.
    lines : sequence of (cents, name)
        The table's degrees; those far from the voice are left out.
    """
    heard = [cents for _, cents in track if cents is not None] + [note.cents for note in notes]
    low, high = min(heard) - MARGIN_CENTS, max(heard) + MARGIN_CENTS
    seconds = max([track[-1][0] if track else 0.0, *(note.end_s for note in notes)])
    wide = min(max(seconds * SECOND_MM, LEAST_MM), MOST_MM)

    def x(at_s: float) -> float:
        return LEFT_MM + wide * at_s / seconds

    def y(cents: float) -> float:
        return TOP_MM + (high - cents) * CENT_MM

    bottom = y(low)
    width, height = LEFT_MM + wide + RIGHT_MM, bottom + BOTTOM_MM
    shapes: list[Shape] = [Text(LEFT_MM, 7.0, title, size=4.0, bold=True)]
    shown = sorted((cents, name) for cents, name in lines if low <= cents <= high)
    above = -1e9
    for cents, name in shown:
        shapes.append(Line(LEFT_MM, y(cents), LEFT_MM + wide, y(cents), width=0.2, shade=0.6))
        if cents - above >= FIGURE_MM / CENT_MM:  # no name over another
            shapes.append(Text(LEFT_MM - 2, y(cents) + 1.1, name, size=FIGURE_MM, anchor="end"))
            above = cents
    shapes += _seconds(seconds, x, bottom)
    for note in notes:
        left, right = x(note.start_s), x(note.end_s)
        shapes.append(Box(left, y(note.cents) - HALF_MM, right - left, 2 * HALF_MM, fill=0.8, shade=None))
        shapes += _beats(note, x, y)
    for (from_s, before), (to_s, after) in pairwise(track):
        if before is not None and after is not None and abs(after - before) < _JUMP_CENTS:
            shapes.append(Line(x(from_s), y(before), x(to_s), y(after), width=0.5))
    for note in notes:
        peak = max(
            [c for at, c in track if c is not None and note.start_s <= at <= note.end_s] + [note.cents]
        )
        shapes.append(Text(x(note.start_s), y(peak) - 2.0, _words(note), size=FIGURE_MM))
    return Picture(title, width, height, tuple(shapes))


def _words(note: LineNote) -> str:
    words = f"{note.name} {signed(note.off_cents, 0)}"
    if note.vibrato_cents > 0:
        words += f" (~{note.vibrato_hz:.1f}/s)"
    return words


def _seconds(seconds: float, x: _Place, bottom: float) -> list[Shape]:
    step = next((one for one in (1, 2, 5, 10, 20, 30, 60, 120) if seconds / one <= 40), 300)
    out: list[Shape] = []
    for number in range(0, int(seconds) + 1, step):
        out.append(Line(x(number), bottom, x(number), bottom + 1.5, width=0.2))
        out.append(Text(x(number), bottom + 5.5, f"{number} s", size=FIGURE_MM, anchor="middle"))
    return out


def _beats(note: LineNote, x: _Place, y: _Place) -> list[Shape]:
    """Marks as far apart as the beats of a note."""
    count = int((note.end_s - note.start_s) * note.beats_hz)
    if not 0 < count <= _MOST_MARKS:
        return []
    middle = y(note.cents)
    return [
        Line(x(at), middle - 2 * HALF_MM, x(at), middle + 2 * HALF_MM, width=0.25, shade=0.3)
        for at in (note.start_s + (number + 0.5) / note.beats_hz for number in range(count))
    ]
