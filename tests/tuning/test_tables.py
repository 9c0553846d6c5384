"""Tables: home, tonic, reference, frets, slides and overrides, against librosa and plain arithmetic."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.errors import TuningProblem, ValueProblem
from bridge.tuning.notes import key_to_hz, parse_pitch_class
from bridge.tuning.reference import Reference
from bridge.tuning.scales import DEGREES, EQUAL, Interval, Scale
from bridge.tuning.spec import TableSpec, literal_spec
from bridge.tuning.tables import build_table, equal_table


def scale(texts: str) -> Scale:
    return Scale("try", "Try", tuple(Interval.parse(text) for text in texts.split()), "derived")


# A. J. Ellis's duodene, appendix XX to Helmholtz, On the Sensations of Tone, 1885.
FIVE = scale("1/1 16/15 9/8 6/5 5/4 4/3 45/32 3/2 8/5 5/3 9/5 15/8")
# Quarter-comma meantone (Aaron 1523): fifths of the fourth root of 5.
MEANTONE = scale(
    "1/1 117.107858c 193.156857c 310.264715c 5/4 503.421572c 579.470571c 696.578428c 8/5 889.735285c "
    "1006.843143c 1082.892142c"
)
NAMES = ("C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")

scales = st.sampled_from([FIVE, MEANTONE, EQUAL])
tonics = st.sampled_from(NAMES)
references = st.builds(
    lambda key, cents: Reference(key, key_to_hz(key) * 2 ** (cents / 1200)),
    st.integers(0, 127),
    st.floats(-599, 599),
)
slides = st.sampled_from(
    [Fraction(1), Fraction(9, 8), Fraction(4, 3), Fraction(3, 2), Fraction(7, 4), Fraction(4)]
)
changes = st.sampled_from(
    [(), ((10, Interval.parse("7/4")),), ((2, Interval.parse("10/9")), (6, Interval.parse("11/8")))]
)
specs = st.builds(
    TableSpec,
    name=st.just("try"),
    scale=scales,
    home=tonics,
    tonic=tonics,
    reference=references,
    degree_changes=changes,
    home_degree_changes=changes,
)

OPEN_D = TableSpec("open", FIVE, "D", "D", Reference(50, 146.5))


def plain_hz(spec: TableSpec, key: int) -> float:
    """Frequency of a key at fret 0 by plain arithmetic in cents, without exact ratios."""
    own = [interval.cents for interval in spec.scale.degrees]
    for index, interval in spec.home_degree_changes:
        own[index] = interval.cents
    present = list(own)
    for index, interval in spec.degree_changes:
        present[index] = interval.cents
    home, tonic, reference = parse_pitch_class(spec.home), parse_pitch_class(spec.tonic), spec.reference.key

    def at_home(place: int) -> float:
        return own[(place - home) % 12] + 1200.0 * ((place - home) // 12)

    tonic_key = key - (key - tonic) % 12
    stands = at_home(tonic_key)
    if (tonic - home) % 12 == 10 and spec.scale.with_degrees(dict(spec.home_degree_changes)).degrees[
        10
    ].ratio:
        stands += 1200 * math.log2(16 / 9) - own[10]  # a tonic a whole tone below home
    cents = stands - at_home(reference) + present[key - tonic_key]
    return spec.reference.hz * math.exp2(cents / 1200.0)


@settings(max_examples=60, deadline=None)
@given(specs)
def test_every_frequency_by_plain_arithmetic(spec):
    expected = [plain_hz(spec, key) for key in range(128)]
    np.testing.assert_allclose(build_table(spec).hz, expected, rtol=1e-12)


@settings(max_examples=60, deadline=None)
@given(scales, tonics, references, changes)
def test_the_reference_is_exact_at_home(own, home, reference, degrees):
    table = build_table(TableSpec("try", own, home, home, reference, home_degree_changes=degrees))
    assert table.hz[reference.key] == reference.hz
    assert table.ratios[reference.key] == 1


def test_five_limit_agrees_with_librosa(librosa):
    table = build_table(replace(OPEN_D, reference=Reference(50, 146.5)))
    expected = librosa.interval_frequencies(36, fmin=146.5 / 2, intervals="ji5", bins_per_octave=12)
    np.testing.assert_allclose(table.hz[38 : 38 + 36], expected, rtol=1e-13)


def test_open_d_keys():
    # Derived in every primer of harmonics: open D is part of one harmonic series, 2 : 3 : 4 : 5 : 6 : 8.
    table = build_table(OPEN_D)
    strings = [table.ratios[key] for key in (38, 45, 50, 54, 57, 62)]
    assert strings == [Fraction(n, 4) for n in (2, 3, 4, 5, 6, 8)]
    assert [float(table.hz[key]) for key in (38, 45, 50, 54, 57, 62)] == [
        146.5 * n / 4 for n in (2, 3, 4, 5, 6, 8)
    ]
    assert [table.degrees[key] for key in (50, 51, 54, 60, 62)] == ["1", "b2", "3", "b7", "1"]
    assert table.note(54) == "F#3"
    assert table.degrees[50:62] == DEGREES


def test_cents_from_equal():
    table = build_table(replace(OPEN_D, reference=Reference(50, key_to_hz(50))))
    # A pure third is 13.686 cents below equal temperament's, a fifth 1.955 above (Ellis: 386.314, 701.955).
    assert table.cents_from_equal[54] == pytest.approx(-13.686, abs=0.0006)
    assert table.cents_from_equal[57] == pytest.approx(1.955, abs=0.0006)
    assert table.cents_from_equal[50] == 0.0


def test_tables_cannot_be_written_to():
    table = build_table(OPEN_D)
    with pytest.raises(ValueError, match="read-only"):
        table.hz[0] = 1.0
    with pytest.raises(ValueError, match="read-only"):
        table.cents_from_equal[0] = 1.0


def test_a_later_tonic_takes_its_pitch_from_home():
    home, later = build_table(OPEN_D), build_table(OPEN_D.at_tonic("E"))
    for key in range(4, 128, 12):
        assert later.hz[key] == home.hz[key]
        assert later.degrees[key] == "1"
    # E is 9/8 above D; its seventh degree is 15/8 above that, an octave down.
    assert later.ratios[51] == Fraction(9, 8) * Fraction(15, 8) / 2
    # The fifth on 2 is 40/27 in a fixed scale (680.449 cents, Ellis) and pure on its own tonic.
    assert home.ratios[59] / home.ratios[52] == Fraction(40, 27)
    assert later.ratios[59] / later.ratios[52] == Fraction(3, 2)


@settings(max_examples=40, deadline=None)
@given(scales, tonics, tonics, references)
def test_going_away_and_back_changes_no_bit(own, home, away, reference):
    start = TableSpec("try", own, home, home, reference)
    back = start.at_tonic(away).at_tonic(home)
    assert np.array_equal(build_table(back).hz, build_table(start).hz)
    assert build_table(start).ratios == build_table(back).ratios


def test_enharmonic_names_of_home_are_home():
    flat = replace(OPEN_D, home="Db", tonic="C#")
    assert flat.at_home
    assert np.array_equal(build_table(flat).hz, build_table(replace(OPEN_D, home="C#", tonic="C#")).hz)


def test_degrees_of_the_home_table_leave_the_reference_alone():
    third = (4, Interval.parse("81/64"))
    reference = Reference(54, 183.0)  # F#3, the third of D
    at_home = replace(OPEN_D, reference=reference).with_degrees([third])
    assert at_home.home_degree_changes == (third,)
    table = build_table(at_home)
    assert table.hz[54] == 183.0
    assert table.ratios[50] == Fraction(64, 81)
    # Replaced for the moment, the tonic stays and the reference note moves.
    moment = build_table(replace(OPEN_D, reference=reference, degree_changes=(third,)))
    assert moment.ratios[50] == Fraction(4, 5)
    assert moment.ratios[54] == Fraction(81, 80)


def test_degrees_named_at_another_tonic_stay_there():
    second = (2, Interval.parse("10/9"))
    spec = OPEN_D.at_tonic("A").with_degrees([second])
    assert spec.degree_changes == (second,)
    table = build_table(spec)
    assert table.ratios[59] == Fraction(3, 2) * Fraction(10, 9)
    # A's own pitch is home's: the second degree there is still 9/8.
    assert build_table(spec.at_tonic("E")).ratios[52] == Fraction(9, 8)
    own = replace(OPEN_D, home_degree_changes=(second,))
    assert build_table(own.at_tonic("E")).ratios[52] == Fraction(10, 9)
    assert build_table(own.at_tonic("A")).ratios[59] == Fraction(3, 2) * Fraction(10, 9)


@settings(max_examples=40, deadline=None)
@given(specs, st.integers(0, 24))
def test_a_fret_moves_everything(spec, fret):
    open_table, barred = build_table(spec), build_table(replace(spec, fret=fret))
    factor = 2 ** (fret / 12)
    assert np.array_equal(barred.hz[fret:], open_table.hz[: 128 - fret] * factor)
    np.testing.assert_allclose(barred.hz[:fret] * 2**4, barred.hz[48 : 48 + fret], rtol=1e-12)
    assert barred.ratios[fret:] == open_table.ratios[: 128 - fret]
    assert barred.degrees[fret:] == open_table.degrees[: 128 - fret]
    assert parse_pitch_class(barred.tonic) == (parse_pitch_class(spec.tonic) + fret) % 12
    assert barred.sounding_reference == (spec.reference.key + fret, spec.reference.hz * factor)


def test_open_d_at_the_fifth_fret():
    table = build_table(replace(OPEN_D, fret=5))
    assert table.tonic == "G"
    assert table.home == "D"
    assert table.hz[55] == 146.5 * 2 ** (5 / 12)
    assert table.reference == Reference(50, 146.5)
    assert table.degrees[55] == "1"


@pytest.mark.parametrize(
    ("slide", "semitones"), [("4/3", 5), ("3/2", 7), ("5/3", 9), ("7/4", 10), ("2/1", 12)]
)
def test_a_slide_is_pure(slide, semitones):
    ratio = Fraction(slide)
    table = build_table(replace(OPEN_D, slide=ratio))
    assert table.shift_semitones == semitones
    assert table.hz[50 + semitones] == 146.5 * float(ratio)
    assert table.hz[54 + semitones] == 146.5 * float(ratio * Fraction(5, 4))
    assert table.ratios[54 + semitones] == Fraction(5, 4)


@settings(max_examples=40, deadline=None)
@given(specs, slides, st.integers(0, 24))
def test_slide_and_fret_together(spec, slide, fret):
    table = build_table(replace(spec, slide=slide, fret=fret))
    shift = fret + round(12 * math.log2(slide))
    expected = [plain_hz(spec, key - shift) * float(slide) * 2 ** (fret / 12) for key in range(128)]
    np.testing.assert_allclose(table.hz, expected, rtol=1e-12)


@settings(max_examples=40, deadline=None)
@given(specs, slides, st.integers(0, 24))
def test_equal_keeps_the_level_and_changes_the_intervals(spec, slide, fret):
    moved = replace(spec, slide=slide, fret=fret)
    equal = equal_table(moved)
    key, hz = equal.sounding_reference
    expected = [hz * 2 ** ((place - key) / 12) for place in range(128)]
    np.testing.assert_allclose(equal.hz, expected, rtol=1e-12)
    if slide == 1 and fret == 0:
        assert equal.hz[spec.reference.key] == spec.reference.hz


def test_overrides_replace_single_keys_and_follow_the_fret():
    spec = OPEN_D.with_keys([(54, 184.0), (50, 147.0)]).with_keys([(50, 146.9)])
    table, plain = build_table(spec), build_table(OPEN_D)
    assert (table.hz[54], table.hz[50]) == (184.0, 146.9)
    assert table.ratios[54] is None
    assert table.degrees[54] == "3"
    others = [key for key in range(128) if key not in (50, 54)]
    assert np.array_equal(table.hz[others], plain.hz[others])
    assert build_table(replace(spec, fret=2)).hz[56] == 184.0 * 2 ** (2 / 12)
    # A later tonic is laid on the home scale, not on an overridden key.
    assert build_table(spec.at_tonic("F#")).ratios[57] == Fraction(5, 4) * Fraction(6, 5)


def test_a_literal_table():
    hz = [key_to_hz(key) * 1.01 for key in range(128)]
    spec = literal_spec("dump", hz)
    table = build_table(spec)
    assert list(table.hz) == hz
    assert set(table.ratios) == {None}
    assert set(table.degrees) == {None}
    assert spec.reference == Reference(69, hz[69])
    raised = build_table(replace(spec, fret=3))
    assert np.array_equal(raised.hz[3:], table.hz[:125] * 2 ** (3 / 12))
    # Beyond its ends a literal table repeats the outer octave.
    np.testing.assert_allclose(raised.hz[:3], table.hz[9:12] / 2 * 2 ** (3 / 12), rtol=1e-14)
    np.testing.assert_allclose(
        equal_table(spec).hz, [hz[69] * 2 ** ((key - 69) / 12) for key in range(128)], rtol=1e-13
    )


def test_the_reference_of_a_literal_table_is_near_its_key():
    hz = [key_to_hz(key) for key in range(128)]
    hz[69] = 880.0  # A4 an octave high: no reference; its neighbour is
    assert literal_spec("dump", hz).reference == Reference(68, hz[68])
    # Every key at 900 Hz: E5 (659.26 Hz) is the first above A4 that lies within 600 cents, at 539.
    assert literal_spec("dump", [900.0] * 128).reference == Reference(76, 900.0)
    assert literal_spec("dump", [2.0] * 128).reference == Reference(69, 440.0)


@pytest.mark.parametrize(
    ("change", "problem", "match"),
    [
        ({"fret": -1}, ValueProblem, r"fret -1 is out of range \(frets run from 0"),
        ({"fret": 25}, ValueProblem, "fret 25 is out of range"),
        ({"slide": Fraction(3, 4)}, ValueProblem, "slide 3/4 is out of range"),
        ({"slide": Fraction(9, 2)}, ValueProblem, "1/1 to 4/1"),
        ({"tonic": "H"}, ValueProblem, "German H is B, German B is Bb"),
        ({"home": "D3"}, ValueProblem, "a note without octave"),
        ({"degree_changes": ((10, Interval.parse("5/4")),)}, ValueProblem, "looks like the 3"),
        (
            {"home_degree_changes": ((0, Interval.parse("9/8")),)},
            ValueProblem,
            "degree 1 is the tonic itself",
        ),
        ({"key_overrides": ((54, 0.5),)}, ValueProblem, r"key F#3 = 0.5 Hz is out of range \(1 to 25000 Hz"),
        ({"key_overrides": ((54, float("nan")),)}, ValueProblem, "out of range"),
        ({"key_overrides": ((128, 440.0),)}, ValueProblem, "MIDI keys run from 0"),
        ({"key_overrides": ((54, 184.0), (54, 185.0))}, ValueProblem, "a key twice"),
        ({"open_strings_win": True}, TuningProblem, "without a guitar"),
        ({"scale": None}, TuningProblem, r"no scale and only 0 keys \(name a scale, or give all 128 keys"),
    ],
)
def test_specs_that_are_refused(change, problem, match):
    with pytest.raises(problem, match=match):
        replace(OPEN_D, **change)


def test_a_literal_table_has_no_degrees_to_change():
    spec = literal_spec("dump", [key_to_hz(key) for key in range(128)])
    with pytest.raises(TuningProblem, match="cannot change without a scale"):
        spec.at_tonic("D")
    with pytest.raises(TuningProblem, match="cannot change without a scale"):
        spec.with_degrees([(10, Interval.parse("7/4"))])
    with pytest.raises(TuningProblem, match="has 127 frequencies"):
        literal_spec("dump", [440.0] * 127)


def test_names_of_tonics_are_tidied():
    spec = replace(OPEN_D, home="d", tonic="f♯")
    assert (spec.home, spec.tonic) == ("D", "F#")
    assert build_table(spec).note(66) == "F#4"
