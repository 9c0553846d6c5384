"""Names of chords: every name that judging gives is read back, other usual spellings, and what is none."""

from __future__ import annotations

import pytest

from bridge.errors import ValueProblem
from bridge.tuning.chords.judged import judge_chords
from bridge.tuning.chords.names import parse_chord

HZ = [440.0 * 2 ** ((key - 69) / 12) for key in range(128)]


@pytest.mark.parametrize("tonic", ["C", "D", "Eb", "F#", "Bb"])
def test_every_judged_chord_is_read_back_by_both_names(tonic: str) -> None:
    for chord in judge_chords(HZ, tonic):
        assert parse_chord(chord.name, tonic) == (chord.degree, chord.kind)
        assert parse_chord(chord.numeral, tonic) == (chord.degree, chord.kind)


@pytest.mark.parametrize(
    ("text", "degree", "kind"),
    [
        ("Em7", 2, "minor seventh"),
        (" ii7 ", 2, "minor seventh"),
        ("II7", 2, "dominant seventh"),
        ("D♭", 11, "major"),
        ("C#", 11, "major"),
        ("♭VII", 10, "major"),
        ("viidim", 11, "diminished"),
        ("vii°", 11, "diminished"),
        ("F#ø7", 4, "half-diminished seventh"),
        ("Amin", 7, "minor"),
        ("Gsus", 5, "suspended fourth"),
        ("iii", 4, "minor"),
        ("IVM7", 5, "major seventh"),
    ],
)
def test_chords_in_d(text: str, degree: int, kind: str) -> None:
    found, what = parse_chord(text, "D")
    assert (found, what.name) == (degree, kind)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no chord"),
        ("Hm", "German H is B"),
        ("e7", "no chord"),
        ("Emaj13", "no chord that is known"),
        ("VIII", "no chord that is known"),
        ("iI", "no chord"),
        ("E m7 x", "no chord that is known"),
    ],
)
def test_what_is_no_chord(text: str, says: str) -> None:
    with pytest.raises(ValueProblem, match=says):
        parse_chord(text, "D")
