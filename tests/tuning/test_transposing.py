"""The singer's key: what moves and what stays, and which capo keeps the shapes.

Pitches by arithmetic: in a five-limit scale on D, E is 9/8 (Ellis, appendix XX to Helmholtz), and C, a whole tone below
home, is 16/9 of D an octave lower (two fourths of 4/3).
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from support.sheets import spec

from bridge.errors import ValueProblem
from bridge.tuning.changes import apply_change, parse_at
from bridge.tuning.chords.names import moved_chord
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import build_table
from bridge.tuning.transposing import about_transposing, moved_tonic

D3, C4, E4 = 146.5, 60, 64


def open_d(**more: object) -> TableSpec:
    return spec(**{"guitar": "open-d", "reference": "D3=146.5", **more})


def test_the_tonic_takes_its_pitch_from_home() -> None:
    lower = build_table(open_d(transpose=-2))
    assert (lower.tonic, lower.home) == ("C", "D")
    assert lower.hz[C4] == pytest.approx(D3 * 16 / 9)
    assert lower.hz[E4] == pytest.approx(D3 * 16 / 9 * 5 / 4)
    higher = build_table(open_d(transpose=2))
    assert higher.hz[E4] == pytest.approx(D3 * 9 / 4)
    # The strings stay: D3 is the string, and so is its note where the tonic is E (16/9 of 9/8 is 2).
    assert {string.number: string.hz for string in higher.strings}[4] == D3


def test_it_is_the_same_as_naming_the_tonic() -> None:
    moved, named = build_table(open_d(transpose=5)), build_table(open_d(tonic="G"))
    assert moved.hz.tolist() == named.hz.tolist()
    assert build_table(open_d(transpose=0)).hz.tolist() == build_table(open_d()).hz.tolist()


def test_the_shapes_are_kept_by_a_capo() -> None:
    kept = build_table(open_d(transpose=2, keep_shapes=True))
    assert kept.hz.tolist() == build_table(open_d(fret=2)).hz.tolist()
    off = build_table(open_d(fret=4, transpose=-4, keep_shapes=True))
    assert off.hz.tolist() == build_table(open_d()).hz.tolist()
    with pytest.raises(ValueProblem, match="there is no capo to take off"):
        open_d(transpose=-2, keep_shapes=True)
    with pytest.raises(ValueProblem, match="the capo at fret 1 comes off, and that is not enough"):
        open_d(fret=1, transpose=-2, keep_shapes=True)
    with pytest.raises(ValueProblem, match="nothing says how far"):
        open_d(keep_shapes=True)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ({"transpose": 2}, "put the capo at fret 2 and play it as in D"),
        ({"transpose": -2}, "play it as in C; there is no capo to take off"),
        ({"transpose": -2, "fret": 4}, "move the capo from fret 4 to fret 2 and play it as in D"),
        ({"transpose": -2, "fret": 2}, "take the capo off and play it as in D"),
        ({"transpose": -3, "fret": 2}, "the capo cannot come off far enough"),
        ({"transpose": -5}, "at fret 7 it plays the shapes of D an octave higher"),
        ({"transpose": 8, "fret": 3}, "would sit at fret 11"),
        ({"transpose": 2, "keep_shapes": True}, "with a capo at fret 2 it is played as in D"),
    ],
)
def test_a_capo_is_proposed_or_it_is_said_why_not(words: dict[str, object], says: str) -> None:
    assert says in about_transposing(open_d(**words))


def test_without_a_guitar_or_a_move_nothing_is_said() -> None:
    assert about_transposing(open_d()) == ""
    assert about_transposing(spec(tonic="D", transpose=3)) == ""


def test_what_changes_later_is_named_as_the_piece_is_written() -> None:
    home = open_d(transpose=-2)
    at = apply_change(home, home, parse_at("17=A"))
    assert (at.tonic, at.home) == ("G", "D")
    assert build_table(at).hz[55] == pytest.approx(D3 * 4 / 3)  # G3 is 4/3 of home
    kept = open_d(transpose=2, keep_shapes=True)
    at = apply_change(kept, kept, parse_at("17=A"))
    assert (at.tonic, at.fret, build_table(at).tonic) == ("A", 2, "B")
    assert apply_change(kept, kept, parse_at("9=fret:5")).fret == 7
    named = apply_change(home, home, parse_at("9=other.table.toml"), spec(tonic="G"))
    assert named.tonic == "F"


def test_degrees_move_along() -> None:
    table = build_table(open_d(tonic="A", degrees=("b7=7/4",), transpose=-2))
    assert table.tonic == "G"
    assert table.hz[65] / table.hz[55] == pytest.approx(float(Fraction(7, 4)))  # F4 over G3


def test_names_of_tonics_and_chords() -> None:
    assert [moved_tonic("D", step) for step in (-2, -1, 0, 1, 12)] == ["C", "Db", "D", "Eb", "D"]
    assert moved_chord("D/F#", -2, "C") == "C/E"
    assert moved_chord("Bm7", 1, "Eb") == "Cm7"
    assert moved_chord("ii7", -2, "C") == "ii7"


def test_a_change_at_a_bar_is_told_as_it_became() -> None:
    """A whole tone lower A is G; kept shapes move the fret instead, as a capo does (*common practice*)."""
    change = parse_at("5=A,b7=7/4")
    assert change.describe(-2) == "tonic G (written A), b7=7/4"
    assert change.describe(2, shapes_kept=True) == change.describe() == "tonic A, b7=7/4"
    assert parse_at("9=fret:5").describe(2, shapes_kept=True) == "fret 7 (written 5)"
    assert parse_at("9=fret:0").describe() == "fret 0 (open)"
