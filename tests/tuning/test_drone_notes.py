"""The notes of a drone: degrees, notes and intervals, and where the tonic stands.

Keys are counted by hand: MIDI key = 12 * (octave + 1) + pitch class (C4 = 60), degrees in semitones above the tonic.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import ValueProblem
from bridge.tuning.drone_notes import VOICES, check_notes, drone_keys, is_interval, moved_names
from bridge.tuning.notes import parse_pitch_class
from bridge.tuning.scales import DEGREES

NATURAL = {1: 0, 2: 2, 3: 4, 4: 5, 5: 7, 6: 9, 7: 11}  # semitones of a major scale


@pytest.mark.parametrize(
    ("text", "keys"),
    [
        ("1,5", (50, 57)),
        ("third", (50, 54)),
        ("Fifth", (50, 57)),
        ("octave", (50, 62)),
        ("chord", (50, 54, 57)),
        ("F#", (54,)),
        ("C", (60,)),
        ("8", (62,)),
        ("b9 #11", (63, 68)),
        ("14", (73,)),
        ("b3+B3", (53, 59)),
        ("b5, ♭7", (56, 60)),
        ("D2 A2 D2", (38, 45)),
        ("5 1 1", (50, 57)),
    ],
)
def test_one_grammar_over_d(text: str, keys: tuple[int, ...]) -> None:
    assert drone_keys(text, "D") == keys
    check_notes(text)


@pytest.mark.parametrize(
    ("text", "semitones", "keys"),
    [
        ("D2,A2,D3", -2, (36, 43, 48)),  # over C: C2 G2 C3, each a whole tone lower
        ("F#", 3, (57,)),  # over F: F# is a third above D, A one above F
        ("1 5", -2, (48, 55)),
        ("third", 1, (51, 55)),
        ("D2 A2", 0, (38, 45)),
    ],
)
def test_notes_with_a_name_move_with_the_singer(text: str, semitones: int, keys: tuple[int, ...]) -> None:
    tonic = {-2: "C", 3: "F", 1: "Eb", 0: "D"}[semitones]
    assert drone_keys(moved_names(text, semitones), tonic) == keys


def test_a_note_that_would_move_beyond_the_keys_is_refused() -> None:
    with pytest.raises(ValueProblem, match=r"G9 \+1 semitones"):
        moved_names("G9", 1)
    with pytest.raises(ValueProblem, match="is no note, degree or interval"):
        moved_names("louder", 1)


@given(
    st.sampled_from(["", "b", "#"]),
    st.integers(1, 14),
    st.sampled_from(["C", "F#", "Bb", "B"]),
    st.sampled_from(list(VOICES)),
)
def test_degrees_are_counted_from_the_lowest_tonic_of_the_voice(
    sign: str, number: int, tonic: str, voice: str
) -> None:
    octaves, simple = divmod(number - 1, 7)
    semitones = NATURAL[simple + 1] + {"": 0, "b": -1, "#": 1}[sign]
    if sign + str(simple + 1) in ("b1", "#3", "#7"):  # another note's place: 7, 4 and 8
        with pytest.raises(ValueProblem, match="is not a degree"):
            drone_keys(sign + str(number), tonic, voice)
        return
    (lowest,) = drone_keys("1", tonic, voice)
    assert lowest % 12 == parse_pitch_class(tonic)
    assert 0 <= lowest - VOICES[voice] < 12
    assert drone_keys(sign + str(number), tonic, voice) == (lowest + 12 * octaves + semitones,)


@pytest.mark.parametrize("octave", [0, 2, 3, 6])
def test_an_octave_stands_instead_of_a_voice(octave: int) -> None:
    assert drone_keys("1", "D", octave=octave) == (12 * (octave + 1) + 2,)
    assert drone_keys("D2", "D", octave=octave) == (38,), "a note stays where it is written"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("thrid", r"'thrid' is no note, degree or interval \(did you mean third"),
        ("0", "no note, degree or interval"),
        ("15", "no note, degree or interval"),
        ("1e9", "no note, degree or interval"),
        ("H3", "German H is B"),
        ("b1", "'b1' is not a degree"),
        ("G#9", r"G#9"),
        ("louder", "louder"),
    ],
)
def test_what_is_no_note(text: str, says: str) -> None:
    with pytest.raises(ValueProblem, match=says):
        drone_keys(text, "D")
    with pytest.raises(ValueProblem, match=says):
        check_notes(text)


def test_nothing_a_voice_that_there_is_not_and_beyond_the_keys() -> None:
    with pytest.raises(ValueProblem, match="without notes"):
        drone_keys(" , ", "D")
    with pytest.raises(ValueProblem, match="did you mean tenor"):
        drone_keys("1", "D", "tenner")
    with pytest.raises(ValueProblem, match="beyond the highest note"):
        drone_keys("14", "B", octave=9)


def test_words_for_several_notes_are_known() -> None:
    assert all(is_interval(word) for word in ("third", " Chord ", "minor third", "root"))
    assert not any(is_interval(word) for word in ("3", "D3", *DEGREES))
