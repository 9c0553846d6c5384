"""Changes at a bar: how they are read, the table they make, and what they move."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.errors import TuningProblem, ValueProblem
from bridge.store.descriptions import load_scale, load_table
from bridge.tuning.changes import Change, apply_change, moved_notes, moves, parse_at
from bridge.tuning.notes import key_to_hz
from bridge.tuning.reference import Reference
from bridge.tuning.scales import Interval
from bridge.tuning.spec import TableSpec, literal_spec
from bridge.tuning.tables import build_table

SECOND = (2, Interval.parse("10/9"))
SEVENTH = (10, Interval.parse("7/4"))
MAJOR_SEVENTH = (11, Interval.of_ratio(Fraction(15, 8)))
COMMA_CENTS = 21.506  # 81/80, Ellis, appendix XX to Helmholtz


@pytest.fixture
def home() -> TableSpec:
    return replace(load_table("open-d"), reference=Reference(50, 146.5))


@pytest.mark.parametrize(
    ("text", "change", "place", "what"),
    [
        ("17=A", Change(17, tonic="A"), "bar 17", "tonic A"),
        ("1 = b♭", Change(1, tonic="Bb"), "bar 1", "tonic Bb"),
        ("5=,2=10/9", Change(5, degrees=(SECOND,)), "bar 5", "2=10/9"),
        ("5=2=10/9", Change(5, degrees=(SECOND,)), "bar 5", "2=10/9"),
        (
            "17=A,b7=7/4,2=10/9",
            Change(17, tonic="A", degrees=(SECOND, SEVENTH)),
            "bar 17",
            "tonic A, 2=10/9, b7=7/4",
        ),
        ("bar 17 = A", Change(17, tonic="A"), "bar 17", "tonic A"),
        ("Bar17=A,7=15/8", Change(17, tonic="A", degrees=(MAJOR_SEVENTH,)), "bar 17", "tonic A, 7=15/8"),
        ("9.3=fret:5", Change(9, 3.0, fret=5), "bar 9, beat 3", "fret 5"),
        ("17=capo 5", Change(17, fret=5), "bar 17", "fret 5"),
        ("9.2.5=fret:0", Change(9, 2.5, fret=0), "bar 9, beat 2.5", "fret 0 (open)"),
        ("9.12=E", Change(9, 12.0, tonic="E"), "bar 9, beat 12", "tonic E"),
        ("17=some.table.toml", Change(17, table="some.table.toml"), "bar 17", "table some.table.toml"),
        ("17=rehearsal,fret:2", Change(17, table="rehearsal", fret=2), "bar 17", "table rehearsal, fret 2"),
        ("2=fretless", Change(2, table="fretless"), "bar 2", "table fretless"),
        ("2=dadgad", Change(2, table="dadgad"), "bar 2", "table dadgad"),
    ],
)
def test_changes_that_are_read(text, change, place, what):
    found = parse_at(text)
    assert found == change
    assert found.place == place
    assert found.describe() == what


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("17", "write the bar, = and what changes"),
        ("17:A", "did you mean 17=A"),
        ("17 Bb", "did you mean 17=Bb"),
        ("5=G, 7=Bb", "write --at 5=G --at 7=Bb"),
        ("17=", "changes nothing"),
        ("17=,", "changes nothing"),
        ("=A", "is not a bar"),
        ("x=A", "is not a bar"),
        ("-3=A", "is not a bar"),
        ("1e3=A", "is not a bar"),
        ("0=A", r"bar 0 in '0=A' \(bars count from 1; a pickup is bar 1\)"),
        ("3.0=A", "beats count from 1"),
        ("3.0.9=A", "beats count from 1"),
        ("17=H", "German H is B, German B is Bb"),
        ("17=Q", "a letter A to G"),
        ("17=Fis", "did you mean F#"),
        ("17=A,B", "two tonics, A and B"),
        ("17=Am", "a tonic is a note alone: A"),
        ("17=f# minor", "a tonic is a note alone: F#"),
        ("17=capo5", "write fret:5"),
        ("17=fret5", "write fret:5"),
        ("17=fret:x", "write fret:5"),
        ("17=fret:25", r"fret 25 is out of range \(frets run from 0"),
        ("17=fret:-1", "fret -1 is out of range"),
        ("17=fret:1,fret:2", "two frets"),
        ("17=A,x.table.toml", "names a tonic .* and a table"),
        ("17=x.table.toml,y.table.toml", "two tables"),
        ("17=A,2=40/27", "looks like the 5"),
        ("17=A,2=10/9,2=9/8", "degree 2 is replaced twice"),
        ("17=A,9=9/8", "above the octave it is degree 2"),
    ],
)
def test_changes_that_are_refused(text, match):
    with pytest.raises(ValueProblem, match=match):
        parse_at(text)


def test_changes_made_by_hand_are_checked():
    with pytest.raises(ValueProblem, match="bars count from 1"):
        Change(0, tonic="A")
    with pytest.raises(ValueProblem, match="beats count from 1"):
        Change(1, 0.5, tonic="A")
    with pytest.raises(ValueProblem, match="beats count from 1"):
        Change(1, float("nan"), tonic="A")
    with pytest.raises(ValueProblem, match="fret 99"):
        Change(1, fret=99)
    assert Change(1).describe() == "nothing"


def test_a_tonic_at_a_bar_is_the_table_of_that_tonic(home):
    at_bar = apply_change(home, home, parse_at("17=E"))
    assert np.array_equal(build_table(at_bar).hz, build_table(replace(home, tonic="E")).hz)


def test_a_named_tonic_starts_again_from_the_piece_s_own_scale(home):
    own = replace(home, home_degree_changes=(SEVENTH,))
    sour = apply_change(own, own, parse_at("5=,2=10/9"))
    again = apply_change(sour, own, parse_at("6=A"))
    assert again.degree_changes == ()
    assert again.home_degree_changes == (SEVENTH,)
    assert build_table(again).ratios[55] == Fraction(3, 2) * Fraction(7, 4) / 2


def test_without_a_tonic_degrees_stay_and_add_up(home):
    spec = apply_change(home, home, parse_at("5=A,2=10/9"))
    spec = apply_change(spec, home, parse_at("6=,b7=7/4"))
    assert spec.tonic == "A"
    assert spec.degree_changes == (SECOND, SEVENTH)
    spec = apply_change(spec, home, parse_at("7=,2=9/8"))
    assert dict(spec.degree_changes)[2] == Interval.parse("9/8")


def test_the_cure_for_the_second_degree(home):
    # In a fixed five-limit scale the fifth on 2 is 40/27, 680.449 cents (Ellis); with 2=10/9 it is pure.
    before, after = build_table(home), build_table(apply_change(home, home, parse_at("5=,2=10/9")))
    assert 1200 * np.log2(before.hz[59] / before.hz[52]) == pytest.approx(680.449, abs=0.0006)
    assert after.ratios[59] / after.ratios[52] == Fraction(3, 2)


def test_a_fret_stays_until_it_is_set_again(home):
    barred = apply_change(home, home, parse_at("2=fret:5"))
    assert (barred.fret, build_table(barred).tonic) == (5, "G")
    moved = apply_change(barred, home, parse_at("3=A"))
    assert (moved.fret, moved.tonic, build_table(moved).tonic) == (5, "A", "D")
    assert apply_change(moved, home, parse_at("4=fret:2")).fret == 2
    back = apply_change(apply_change(moved, home, parse_at("4=fret:0")), home, parse_at("5=D"))
    assert np.array_equal(build_table(back).hz, build_table(home).hz)


def test_a_table_takes_the_place_of_everything(home):
    other = replace(load_table("open-g"), fret=1, name="other")
    spec = apply_change(home, home, parse_at("9=other,2=10/9,fret:3"), other)
    assert (spec.tonic, spec.fret, spec.degree_changes) == ("G", 3, (SECOND,))
    # A tonic named later starts from the piece, not from that table.
    later = apply_change(spec, home, parse_at("10=D,fret:0"))
    assert np.array_equal(build_table(later).hz, build_table(home).hz)
    with pytest.raises(ValueProblem, match="table 'other' is not loaded"):
        apply_change(home, home, parse_at("9=other"))


def test_a_literal_table_takes_frets_and_refuses_degrees(home):
    dump = literal_spec("dump", [key_to_hz(key) for key in range(128)])
    assert build_table(apply_change(dump, home, parse_at("3=fret:2"))).hz[71] == pytest.approx(
        key_to_hz(69) * 2 ** (2 / 12)
    )
    with pytest.raises(TuningProblem, match="without a scale"):
        apply_change(dump, home, parse_at("3=,2=10/9"))


texts = st.sampled_from(
    ["2=A", "2=E", "2=F#,b7=7/4", "2=,2=10/9", "2=fret:5", "2=,3=81/64", "2=Bb", "2=fret:1"]
)


@settings(max_examples=40, deadline=None)
@given(st.lists(texts, max_size=6), st.sampled_from(["five-limit", "quarter-comma-meantone", "seven-limit"]))
def test_whatever_went_before_home_is_home(changes, scale):
    home = replace(load_table("open-d"), reference=Reference(50, 146.5), scale=load_scale(scale))
    spec = home
    for text in changes:
        spec = apply_change(spec, home, parse_at(text))
    back = build_table(apply_change(spec, home, parse_at("9=D,fret:0")))
    assert np.array_equal(back.hz, build_table(home).hz)
    assert moved_notes(build_table(home), back) == ()


def test_a_new_table_says_what_it_moves(home):
    # On E, D is the b7 of 9/8: 9/8 · 9/5 = 81/40, a comma above D's octave; F# becomes 9/8 · 9/8.
    found = {move.what: move for move in moves(build_table(home), build_table(home.at_tonic("E")))}
    assert set(found) == {"reference, string 4", "string 6", "string 3", "string 1"}
    assert [move.cents for move in found.values()] == pytest.approx([COMMA_CENTS] * 4, abs=0.0006)
    assert found["reference, string 4"].key == 50
    assert str(found["string 3"]) == "string 3 (F#3) +21.5 cents"
    assert "reference, string 4 (D3) +21.5 cents" in moved_notes(
        build_table(home), build_table(home.at_tonic("E"))
    )
    assert moved_notes(build_table(home), build_table(home.at_tonic("A"))) == ()


def test_a_barre_moves_strings_and_table_together(home):
    assert moved_notes(build_table(home), build_table(replace(home, fret=5))) == ()
    barred = build_table(replace(home.at_tonic("E"), fret=5))
    assert [move.cents for move in moves(build_table(home), barred)] == pytest.approx(
        [COMMA_CENTS] * 4, abs=0.0006
    )


def test_a_short_string_stays_behind_a_barre():
    banjo = load_table("banjo-open-g")
    (move,) = moves(build_table(banjo), build_table(replace(banjo, fret=2)))
    # G4 comes from F4 of the open table, 16/9 · 2^(2/12) against 2: 9/5 at home is 1017.596 cents (Ellis).
    assert move.what == "string 5"
    assert move.cents == pytest.approx(1017.596 + 200 - 1200, abs=0.0006)


def test_another_reference_or_guitar_is_compared_key_by_key(home):
    sharp = replace(home, reference=Reference(50, 146.5 * 2 ** (10 / 1200)))
    assert [move.cents for move in moves(build_table(home), build_table(sharp))] == pytest.approx([10.0] * 6)
    bare = replace(home, guitar=None, reference=Reference(57, 219.75 * 2 ** (-3 / 1200)))
    found = moves(build_table(home), build_table(bare))
    assert [move.what for move in found] == [
        "reference, string 4", "string 6", "string 5", "string 3", "string 2", "string 1",
    ]  # fmt: skip
    assert [move.cents for move in found] == pytest.approx([-3.0] * 6)


def test_a_reference_beyond_the_keys_is_left_out():
    high = TableSpec("high", load_scale("five-limit"), "G", "G", Reference(127, key_to_hz(127)))
    raised = build_table(replace(high, fret=5))
    assert moves(raised, raised) == ()
    assert moves(build_table(high), build_table(replace(high, tonic="A", fret=5))) == ()
