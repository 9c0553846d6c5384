"""Fitting a table to twelve offsets: ranges, refusals, the common shift of whole-cent receivers."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.engine.mts.octave import class_deviations_cents, fit_octave
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


@given(st.lists(st.floats(-40, 40), min_size=12, max_size=12), st.floats(-90, 90))
def test_no_shift_on_a_fine_grid_does_better_for_whole_cents(classes: list[float], shift: float) -> None:
    fit = fit_octave(table(classes, shift), 1, can_shift=True)
    wanted = [cents + shift for cents in classes]
    best = min(
        max(abs(value - grid / 200 - round(value - grid / 200)) for value in wanted) for grid in range(200)
    )
    # The search grid is 0.005 cents, the fine tuning's own step 0.0122: either may cost half a step.
    assert fit.worst_cents <= best + 0.0025 + 0.0062 + 1e-9


def test_a_table_that_does_not_repeat_is_refused_with_the_alternative() -> None:
    hz = on_c()
    hz[64] *= 2 ** (3 / 1200)
    with pytest.raises(MethodProblem, match=r"does not repeat at the octave.*--method note"):
        class_deviations_cents(hz)


def test_a_table_beyond_the_range_is_refused_with_the_reach() -> None:
    with pytest.raises(MethodProblem, match=r"-100 to \+100 cents"):
        fit_octave(on_c(-120.0), 2, can_shift=False)
