"""Ratios and cents: published sizes of just intervals, round trips, and what is refused."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import ValueProblem
from bridge.tuning.ratios import cents_to_ratio, format_ratio, hz_to_cents, parse_ratio, ratio_to_cents

# A. J. Ellis, appendix XX to Helmholtz, On the Sensations of Tone, 2nd ed. 1885; confirmed below through prime factors.
ELLIS_CENTS = {
    "16/15": 111.731,
    "10/9": 182.404,
    "9/8": 203.910,
    "7/6": 266.871,
    "32/27": 294.135,
    "6/5": 315.641,
    "5/4": 386.314,
    "4/3": 498.045,
    "7/5": 582.512,
    "45/32": 590.224,
    "64/45": 609.776,
    "40/27": 680.449,
    "3/2": 701.955,
    "8/5": 813.686,
    "5/3": 884.359,
    "7/4": 968.826,
    "16/9": 996.090,
    "9/5": 1017.596,
    "15/8": 1088.269,
    "11/8": 551.318,
    "13/8": 840.528,
    "81/80": 21.506,
    "25/24": 70.672,
}
# Sizes of the pure intervals of the primes, from logarithms to ten places (log10 p / log10 2 · 1200).
PRIME_CENTS = {2: 1200.0, 3: 1901.9550008654, 5: 2786.3137138648, 7: 3368.8259064692, 11: 4151.3179423648,
               13: 4440.5276617693}  # fmt: skip


@pytest.mark.parametrize(("text", "cents"), ELLIS_CENTS.items())
def test_published_sizes(text, cents):
    ratio = parse_ratio(text)
    assert ratio_to_cents(ratio) == pytest.approx(cents, abs=0.0006)
    derived = 0.0
    for number, sign in ((ratio.numerator, 1), (ratio.denominator, -1)):
        for prime, size in PRIME_CENTS.items():
            while number % prime == 0:
                number //= prime
                derived += sign * size
        assert number == 1
    assert ratio_to_cents(ratio) == pytest.approx(derived, abs=1e-8)


@pytest.mark.parametrize(
    ("text", "ratio"),
    [
        ("5/4", Fraction(5, 4)),
        (" 10 / 8 ", Fraction(5, 4)),
        ("5:4", Fraction(5, 4)),
        ("2", Fraction(2)),
        ("1/1", Fraction(1)),
        ("531441/524288", Fraction(3**12, 2**19)),
        ("1/1024", Fraction(1, 1024)),
    ],
)
def test_ratios_that_are_read(text, ratio):
    assert parse_ratio(text) == ratio


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("0/1", r"ratio '0/1' contains a zero \(.*between 1/1024 and 1024/1\)"),
        ("5/0", "contains a zero"),
        ("3//2", r"'3//2' is not a ratio \(two division signs; did you mean 3/2\?\)"),
        ("3:/2", "did you mean 3/2"),
        ("-5/4", "ratios are positive"),
        ("1.25", "did you mean 5/4"),
        ("1,5", "did you mean 3/2"),
        ("5/4/3", "two whole numbers like 5/4"),
        ("", "is not a ratio"),
        ("five/four", "two whole numbers like 5/4"),
        ("5/4c", "is not a ratio"),
        ("1025", "out of range"),
        ("1/1025", "out of range"),
        ("1" * 17 + "/2", "more than 15 digits"),
        ("9" * 5000, "more than 15 digits"),
        ("٣/٢", "is not a ratio"),
    ],
)
def test_ratios_that_are_refused(text, match):
    with pytest.raises(ValueProblem, match=match):
        parse_ratio(text)


@given(st.integers(1, 10**6), st.integers(1, 10**6))
def test_a_ratio_reads_back(over, under):
    ratio = Fraction(over, under)
    text = format_ratio(ratio)
    if Fraction(1, 1024) <= ratio <= 1024:
        assert parse_ratio(text) == ratio
    else:
        with pytest.raises(ValueProblem, match="out of range"):
            parse_ratio(text)


def test_the_unison_and_octaves_are_written_out():
    assert format_ratio(Fraction(1)) == "1/1"
    assert format_ratio(Fraction(2)) == "2/1"


@given(st.floats(-12000, 12000))
def test_cents_and_ratios_are_inverse(cents):
    assert ratio_to_cents(cents_to_ratio(cents)) == pytest.approx(cents, abs=1e-9)


def test_hz_to_cents():
    # A2 against D3 in equal temperament is a fourth of 500 cents (A440: 110 and 146.8324 Hz).
    assert hz_to_cents(146.8323839587038, 110.0) == pytest.approx(500.0, abs=1e-9)
    assert hz_to_cents(110.0, 220.0) == -1200.0


@pytest.mark.parametrize("hz", [0.0, -1.0, math.nan, math.inf])
def test_frequencies_that_make_no_interval(hz):
    with pytest.raises(ValueProblem, match="greater than zero"):
        hz_to_cents(hz, 440.0)
    with pytest.raises(ValueProblem, match="greater than zero"):
        hz_to_cents(440.0, hz)
    with pytest.raises(ValueProblem, match="greater than zero"):
        ratio_to_cents(hz)
