"""Reference fitted to measured strings, and the table as the strings are tuned."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import TuningProblem, ValueProblem
from bridge.store.descriptions import load_guitar, load_scale
from bridge.tuning.as_tuned import as_tuned, as_tuned_keys, fit_reference, remaining_beats
from bridge.tuning.reference import Reference
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import build_table

# Open D as published in the trade: 2 : 3 : 4 : 5 : 6 : 8 from the sixth string up, reference the fourth.
RATIOS = {6: 1 / 2, 5: 3 / 4, 4: 1.0, 3: 5 / 4, 2: 3 / 2, 1: 2.0}
D3_HZ = 146.5


def strings(offsets: dict[int, float], reference_hz: float = D3_HZ) -> dict[int, float]:
    return {n: reference_hz * RATIOS[n] * 2 ** (cents / 1200) for n, cents in offsets.items()}


def spec() -> TableSpec:
    guitar = load_guitar("open-d")
    return TableSpec(
        name="take",
        scale=load_scale("five-limit"),
        home="D",
        tonic="D",
        reference=Reference(50, 146.8324),
        guitar=guitar,
    )


def test_pure_strings_give_their_reference() -> None:
    fit = fit_reference(strings(dict.fromkeys(RATIOS, 0.0)), RATIOS)
    assert fit.hz == pytest.approx(D3_HZ, rel=1e-12)
    assert fit.deviations_cents == pytest.approx(dict.fromkeys(RATIOS, 0.0), abs=1e-9)


def test_small_errors_average_out_as_in_least_squares() -> None:
    offsets = {6: 0.5, 5: -0.3, 4: 0.2, 3: -0.6, 2: 0.4, 1: -0.2}
    fit = fit_reference(strings(offsets), RATIOS)
    # All within the bound: plain least squares of cents is their mean.
    mean = sum(offsets.values()) / 6
    assert 1200 * math.log2(fit.hz / D3_HZ) == pytest.approx(mean, abs=1e-6)
    assert set(fit.weights.values()) == {1.0}


def test_one_string_far_off_hardly_moves_the_fit() -> None:
    offsets = {6: 0.3, 5: -0.2, 4: 0.0, 3: 40.0, 2: 0.2, 1: -0.3}
    fit = fit_reference(strings(offsets), RATIOS)
    assert abs(1200 * math.log2(fit.hz / D3_HZ)) < 0.5  # the mean would be 6.7 cents off
    assert fit.deviations_cents[3] == pytest.approx(40.0, abs=0.5)
    assert fit.weights[3] < 0.1


def test_a_string_measured_badly_counts_less() -> None:
    measured = strings({4: 0.0, 2: 1.0})
    near_four = fit_reference(measured, RATIOS, {4: 0.01, 2: 5.0})
    near_two = fit_reference(measured, RATIOS, {4: 5.0, 2: 0.01})
    assert 1200 * math.log2(near_four.hz / D3_HZ) < 0.1
    assert 1200 * math.log2(near_two.hz / D3_HZ) > 0.9


def test_one_string_is_enough() -> None:
    fit = fit_reference({1: 294.0}, RATIOS)
    assert fit.hz == pytest.approx(147.0)
    assert fit.deviations_cents == {1: 0.0}


@given(
    st.dictionaries(st.sampled_from(sorted(RATIOS)), st.floats(-60, 60), min_size=1),
    st.floats(100.0, 200.0),
)
def test_the_fit_lies_among_the_strings_and_moves_with_them(offsets: dict[int, float], hz: float) -> None:
    fit = fit_reference(strings(offsets, hz), RATIOS)
    cents = 1200 * math.log2(fit.hz / hz)
    assert min(offsets.values()) - 1e-6 <= cents <= max(offsets.values()) + 1e-6
    octave = fit_reference(strings(offsets, 2 * hz), RATIOS)
    assert octave.hz == pytest.approx(2 * fit.hz, rel=1e-9)


def test_nothing_measured_and_unknown_strings() -> None:
    with pytest.raises(ValueProblem, match="no string was measured"):
        fit_reference({}, RATIOS)
    with pytest.raises(ValueProblem, match=r"string 7.*strings are 1, 2, 3, 4, 5, 6"):
        fit_reference({7: 100.0}, RATIOS)
    with pytest.raises(ValueProblem, match="greater than zero"):
        fit_reference({4: -1.0}, RATIOS)


def test_keys_measured_literal_octaves_from_the_nearest_string_ties_to_the_lower() -> None:
    keys = {6: 38, 4: 50, 1: 62, 5: 45}
    measured = {6: 73.30, 4: 146.90, 1: 293.20, 5: 110.10}
    got = dict(as_tuned_keys(measured, keys))
    assert set(got) == {k for k in range(128) if k % 12 in (2, 9)}
    for number, key in keys.items():
        assert got[key] == measured[number]
    assert got[26] == pytest.approx(73.30 / 2)  # D1 follows the sixth string
    assert got[74] == pytest.approx(293.20 * 2)  # D5 follows the first
    assert got[57] == pytest.approx(110.10 * 2)  # A3: only the fifth is an A
    # Two strings two octaves apart are both an octave from the D between them.
    tie = dict(as_tuned_keys({6: 73.30, 1: 293.20}, {6: 38, 1: 62}))
    assert tie[50] == pytest.approx(73.30 * 2)


def test_table_as_tuned() -> None:
    measured = strings({6: 3.0, 5: -2.0, 4: 0.5, 3: 1.0, 2: -1.0, 1: 0.0}, 147.2)
    result = as_tuned(spec(), measured)
    table = build_table(result.spec)
    guitar = load_guitar("open-d")
    for number, hz in measured.items():
        assert table.hz[guitar.key_of(number)] == pytest.approx(hz, rel=1e-12)
    # A purely tuned string lies as far below the table as the real one lies above pure.
    for string in table.strings:
        assert string.cents_from_table == pytest.approx(-result.fit.deviations_cents[string.number], abs=1e-6)
    # G3 is no string's pitch class: a pure fourth over the fitted reference.
    assert Fraction(4, 3) == load_scale("five-limit").degrees[5].ratio
    assert table.hz[55] == pytest.approx(result.fit.hz * 4 / 3, rel=1e-12)
    assert result.spec.reference == Reference(50, result.fit.hz)
    assert result.fit.deviations_cents[6] - result.fit.deviations_cents[5] == pytest.approx(5.0, abs=1e-6)


def test_beats_that_remain() -> None:
    guitar = load_guitar("open-d")
    measured = strings({6: 0.0, 5: 0.0, 4: 0.0, 3: 1.0, 2: 0.0, 1: 0.0})
    rates = {(b.unison.string, b.unison.other): b for b in remaining_beats(guitar, measured)}
    # A cent on D3-F#3 beats 0.42 times a second: 5 * 146.5 * ln 2 / 1200.
    third = next(b for strings_, b in rates.items() if 3 in strings_)
    assert third.rate_hz == pytest.approx(5 * D3_HZ * math.log(2) / 1200, rel=1e-3)
    assert abs(third.move_cents) == pytest.approx(1.0, rel=1e-6)
    still = [b for strings_, b in rates.items() if 3 not in strings_]
    assert len(still) == len(guitar.unisons) - 1
    assert np.allclose([b.rate_hz for b in still], 0.0, atol=1e-9)


def test_a_guitar_is_needed_and_the_right_strings() -> None:
    with pytest.raises(TuningProblem, match="needs a guitar"):
        as_tuned(TableSpec("x", load_scale("five-limit"), "D", "D", Reference(50, 146.5)), {4: 146.5})
    wrong = strings(dict.fromkeys(RATIOS, 0.0)) | {3: 246.9}
    with pytest.raises(TuningProblem, match=r"string 3 is 5\d\d cents sharp of"):
        as_tuned(spec(), wrong)
