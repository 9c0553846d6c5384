"""A tonic a whole tone below home: where the barre at fret 10 puts it, and what of the guitar then disagrees.

16/9 is two pure fourths of 4/3 less an octave; everything else is worked out here from the duodene's ratios (A. J.
Ellis, appendix XX to Helmholtz, *On the Sensations of Tone*).
"""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import pytest

from bridge.store.descriptions import load_table
from bridge.tuning.notes import parse_pitch_class, pitch_class_name
from bridge.tuning.reference import Reference
from bridge.tuning.scales import Interval
from bridge.tuning.tables import build_table

OPEN_D = replace(load_table("open-d"), reference=Reference(50, 146.5))


def test_a_tonic_a_whole_tone_below_home_stands_where_the_barre_at_fret_ten_puts_it() -> None:
    """Open D, tonic C: 16/9 = 996.090 cents above D, two pure fourths; fret 10 is 1000 cents, the scale's 9/5 1017.596.

    Over it the scale gives D = 16/9 * 9/8 = 2 and F# = 16/9 * 45/32 = 5/2 as the strings have them, and A = 16/9 *
    5/3 = 80/27, a comma of 81/80 (21.506 cents) below the string's 3.
    """
    home = build_table(OPEN_D)
    table = build_table(OPEN_D.at_tonic("C"))
    above_home = {key: table.ratios[key] for key in range(50, 63)}  # to D3, the reference
    assert above_home[60] == Fraction(16, 9)
    assert 1200 * math.log2(Fraction(16, 9)) == pytest.approx(996.090, abs=0.001)
    assert (above_home[50], above_home[54], above_home[62]) == (1, Fraction(5, 4), 2)
    assert above_home[57] == Fraction(40, 27)
    off = {string.note: string.cents_from_table for string in table.strings}
    assert off["A2"] == pytest.approx(21.506, abs=0.001)
    assert max(abs(off[note]) for note in ("D2", "D3", "F#3", "D4")) < 1e-9
    # 6 = 27/16 cures it: 16/9 * 27/16 = 3.
    cured = build_table(OPEN_D.at_tonic("C").with_degrees([(9, Interval.parse("27/16"))]))
    assert max(abs(string.cents_from_table) for string in cured.strings) < 1e-9
    assert float(home.hz[60] / home.hz[50]) == pytest.approx(9 / 5), "the home table itself keeps its seventh"


@pytest.mark.parametrize("home", ["C", "D", "E", "F#", "G", "Bb"])
def test_only_this_tonic_moves(home: str) -> None:
    spec = replace(OPEN_D, home=home, tonic=home, guitar=None)
    first = parse_pitch_class(home)
    at_home = build_table(spec)
    for degree in range(12):
        table = build_table(spec.at_tonic(pitch_class_name(first + degree, home)))
        key = 48 + (first + degree) % 12
        moved = 1200 * math.log2(table.hz[key] / at_home.hz[key])
        assert moved == pytest.approx(-21.506 if degree == 10 else 0.0, abs=0.001)


def test_a_seventh_of_7_4_moves_as_well_and_a_tempered_one_stays() -> None:
    blue = build_table(OPEN_D.with_degrees([(10, Interval.parse("7/4"))]).at_tonic("C"))
    assert blue.ratios[60] == Fraction(16, 9)
    tempered = OPEN_D.with_degrees([(10, Interval.parse("1003c"))])
    before, after = build_table(tempered).hz[60], build_table(tempered.at_tonic("C")).hz[60]
    assert after == pytest.approx(before, rel=1e-12)


def test_a_string_a_whole_tone_below_home_wins_where_strings_win() -> None:
    """A guitar in open D whose home is E for this piece: tonic D stands where its string does, a comma off 16/9."""
    spec = replace(OPEN_D, home="E", tonic="D", open_strings_win=True)
    table = build_table(spec)
    string = next(string for string in table.strings if string.note == "D3")
    assert table.hz[50] == string.hz
    assert table.hz[52] / string.hz == pytest.approx(9 / 8, rel=1e-12), "the scale stands on the string"
