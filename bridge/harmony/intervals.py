"""Which intervals are pure, how far others are off, and how much that annoys.

Conventions
-----------
An interval is judged upward from its lower note, octaves folded, by its *class*: the semitones between its keys
modulo 12. Only thirds, fourths, fifths and sixths (`CONSONANT`) decide whether a chord is pure; seconds, sevenths and
tritones are told apart. With natural sevenths, 7/4, 7/5, 7/6 and their inversions are pure as well.

Sources
-------
Ratios of small numbers as in A. J. Ellis's tables (appendix XX to H. Helmholtz, *On the Sensations of Tone*, 2nd ed.
1885). The loss rises steeply and then levels off, as listeners' judgements of mistuning do: J. Vos, *Perception &
Psychophysics* 32 (1982) and *Music Perception* 3 (1986); its constants come from a secondary transcription.
"""

from __future__ import annotations

import math
from fractions import Fraction
from functools import cache

import numpy as np
from numpy.typing import NDArray

from bridge.tuning.chords.purity import CONSONANT, SMALL
from bridge.tuning.ratios import ratio_to_cents

FIFTHS = frozenset((5, 7))

SOUR_FIFTH_CENTS, SOUR_CENTS = 7.0, 17.0
"""A fifth or fourth further off than the first is sour, another interval further off than the second."""


def _ratios(text: str) -> tuple[Fraction, ...]:
    return tuple(Fraction(word) for word in text.split())


PURE: dict[int, tuple[Fraction, ...]] = {
    **SMALL,
    1: _ratios("16/15 25/24"),
    2: _ratios("9/8 10/9"),
    6: _ratios("45/32 64/45 25/18 36/25"),
    10: _ratios("16/9 9/5"),
    11: _ratios("15/8 48/25"),
}
NATURAL: dict[int, tuple[Fraction, ...]] = {
    2: _ratios("8/7"),
    3: _ratios("7/6"),
    6: _ratios("7/5 10/7"),
    9: _ratios("12/7"),
    10: _ratios("7/4"),
}
"""What counts as pure besides, with natural sevenths."""

_STEPS = {1: "135/128 27/25", 3: "32/27", 9: "27/16"}
"""Just steps of a melody beyond the pure intervals: they lie between the degrees of a just scale."""


@cache
def pure_of(semitones: int, natural_sevenths: bool = False) -> tuple[Fraction, ...]:
    """Return the pure ratios of an interval class, 0 to 11."""
    more = NATURAL.get(semitones, ()) if natural_sevenths else ()
    return PURE[semitones] + more


@cache
def _pure_cents(semitones: int, natural_sevenths: bool) -> NDArray[np.float64]:
    return np.array([ratio_to_cents(ratio) for ratio in pure_of(semitones, natural_sevenths)])


def aims_of(semitones: int, natural_sevenths: bool = False) -> tuple[Fraction, ...]:
    """Return the pure ratios that a class is drawn to: sevenths and tritones to the natural ones, where asked for."""
    if natural_sevenths and semitones in (6, 10):
        return NATURAL[semitones]
    return pure_of(semitones, natural_sevenths)


def nearest(
    semitones: int, cents: float, natural_sevenths: bool = False, *, aims: bool = False
) -> tuple[Fraction, float]:
    """Return the nearest pure ratio of an interval, at its real spacing, and how many cents it is too wide.

    Parameters
    ----------
    semitones : int
        Keys between the two notes, 0 or more.
    cents : float
        Its size.
    natural_sevenths : bool
        Whether sevenths of the overtone series count as pure.
    aims : bool
        Take what the class is drawn to (`aims_of`) instead of all that counts as pure.
    """
    octaves, folded = divmod(semitones, 12)
    rest = cents - 1200.0 * octaves
    known = aims_of if aims else pure_of
    ratio = min(known(folded, natural_sevenths), key=lambda one: abs(rest - ratio_to_cents(one)))
    return ratio * 2**octaves, rest - ratio_to_cents(ratio)


def errors_cents(
    semitones: NDArray[np.int64], cents: NDArray[np.float64], natural_sevenths: bool = False
) -> NDArray[np.float64]:
    """Return how many cents each interval is wider than its nearest pure one (negative: narrower)."""
    octaves, folded = np.divmod(semitones, 12)
    rest = cents - 1200.0 * octaves
    errors = np.zeros(len(rest))
    for one in range(12):
        here = folded == one
        if here.any():
            off = rest[here][:, None] - _pure_cents(one, natural_sevenths)
            errors[here] = off[np.arange(len(off)), np.abs(off).argmin(axis=1)]
    return errors


def weight(ratio: Fraction) -> float:
    """Return how much a pure interval counts: the simpler its numbers, the more its beats are heard."""
    return math.sqrt(min(1.5, math.sqrt(6.0 / (ratio.numerator * ratio.denominator))))


def loss(semitones: int, error_cents: float) -> float:
    """Return the annoyance, 0 to 1, of an interval that is some cents off."""
    folded = semitones % 12
    steepness = 0.040 if folded in FIFTHS else 0.027 if folded in CONSONANT else 0.020
    return 1.0 - math.exp(-steepness * abs(error_cents))


@cache
def _step_cents(semitones: int) -> NDArray[np.float64]:
    more = _ratios(_STEPS.get(semitones, ""))
    return np.array([ratio_to_cents(ratio) for ratio in (*pure_of(semitones), *more)])


def step_error_cents(semitones: int, cents: float) -> float:
    """Return how far a melody's step, up (positive) or down, lies from every just step."""
    octaves, folded = divmod(abs(semitones), 12)
    size = cents if semitones >= 0 else -cents
    return float(np.abs(size - 1200.0 * octaves - _step_cents(folded)).min())
