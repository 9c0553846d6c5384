"""Guitars by their strings: octaves worked out, pure forms against whole numbers, and where a comma must go."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest

from bridge.errors import ValueProblem
from bridge.store.descriptions import load_guitar, load_table
from bridge.tuning.guitar_words import guitar_of, looks_like_strings, parse_strings
from bridge.tuning.tables import build_table


# Notes as they sound in common practice; the whole numbers are derived (see test_guitars).
@pytest.mark.parametrize(
    ("text", "notes", "tonic", "numbers"),
    [
        ("DADF#AD", "D2 A2 D3 F#3 A3 D4", "D", (2, 3, 4, 5, 6, 8)),
        ("D-A-D-F#-A-D", "D2 A2 D3 F#3 A3 D4", "D", (2, 3, 4, 5, 6, 8)),
        ("D A D F♯ A D", "D2 A2 D3 F#3 A3 D4", "D", (2, 3, 4, 5, 6, 8)),
        ("DGDGBD", "D2 G2 D3 G3 B3 D4", "G", (3, 4, 6, 8, 10, 12)),
        ("DGDGBbD", "D2 G2 D3 G3 Bb3 D4", "G", (15, 20, 30, 40, 48, 60)),
        ("CGCGCE", "C2 G2 C3 G3 C4 E4", "C", (2, 3, 4, 6, 8, 10)),
        ("CGDGCD", "C2 G2 D3 G3 C4 D4", "C", (4, 6, 9, 12, 16, 18)),
        ("EADEAE", "E2 A2 D3 E3 A3 E4", "A", (9, 12, 16, 18, 24, 36)),
        ("GDAE", "G2 D3 A3 E4", "G", (8, 12, 18, 27)),
        ("DAD", "D3 A3 D4", "D", (2, 3, 4)),
        ("DAA", "D3 A3 A3", "D", (2, 3, 3)),
        ("G4 D3 G3 B3 D4", "G4 D3 G3 B3 D4", "G", (8, 3, 4, 5, 6)),
        ("EADGBE:5-4", "E2 A2 D3 G3 B3 E4", "E", (30, 40, 54, 72, 90, 120)),
    ],
)
def test_strings_become_a_guitar(text: str, notes: str, tonic: str, numbers: tuple[int, ...]) -> None:
    guitar = guitar_of(parse_strings(text))
    assert [guitar.note_of(string.number) for string in guitar.strings] == notes.split()
    assert guitar.tonic == tonic
    found = [guitar.intervals[string.number].ratio for string in guitar.strings]
    assert [one / found[0] for one in found] == [Fraction(one, numbers[0]) for one in numbers]
    assert len(guitar.unisons) == len(numbers) - 1
    assert all(max(one.partial, one.other_partial) <= 6 for one in guitar.unisons)


def test_standard_tuning_must_bear_a_comma_somewhere() -> None:
    """(4/3)^4 · 5/4 = 320/81 falls a comma short of two octaves: each of the five neighbours may bear it."""
    with pytest.raises(ValueProblem, match=r"must bear a comma.*6-5.*5-4.*4-3.*3-2.*2-1.*standard"):
        guitar_of(parse_strings("EADGBE"))
    pure = {5: Fraction(4, 3), 4: Fraction(5, 4)}
    for high in range(1, 6):
        guitar = guitar_of(parse_strings(f"EADGBE:{high + 1}-{high}"))
        for low_string, high_string in pairwise(guitar.strings):
            found = guitar.intervals[high_string.number].ratio / guitar.intervals[low_string.number].ratio
            off = found / pure[high_string.key - low_string.key]
            assert off == (Fraction(81, 80) if high_string.number == high else 1)


def test_the_files_of_these_strings_are_found() -> None:
    assert load_guitar("DADF#AD") == load_guitar("open-d")
    assert load_guitar("D-G-D-G-B-D") == load_guitar("open-g")
    for said in ("Open D", "opend", "OPEN D tuning", "Vestapol"):
        assert load_guitar(said) == load_guitar("open-d")
    assert load_guitar("DADGAD") == load_guitar("dadgad")
    assert load_guitar("taro patch") == load_guitar("open-g")
    assert build_table(load_table("Drop D")).home == "D"
    assert load_guitar("DADF#AA").name == "DADF#AA", "no file: worked out"
    # The thinnest string is often written small, and so is all of it.
    assert load_guitar("dadf#ad") == load_guitar("DADF#Ad") == load_guitar("open-d")
    assert load_guitar("EADGBe:3-2") == load_guitar("EADGBE:3-2")
    assert load_guitar("fiddle") == load_guitar("violin")


@pytest.mark.parametrize(
    ("strings", "notes"),
    [
        # Common practice: a bass, also with five strings; a re-entrant ukulele; a banjo with its short fifth string.
        ("EADG", "E1 A1 D2 G2"),
        ("BEADG", "B0 E1 A1 D2 G2"),
        ("GCEA", "G4 C4 E4 A4"),
        ("gCEA", "G4 C4 E4 A4"),
        ("GDGBD", "G4 D3 G3 B3 D4"),
    ],
)
def test_basses_banjos_and_ukuleles_lie_where_they_lie(strings: str, notes: str) -> None:
    found = load_guitar(strings)
    assert [found.note_of(string.number) for string in found.strings] == notes.split()


def test_strings_that_go_up_from_standard_tuning_warn() -> None:
    """E B E G B E: strings 5 and 4 rise by two semitones, 2^(2/6) = 1.26 times the tension."""
    caution = guitar_of(parse_strings("EBEGBE")).caution
    assert "Strings 5, 4 go up" in caution
    assert "luthier" in caution
    assert guitar_of(parse_strings("DADF#AD")).caution == ""


@pytest.mark.parametrize("text", ["open-d", "DA", "drop D", "H-A-D", "cello", "D", "Bb"])
def test_what_names_no_strings(text: str) -> None:
    assert not looks_like_strings(text)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("D2ADF#AD", "octaves for some strings only"),
        ("EADGBE:6-4", "no pair of neighbouring strings"),
        ("EADGBE:7-6", "no pair of neighbouring strings"),
        ("DADGAD:3-2", "not needed or not enough"),
    ],
)
def test_what_is_refused(text: str, says: str) -> None:
    with pytest.raises(ValueProblem, match=says):
        guitar_of(parse_strings(text))
