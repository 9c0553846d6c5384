"""Fitting a table to twelve offsets: what the scale/octave messages can say, and what error that leaves.

Offsets run from C upward, are taken from equal temperament at A4 = 440 Hz and repeat in every octave. The 2-byte
form reaches -100 to +99.988 cents in steps of 0.0122 cents, the 1-byte form -64 to +63 cents in whole cents.

A receiver that obeys a fine tuning as well can be given the shift that all twelve have in common: then the
offsets that remain fit the range, and whole cents are rounded to the least error.

Source: MIDI Tuning addendum CA-021 / RP-020 (The MIDI Association).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from bridge.errors import MethodProblem

STEP_CENTS = {1: 1.0, 2: 100.0 / 8192.0}
RANGE_CENTS = {1: (-64.0, 63.0), 2: (-100.0, 100.0 - 100.0 / 8192.0)}
CENTRE = {1: 0x40, 2: 0x2000}
MAX_SHIFT_CENTS = 100.0
_A4_HZ = 440.0
_FINE_STEP_CENTS = 100.0 / 8192.0


@dataclass(frozen=True)
class OctaveFit:
    """Twelve offsets for a scale/octave message and the error that they leave.

    Attributes
    ----------
    offsets : tuple of 12 int
        Raw data values from C upward: 0-127 in the 1-byte form, 0-16383 in the 2-byte form.
    form : 1 or 2
        Bytes for each offset.
    shift_cents : float
        What goes into the receiver's fine tuning; 0.0 where none is needed or obeyed.
    residuals_cents : tuple of 12 float
        Sent minus wanted, for each pitch class from C upward.
    """

    offsets: tuple[int, ...]
    form: Literal[1, 2]
    shift_cents: float
    residuals_cents: tuple[float, ...]

    @property
    def worst_cents(self) -> float:
        """The largest residual, in cents, without its sign."""
        return max(abs(residual) for residual in self.residuals_cents)


def deviations_cents(hz: Sequence[float]) -> list[float]:
    """Return how far each of 128 keys lies from equal temperament at A4 = 440 Hz, in cents."""
    return [1200.0 * math.log2(value / _A4_HZ) - 100.0 * (key - 69) for key, value in enumerate(hz)]


def class_deviations_cents(hz: Sequence[float], tolerance_cents: float = STEP_CENTS[2] / 2) -> list[float]:
    """Return the deviation of each pitch class from C upward, in cents from equal temperament at A440.

    Parameters
    ----------
    hz : sequence of 128 float
        Frequencies by MIDI key.
    tolerance_cents : float
        How far two octaves of a pitch class may differ.

    Raises
    ------
    MethodProblem
        The table does not repeat at the octave; names a key that differs.
    """
    deviations = deviations_cents(hz)
    middle = deviations[60:72]
    for key, deviation in enumerate(deviations):
        wanted = middle[key % 12]
        if abs(deviation - wanted) > tolerance_cents:
            raise MethodProblem(
                f"the table does not repeat at the octave: MIDI key {key} lies {deviation - wanted:+.2f} cents from "
                f"its octave at key {60 + key % 12}",
                "an octave message holds one offset for every octave; use --method note, or bend",
            )
    return middle


def fit_octave(hz: Sequence[float], form: Literal[1, 2], can_shift: bool) -> OctaveFit:
    """Fit a table to the twelve offsets of a scale/octave message.

    Parameters
    ----------
    hz : sequence of 128 float
        Frequencies by MIDI key.
    form : 1 or 2
        Bytes for each offset.
    can_shift : bool
        Whether the receiver obeys a fine tuning that can take the common shift.

    Raises
    ------
    MethodProblem
        The table does not repeat at the octave, or lies outside what offsets (and the fine tuning) can reach.
    """
    return fit_classes(class_deviations_cents(hz), form, can_shift)


def fit_classes(wanted: Sequence[float], form: Literal[1, 2], can_shift: bool) -> OctaveFit:
    """Fit twelve deviations from equal temperament in cents, from C upward (see `fit_octave`)."""
    shift = _common_shift(wanted, form) if can_shift else 0.0
    low, high = RANGE_CENTS[form]
    step = STEP_CENTS[form]
    offsets: list[int] = []
    residuals: list[float] = []
    for deviation in wanted:
        rest = deviation - shift
        if not low - step / 2 <= rest <= high + step / 2:
            raise MethodProblem(
                f"the table lies {deviation:+.1f} cents from equal temperament at A440, but this synth's octave "
                f"message reaches {low + shift:+.0f} to {high + shift:+.0f} cents",
                "use --method note, or bend, or tune the guitar nearer to A440",
            )
        raw = min(max(round(rest / step), round(low / step)), round(high / step))
        offsets.append(raw + CENTRE[form])
        residuals.append(raw * step - rest)
    return OctaveFit(tuple(offsets), form, shift, tuple(residuals))


def _common_shift(wanted: Sequence[float], form: Literal[1, 2]) -> float:
    """Choose the shift that brings all offsets into range and, for whole cents, leaves the least error.

    The shift is a multiple of the fine tuning's own step, so that it costs nothing itself.
    """
    low, high = RANGE_CENTS[form]
    if form == 2:
        if min(wanted) >= low and max(wanted) <= high:
            return 0.0
        ideal = (min(wanted) + max(wanted)) / 2
    else:
        # On a circle of one cent the offsets leave a widest gap; with its middle half a cent away from a whole
        # number, every offset lies as near to a whole number as any shift can bring it.
        fractions = sorted(value % 1.0 for value in wanted)
        gaps = [(after - before, before) for before, after in itertools.pairwise(fractions)]
        gaps.append((fractions[0] + 1.0 - fractions[-1], fractions[-1]))
        width, start = max(gaps)
        ideal = start + width / 2 - 0.5
        centre = (min(wanted) + max(wanted)) / 2 if not low <= min(wanted) <= max(wanted) <= high else 0.0
        ideal += round(centre - ideal)
    limited = min(max(ideal, -MAX_SHIFT_CENTS), MAX_SHIFT_CENTS - _FINE_STEP_CENTS)
    return round(limited / _FINE_STEP_CENTS) * _FINE_STEP_CENTS
