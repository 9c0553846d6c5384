"""The reference: what is read, what is doubted, and what is refused with which guess."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import ValueProblem
from bridge.tuning.guitars import Guitar, GuitarString, Unison
from bridge.tuning.notes import key_to_hz, note_name
from bridge.tuning.reference import Reference, default_reference, nearest_key_of_class, parse_reference

D3_HZ = 440.0 * 2 ** (-19 / 12)  # ISO 16; nineteen semitones below A4


@pytest.mark.parametrize(
    ("text", "key", "hz"),
    [
        ("D3=146.5", 50, 146.5),
        ("D3 = 146.5 Hz", 50, 146.5),
        ("A4=438", 69, 438.0),
        ("f♯3=185", 54, 185.0),
        ("D3", 50, D3_HZ),
        ("D3-7c", 50, D3_HZ * 2 ** (-7 / 1200)),
        ("D3 -7 cents", 50, D3_HZ * 2 ** (-7 / 1200)),
        ("D3+12.5ct", 50, D3_HZ * 2 ** (12.5 / 1200)),
        ("D3-7c@442", 50, D3_HZ * 2 ** (-7 / 1200) * 442 / 440),
        ("D3@415 Hz", 50, D3_HZ * 415 / 440),
        ("C-1+3c", 0, 440 * 2 ** (-69 / 12) * 2 ** (3 / 1200)),
    ],
)
def test_references_that_are_read(text, key, hz):
    reference = parse_reference(text)
    assert reference.key == key
    assert reference.hz == pytest.approx(hz, rel=1e-13)


@given(st.integers(0, 127), st.floats(-600, 600))
def test_a_frequency_is_kept_bit_for_bit(key, cents):
    hz = key_to_hz(key) * 2 ** (cents * 0.999999 / 1200)
    assert parse_reference(f"{note_name(key)}={hz!r}").hz == hz


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("D3=14650", r"out of range, 103.8 to 207.7 Hz \(Hz; did you mean 146.5\?\)"),
        ("D3=1465", "did you mean 146.5"),
        ("D3=0.1465", "did you mean 146.5"),
        ("D3=146,5", "write it with a point: D3=146.5"),
        ("D3=293.7", r"did you mean D4=293.7\? C4 is middle C here, some instruments print C3 for it"),
        ("C3=261.6", "did you mean C4=261.6"),
        ("D3=400", "400 Hz is near G4"),
        ("D3=99999", "the usual D3 is 146.83"),
        ("D3=0", "a frequency is greater than zero"),
        ("D3=-146.5", "a frequency is greater than zero"),
        ("A4=.44e3", "is not a frequency"),
        ("D3=nan", "is not a frequency"),
        ("D3=", "is not a frequency"),
        ("D3=-7c", "write D3-7c"),
        ("D3=7c", r"write D3\+7c"),
        ("D3=146.5@442", "a calibration belongs to a reading in cents"),
        ("D3-700c", "-600 to 600 cents"),
        ("D3-7c@4420", "between 380 and 500 Hz"),
        ("D3-7c@", "between 380 and 500 Hz"),
        ("D3-7", "for cents write D3-7c"),
        ("D3-7,5c", r"write it with a point: D3-7\.5c"),
        ("D-7c", "lacks its octave"),
        ("D=146.5", r"did you mean D3=146\.5"),
        ("H3=246", "German H is B, German B is Bb"),
        ("146.5", "did you mean D3=146.5"),
        ("440 Hz", "did you mean A4=440"),
        ("0", "names no note"),
        ("D3 -7", "for cents write D3 -7c"),
        ("D3 146.5", "did you mean D3=146.5"),
        ("F#3: 183", "did you mean F#3=183"),
        ("", "is not a reference"),
        ("D3~7", "is not a reference"),
        ("G10=20000", "run from C-1 to G9"),
    ],
)
def test_references_that_are_refused(text, match):
    with pytest.raises(ValueProblem, match=match):
        parse_reference(text)


def test_a_frequency_of_another_calibration_is_not_doubted():
    assert parse_reference("D3=146.5").doubt == ""
    assert (
        parse_reference("A4=415").doubt != ""
    )  # a semitone below: the baroque pitch is asked about, and allowed
    assert parse_reference("A4=432").doubt == ""


@pytest.mark.parametrize(("cents", "doubted"), [(99.9, False), (-99.9, False), (100.1, True), (-100.1, True)])
def test_beyond_a_semitone_the_octave_or_note_is_asked_for(cents, doubted):
    doubt = Reference(50, D3_HZ * 2 ** (cents / 1200)).doubt
    assert bool(doubt) is doubted
    if doubted:
        assert "note or octave" in doubt
        assert "C4 is middle C" in doubt
        assert "100 cents " + ("above" if cents > 0 else "below") in doubt


@pytest.mark.parametrize(
    ("cents", "allowed"), [(599.9, True), (-599.9, True), (600.1, False), (-600.1, False)]
)
def test_six_hundred_cents_are_the_limit(cents, allowed):
    hz = D3_HZ * 2 ** (cents / 1200)
    if allowed:
        assert Reference(50, hz).cents_from_equal == pytest.approx(cents)
    else:
        with pytest.raises(ValueProblem, match="out of range"):
            Reference(50, hz)


@pytest.mark.parametrize("hz", [math.nan, math.inf, 0.0])
def test_no_reference_without_a_frequency(hz):
    with pytest.raises(ValueProblem, match="greater than zero"):
        Reference(50, hz)


def test_a_reference_reads_well():
    assert str(Reference(50, 146.5)) == "D3 = 146.5 Hz"
    assert Reference(46, 116.5409).text("Bb") == "Bb2 = 116.5409 Hz"
    assert Reference(69, 440.0).text() == "A4 = 440 Hz"


@pytest.mark.parametrize(
    ("tonic", "key"),
    [("C", 60), ("D", 62), ("F", 65), ("F#", 54), ("G", 55), ("A", 57), ("B", 59), ("Bb", 58)],
)
def test_without_guitar_the_tonic_nearest_middle_c(tonic, key):
    assert default_reference(tonic) == Reference(key, key_to_hz(key))


def test_with_a_guitar_its_reference_string():
    strings = (GuitarString(1, 57), GuitarString(2, 50))
    unisons = (Unison.parse("1 at 1/2 = 2 at 1/3"),)
    guitar = Guitar("two", "Two strings", "D", 2, strings, unisons, "derived", tuned_from="")
    assert default_reference("D", guitar) == Reference(50, key_to_hz(50))


@given(st.integers(0, 11), st.integers(0, 127))
def test_nearest_key_of_a_class(pitch_class, key):
    found = nearest_key_of_class(pitch_class, key)
    assert found % 12 == pitch_class
    assert -6 <= found - key <= 5
