"""Notes: names, keys and frequencies, against the MIDI standard and librosa."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import ValueProblem
from bridge.tuning.notes import (
    hz_to_key,
    key_to_hz,
    note_name,
    parse_note,
    parse_pitch_class,
    parse_tonic,
    pitch_class_name,
)

TONICS = (
    "C",
    "Db",
    "C#",
    "D",
    "Eb",
    "D#",
    "E",
    "F",
    "F#",
    "Gb",
    "G",
    "Ab",
    "G#",
    "A",
    "Bb",
    "A#",
    "B",
    "Cb",
    "E#",
)


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("C4", 60),  # middle C; MIDI 1.0 Detailed Specification
        ("A4", 69),
        ("C-1", 0),
        ("G9", 127),
        ("D3", 50),
        ("F#3", 54),
        ("F♯3", 54),
        ("Bb2", 46),
        ("b♭2", 46),
        ("b2", 47),
        ("Cb4", 59),
        ("B#3", 60),
        ("E##2", 42),
        (" d3 ", 50),
    ],
)
def test_notes_that_are_read(text, key):
    assert parse_note(text) == key


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("H3", r"'H3' is not a note \(German H is B, German B is Bb\)"),
        ("h", "German H is B"),
        ("D", "lacks its octave"),
        ("C-2", "run from C-1 to G9"),
        ("G#9", "run from C-1 to G9"),
        ("Cb-1", "run from C-1 to G9"),
        ("Fis3", "did you mean F#3"),
        ("Es2", "did you mean Eb2"),
        ("His3", "did you mean B#3"),
        ("D#b3", "sharp and flat at once"),
        ("X3", "a letter A to G"),
        ("3D", "a letter A to G"),
        ("", "is not a note"),
        ("D3.5", "is not a note"),
        ("D٣", "is not a note"),
    ],
)
def test_notes_that_are_refused(text, match):
    with pytest.raises(ValueProblem, match=match):
        parse_note(text)


def test_pitch_classes():
    white = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
    for name, pitch_class in white.items():
        assert parse_pitch_class(name) == pitch_class
        assert parse_pitch_class(f"{name}#") == (pitch_class + 1) % 12
        assert parse_pitch_class(f"{name}b") == (pitch_class - 1) % 12
    with pytest.raises(ValueProblem, match="a note without octave is wanted"):
        parse_pitch_class("D3")
    with pytest.raises(ValueProblem, match="German H is B, German B is Bb"):
        parse_pitch_class("H")


def test_tonics_are_kept_in_ascii():
    assert [parse_tonic(text) for text in (" b♭", "F♯", "d", "Gb")] == ["Bb", "F#", "D", "Gb"]


# Major scales and the blue and minor degrees of tonics that guitars stand in, as every primer spells them.
@pytest.mark.parametrize(
    ("tonic", "names"),
    [
        ("C", "C Db D Eb E F F# G Ab A Bb B"),
        ("D", "D Eb E F F# G G# A Bb B C C#"),
        ("G", "G Ab A Bb B C C# D Eb E F F#"),
        ("E", "E F F# G G# A A# B C C# D D#"),
        ("A", "A Bb B C C# D D# E F F# G G#"),
        ("F", "F Gb G Ab A Bb B C Db D Eb E"),
        ("Bb", "Bb B C Db D Eb E F Gb G Ab A"),
    ],
)
def test_spelling_by_the_tonic(tonic, names):
    start = parse_pitch_class(tonic)
    assert [pitch_class_name(start + step, tonic) for step in range(12)] == names.split()


@pytest.mark.parametrize("tonic", TONICS)
def test_every_key_reads_back(tonic):
    for key in range(128):
        name = note_name(key, tonic)
        assert name.isascii()
        assert parse_note(name) == key


@pytest.mark.parametrize("key", [-1, 128])
def test_keys_out_of_range(key):
    with pytest.raises(ValueProblem, match="MIDI keys run from 0"):
        note_name(key)


def test_frequencies_agree_with_librosa(librosa):
    for key in range(128):
        assert key_to_hz(key) == pytest.approx(librosa.midi_to_hz(key), rel=1e-14)
        assert key_to_hz(key) == pytest.approx(librosa.note_to_hz(note_name(key)), rel=1e-14)


@pytest.mark.parametrize(
    ("note", "hz"),  # equal temperament at A4 = 440 Hz (ISO 16), open strings of the open D guitar
    [("D2", 73.4162), ("A2", 110.0), ("D3", 146.8324), ("F#3", 184.9972), ("A3", 220.0), ("D4", 293.6648)],
)
def test_open_strings(note, hz):
    assert key_to_hz(parse_note(note)) == pytest.approx(hz, abs=0.00005)


@given(st.floats(-24, 160), st.floats(380, 500))
def test_keys_and_hz_are_inverse(key, a4_hz):
    assert hz_to_key(key_to_hz(key, a4_hz), a4_hz) == pytest.approx(key, abs=1e-9)


@pytest.mark.parametrize("hz", [0.0, -3.0, float("nan"), float("inf")])
def test_no_key_for_no_frequency(hz):
    with pytest.raises(ValueProblem, match="greater than zero"):
        hz_to_key(hz)
