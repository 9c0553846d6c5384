"""What would cure a chord: other pitches for one or two degrees, and which of them a player should think twice about.

Conventions
-----------
A cure replaces one degree of the scale, or two, never the tonic, so that the chord stands in one of the forms of its
kind. It holds for that chord: another that shares the degree may suffer. Chromatic degrees go first, then the
second and sixth, then the fourth and seventh; the third, the fifth and the notes of open strings go last, and a cure
that moves them says so (`Cure.moves`). Only simple ratios are offered (`_simple`): a third of 75/64 that cures one
chord is a curiosity, where a table on the chord's own root cures it as well and is one word.

Sources
-------
Derived from the whole numbers in `bridge.tuning.chords.kinds`; the order of degrees is common practice.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from bridge.errors import ValueProblem
from bridge.tuning.chords.kinds import ChordKind, Forms
from bridge.tuning.chords.purity import nearest_small, verdict
from bridge.tuning.ratios import hz_to_cents, ratio_to_cents
from bridge.tuning.scales import DEGREES, Interval, check_degree

_CURED_CENTS = 0.05
_THIRD, _FIFTH = 4, 7
_RELUCTANCE = {2: 1, 9: 1, 5: 2, 11: 2, _THIRD: 10, _FIFTH: 10}
"""How unwillingly a degree is moved; chromatic ones are free."""

_OPEN_STRING = 10


@dataclass(frozen=True)
class Cure:
    """A degree of the scale and the interval above the tonic that would cure a chord."""

    degree: int  # 1 to 11
    interval: Interval  # its new place above the tonic
    # What a player should think twice about, such as ``"the fifth and open string 3"``; usually empty.
    moves: str = ""

    def __str__(self) -> str:
        """Write it as a degree change is written: ``2=10/9``."""
        return f"{DEGREES[self.degree]}={self.interval}"


def find_cures(
    hz: Sequence[float] | NDArray[np.float64],
    tonic_class: int,
    keys: Sequence[int],
    kind: ChordKind,
    word: str,
    strings: Mapping[int, tuple[int, ...]],
) -> tuple[Cure, ...]:
    """Find the degrees, least missed first, that make a chord pure, or calm where it is neither.

    Parameters
    ----------
    hz : sequence of float, length 128
        Frequency of every key.
    tonic_class : int
        Pitch class of the tonic.
    kind : ChordKind
        Its kind.
    word : str
        Its verdict: a calm chord is offered a pure form only.
    strings : mapping
        Pitch classes of open strings, and which strings sound them.
    """
    forms: Forms = kind.pure if word == "calm" else kind.pure + kind.calm
    movable = [note for note, key in enumerate(keys) if (key - tonic_class) % 12]
    found = [
        (
            sum(_reluctance(keys[note], tonic_class, strings) for note in moved),
            len(moved),
            change_cents,
            cures,
        )
        for form in forms
        for count in (1, 2)
        for moved in combinations(movable, count)
        for change_cents, cures in _moves(hz, tonic_class, keys, form, moved, strings)
    ]
    if word == "tempered":  # a temperament is left alone, but for exact ratios
        found = [one for one in found if all(cure.interval.ratio is not None for cure in one[3])]
    if not found:
        return ()
    return min(found, key=lambda one: (one[0], one[1], round(one[2], 3)))[3]


def still_pure(hz: Sequence[float] | NDArray[np.float64], keys: Sequence[int]) -> bool:
    """Whether a chord of these keys is pure."""
    return (
        verdict(
            (high - low, None if found is None else found[1])
            for low, high in combinations(keys, 2)
            for found in (nearest_small(high - low, hz_to_cents(float(hz[high]), float(hz[low]))),)
        )
        == "pure"
    )


def _reluctance(key: int, tonic_class: int, strings: Mapping[int, tuple[int, ...]]) -> int:
    return _RELUCTANCE.get((key - tonic_class) % 12, 0) + _OPEN_STRING * (key % 12 in strings)


def _moves(
    hz: Sequence[float] | NDArray[np.float64],
    tonic_class: int,
    keys: Sequence[int],
    form: tuple[int, ...],
    moved: tuple[int, ...],
    strings: Mapping[int, tuple[int, ...]],
) -> Iterator[tuple[float, tuple[Cure, ...]]]:
    """Yield the change in cents, and the cures, if moving the notes `moved` brings the chord into `form`."""
    kept = [note for note in range(len(keys)) if note not in moved]
    if not kept or not _agree(hz, keys, form, kept):
        return
    base_hz = float(hz[keys[kept[0]]]) / form[kept[0]]
    cures = [_cure(hz, tonic_class, keys[note], base_hz * form[note], strings) for note in moved]
    whole = tuple(cure for cure in cures if cure is not None)
    if len(whole) == len(moved):
        yield sum(abs(hz_to_cents(base_hz * form[note], float(hz[keys[note]]))) for note in moved), whole


def _agree(
    hz: Sequence[float] | NDArray[np.float64], keys: Sequence[int], form: Sequence[int], kept: Sequence[int]
) -> bool:
    """Whether the notes that stay are pure among themselves."""
    return all(
        abs(hz_to_cents(float(hz[keys[b]]) * form[a], float(hz[keys[a]]) * form[b])) <= _CURED_CENTS
        for a, b in combinations(kept, 2)
    )


def _cure(
    hz: Sequence[float] | NDArray[np.float64],
    tonic_class: int,
    key: int,
    wanted_hz: float,
    strings: Mapping[int, tuple[int, ...]],
) -> Cure | None:
    """Express a wanted frequency as a degree of the scale; None if it is no simple one, or no scale may hold it."""
    degree = (key - tonic_class) % 12
    root_key = key - degree
    factor = wanted_hz / float(hz[root_key])
    ratio = Fraction(factor).limit_denominator(4096)
    if abs(math.log(float(ratio) / factor)) < 1e-10:
        if not _simple(ratio):
            return None
        interval = Interval.of_ratio(ratio)
    else:
        interval = Interval.of_cents(round(ratio_to_cents(factor), 3))
    try:
        check_degree(degree, interval)
    except ValueProblem:
        return None
    moved = []
    if degree in (_THIRD, _FIFTH):
        moved.append("the third" if degree == _THIRD else "the fifth")
    if numbers := strings.get(key % 12):
        moved.append(f"open string{'s' if len(numbers) > 1 else ''} {', '.join(map(str, sorted(numbers)))}")
    return Cure(degree, interval, " and ".join(moved))


def _simple(ratio: Fraction) -> bool:
    """Whether a ratio is one that musicians know: five-limit within 45, or a small one of sevens."""
    largest = max(ratio.numerator, ratio.denominator)
    rest = ratio.numerator * ratio.denominator
    for prime in (2, 3, 5):
        while rest % prime == 0:
            rest //= prime
    return largest <= 45 if rest == 1 else rest == 7 and largest <= 12
