"""Fitting a table to twelve offsets: ranges, refusals, the common shift of whole-cent receivers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.engine.mts.octave import class_deviations_cents, fit_classes, fit_octave
from bridge.errors import MethodProblem

# Ellis's duodene in cents above the tonic, from A. J. Ellis, appendix XX to Helmholtz, On the Sensations of Tone,
# derived as 1200 log2 of 1, 16/15, 9/8, 6/5, 5/4, 4/3, 45/32, 3/2, 8/5, 5/3, 9/5, 15/8.
DUODENE = [
    1200 * math.log2(n / d)
    for n, d in (
        (1, 1), (16, 15), (9, 8), (6, 5), (5, 4), (4, 3), (45, 32), (3, 2), (8, 5), (5, 3), (9, 5), (15, 8),
    )
]  # fmt: skip


def table(cents_by_class: list[float], shift_cents: float = 0.0) -> list[float]:
    """128 frequencies whose pitch classes lie `cents_by_class` from equal temperament at A440."""
    return [
        440.0 * 2 ** ((100 * (key - 69) + cents_by_class[key % 12] + shift_cents) / 1200)
        for key in range(128)
    ]


def on_c(shift_cents: float = 0.0) -> list[float]:
    """The duodene on C."""
    return table([cents - 100 * index for index, cents in enumerate(DUODENE)], shift_cents)


def test_two_byte_form_is_within_half_a_step_of_the_table() -> None:
    fit = fit_octave(on_c(), 2, can_shift=False)
    # CA-021: 14 bits over 200 cents, so a step is 100/8192 cents and rounding costs at most half of it.
    for index, (raw, cents) in enumerate(zip(fit.offsets, DUODENE, strict=True)):
        sent = (raw - 8192) * 100 / 8192
        assert abs(sent - (cents - 100 * index)) <= 50 / 8192 + 1e-9
        assert sent - (cents - 100 * index) == pytest.approx(fit.residuals_cents[index], abs=1e-9)
    assert fit.worst_cents <= 0.0062


def test_one_byte_form_rounds_to_the_nearest_cent() -> None:
    fit = fit_octave(on_c(), 1, can_shift=False)
    assert fit.offsets[4] - 64 == -14  # 386.314 - 400 = -13.686
    assert fit.offsets[7] - 64 == 2  # 701.955 - 700 = +1.955
    assert fit.worst_cents <= 0.5


def test_a_common_shift_takes_the_reference_out_of_the_offsets() -> None:
    flat = on_c(-80.0)
    with pytest.raises(MethodProblem, match="use --method note"):
        fit_octave(flat, 1, can_shift=False)
    fit = fit_octave(flat, 1, can_shift=True)
    assert -100 <= fit.shift_cents < 100
    for index, cents in enumerate(DUODENE):
        sent = fit.offsets[index] - 64 + fit.shift_cents
        assert abs(sent - (cents - 100 * index - 80.0)) <= 0.5


FINE_CENTS = 100 / 8192
SHIFTS_CENTS = np.arange(-8192, 8192) * FINE_CENTS


def least_worst_cents(wanted: Sequence[float], form: Literal[1, 2]) -> float:
    """The least largest residual that any shift can leave, by trying all 16,384 with the nearest offsets.

    RPN 00 01 and master fine tuning: 14 bits over 200 cents (MIDI 1.0; MMA CA-025), offsets as CA-021 has them.
    """
    step, low, high = (1.0, -64, 63) if form == 1 else (FINE_CENTS, -8192, 8191)
    rest = np.asarray(wanted)[None, :] - SHIFTS_CENTS[:, None]
    sent = np.clip(np.rint(rest / step), low, high) * step
    return float(np.min(np.max(np.abs(sent - rest), axis=1)))


def deviations(spread: float) -> st.SearchStrategy[list[float]]:
    """Twelve deviations within so many cents of each other, some of them equal or whole, anywhere up to +-170 cents."""
    values = st.one_of(
        st.floats(-spread / 2, spread / 2), st.integers(0, int(spread)).map(lambda cents: cents - spread // 2)
    )
    twelve = st.lists(values, min_size=1, max_size=12).flatmap(
        lambda some: st.lists(st.sampled_from(some), min_size=12, max_size=12)
    )
    middles = st.one_of(st.floats(-110, 110), st.sampled_from([0.0, 100.0, -25.0, 12.5, 99.99]))
    return st.builds(lambda some, middle: [value + middle for value in some], twelve, middles)


def is_exact(wanted: list[float], form: Literal[1, 2]) -> None:
    """Hold a fit against all shifts that there are."""
    least = least_worst_cents(wanted, form)
    half = 0.5 if form == 1 else FINE_CENTS / 2
    if least > half + 1e-6:
        with pytest.raises(MethodProblem, match="cents from equal temperament"):
            fit_classes(wanted, form, can_shift=True)
        return
    fit = fit_classes(wanted, form, can_shift=True)
    assert fit.worst_cents == pytest.approx(least, abs=1e-8)
    steps = fit.shift_cents / FINE_CENTS
    assert steps == round(steps)
    assert -8192 <= steps <= 8191
    step, centre = (1.0, 64) if form == 1 else (FINE_CENTS, 8192)
    for raw, cents, residual in zip(fit.offsets, wanted, fit.residuals_cents, strict=True):
        assert 0 <= raw < 2 * centre
        assert (raw - centre) * step + fit.shift_cents - cents == pytest.approx(residual, abs=1e-9)


@pytest.mark.parametrize(
    ("wanted", "shift_cents", "worst_cents"),
    [
        ([90.0] * 11 + [110.0], 50.0, 0.0),  # whole cents are met by shifts of 25, 50, 75 cents alone
        ([0.0] * 12, 0.0, 0.0),
        ([0.5] * 12, 12.5, 0.0),  # 1024 steps
        ([0.25] * 6 + [0.75] * 6, 0.0, 0.25),
        ([100.0] * 11 + [0.0], 50.0, 0.0),
        ([70.0] * 12, 25.0, 0.0),
    ],
)
def test_the_best_shift_for_whole_cents(wanted: list[float], shift_cents: float, worst_cents: float) -> None:
    fit = fit_classes(wanted, 1, can_shift=True)
    assert (fit.shift_cents, fit.worst_cents) == (shift_cents, worst_cents)
    is_exact(wanted, 1)


@pytest.mark.parametrize("tonic", range(12))
@pytest.mark.parametrize("off_cents", [-80.0, -31.4, 0.0, 3.7, 55.0, 99.0])
def test_the_duodene_is_fitted_as_well_as_can_be(tonic: int, off_cents: float) -> None:
    cents = [cents - 100 * index + off_cents for index, cents in enumerate(DUODENE)]
    is_exact([*cents[-tonic:], *cents[:-tonic]], 1)
    is_exact([*cents[-tonic:], *cents[:-tonic]], 2)


@pytest.mark.slow
@given(st.sampled_from([1.0, 30.0, 90.0, 104.0, 120.0, 127.0]).flatmap(deviations))
@settings(max_examples=300)
def test_no_shift_does_better_for_whole_cents(wanted: list[float]) -> None:
    is_exact(wanted, 1)


@given(deviations(60.0), st.integers(-3000, 3000))
def test_a_shift_that_is_held_moves_by_half_a_cent_at_most(wanted: list[float], held: int) -> None:
    """Where all shifts within half a cent of it reach the table, whole offsets reach +-63.5 from each of them."""
    held_cents = held * FINE_CENTS
    fit = fit_classes(wanted, 1, can_shift=True, held_cents=held_cents)
    if max(abs(cents - held_cents) for cents in wanted) < 62.9:
        assert abs(fit.shift_cents - held_cents) <= 0.5 + FINE_CENTS / 2
        assert fit.worst_cents <= least_worst_cents(wanted, 1) + FINE_CENTS / 2 + 1e-8
    else:
        assert fit.worst_cents <= 0.5 + 1e-8


@given(st.sampled_from([40.0, 150.0, 199.0, 205.0]).flatmap(deviations))
def test_no_shift_does_better_for_fourteen_bits(wanted: list[float]) -> None:
    is_exact(wanted, 2)


def test_a_table_that_does_not_repeat_is_refused_with_the_alternative() -> None:
    hz = on_c()
    hz[64] *= 2 ** (3 / 1200)
    with pytest.raises(
        MethodProblem, match=r"does not repeat at the octave: [A-G]#?-?\d lies .*--method note"
    ):
        class_deviations_cents(hz)


def test_a_table_beyond_the_range_is_refused_with_the_reach() -> None:
    with pytest.raises(MethodProblem, match=r"-100 to \+100 cents"):
        fit_octave(on_c(-120.0), 2, can_shift=False)
