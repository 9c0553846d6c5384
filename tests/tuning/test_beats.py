"""Beats: rules of thumb of the trade, Helmholtz's difference of partials, Fletcher's stiff strings."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import ValueProblem
from bridge.tuning.beats import (
    beat_rate_hz,
    beats_hz_per_cent,
    coinciding_partials,
    compare_beats,
    main_pair,
    partial_hz,
)

# Open strings in equal temperament at A4 = 440 Hz (ISO 16:1975; derived).
D2, A2, D3, FS3, A3, D4 = 73.4162, 110.0, 146.8324, 184.9972, 220.0, 293.6648

hertz = st.floats(20, 2000)


def test_equal_fourth_beats_every_two_seconds():
    """A2 against D3 in equal temperament: 4 · A2 and 3 · D3, 0.497 a second (derived from ISO 16)."""
    pair = main_pair(A2, D3)
    assert (pair.partial, pair.other_partial) == (4, 3)
    assert pair.ratio == Fraction(4, 3)
    assert pair.beats_hz == pytest.approx(0.497, abs=1e-3)
    assert pair.cents == pytest.approx(500 - 498.045, abs=2e-3)  # 4/3 is 498.045 cents (Ellis)


def test_equal_third_beats_nearly_six_times_a_second():
    pair = main_pair(FS3, D3)
    assert (pair.partial, pair.other_partial) == (4, 5)
    assert pair.beats_hz == pytest.approx(5.827, abs=2e-3)
    assert main_pair(D3, FS3).cents == pytest.approx(400 - 386.314, abs=2e-3)


@pytest.mark.parametrize(("low", "high"), [(D2, D3), (D3, D4), (A2, A3)])
def test_octaves_do_not_beat(low, high):
    pairs = coinciding_partials(low, high, within_cents=1)
    assert {pair.ratio for pair in pairs} == {Fraction(2)}
    assert len(pairs) == 6  # 2:1, 4:2, … 12:6
    assert all(pair.beats_hz < 1e-3 for pair in pairs)


def test_just_third_is_still():
    pairs = coinciding_partials(146.5, 146.5 * 5 / 4)
    assert (pairs[0].partial, pairs[0].other_partial) == (5, 4)
    assert pairs[0].beats_hz == pytest.approx(0, abs=1e-9)
    assert [(pair.partial, pair.other_partial) for pair in pairs if pair.beats_hz < 1e-9] == [(5, 4), (10, 8)]


def test_a_cent_on_the_third_of_d():
    """One cent on D3-F#3 still beats 0.42 times a second: at the fifth partial of D3, 734 Hz (derived)."""
    assert beats_hz_per_cent(5 * D3) == pytest.approx(0.424, abs=1e-3)
    raised = D3 * 5 / 4 * 2 ** (1 / 1200)
    assert beat_rate_hz(D3, raised, 5, 4) == pytest.approx(0.424, abs=1e-3)


def test_tempered_beside_just():
    rows = compare_beats((D3, D3 * 1.25), (D3, FS3))
    first = rows[0]
    assert (first.partial, first.other_partial, first.ratio) == (5, 4, Fraction(5, 4))
    assert first.just.beats_hz == pytest.approx(0, abs=1e-9)
    assert first.tempered.beats_hz == pytest.approx(5.827, abs=2e-3)
    # 9/7 (435.1 cents) is 35 cents from the equal third and 48.8 from the just one, 11/9 (347.4) further: other
    # intervals, which nobody hears beat. 10 and 8 are 5 and 4 an octave higher.
    assert [(row.partial, row.other_partial) for row in rows] == [(5, 4), (10, 8)]


def test_what_is_too_fast_or_too_far_does_not_meet():
    """About 20 a second is where beats become roughness (Zwicker and Fastl, *Psychoacoustics*, chapters 10 and 11); an
    equal third on C6 beats 5 * 1046.50 - 4 * 1318.51 = 41.5 times. 40/27 is a comma (21.5 cents) below a fifth."""
    c6, e6 = 1046.502, 1318.510
    assert compare_beats((c6, e6), (c6, e6)) == ()
    (third, *_) = compare_beats((c6, c6 * 1.25), (c6, e6))
    assert third.tempered.beats_hz == pytest.approx(41.53, abs=0.01)
    (wolf, *_) = compare_beats((D3, D3 * 40 / 27), (D3, D3 * 1.5))
    assert wolf.just.cents == pytest.approx(-21.51, abs=0.01)
    # 8/7 lies 27.3 cents above 9/8 and is another interval; 10/9 lies a comma below, 18.3 beats a second on D3.
    tones = compare_beats((D3, D3 * 9 / 8), (D3, D3 * 9 / 8))
    assert [(row.partial, row.other_partial) for row in tones] == [(9, 8), (10, 9)]


def test_stiffness_makes_partials_sharp():
    """With B = 1e-4 the 4th and 5th partials are 1.30 and 2.07 cents sharp of harmonic: hence of the first, 0.09
    less (Fletcher 1964: 600 · log2(1 + B n²) cents)."""
    for partial, sharp_cents in ((4, 600 * math.log2(1.0016)), (5, 600 * math.log2(1.0025))):
        above_first = 1200 * math.log2(partial_hz(100, partial, 1e-4) / (100 * partial))
        assert above_first == pytest.approx(sharp_cents - 600 * math.log2(1.0001), abs=1e-9)
    # √(1 + B) · f0 is what sounds as the first partial
    assert partial_hz(100, 1, 1e-4) == 100


@given(hertz, hertz)
def test_every_pair_is_the_difference_of_two_partials(first, second):
    for pair in coinciding_partials(first, second):
        assert 1 <= pair.partial <= 12
        assert 1 <= pair.other_partial <= 12
        assert pair.beats_hz == pytest.approx(abs(pair.partial * first - pair.other_partial * second))
        interval_cents = 1200 * math.log2(second / first)
        pure_cents = 1200 * math.log2(pair.ratio)
        assert interval_cents - pure_cents == pytest.approx(pair.cents, abs=1e-6)
        assert abs(pair.cents) <= 50


@given(hertz, hertz)
def test_turning_the_notes_round_turns_the_pairs_round(first, second):
    there = {(p.partial, p.other_partial) for p in coinciding_partials(first, second, within_cents=49.9)}
    back = {(p.other_partial, p.partial) for p in coinciding_partials(second, first, within_cents=50)}
    assert there <= back


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: coinciding_partials(0, 100), "frequency 0 Hz"),
        (lambda: coinciding_partials(100, math.nan), "frequency nan Hz"),
        (lambda: coinciding_partials(100, math.inf), "frequency inf Hz"),
        (lambda: coinciding_partials(100, 200, max_partial=0), "partials up to 0"),
        (lambda: coinciding_partials(100, 200, within_cents=200), "within 200 cents"),
        (lambda: coinciding_partials(100, 200, stiffness=(-1, 0)), "stiffness -1"),
        (lambda: partial_hz(100, 0), "partial 0"),
    ],
)
def test_out_of_range(call, message):
    with pytest.raises(ValueProblem, match=message):
        call()
