"""The shipped scales against librosa, published cents, and their own construction."""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

import pytest

from bridge.store.descriptions import list_scales, load_scale
from bridge.tuning.scales import DEGREES, EQUAL, Scale

CHAIN = ("b2", "b6", "b3", "b7", "4", "1", "5", "2", "6", "3", "7", "#4")
"""Degrees in the order of fifths."""

# Barbour, Tuning and Temperament (1951), in whole cents above C; quarter-comma meantone with its chain from Db to F#.
BARBOUR_CENTS = {
    "werckmeister-3": (0, 90, 192, 294, 390, 498, 588, 696, 792, 888, 996, 1092),
    "kirnberger-3": (0, 90, 193, 294, 386, 498, 590, 697, 792, 890, 996, 1088),
    "vallotti": (0, 94, 196, 298, 392, 502, 592, 698, 796, 894, 1000, 1090),
    "quarter-comma-meantone": (0, 117, 193, 310, 386, 503, 579, 697, 814, 890, 1007, 1083),
}


def ratio(scale: Scale, degree: str) -> Fraction:
    found = scale.degrees[DEGREES.index(degree)].ratio
    assert found is not None
    return found


def step_cents(scale: Scale, low: str, high: str) -> float:
    """Size of the interval from one degree up to another, within the octave."""
    return (scale.degrees[DEGREES.index(high)].cents - scale.degrees[DEGREES.index(low)].cents) % 1200


def chord(scale: Scale, *degrees: str) -> list[Fraction]:
    """Ratios between the neighbours of a chord written upward."""
    steps = []
    for low, high in itertools.pairwise(degrees):
        step = ratio(scale, high) / ratio(scale, low)
        steps.append(step * 2 if step < 1 else step)
    return steps


MAJOR = [Fraction(5, 4), Fraction(6, 5)]
MINOR = [Fraction(6, 5), Fraction(5, 4)]


def test_the_named_scales_are_shipped():
    named = {
        "five-limit",
        "five-limit-low-second",
        "three-limit",
        "seven-limit",
        "overtone",
        "quarter-comma-meantone",
    }
    assert named | {"equal"} <= set(list_scales())


@pytest.mark.parametrize("name", list_scales())
def test_every_scale_says_where_it_comes_from(name):
    scale = load_scale(name)
    assert scale.name == name
    assert len(scale.source) > 40
    assert len(scale.description) > 60
    assert [interval.cents for interval in scale.degrees] == sorted(
        interval.cents for interval in scale.degrees
    )


@pytest.mark.parametrize(("name", "intervals"), [("five-limit", "ji5"), ("three-limit", "ji3")])
def test_against_librosa(librosa, name, intervals):
    expected = librosa.interval_frequencies(12, fmin=1.0, intervals=intervals, bins_per_octave=12)
    assert [interval.factor for interval in load_scale(name).degrees] == pytest.approx(expected, rel=1e-12)


def test_five_limit_is_ellis_s_duodene():
    # Three rows of four fifths, a third apart (appendix XX to Helmholtz, On the Sensations of Tone, 1885).
    rows = [
        Fraction(5, 4) ** third * Fraction(3, 2) ** fifth for third in (-1, 0, 1) for fifth in (-1, 0, 1, 2)
    ]
    expected = sorted(tone / Fraction(2) ** math.floor(math.log2(tone)) for tone in rows)
    assert [interval.ratio for interval in load_scale("five-limit").degrees] == expected


def test_the_sister_is_the_duodene_a_fifth_below():
    five, sister = load_scale("five-limit"), load_scale("five-limit-low-second")
    lowered = sorted(
        tone / Fraction(2) ** math.floor(math.log2(tone))
        for tone in (interval.ratio * Fraction(2, 3) for interval in five.degrees)
    )
    assert [interval.ratio for interval in sister.degrees] == lowered


# What the two sisters' files promise, chord by chord.
@pytest.mark.parametrize(
    ("degrees", "kind", "pure_in"),
    [
        (("1", "3", "5"), MAJOR, "both"),
        (("1", "b3", "5"), MINOR, "both"),
        (("2", "4", "6"), MINOR, "five-limit-low-second"),
        (("b3", "5", "b7"), MAJOR, "five-limit"),
        (("3", "5", "7"), MINOR, "both"),
        (("4", "6", "1"), MAJOR, "both"),
        (("4", "b6", "1"), MINOR, "both"),
        (("5", "7", "2"), MAJOR, "five-limit"),
        (("5", "b7", "2"), MINOR, "five-limit"),
        (("b6", "1", "b3"), MAJOR, "both"),
        (("6", "1", "3"), MINOR, "both"),
        (("b7", "2", "4"), MAJOR, "five-limit-low-second"),
    ],
)
def test_which_chords_are_pure_in_which_sister(degrees, kind, pure_in):
    for name in ("five-limit", "five-limit-low-second"):
        assert (chord(load_scale(name), *degrees) == kind) is (pure_in in ("both", name))


def test_the_sour_fifths_of_the_sisters_are_a_comma_narrow():
    for name, low, high in (
        ("five-limit", "2", "6"),
        ("five-limit", "b7", "4"),
        ("five-limit-low-second", "5", "2"),
        ("five-limit-low-second", "b3", "b7"),
    ):
        assert step_cents(load_scale(name), low, high) == pytest.approx(680.449, abs=0.0006)  # 40/27, Ellis


def test_the_minor_seventh_on_the_second_degree():
    steps = [Fraction(6, 5), Fraction(5, 4), Fraction(6, 5)]  # 10:12:15:18
    assert chord(load_scale("five-limit-low-second"), "2", "4", "6", "1") == steps


def test_three_limit_is_a_chain_of_fifths():
    scale = load_scale("three-limit")
    for low, high in itertools.pairwise(CHAIN):
        assert chord(scale, low, high) == [Fraction(3, 2)]


def test_seven_limit():
    scale = load_scale("seven-limit")
    tonic_seventh = [ratio(scale, degree) for degree in ("1", "3", "5", "b7")]
    assert [tone * 4 for tone in tonic_seventh] == [4, 5, 6, 7]
    for low, high in (("b2", "b6"), ("b6", "b3"), ("b3", "b7")):
        assert chord(scale, low, high) == [Fraction(3, 2)]
    assert max(max(_primes(interval.ratio)) for interval in scale.degrees[1:]) == 7
    assert step_cents(scale, "1", "b7") == pytest.approx(968.826, abs=0.0006)  # Ellis
    assert step_cents(scale, "1", "b3") == pytest.approx(266.871, abs=0.0006)


def test_overtones_are_harmonics_sixteen_to_thirty():
    harmonics = [interval.ratio * 16 for interval in load_scale("overtone").degrees]
    assert harmonics == [16, 17, 18, 19, 20, 21, 22, 24, 26, 27, 28, 30]
    assert step_cents(load_scale("overtone"), "1", "#4") == pytest.approx(551.318, abs=0.0006)  # Ellis
    assert step_cents(load_scale("overtone"), "1", "b6") == pytest.approx(840.528, abs=0.0006)


@pytest.mark.parametrize(("name", "cents"), BARBOUR_CENTS.items())
def test_historical_temperaments_against_barbour(name, cents):
    assert [round(interval.cents) for interval in load_scale(name).degrees] == list(cents)


# How each is tuned: by how many cents the fifth above a degree is narrow (0 pure), in the order of fifths.
PURE_FIFTH = 1200 * math.log2(3 / 2)
DITONIC = 1200 * math.log2(3**12 / 2**19)
SYNTONIC = 1200 * math.log2(81 / 80)


@pytest.mark.parametrize(
    ("name", "narrow"),
    [
        ("quarter-comma-meantone", dict.fromkeys(CHAIN[:-1], SYNTONIC / 4)),
        ("werckmeister-3", dict.fromkeys(("1", "5", "2", "7"), DITONIC / 4)),
        ("kirnberger-3", {**dict.fromkeys(("1", "5", "2", "6"), SYNTONIC / 4), "#4": DITONIC - SYNTONIC}),
        ("vallotti", dict.fromkeys(("4", "1", "5", "2", "6", "3"), DITONIC / 6)),
        ("equal", dict.fromkeys((*CHAIN,), DITONIC / 12)),
    ],
)
def test_temperaments_fifth_by_fifth(name, narrow):
    scale = load_scale(name)
    for low, high in zip(CHAIN, (*CHAIN[1:], CHAIN[0]), strict=True):
        if name == "quarter-comma-meantone" and low == "#4":
            assert step_cents(scale, low, high) - PURE_FIFTH == pytest.approx(35.682, abs=0.001)  # the wolf
            continue
        assert PURE_FIFTH - step_cents(scale, low, high) == pytest.approx(narrow.get(low, 0.0), abs=2e-6)


def test_the_meantone_set_of_old_keyboards():
    # Chain from Eb to G#; the file's description tells how to get it. 25/16 is two pure thirds.
    scale = load_scale("quarter-comma-meantone").with_degrees({})
    fifth = 1200 * math.log2(5) / 4
    assert (8 * fifth) % 1200 == pytest.approx(772.627, abs=0.001)
    assert (7 * fifth) % 1200 == pytest.approx(76.049, abs=0.001)
    assert "b6=772.627c" in scale.description
    assert "b2=76.049c" in scale.description


def test_the_equal_file_is_equal():
    assert [interval.cents for interval in load_scale("equal").degrees] == [
        100.0 * step for step in range(12)
    ]
    assert load_scale("equal").degrees == EQUAL.degrees


def _primes(ratio: Fraction | None) -> list[int]:
    """Prime factors of both terms."""
    assert ratio is not None
    found = []
    for number in (ratio.numerator, ratio.denominator):
        prime = 2
        while number > 1:
            if number % prime:
                prime += 1
            else:
                found.append(prime)
                number //= prime
    return found
