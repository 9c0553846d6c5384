"""Intervals, and scales of twelve degrees above a tonic.

Conventions
-----------
Degrees are named the trade's way, ``1 b2 2 b3 3 4 #4 5 b6 6 b7 7``, and numbered 0 to 11 in that order: the index is
also the number of semitones above the tonic. A degree lies within 100 cents of its equal-tempered place. An
`Interval` is an exact ratio, or, for tempered ones, cents; whole octaves are always exact.

Sources
-------
The names are common practice. Each shipped scale states its own source in its file.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache

from bridge.errors import ValueProblem, near_names
from bridge.tuning.notes import degree_meant, plain_signs
from bridge.tuning.ratios import cents_to_ratio, format_ratio, parse_ratio, ratio_to_cents

DEGREES = ("1", "b2", "2", "b3", "3", "4", "#4", "5", "b6", "6", "b7", "7")
"""Names of the twelve degrees in ascending order."""

MAX_FROM_EQUAL_CENTS = 100.0
"""How far a degree may lie from its equal-tempered place."""

_ALIASES = {"#1": "b2", "#2": "b3", "b4": "3", "b5": "#4", "#5": "b6", "#6": "b7"}
_INTERVALS = {
    "tonic": "1",
    "minor second": "b2",
    "major second": "2",
    "second": "2",
    "minor third": "b3",
    "major third": "3",
    "fourth": "4",
    "perfect fourth": "4",
    "tritone": "#4",
    "augmented fourth": "#4",
    "diminished fifth": "#4",
    "fifth": "5",
    "perfect fifth": "5",
    "minor sixth": "b6",
    "major sixth": "6",
    "minor seventh": "b7",
    "major seventh": "7",
}
"""Degrees by the interval that they make with the tonic; a third, sixth or seventh alone may be either."""

_CENTS = re.compile(
    r"([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:e[+-]?\d+)?)\s*(?:c|ct|cents?|¢)", re.IGNORECASE | re.ASCII
)
_MAX_CENTS = 12000.0


@dataclass(frozen=True)
class Interval:
    """A step from one pitch to another: an exact ratio or, when tempered, cents.

    Build it with `of_ratio`, `of_cents` or `parse`, which keep the two fields in agreement.
    """

    ratio: Fraction | None  # the exact ratio, above 1 for a step upward; None when tempered
    cents: float  # the size in cents (for an exact ratio, rounded to float64)

    @classmethod
    def of_ratio(cls, ratio: Fraction | int) -> Interval:
        """Return the interval of an exact positive ratio."""
        exact = Fraction(ratio)
        return cls(exact, ratio_to_cents(exact))

    @classmethod
    def of_cents(cls, cents: float) -> Interval:
        """Return an interval in cents; whole octaves become exact ratios."""
        if not math.isfinite(cents):
            raise ValueProblem(f"interval of {cents} cents", "a finite number of cents is wanted")
        octaves, rest = divmod(cents, 1200.0)
        if rest == 0:
            return cls(Fraction(2) ** int(octaves), float(cents))
        return cls(None, float(cents))

    @classmethod
    def parse(cls, text: str) -> Interval:
        """Read ``5/4`` (exact) or ``386.3c`` (cents); ValueProblem if the text is neither."""
        body = text.strip()
        match = _CENTS.fullmatch(body)
        if match is not None:
            if not abs(float(match[1])) <= _MAX_CENTS:
                raise ValueProblem(
                    f"interval {body!r}", "intervals reach from -12000 to 12000 cents, ten octaves"
                )
            return cls.of_cents(float(match[1]))
        if re.fullmatch(r"[+-]?\d+\.\d+", body) and abs(float(body)) > 2:
            raise ValueProblem(f"{body!r} is not an interval", f"if cents are meant, write {body}c")
        return cls.of_ratio(parse_ratio(body))

    @property
    def factor(self) -> float:
        """The interval as a factor of frequency."""
        return float(self.ratio) if self.ratio is not None else cents_to_ratio(self.cents)

    def __mul__(self, other: Interval) -> Interval:
        """Stack two intervals; exact if both are."""
        if self.ratio is not None and other.ratio is not None:
            return Interval.of_ratio(self.ratio * other.ratio)
        return Interval.of_cents(self.cents + other.cents)

    def __truediv__(self, other: Interval) -> Interval:
        """Take `other` away from this interval; exact if both are, or if they are equal."""
        if self.ratio is not None and other.ratio is not None:
            return Interval.of_ratio(self.ratio / other.ratio)
        return Interval.of_cents(self.cents - other.cents)

    def __str__(self) -> str:
        """Write the interval so that `parse` reads it back exactly."""
        return format_ratio(self.ratio) if self.ratio is not None else f"{self.cents!r}c"


def interval_name(semitones: int) -> str:
    """Return what an interval is called, octaves folded: ``minor third``, ``fifth``."""
    degree = DEGREES[semitones % 12]
    return next(name for name, one in _INTERVALS.items() if one == degree)


@cache
def octaves(count: int) -> Interval:
    """Return the interval of a whole number of octaves, up or down."""
    return Interval(Fraction(2) ** count, 1200.0 * count)


def check_degree(index: int, interval: Interval) -> None:
    """Refuse an interval above the tonic that cannot stand on a degree, 0 (``1``) to 11 (``7``).

    ValueProblem if the first degree is anything but a unison, or another lies more than 100 cents from its
    equal-tempered place; names the likely mistake.
    """
    if index == 0:
        if interval.ratio != 1:
            raise ValueProblem(
                f"degree 1 cannot be {interval}",
                "degree 1 is the tonic itself, always 1/1; to move the tonic, change the reference",
            )
        return
    off_cents = interval.cents - 100.0 * index
    if abs(off_cents) <= MAX_FROM_EQUAL_CENTS:
        return
    allowed = f"allowed are {100 * index - 100} to {100 * index + 100} cents"
    folded = interval.cents % 1200.0
    meant = min(range(12), key=lambda degree: abs(folded - 100.0 * degree))
    if abs(folded - 100.0 * index) <= MAX_FROM_EQUAL_CENTS:
        inside = interval * octaves(-math.floor(interval.cents / 1200.0))
        hint = f"did you mean {DEGREES[index]}={inside}, within the octave?"
    elif meant:
        hint = f"{allowed}; {interval} looks like the {DEGREES[meant]}"
    else:
        hint = allowed
    raise ValueProblem(f"degree {DEGREES[index]}={interval} lies at {interval.cents:.1f} cents", hint)


@dataclass(frozen=True)
class Scale:
    """Twelve degrees above a tonic."""

    name: str  # short name by which it is chosen, such as ``five-limit``
    title: str  # what a person reads
    # Intervals above the tonic in the order of `DEGREES`; the first is the unison.
    degrees: tuple[Interval, ...]
    source: str  # where the figures come from
    description: str = ""  # what it is good for and what it is not

    def __post_init__(self) -> None:
        if len(self.degrees) != 12:
            raise ValueProblem(
                f"scale {self.name!r} has {len(self.degrees)} degrees",
                f"twelve are needed: {' '.join(DEGREES)}",
            )
        for index, interval in enumerate(self.degrees):
            check_degree(index, interval)

    def with_degrees(self, changes: Mapping[int, Interval]) -> Scale:
        """Return the scale with some degrees, by index from 1 to 11, replaced by new distances above the tonic.

        ValueProblem if an interval does not suit its degree.
        """
        for index, interval in changes.items():
            check_degree(index, interval)
        if not changes:
            return self
        degrees = tuple(changes.get(index, interval) for index, interval in enumerate(self.degrees))
        return replace(self, degrees=degrees)

    @property
    def exact(self) -> bool:
        """Whether every degree is an exact ratio."""
        return all(interval.ratio is not None for interval in self.degrees)


EQUAL = Scale(
    name="equal",
    title="Equal temperament",
    degrees=tuple(Interval.of_cents(100.0 * index) for index in range(12)),
    source="Twelve equal steps of the twelfth root of two, 100 cents each (by definition of the cent).",
)
"""Equal temperament, for comparison with every other scale."""


def parse_degree(text: str) -> int:
    """Read the name of a degree, such as ``b7``, as its index, 0 (``1``) to 11 (``7``); ``b5``, ``#5`` and their like
    too.

    ValueProblem if there is no such degree.
    """
    body = plain_signs(text)
    name = _ALIASES.get(body, _INTERVALS.get(" ".join(body.lower().split()), body))
    if name not in DEGREES:
        hint = f"degrees are {' '.join(DEGREES)}"
        if re.fullmatch("[0-9]{1,2}", body) and 8 <= int(body) <= 14:
            hint = f"above the octave it is degree {int(body) - 7}; {hint}"
        elif not body:
            hint = f"a change reads like b7=7/4; {hint}"
        elif meant := degree_meant(body):
            hint = meant
        elif body.lower() in DEGREES or body[::-1] in DEGREES:
            hint = near_names(body.lower() if body.lower() in DEGREES else body[::-1], DEGREES)
        raise ValueProblem(f"{text.strip()!r} is not a degree", hint)
    return DEGREES.index(name)


def parse_degree_change(text: str) -> tuple[int, Interval]:
    """Read a degree's index, 1 to 11, and its new interval above the tonic: ``b7=7/4`` or ``3=386.3c``.

    ValueProblem if either part is malformed, or the interval does not suit the degree.
    """
    name, equals, value = text.partition("=")
    if not equals or not value.strip():
        raise ValueProblem(
            f"{text.strip()!r} is not a change of a degree", "write the degree, = and its ratio, like b7=7/4"
        )
    index = parse_degree(name)
    interval = Interval.parse(value)
    check_degree(index, interval)
    if index == 0:
        raise ValueProblem("degree 1 cannot be replaced", "it is the tonic itself")
    return index, interval
