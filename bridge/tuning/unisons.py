"""Unisons of harmonics, and the solver that turns them into exact ratios of strings.

Conventions
-----------
A string touched at 1/n of its length from either end sounds its nth partial; ``open`` is partial 1. The
unison ``"5 at 1/4 = 4 at 1/3"`` says that the fourth partial of string 5 is the third of string 4:
4 · f5 = 3 · f4. Any node k/n of the same partial may be written (2/5 sounds the fifth partial as 1/5 does).

A solved string is an exact `fractions.Fraction` above the reference string, times a tempered part in cents,
which is 0 unless a tempered string lies on the way to it. Whole octaves of tempering count as exact.

Index
-----
`Unison` one unison · `Solved` a string's distance · `solve_unisons` the solver

Sources
-------
Vibrating string of Mersenne, *Harmonie universelle* (1636): partials are whole multiples; a string touched at
1/n sounds the nth. Derived from that: p · f_s = q · f_t.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import gcd

from bridge.errors import TuningProblem, ValueProblem
from bridge.tuning.ratios import ratio_to_cents

MAX_PARTIAL = 16
"""Highest partial accepted in a unison; players reach about the eighth."""

TEMPERED_TOLERANCE_CENTS = 0.01
"""How far a loop through a tempered string may fail to close: cents are written with few decimals."""

_SIDE = re.compile(r"(\d{1,2})\s+(?:open|at\s+(\d{1,2})\s*/\s*(\d{1,2}))", re.ASCII)
_FORM = 'write a unison like "5 at 1/4 = 4 at 1/3" or "1 open = 4 at 1/2"'


@dataclass(frozen=True)
class Unison:
    """One unison of harmonics: ``partial · f_string = other_partial · f_other``."""

    # String numbers; two different strings.
    string: int
    # Partials 1 (open) to `MAX_PARTIAL`.
    partial: int
    other: int
    other_partial: int

    def __post_init__(self) -> None:
        if self.string == self.other:
            raise TuningProblem(
                f"unison of string {self.string} with itself", "a unison ties two different strings"
            )
        for partial in (self.partial, self.other_partial):
            if not 1 <= partial <= MAX_PARTIAL:
                raise TuningProblem(
                    f"partial {partial} in a unison of strings {self.string} and {self.other}",
                    f"partials run from 1 (open) to {MAX_PARTIAL}",
                )

    @classmethod
    def parse(cls, text: str) -> Unison:
        """Read ``"5 at 1/4 = 4 at 1/3"`` or ``"1 open = 4 at 1/2"``.

        ValueProblem if the text is no unison, or a touch is no node between the ends of the string;
        TuningProblem if a string is tied to itself or a partial is beyond `MAX_PARTIAL`.
        """
        sides = text.split("=")
        if len(sides) != 2:
            raise ValueProblem(f"{text!r} is not a unison of two strings", _FORM)
        (string, partial), (other, other_partial) = (_parse_side(side.strip(), text) for side in sides)
        return cls(string, partial, other, other_partial)

    @property
    def ratio(self) -> Fraction:
        """Frequency of `string` over that of `other`."""
        return Fraction(self.other_partial, self.partial)

    def __str__(self) -> str:
        return f"{self.string} {_touch_text(self.partial)} = {self.other} {_touch_text(self.other_partial)}"


@dataclass(frozen=True)
class Solved:
    """A string's frequency over the reference string's: ``ratio · 2^(tempered_cents / 1200)``."""

    ratio: Fraction
    tempered_cents: float = 0.0

    @property
    def exact(self) -> bool:
        """Whether `ratio` alone is the whole distance."""
        return self.tempered_cents == 0.0

    @property
    def cents(self) -> float:
        """Distance above the reference string."""
        return ratio_to_cents(self.ratio) + self.tempered_cents


def solve_unisons(
    strings: Sequence[int],
    reference: int,
    unisons: Sequence[Unison],
    tempered_cents: Mapping[int, float] | None = None,
) -> dict[int, Solved]:
    """Turn unisons into the distance of every string from the reference string.

    The unisons may stand in any order and lead through other strings. More of them than needed are welcome as
    long as they agree.

    TuningProblem if a unison names a string that is not there, if strings remain that nothing ties to the
    reference (named), or if unisons contradict each other (the loop, string by string, and its size in
    cents).

    Parameters
    ----------
    strings : sequence of int
        The string numbers.
    reference : int
        The string that the others are measured from.
    unisons : sequence of Unison
        What is tuned to what.
    tempered_cents : mapping of int to float, optional
        Strings that are set to so many cents above the reference string instead of by a unison.

    Returns
    -------
    dict of int to Solved
        In the order of `strings`.
    """
    tempered = dict(tempered_cents or {})
    _check_names(strings, reference, unisons, tempered)
    solved = {reference: Solved(Fraction(1))}
    parents: dict[int, int] = {}
    for string, cents in tempered.items():
        solved[string] = _tempered(cents)
        parents[string] = reference
    waiting = [reference, *tempered]
    while waiting:
        here = waiting.pop(0)
        for unison in unisons:
            there = _other_end(unison, here)
            if there is not None and there not in solved:
                solved[there] = _across(unison, here, solved[here])
                parents[there] = here
                waiting.append(there)
    unreached = [string for string in strings if string not in solved]
    if unreached:
        names = " and ".join(map(str, unreached))
        raise TuningProblem(
            f"nothing ties string{'s' if len(unreached) > 1 else ''} {names} to the reference string {reference}",
            "add a unison of harmonics for each, directly or through another string",
        )
    for unison in unisons:
        _check_closed(unison, solved, parents)
    return {string: solved[string] for string in strings}


def _parse_side(side: str, text: str) -> tuple[int, int]:
    """Read ``"5 at 1/4"`` or ``"4 open"`` into (string, partial)."""
    match = _SIDE.fullmatch(side)
    if match is None:
        raise ValueProblem(f"{side!r} in unison {text!r} is not a touched string", _FORM)
    string = int(match[1])
    if match[2] is None:
        return string, 1
    node, parts = int(match[2]), int(match[3])
    if not 0 < node < parts:
        raise ValueProblem(
            f"touch {node}/{parts} in unison {text!r} is not on the string",
            'a touch lies between the ends, like 1/2 or 2/5; write "open" for an untouched string',
        )
    return string, parts // gcd(node, parts)


def _touch_text(partial: int) -> str:
    return "open" if partial == 1 else f"at 1/{partial}"


def _tempered(cents: float) -> Solved:
    """Whole octaves are exact whatever the temperament."""
    octaves = cents / 1200.0
    if octaves == round(octaves):
        return Solved(Fraction(2) ** round(octaves))
    return Solved(Fraction(1), cents)


def _other_end(unison: Unison, here: int) -> int | None:
    if unison.string == here:
        return unison.other
    return unison.string if unison.other == here else None


def _across(unison: Unison, here: int, at: Solved) -> Solved:
    """Step along a unison from the string `here`."""
    factor = 1 / unison.ratio if unison.string == here else unison.ratio
    return Solved(at.ratio * factor, at.tempered_cents)


def _check_names(
    strings: Sequence[int], reference: int, unisons: Sequence[Unison], tempered: Mapping[int, float]
) -> None:
    known = set(strings)
    there_are = f"there are strings {', '.join(map(str, sorted(known)))}"
    if reference not in known:
        raise TuningProblem(f"reference string {reference} does not exist", there_are)
    for unison in unisons:
        for string in (unison.string, unison.other):
            if string not in known:
                raise TuningProblem(f"unison {str(unison)!r} names string {string}", there_are)
    for string in tempered:
        if string not in known:
            raise TuningProblem(f"tempered string {string} does not exist", there_are)
    if reference in tempered:
        raise TuningProblem(
            f"string {reference} is the reference and tempered at once",
            "the others are measured from the reference string: leave its tempering out",
        )


def _check_closed(unison: Unison, solved: Mapping[int, Solved], parents: Mapping[int, int]) -> None:
    """Refuse a unison that disagrees with the way by which its strings were reached."""
    string, expected = solved[unison.string], _across(unison, unison.other, solved[unison.other])
    gap_cents = expected.cents - string.cents
    if string.exact and expected.exact:
        closed = string.ratio == expected.ratio
    else:
        closed = abs(gap_cents) <= TEMPERED_TOLERANCE_CENTS
    if closed:
        return
    loop = " - ".join(map(str, _loop(unison.string, unison.other, parents)))
    raise TuningProblem(
        f"the unisons contradict each other: round strings {loop} they miss by {abs(gap_cents):.1f} cents",
        f"leave out or change one of them; the last is {str(unison)!r}",
    )


def _loop(first: int, last: int, parents: Mapping[int, int]) -> list[int]:
    """Return the strings from `first` by way of their nearest common string to `last`, and back to `first`."""
    up = _ancestry(first, parents)
    down = _ancestry(last, parents)
    meet = next(string for string in up if string in down)
    return [*up[: up.index(meet)], *reversed(down[: down.index(meet) + 1]), first]


def _ancestry(string: int, parents: Mapping[int, int]) -> list[int]:
    line = [string]
    while line[-1] in parents:
        line.append(parents[line[-1]])
    return line
