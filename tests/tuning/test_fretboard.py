"""The fretboard: tempered frets against a just table, beats, safe frets, barres."""

from __future__ import annotations

import math
import tomllib
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import TuningProblem, ValueProblem
from bridge.tuning.chords.judged import judge_chord
from bridge.tuning.chords.kinds import KINDS
from bridge.tuning.fretboard import barre_fits, fretboard, frets_for_chord
from bridge.tuning.guitars import guitar_from_mapping
from bridge.tuning.reference import Reference
from bridge.tuning.scales import Interval, Scale
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import build_table

FOLDER = Path(__file__).parents[2] / "tables" / "guitars"
RATIOS = "1/1 16/15 9/8 6/5 5/4 4/3 45/32 3/2 8/5 5/3 9/5 15/8"
DUODENE = Scale(
    "duodene",
    "Duodene (Ellis)",
    tuple(
        Interval.parse(text)
        for text in ["1/1", "16/15", "9/8", "6/5", "5/4", "4/3", "45/32", "3/2", "8/5", "5/3", "9/5", "15/8"]
    ),
    "Ellis, appendix XX to Helmholtz",
)
D3 = Reference(50, 146.5)
MAJOR = next(kind for kind in KINDS if kind.name == "major")


def spec(name="open-d", tonic="D", reference=D3, **more):
    guitar = guitar_from_mapping(tomllib.loads((FOLDER / f"{name}.toml").read_text()), name)
    return TableSpec("test", DUODENE, tonic, tonic, reference, guitar, **more)


def cell(cells, string, fret):
    return next(one for one in cells if (one.string, one.fret) == (string, fret))


def test_every_string_and_fret():
    cells = fretboard(build_table(spec()), 12)
    everywhere = [(string, fret) for string in range(6, 0, -1) for fret in range(13)]
    assert [(one.string, one.fret) for one in cells] == everywhere
    assert all(one.open == (one.fret == 0) for one in cells)
    assert all(abs(one.cents) < 50 for one in cells)
    assert len(fretboard(build_table(spec()))) == 6 * 20  # its own nineteen frets


# D string: frets in equal steps against the duodene's cents (Ellis, derived): fret n − scale degree n.
DUODENE_CENTS = (
    *(0, 111.731, 203.910, 315.641, 386.314, 498.045, 590.224),
    *(701.955, 813.686, 884.359, 1017.596, 1088.269, 1200),
)


@pytest.mark.parametrize("fret", range(13))
def test_the_tonic_string_against_the_scale(fret):
    cells = fretboard(build_table(spec()), 12)
    assert cell(cells, 4, fret).cents == pytest.approx(100 * fret - DUODENE_CENTS[fret], abs=1e-3)
    assert cell(cells, 4, fret).hz == pytest.approx(146.5 * 2 ** (fret / 12))
    assert cell(cells, 4, fret).key == 50 + fret


def test_other_strings_carry_their_own_ratio():
    """A2 is 3/4: at fret 5 it sounds D3 a fourth of 500 cents higher, 1.955 above the pure D3 (derived)."""
    cells = fretboard(build_table(spec()), 12)
    fifth = cell(cells, 5, 5)
    assert fifth.note == "D3"
    assert fifth.table_hz == 146.5
    assert fifth.cents == pytest.approx(1.955, abs=1e-3)
    # F#3 at 5/4, fret 3 is A3: 386.314 + 300 − 701.955
    assert cell(cells, 3, 3).note == "A3"
    assert cell(cells, 3, 3).cents == pytest.approx(-15.641, abs=1e-3)


def test_beats_against_the_drone():
    """F# at fret 4 of the D string against open D: 400 cents, 5 · D against 4 · F#, derived."""
    cells = fretboard(build_table(spec()), 12, drone_hz=146.5)
    third = cell(cells, 4, 4)
    assert (third.drone.partial, third.drone.other_partial) == (5, 4)
    assert third.drone_beats_hz == pytest.approx(146.5 * (4 * 2 ** (4 / 12) - 5))
    assert cell(cells, 4, 12).drone_beats_hz == pytest.approx(0, abs=1e-9)
    assert cell(cells, 3, 0).drone_beats_hz == pytest.approx(0, abs=1e-9), "the open third is pure"
    assert cell(fretboard(build_table(spec()), 12), 4, 4).drone_beats_hz is None


def test_compensation_is_interpolated_from_the_nut():
    plain = fretboard(build_table(spec()), 15)
    cells = fretboard(build_table(spec()), 15, compensation_cents={4: {12: 6.0, 5: 1.0}})
    gained = [cell(cells, 4, fret).cents - cell(plain, 4, fret).cents for fret in range(16)]
    assert gained[0] == 0
    assert gained[5] == pytest.approx(1.0)
    assert gained[12] == pytest.approx(6.0)
    assert gained[3] == pytest.approx(0.6)
    assert gained[15] == pytest.approx(6.0)
    assert cell(cells, 5, 12).cents == cell(plain, 5, 12).cents


def test_measured_strings():
    cells = fretboard(build_table(spec()), 12, open_hz={3: 183.125 * 2 ** (2 / 1200)})
    assert cell(cells, 3, 0).cents == pytest.approx(2.0)
    assert cell(cells, 3, 12).cents == pytest.approx(2.0)
    assert cell(cells, 4, 0).cents == 0


def test_with_a_capo_the_frets_below_are_gone():
    """The table moves with the capo, so every difference stays where it was, counted from the capo."""
    plain, with_capo = fretboard(build_table(spec()), 12), fretboard(build_table(spec(fret=2)), 14)
    assert min(one.fret for one in with_capo) == 2
    for one in plain:
        moved = cell(with_capo, one.string, one.fret + 2)
        assert moved.cents == pytest.approx(one.cents, abs=1e-6)
        assert moved.open == one.open
        assert moved.key == one.key + 2


def test_a_banjos_fifth_string_starts_at_its_own_nut():
    banjo = spec("banjo-open-g", "G", Reference(55, 196.0))
    cells = fretboard(build_table(banjo), 12)
    fifth = [one for one in cells if one.string == 5]
    assert [one.fret for one in fifth] == [5, 6, 7, 8, 9, 10, 11, 12]
    assert fifth[0].open
    assert fifth[0].hz == pytest.approx(392)
    assert fifth[2].hz == pytest.approx(392 * 2 ** (2 / 12)), "fret 7 is two frets from its nut"
    capo = [one for one in fretboard(build_table(replace(banjo, fret=2)), 12) if one.string == 5]
    assert (capo[0].fret, capo[0].hz) == (5, pytest.approx(392))


def test_frets_for_the_open_chord():
    """Open strings, octaves and fifths go with a pure chord of D; tempered thirds do not."""
    table = build_table(spec())
    chord = judge_chord(table.hz, "D", 0, MAJOR)
    found = frets_for_chord(fretboard(table, 12), chord.keys)
    safe = {(one.string, one.fret) for one in found.safe}
    assert {(string, fret) for string in range(1, 7) for fret in (0, 12)} <= safe
    assert {(6, 7), (5, 5), (4, 7), (2, 5), (1, 7)} <= safe  # A and D, tempered fifths and fourths
    doubtful = {(one.string, one.fret): one.cents for one in found.doubtful}
    assert doubtful[4, 4] == pytest.approx(13.686, abs=1e-3)  # F# at fret 4 of D
    assert doubtful[3, 3] == pytest.approx(-15.641, abs=1e-3)  # A at fret 3 of F#
    assert all(one.key % 12 in {2, 6, 9} for one in (*found.safe, *found.doubtful))
    assert safe.isdisjoint(doubtful)


@given(st.floats(0, 40))
def test_safe_and_doubtful_share_the_chord(within):
    cells = fretboard(build_table(spec()), 12)
    found = frets_for_chord(cells, {2, 6, 9}, within)
    assert len(found.safe) + len(found.doubtful) == sum(one.key % 12 in {2, 6, 9} for one in cells)
    assert all(abs(one.cents) <= within for one in found.safe)


def test_which_table_suits_a_barre():
    fits = barre_fits(spec())
    assert [one.fret for one in fits] == list(range(13))
    assert [one.tonic for one in fits] == [
        "D",
        "Eb",
        "E",
        "F",
        "F#",
        "G",
        "Ab",
        "A",
        "Bb",
        "B",
        "C",
        "Db",
        "D",
    ]
    # the open chord and its octave are the home table's
    assert (fits[0].suits, fits[12].suits) == ("home", "home")
    assert fits[0].home_cents == fits[12].home_cents == pytest.approx(0, abs=1e-9)
    # fret 5: G a tempered fourth up, all strings 1.955 cents above the table on G = 4/3 from home
    assert fits[5].tonic_cents == pytest.approx(1.955, abs=1e-3)
    # fret 4: F# at 400 cents is 13.7 above 5/4: only the table that moves with the barre agrees
    assert fits[4].tonic_cents == pytest.approx(13.686, abs=1e-3)
    assert fits[4].suits == "fret"
    assert all(one.fret_cents == pytest.approx(0, abs=1e-9) for one in fits)


def test_a_barre_in_the_home_table():
    """Fret 5 sounds G D G B D G: in D's own table 4/3, 1, 4/3, 5/3, 2, 8/3, all within two cents of the barre."""
    fit = barre_fits(spec())[5]
    strings = {6: 1 / 2, 5: 3 / 4, 4: 1, 3: 5 / 4, 2: 3 / 2, 1: 2}
    home = {6: Fraction(2, 3), 5: 1, 4: Fraction(4, 3), 3: Fraction(5, 3), 2: 2, 1: Fraction(8, 3)}
    worst = max(abs(500 + 1200 * math.log2(strings[n] / home[n])) for n in strings)
    assert fit.home_cents == pytest.approx(worst, abs=1e-9)
    assert fit.suits == "home"
    # fret 2 sounds E B E G# B E: B in D's table is 5/3, 17.6 cents below the barred B
    second = barre_fits(spec())[2]
    assert second.home_cents == pytest.approx(abs(200 + 701.955 - 884.359), abs=1e-3)
    assert second.tonic_cents == pytest.approx(3.910, abs=1e-3)
    assert second.suits == "fret"


@pytest.mark.parametrize(
    ("call", "error", "message"),
    [
        (lambda: fretboard(build_table(replace(spec(), guitar=None))), TuningProblem, "has no guitar"),
        (
            lambda: fretboard(build_table(spec("violin", "G", Reference(69, 440.0)))),
            TuningProblem,
            "Violin has no frets",
        ),
        (lambda: fretboard(build_table(spec(slide=Fraction(4, 3)))), TuningProblem, "under a slide"),
        (lambda: fretboard(build_table(spec()), 30), ValueProblem, "fret 30"),
        (lambda: fretboard(build_table(spec()), open_hz={7: 100.0}), ValueProblem, "frequency of string 7"),
        (
            lambda: fretboard(build_table(spec()), compensation_cents={0: {}}),
            ValueProblem,
            "compensation of string 0",
        ),
        (
            lambda: fretboard(build_table(spec()), compensation_cents={1: {12: 300.0}}),
            ValueProblem,
            "300 cents on string 1 at fret 12",
        ),
        (lambda: barre_fits(replace(spec(), guitar=None)), TuningProblem, "no guitar"),
        (lambda: barre_fits(spec(), 25), ValueProblem, "fret 25"),
    ],
)
def test_out_of_range(call, error, message):
    with pytest.raises(error, match=message):
        call()
