"""Which chords can be pure at all, which of them with the variants at hand, and how far frets lie from a variant.

Conventions
-----------
A chord is its pitch classes; only thirds, fourths, fifths and sixths between them count. Frets are tempered: a string
at fret n sounds its open pitch times 2^(n/12).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from bridge.harmony.choice.variants import Palette
from bridge.harmony.intervals import nearest, pure_of
from bridge.tuning.chords.purity import CONSONANT, PURE_CENTS
from bridge.tuning.ratios import ratio_to_cents


def has_pure_form(classes: Collection[int], natural_sevenths: bool = False) -> bool:
    """Whether some pitches make all thirds, fourths, fifths and sixths of these classes pure, wherever they lie."""
    return _consistent(sorted(classes), natural_sevenths)


def reaches(palette: Palette, classes: Collection[int]) -> bool:
    """Whether a palette's variants make all thirds, fourths, fifths and sixths of these classes pure."""
    return _choose(palette, sorted(classes), {})


def _height(palette: Palette, pitch_class: int, offset_cents: float) -> float:
    return 100.0 * pitch_class + palette.base_cents[pitch_class] + offset_cents


def _is_pure(semitones: int, cents: float, natural: bool) -> bool:
    """Whether an interval is none that counts, or pure."""
    return semitones % 12 not in CONSONANT or abs(nearest(semitones, cents, natural)[1]) <= PURE_CENTS


def fret_of(palette: Palette, pitch_class: int, offset_cents: float) -> tuple[int, int, float]:
    """Return string and fret where a guitar has a class nearest to the nut, and how far that lies above a variant.

    String 0 where there is no guitar.
    """
    if not palette.strings:
        return 0, 0, 0.0
    string = min(palette.strings, key=lambda one: ((pitch_class - one.key) % 12, -one.number))
    fret = (pitch_class - string.key) % 12
    open_class = string.key % 12
    fretted = palette.base_cents[open_class] + string.cents_from_table
    return string.number, fret, fretted - palette.base_cents[pitch_class] - offset_cents


def _choose(palette: Palette, classes: Sequence[int], heights: dict[int, float]) -> bool:
    """Try variants class by class until every consonant interval is pure."""
    if len(heights) == len(classes):
        return True
    one = classes[len(heights)]
    for variant in palette.classes[one]:
        height = _height(palette, one, variant.offset_cents)
        if all(
            _is_pure(one - other, height - there, palette.natural_sevenths)
            for other, there in heights.items()
        ) and _choose(palette, classes, {**heights, one: height}):
            return True
    return False


def _consistent(classes: Sequence[int], natural: bool) -> bool:
    """Whether the consonant intervals between classes can all be pure at once."""

    def place(heights: dict[int, float]) -> bool:
        rest = [one for one in classes if one not in heights]
        if not rest:
            return True
        tied = [one for one in rest if any((one - other) % 12 in CONSONANT for other in heights)]
        if not tied:
            return place({**heights, rest[0]: 100.0 * rest[0]})
        one = tied[0]
        other = next(other for other in heights if (one - other) % 12 in CONSONANT)
        for ratio in pure_of((one - other) % 12, natural):
            height = heights[other] + ratio_to_cents(ratio) - 1200.0 * (one < other)
            if all(
                _is_pure((one - low) % 12, (height - there) % 1200.0, natural)
                for low, there in heights.items()
            ) and place({**heights, one: height}):
                return True
        return False

    return place({})
