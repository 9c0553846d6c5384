"""Frets and slides: by how much they raise an instrument.

Conventions
-----------
A capo or barre at fret n is tempered: it raises by n equal semitones, 0 (open) to 24. A slide is not: it raises by an
exact ratio, 1/1 (none) to 4/1, and moves the keys by the nearest number of semitones.

Sources
-------
Frets lie in equal temperament (common practice); a string stopped at 1/r of its length sounds r times as high
(Mersenne, *Harmonie universelle*, 1636).
"""

from __future__ import annotations

import math
from fractions import Fraction

from bridge.errors import ValueProblem
from bridge.tuning.ratios import format_ratio

MAX_FRET = 24

MAX_SLIDE = 4
"""Widest slide: two octaves, the length of a fingerboard."""


def check_fret(fret: int) -> None:
    """Refuse a fret outside 0 to 24."""
    if not 0 <= fret <= MAX_FRET:
        raise ValueProblem(
            f"fret {fret} is out of range",
            f"frets run from 0 (open) to {MAX_FRET}; a lower pitch is a reference",
        )


def fret_factor(fret: int) -> float:
    """Return the factor by which a fret raises a string: 2^(fret/12)."""
    return float(2.0 ** (fret / 12))


def check_slide(slide: Fraction) -> None:
    """Refuse a slide outside 1/1 to 4/1."""
    if not 1 <= slide <= MAX_SLIDE:
        raise ValueProblem(
            f"slide {format_ratio(slide)} is out of range",
            f"a slide shortens the string: 1/1 to {MAX_SLIDE}/1, like 4/3 at the fifth fret",
        )


def slide_semitones(slide: Fraction) -> int:
    """Return the number of keys nearest to a slide's ratio."""
    return round(12 * math.log2(slide))
