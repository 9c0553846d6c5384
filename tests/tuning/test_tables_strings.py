"""Tables of a guitar: its strings beside the table, strings that win, late strings, other references."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from bridge.errors import TuningProblem
from bridge.tuning.guitars import Guitar, GuitarString, Unison
from bridge.tuning.notes import key_to_hz
from bridge.tuning.reference import Reference
from bridge.tuning.scales import Interval, Scale
from bridge.tuning.spec import TableSpec, literal_spec
from bridge.tuning.tables import build_table

FIVE = Scale(
    "five-limit",
    "Five-limit",
    tuple(
        Interval.parse(text)
        for text in ("1/1", "16/15", "9/8", "6/5", "5/4", "4/3", "45/32", "3/2", "8/5", "5/3", "9/5", "15/8")
    ),
    "Ellis 1885",
)
COMMA_CENTS = 21.506  # 81/80, Ellis, appendix XX to Helmholtz


def guitar(tonic: str, reference_string: int, keys: dict[int, int], *unisons: str, late: int = 0) -> Guitar:
    strings = tuple(GuitarString(number, key, 5 if number == late else 0) for number, key in keys.items())
    parsed = tuple(Unison.parse(unison) for unison in unisons)
    return Guitar("try", "Try", tonic, reference_string, strings, parsed, "common practice", tuned_from="")


# The rules of thumb of the trade: every string against the fourth (common practice).
OPEN_D_GUITAR = guitar(
    "D", 4, {6: 38, 5: 45, 4: 50, 3: 54, 2: 57, 1: 62},
    "6 at 1/2 = 4 open", "1 open = 4 at 1/2", "5 at 1/4 = 4 at 1/3", "2 at 1/2 = 4 at 1/3", "3 at 1/4 = 4 at 1/5",
)  # fmt: skip
# Fourths all the way up from E, so that G stands a comma below the five-limit third of E minor's b3 (6/5).
FOURTHS = guitar(
    "E", 4, {4: 40, 3: 45, 2: 50, 1: 55}, "4 at 1/4 = 3 at 1/3", "3 at 1/4 = 2 at 1/3", "2 at 1/4 = 1 at 1/3"
)
BANJO = guitar(
    "G", 3, {5: 67, 4: 50, 3: 55, 2: 59, 1: 62},
    "5 open = 3 at 1/2", "4 at 1/4 = 3 at 1/3", "2 at 1/4 = 3 at 1/5", "1 at 1/2 = 3 at 1/3", late=5,
)  # fmt: skip

OPEN_D = TableSpec("open", FIVE, "D", "D", Reference(50, 146.5), OPEN_D_GUITAR)
ON_FOURTHS = TableSpec("fourths", FIVE, "E", "E", Reference(40, 82.0), FOURTHS)


def test_open_d_strings_are_exact():
    strings = build_table(OPEN_D).strings
    assert [string.number for string in strings] == [6, 5, 4, 3, 2, 1]
    assert [string.ratio for string in strings] == [Fraction(n, 4) for n in (2, 3, 4, 5, 6, 8)]
    assert [string.hz for string in strings] == [146.5 * n / 4 for n in (2, 3, 4, 5, 6, 8)]
    assert [string.note for string in strings] == ["D2", "A2", "D3", "F#3", "A3", "D4"]
    assert {string.cents_from_table for string in strings} == {0.0}


def test_strings_under_a_barre_and_a_slide():
    barred = build_table(replace(OPEN_D, fret=5))
    assert [string.note for string in barred.strings] == ["G2", "D3", "G3", "B3", "D4", "G4"]
    assert barred.strings[2].hz == 146.5 * 2 ** (5 / 12)
    assert [string.ratio for string in barred.strings] == [Fraction(n, 4) for n in (2, 3, 4, 5, 6, 8)]
    assert {string.cents_from_table for string in barred.strings} == {0.0}
    slid = build_table(replace(OPEN_D, slide=Fraction(3, 2)))
    assert [string.note for string in slid.strings] == ["A2", "E3", "A3", "C#4", "E4", "A4"]
    assert [string.hz for string in slid.strings] == [146.5 * n / 4 * 3 / 2 for n in (2, 3, 4, 5, 6, 8)]


def test_a_string_shows_how_far_it_is_from_the_table():
    # Three pure fourths are 64/27; the table's octave and 6/5 is 12/5; 81/80 between them.
    table = build_table(ON_FOURTHS)
    third = table.strings[-1]
    assert third.ratio == Fraction(64, 27)
    assert table.ratios[55] == Fraction(12, 5)
    assert third.cents_from_table == pytest.approx(-COMMA_CENTS, abs=0.0006)
    assert table.hz[55] == 82.0 * 2.4  # strings do not move keys by themselves
    assert third.cents_from_equal == pytest.approx(1200 * np.log2(82.0 * 64 / 27 / key_to_hz(55)))


def test_open_strings_that_win_move_their_keys_and_octaves():
    table = build_table(replace(ON_FOURTHS, open_strings_win=True))
    for key in (7, 19, 43, 55, 67, 127):
        assert table.hz[key] == 82.0 * (64 / 27) * 2.0 ** ((key - 55) // 12)
        assert table.ratios[key] == Fraction(64, 27) * Fraction(2) ** ((key - 55) // 12)
    assert {string.cents_from_table for string in table.strings} == {0.0}
    assert table.hz[40] == 82.0
    plain = build_table(ON_FOURTHS)
    strings = {4, 9, 2, 7}
    others = [key for key in range(128) if key % 12 not in strings]
    assert np.array_equal(table.hz[others], plain.hz[others])
    assert np.array_equal(build_table(replace(ON_FOURTHS, open_strings_win=True, fret=4)).hz[4:],
                          table.hz[:124] * 2 ** (4 / 12))  # fmt: skip


def two_d_strings(upper_key: int) -> TableSpec:
    """D2 and another D, the upper one set 10 cents above its octave."""
    strings = (GuitarString(2, 38), GuitarString(1, upper_key, tempered_cents=10.0))
    wide = Guitar("wide", "Wide", "D", 2, strings, (), "derived", tuned_from="")
    return TableSpec("wide", FIVE, "D", "D", Reference(38, 73.0), wide, open_strings_win=True)


def test_octaves_follow_the_nearest_string():
    hz = build_table(two_d_strings(50)).hz
    octaves = {
        key: 1200 * np.log2(hz[key] / (73.0 * 2.0 ** ((key - 38) / 12))) for key in (26, 38, 50, 62, 74)
    }
    assert list(octaves.values()) == pytest.approx([0, 0, 10, 10, 10], abs=1e-9)


def test_between_two_equally_near_strings_the_lower_counts():
    assert build_table(two_d_strings(62)).hz[50] == 146.0


def test_a_tonic_on_a_winning_string_takes_its_pitch():
    table = build_table(replace(ON_FOURTHS, open_strings_win=True, tonic="G"))
    plain = build_table(replace(ON_FOURTHS, tonic="G"))
    assert table.ratios[55] == Fraction(64, 27)
    assert plain.ratios[55] == Fraction(12, 5)
    # Its third is pure above it; B is no open string of this instrument.
    assert table.ratios[59] == Fraction(64, 27) * Fraction(5, 4)


def test_the_reference_may_be_another_string():
    # The fifth string was measured: it is 3/4 of the fourth, so the table is the same as from the fourth.
    fifth = build_table(replace(OPEN_D, reference=Reference(45, 109.875)))
    assert fifth.hz[45] == 109.875
    np.testing.assert_allclose(fifth.hz, build_table(OPEN_D).hz, rtol=1e-15)
    assert [string.ratio for string in fifth.strings] == [Fraction(n, 3) for n in (2, 3, 4, 5, 6, 8)]
    # Measured where guitar and scale disagree, the string keeps its measured pitch and the others hang on it.
    third = build_table(replace(ON_FOURTHS, reference=Reference(55, 195.0)))
    assert third.strings[-1].hz == 195.0
    assert third.strings[0].ratio == Fraction(27, 64)
    # The table hangs on the open tonic string E, three fourths below; its 6/5 is a comma above 32/27.
    assert third.ratios[40] == Fraction(27, 64)
    assert third.strings[0].cents_from_table == 0.0
    assert third.strings[-1].cents_from_table == pytest.approx(-COMMA_CENTS, abs=0.0006)


def test_a_reference_beside_the_strings():
    # A4 is no string of open D; the fourth string then stands on D3 of the table: a twelfth below, 1/3.
    table = build_table(replace(OPEN_D, reference=Reference(69, 438.0)))
    assert table.hz[69] == 438.0
    assert table.ratios[50] == Fraction(1, 3)
    assert [string.ratio for string in table.strings] == [Fraction(n, 12) for n in (2, 3, 4, 5, 6, 8)]


def test_a_late_string_is_touched_only_beyond_its_nut():
    banjo = TableSpec("banjo", FIVE, "G", "G", Reference(55, 196.0), BANJO)
    assert [string.ratio for string in build_table(banjo).strings] == [
        2,
        Fraction(3, 4),
        1,
        Fraction(5, 4),
        Fraction(3, 2),
    ]
    second = build_table(replace(banjo, fret=2)).strings
    assert (second[0].note, second[0].hz) == ("G4", 392.0)
    assert second[0].ratio is None
    assert (second[2].note, second[2].hz) == ("A3", 196.0 * 2 ** (2 / 12))
    assert build_table(replace(banjo, fret=5)).strings[0].hz == 392.0
    seventh = build_table(replace(banjo, fret=7)).strings
    assert (seventh[0].note, seventh[0].key) == ("A4", 69)
    assert seventh[0].hz == pytest.approx(392.0 * 2 ** (2 / 12), rel=1e-15)
    # A slide at 2/1 lies at the twelfth fret, seven above the late string's nut.
    slid = build_table(replace(banjo, slide=Fraction(2))).strings
    assert (slid[0].key, slid[0].hz) == (74, pytest.approx(392.0 * 2 ** (7 / 12), rel=1e-15))
    assert build_table(replace(banjo, slide=Fraction(4, 3))).strings[0].key == 67


def test_strings_beside_a_literal_table():
    spec = literal_spec("dump", [key_to_hz(key) for key in range(128)], "D", OPEN_D_GUITAR)
    strings = build_table(spec).strings
    # Equal temperament's third is 13.686 cents wider than the pure one, its fifth 1.955 narrower (Ellis).
    assert [string.cents_from_table for string in strings] == pytest.approx(
        [0, 1.955, 0, -13.686, 1.955, 0], abs=0.0006
    )


def test_a_string_above_the_highest_key_is_refused():
    high = Guitar("high", "High", "D", 1, (GuitarString(1, 122),), (), "derived", tuned_from="")
    spec = TableSpec("high", FIVE, "D", "D", Reference(122, key_to_hz(122)), high, fret=6)
    with pytest.raises(TuningProblem, match="string 1 at fret 6, slide 1/1 sounds above G9"):
        build_table(spec)
