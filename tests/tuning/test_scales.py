"""Intervals and scales: exactness, degrees by name, and what is refused."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import ValueProblem
from bridge.tuning.scales import DEGREES, EQUAL, Interval, Scale, octaves, parse_degree, parse_degree_change

FIVE_LIMIT = ["1/1", "16/15", "9/8", "6/5", "5/4", "4/3", "45/32", "3/2", "8/5", "5/3", "9/5", "15/8"]

ratios = st.fractions(min_value=Fraction(1, 1024), max_value=1024, max_denominator=10**6)


def scale(*texts: str) -> Scale:
    return Scale("try", "Try", tuple(Interval.parse(text) for text in texts), "derived")


@given(ratios)
def test_exact_intervals_read_back(ratio):
    interval = Interval.of_ratio(ratio)
    assert Interval.parse(str(interval)) == interval
    assert interval.factor == float(ratio)


@given(st.floats(-12000, 12000))
def test_tempered_intervals_read_back(cents):
    interval = Interval.of_cents(cents)
    again = Interval.parse(str(interval))
    assert again == interval
    assert again.factor == interval.factor


@given(ratios, ratios)
def test_stacking_exact_intervals_stays_exact(one, other):
    assert (Interval.of_ratio(one) * Interval.of_ratio(other)).ratio == one * other
    assert (Interval.of_ratio(one) / Interval.of_ratio(other)).ratio == one / other


@given(st.floats(-1200, 1200), ratios)
def test_stacking_with_tempered_intervals(cents, ratio):
    stacked = Interval.of_cents(cents) * Interval.of_ratio(ratio)
    assert stacked.factor == pytest.approx(2 ** (cents / 1200) * float(ratio), rel=1e-12)
    assert (Interval.of_cents(cents) / Interval.of_cents(cents)).ratio == 1


def test_whole_octaves_are_exact():
    assert Interval.of_cents(2400.0).ratio == 4
    assert Interval.of_cents(-1200.0).ratio == Fraction(1, 2)
    assert Interval.of_cents(0.0).ratio == 1
    assert Interval.of_cents(1200.1).ratio is None
    assert octaves(-3).ratio == Fraction(1, 8)


@pytest.mark.parametrize(
    ("text", "cents"),
    [("386.3c", 386.3), ("386.3 cents", 386.3), ("700ct", 700.0), ("-3.5c", -3.5), ("1e-7c", 1e-7)],
)
def test_cents_are_read(text, cents):
    assert Interval.parse(text) == Interval.of_cents(cents)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("386.3", "if cents are meant, write 386.3c"),
        ("3//2", "did you mean 3/2"),
        ("0/1", "contains a zero"),
        ("99999c", "-12000 to 12000 cents"),
        ("1e999c", "-12000 to 12000 cents"),
        ("nanc", "is not a ratio"),
        ("c", "is not a ratio"),
    ],
)
def test_intervals_that_are_refused(text, match):
    with pytest.raises(ValueProblem, match=match):
        Interval.parse(text)


def test_no_interval_of_no_size():
    with pytest.raises(ValueProblem, match="finite number of cents"):
        Interval.of_cents(float("nan"))


@pytest.mark.parametrize(
    ("text", "index", "interval"),
    [
        ("b7=7/4", 10, Interval.of_ratio(Fraction(7, 4))),
        ("2=10/9", 2, Interval.of_ratio(Fraction(10, 9))),
        ("♭7 = 7/4", 10, Interval.of_ratio(Fraction(7, 4))),
        ("b5=7/5", 6, Interval.of_ratio(Fraction(7, 5))),
        ("#5=25/16", 8, Interval.of_ratio(Fraction(25, 16))),
        ("3=386.3c", 4, Interval.of_cents(386.3)),
        ("#4=11/8", 6, Interval.of_ratio(Fraction(11, 8))),
    ],
)
def test_changes_that_are_read(text, index, interval):
    assert parse_degree_change(text) == (index, interval)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("1=9/8", "degree 1 is the tonic itself"),
        ("5=3/1", "did you mean 5=3/2, within the octave"),
        ("5=3/4", "did you mean 5=3/2, within the octave"),
        ("b7=5/4", r"lies at 386.3 cents \(allowed are 900 to 1100 cents; 5/4 looks like the 3\)"),
        ("5=1/1", "allowed are 600 to 800 cents"),
        ("9=9/8", "above the octave it is degree 2"),
        ("B7=7/4", "did you mean b7"),
        ("x=5/4", "degrees are 1 b2 2 b3"),
        ("b7", "like b7=7/4"),
        ("b7=", "like b7=7/4"),
        ("=7/4", "like b7=7/4"),
        ("b7=7", "within the octave"),
        ("b7=7.4", "if cents are meant"),
    ],
)
def test_changes_that_are_refused(text, match):
    with pytest.raises(ValueProblem, match=match):
        parse_degree_change(text)


@pytest.mark.parametrize("index", range(12))
def test_degrees_are_known_by_name(index):
    assert parse_degree(DEGREES[index]) == index


def test_a_scale_keeps_the_rest():
    five = scale(*FIVE_LIMIT)
    changed = five.with_degrees({10: Interval.parse("7/4"), 2: Interval.parse("10/9")})
    assert [str(interval) for interval in changed.degrees] == (
        ["1/1", "16/15", "10/9", "6/5", "5/4", "4/3", "45/32", "3/2", "8/5", "5/3", "7/4", "15/8"]
    )
    assert five.with_degrees({}) is five
    assert five.exact
    assert not EQUAL.exact


@pytest.mark.parametrize(
    ("texts", "match"),
    [
        (FIVE_LIMIT[:11], "has 11 degrees"),
        (["9/8", *FIVE_LIMIT[1:]], "degree 1 cannot be 9/8"),
        ([*FIVE_LIMIT[:11], "3/2"], "looks like the 5"),
    ],
)
def test_scales_that_are_refused(texts, match):
    with pytest.raises(ValueProblem, match=match):
        scale(*texts)


def test_a_hundred_cents_from_equal_are_allowed():
    assert scale(*FIVE_LIMIT[:11], "2/1").degrees[11].ratio == 2
    with pytest.raises(ValueProblem, match="allowed are 1000 to 1200 cents"):
        scale(*FIVE_LIMIT[:11], "1200.1c")


def test_replacing_a_degree_checks_it():
    with pytest.raises(ValueProblem, match="looks like the 3"):
        EQUAL.with_degrees({10: Interval.parse("5/4")})
