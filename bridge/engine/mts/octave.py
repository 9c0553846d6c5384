"""Fitting a table to twelve offsets: what the scale/octave messages can say, and what error that leaves.

Offsets run from C upward, are taken from equal temperament at A4 = 440 Hz and repeat in every octave. The 2-byte
form reaches -100 to +99.988 cents in steps of 0.0122 cents, the 1-byte form -64 to +63 cents in whole cents.

A receiver that obeys a fine tuning as well can be given the shift that all twelve have in common: then the
offsets that remain fit the range, and whole cents are rounded to the least error. That shift is the best there is:
minimax over the twelve, on the grid of what both messages can say.

Source: MIDI Tuning addendum CA-021 / RP-020 (The MIDI Association).
"""

from __future__ import annotations

import bisect
import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from bridge.errors import MethodProblem
from bridge.tuning.notes import note_name

STEP_CENTS = {1: 1.0, 2: 100.0 / 8192.0}
RANGE_CENTS = {1: (-64.0, 63.0), 2: (-100.0, 100.0 - 100.0 / 8192.0)}
CENTRE = {1: 0x40, 2: 0x2000}
_A4_HZ = 440.0
_FINE_STEPS = 8192
"""The fine tuning reaches from minus so many steps to one less than so many."""
_FINE_STEP_CENTS = 100.0 / 8192.0
_FINE_STEP_NUMERATOR, _FRACTIONS = 25, 2048  # the same, 100/8192, in lowest terms
_INVERSE = pow(_FINE_STEP_NUMERATOR, -1, _FRACTIONS)
_HALF_CENT_STEPS = 41
_EQUAL_CENTS = 1e-9
"""Residuals that differ by less are equal but for rounding."""


@dataclass(frozen=True)
class OctaveFit:
    """Twelve offsets for a scale/octave message and the error that they leave."""

    # Raw data values from C upward: 0-127 in the 1-byte form, 0-16383 in the 2-byte form.
    offsets: tuple[int, ...]
    form: Literal[1, 2]  # bytes for each offset
    shift_cents: float  # what goes into the receiver's fine tuning; 0.0 where none is needed or obeyed
    residuals_cents: tuple[float, ...]  # sent minus wanted, for each pitch class from C upward

    @property
    def worst_cents(self) -> float:
        """The largest residual, in cents, without its sign."""
        return max(abs(residual) for residual in self.residuals_cents)


def deviations_cents(hz: Sequence[float]) -> list[float]:
    """Return how far each of 128 keys lies from equal temperament at A4 = 440 Hz, in cents."""
    return [1200.0 * math.log2(value / _A4_HZ) - 100.0 * (key - 69) for key, value in enumerate(hz)]


def class_deviations_cents(hz: Sequence[float]) -> list[float]:
    """Return the deviation of each pitch class from C upward, in cents from equal temperament at A440.

    MethodProblem if two octaves of a pitch class differ by more than half a step; names a key that does.
    """
    deviations = deviations_cents(hz)
    middle = deviations[60:72]
    for key, deviation in enumerate(deviations):
        wanted = middle[key % 12]
        if abs(deviation - wanted) > STEP_CENTS[2] / 2:
            raise MethodProblem(
                f"the table does not repeat at the octave: {note_name(key)} lies {deviation - wanted:+.2f} cents from "
                f"the octave of {note_name(60 + key % 12)}",
                "an octave message holds one offset for every octave; use --method note, or bend",
            )
    return middle


def fit_octave(hz: Sequence[float], form: Literal[1, 2], can_shift: bool) -> OctaveFit:
    """Fit a table, 128 frequencies in hertz, to the twelve offsets of a scale/octave message (see `fit_classes`).

    MethodProblem if the table does not repeat at the octave, or lies outside what offsets (and the fine
    tuning) can reach.
    """
    return fit_classes(class_deviations_cents(hz), form, can_shift)


def fit_classes(
    wanted: Sequence[float], form: Literal[1, 2], can_shift: bool, held_cents: float | None = None
) -> OctaveFit:
    """Fit twelve deviations from equal temperament in cents, from C upward.

    No other shift that the fine tuning can express (and `held_cents` allows), with whatever offsets, leaves a smaller
    largest residual. MethodProblem if offsets (and the fine tuning) cannot reach them.

    Parameters
    ----------
    form : 1 or 2
        Bytes for each offset.
    can_shift : bool
        Whether the receiver obeys a fine tuning that can take the common shift.
    held_cents : float, optional
        The shift that a receiver of whole cents has now. While offsets and shift travel one after the other, sounding
        notes stand wrong by what the shift moves; so only shifts within half a cent of it are weighed, where all of
        them reach the table. That costs half a step of the fine tuning, 0.006 cents, at the most.
    """
    steps = _best_shift(wanted, form, held_cents) if can_shift else 0
    shift = (_middle_shift(wanted) if steps is None else steps) * _FINE_STEP_CENTS
    low, high = RANGE_CENTS[form]
    step = STEP_CENTS[form]
    offsets: list[int] = []
    residuals: list[float] = []
    for deviation in wanted:
        rest = deviation - shift
        if not low - step / 2 - _EQUAL_CENTS <= rest <= high + step / 2 + _EQUAL_CENTS:
            raise MethodProblem(
                f"the table lies {deviation:+.1f} cents from equal temperament at A440, but this synth's octave "
                f"message reaches {low + shift:+.0f} to {high + shift:+.0f} cents",
                "use --method note, or bend, or tune the guitar nearer to A440",
            )
        raw = min(max(round(rest / step), round(low / step)), round(high / step))
        offsets.append(raw + CENTRE[form])
        residuals.append(raw * step - rest)
    return OctaveFit(tuple(offsets), form, shift, tuple(residuals))


def _best_shift(wanted: Sequence[float], form: Literal[1, 2], held_cents: float | None) -> int | None:
    """Choose the shift that leaves the least residual, in steps of the fine tuning; None if no shift is enough.

    Of several that are as good it is the smallest (the nearest to the one that is held); in the 2-byte form, where
    offsets and shift share one grid and a shift only serves the range, the one that puts the offsets in its middle.

    A whole-cent receiver's residuals depend only on the shift's fraction of a cent. 2048 steps are 25 cents, and 25
    and 2048 have no common divisor, so any 2048 neighbouring shifts have all the fractions 0/2048 to 2047/2048.
    """
    step = STEP_CENTS[form]
    low, high = RANGE_CENTS[form]
    reach = step / 2 + _EQUAL_CENTS
    first = max(math.ceil((max(wanted) - high - reach) / _FINE_STEP_CENTS), -_FINE_STEPS)
    last = min(math.floor((min(wanted) - low + reach) / _FINE_STEP_CENTS), _FINE_STEPS - 1)
    if first > last:
        return None
    if form == 2:
        middle = 0 if first <= 0 <= last else _middle_shift(wanted)
        return min(max(middle, first), last)
    fractions = sorted(value % 1.0 for value in wanted)
    held = 0 if held_cents is None else round(held_cents / _FINE_STEP_CENTS)
    if held_cents is not None and first <= held - _HALF_CENT_STEPS and held + _HALF_CENT_STEPS <= last:
        candidates = list(range(held - _HALF_CENT_STEPS, held + _HALF_CENT_STEPS + 1))
    elif last - first + 1 >= _FRACTIONS:
        candidates = [_smallest(number, first, last) for number in _numbers_between(fractions)]
    else:
        candidates = list(range(first, last + 1))
    clearances = [_clearance(steps, fractions) for steps in candidates]
    most = max(clearances) - _EQUAL_CENTS
    good = [steps for steps, clear in zip(candidates, clearances, strict=True) if clear >= most]
    return min(good, key=lambda steps: (abs(steps - held), -steps))


def _middle_shift(wanted: Sequence[float]) -> int:
    """Return the shift that puts the offsets in the middle of the range, as far as the fine tuning reaches."""
    middle = round((min(wanted) + max(wanted)) / 2 / _FINE_STEP_CENTS)
    return min(max(middle, -_FINE_STEPS), _FINE_STEPS - 1)


def _clearance(steps: int, fractions: Sequence[float]) -> float:
    """Return half a cent less the largest residual after a shift.

    On a circle of one cent, a value is half a cent less its residual away from the point opposite to the shift; the
    nearest value has the largest residual.
    """
    opposite = (_opposite(steps) % _FRACTIONS) / _FRACTIONS
    at = bisect.bisect_left(fractions, opposite)
    above = fractions[at] if at < len(fractions) else fractions[0] + 1.0
    below = fractions[at - 1] if at else fractions[-1] - 1.0
    return min(above - opposite, opposite - below)


def _opposite(steps: int) -> int:
    """Return the number of the point on a circle of 2048 that lies opposite to a shift's fraction of a cent."""
    return _FINE_STEP_NUMERATOR * steps + _FRACTIONS // 2


def _numbers_between(fractions: Sequence[float]) -> Iterator[int]:
    """Yield, for every gap on the circle, the numbers of the points nearest to its middle: nothing is clearer there."""
    for before, after in itertools.pairwise([*fractions, fractions[0] + 1.0]):
        middle = math.floor((before + after) / 2 * _FRACTIONS)
        yield from (middle, middle + 1)


def _smallest(number: int, first: int, last: int) -> int:
    """Return the smallest shift from `first` to `last` whose opposite point has a number."""
    steps = (number - _FRACTIONS // 2) * _INVERSE % _FRACTIONS
    nearest = min(max(0, first), last)
    below = nearest - (nearest - steps) % _FRACTIONS
    return min((one for one in (below + _FRACTIONS, below) if first <= one <= last), key=abs)
