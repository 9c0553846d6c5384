"""Places along a string: frets, nodes where a touch sounds a partial, and where a slide must stand.

Conventions
-----------
A place is counted in equal-tempered frets from the nut: the length that is left is 2^(−frets/12) of the whole. The
node k/n, counted from the nut, lies at 12 · log2(n / (n − k)); touched there, a string sounds its nth partial (k and
n without common divisor). A slide at a ratio r lies at 12 · log2(r). Millimetres are along the string; ``from_fret_mm``
is positive from the fret towards the saddle, negative towards the nut. With a capo the sounding length, and so every
node, starts at the capo; frets and millimetres are still counted from the nut, as a player sees them.

Sources
-------
Derived from the length of a string being in inverse proportion to its frequency (Mersenne, *Harmonie universelle*,
1636).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from math import gcd

from bridge.errors import ValueProblem
from bridge.tuning.ratios import format_ratio

AT_FRET_MM = 0.5
"""Nearer than this to a fret is at the fret: a finger tip is far wider."""

BODY_FRET = 12.5
"""Places beyond lie over the body of many guitars, where the left hand reaches less easily."""

MAX_TOUCHED_PARTIAL = 16
LONGEST_STRING_MM = 3000.0

SLIDE_RATIOS = tuple(
    Fraction(over, under)
    for over, under in (
        (16, 15), (10, 9), (9, 8), (7, 6), (6, 5), (5, 4), (4, 3), (7, 5), (45, 32), (3, 2), (8, 5), (5, 3),
        (7, 4), (16, 9), (9, 5), (15, 8), (2, 1), (9, 4), (5, 2), (8, 3), (3, 1),
    )
)  # fmt: skip
"""Pure intervals that players look for above an open string, up to an octave and a fifth."""


@dataclass(frozen=True)
class Place:
    """A place along a string."""

    frets: float  # equal-tempered frets from the nut
    from_nut_mm: float  # distance from the nut
    # The fret that it lies nearest to in millimetres; 0 is the nut (or beyond the last fret, where one
    # would be).
    nearest_fret: int
    from_fret_mm: float  # distance from that fret, positive towards the saddle

    @property
    def side(self) -> str:
        """``at`` the nearest fret, or on its ``nut`` or ``saddle`` side."""
        if abs(self.from_fret_mm) < AT_FRET_MM:
            return "at"
        return "saddle" if self.from_fret_mm > 0 else "nut"


@dataclass(frozen=True)
class Touch:
    """A touch at a node."""

    node: Fraction  # part of the sounding length from the nut (or capo)
    place: Place  # where that is

    @property
    def partial(self) -> int:
        """The partial that sounds."""
        return self.node.denominator


@dataclass(frozen=True)
class SlidePlace:
    """Where a slide must stand for a pure interval above the open string."""

    ratio: Fraction
    place: Place


def place_at(frets: float, scale_length_mm: float) -> Place:
    """Return a place by its equal-tempered frets from the nut (0) upward; the scale length is from nut to saddle.

    ValueProblem if a value is out of range.
    """
    if not 0 < scale_length_mm <= LONGEST_STRING_MM:
        raise ValueProblem(
            f"scale length {scale_length_mm:g} mm",
            f"nut to saddle, up to {LONGEST_STRING_MM:g} mm; a guitar has about 650",
        )
    if not 0 <= frets < math.inf:
        raise ValueProblem(f"fret {frets:g}", "places are counted from the nut, 0, upward")
    from_nut_mm = _from_nut_mm(frets, scale_length_mm)
    nearest = min(
        (math.floor(frets), math.ceil(frets)),
        key=lambda fret: abs(from_nut_mm - _from_nut_mm(fret, scale_length_mm)),
    )
    return Place(frets, from_nut_mm, nearest, from_nut_mm - _from_nut_mm(nearest, scale_length_mm))


def touch(node: Fraction, scale_length_mm: float, nut_fret: int = 0) -> Touch:
    """Return where to touch a node, a part of the sounding length from the nut, such as 1/4 or 2/5.

    The string starts to sound at `nut_fret`: a capo, or the fret of a short string's own nut. ValueProblem if
    a value is out of range.
    """
    if not 0 < node < 1 or node.denominator > MAX_TOUCHED_PARTIAL:
        raise ValueProblem(
            f"touch at {format_ratio(node)}",
            f"a node lies between the ends, in halves to {MAX_TOUCHED_PARTIAL}ths of the string",
        )
    return Touch(node, place_at(nut_fret + 12.0 * math.log2(1 / (1 - node)), scale_length_mm))


def touches(
    partial: int, scale_length_mm: float, nut_fret: int = 0, last_fret: int = 24
) -> tuple[Touch, ...]:
    """Return all places to touch for a partial from 2 to 16, the one nearest the nut first, then the easiest to find.

    First comes 1/n; then the alternatives k/n, up to the twelfth fret before those over the body, and of
    these the nearest to a fret, which guides the eye. Those beyond `last_fret` are left out. The rest is as
    in `touch`.
    """
    if not 2 <= partial <= MAX_TOUCHED_PARTIAL:
        raise ValueProblem(
            f"touch for partial {partial}",
            f"partials 2 to {MAX_TOUCHED_PARTIAL}; the first is the open string",
        )
    first, *others = (
        touch(Fraction(k, partial), scale_length_mm, nut_fret)
        for k in range(1, partial)
        if gcd(k, partial) == 1
    )
    reachable = [other for other in others if other.place.frets <= last_fret]
    return first, *sorted(
        reachable, key=lambda one: (one.place.frets > BODY_FRET, abs(one.place.from_fret_mm))
    )


def slide_places(
    scale_length_mm: float, ratios: Iterable[Fraction] = SLIDE_RATIOS, nut_fret: int = 0
) -> tuple[SlidePlace, ...]:
    """Return where a slide must stand for pure intervals (1 upward) above the open string, in the order given.

    `nut_fret` is as in `touch`. ValueProblem if an interval is below the open string, or the scale length is
    none.
    """
    places = []
    for ratio in ratios:
        if ratio < 1:
            raise ValueProblem(f"slide to {format_ratio(ratio)}", "a slide only raises a string: 1/1 upward")
        places.append(SlidePlace(ratio, place_at(nut_fret + 12.0 * math.log2(ratio), scale_length_mm)))
    return tuple(places)


def _from_nut_mm(frets: float, scale_length_mm: float) -> float:
    return float(scale_length_mm * (1.0 - 2.0 ** (-frets / 12.0)))
