"""The tuning order: what a player is told, against physics and the trade's rules of thumb."""

from __future__ import annotations

import math
import tomllib
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import ValueProblem
from bridge.tuning.guitars import Guitar, GuitarString, guitar_from_mapping
from bridge.tuning.strings.advice import tension_factor
from bridge.tuning.strings.order import plan_tuning, stiffness_residue_cents

FOLDER = Path(__file__).parents[2] / "tables" / "guitars"
NAMES = sorted(file.stem for file in FOLDER.glob("*.toml"))


def load(name):
    return guitar_from_mapping(tomllib.loads((FOLDER / f"{name}.toml").read_text()), name)


def plan(name, **options):
    guitar = load(name)
    start = load(guitar.tuned_from) if guitar.tuned_from else None
    return plan_tuning(guitar, start, **options)


def step_of(found, string):
    return next(step for step in found.steps if step.tune.string == string)


def change_of(found, string):
    return next(change for change in found.changes if change.string == string)


def test_from_standard_to_open_d():
    """Strings 6, 3, 2 and 1 come down by 2, 1, 2 and 2 semitones; 5 and 4 stay (common practice)."""
    found = plan("open-d")
    assert {change.string: change.semitones for change in found.changes} == {
        6: -2,
        5: 0,
        4: 0,
        3: -1,
        2: -2,
        1: -2,
    }
    assert {change.string for change in found.changes if change.direction == "stays"} == {5, 4}
    assert all(change.caution == "" for change in found.changes)
    assert [change.direction for change in found.changes] == ["down"] * 4 + ["stays"] * 2


def test_open_d_against_its_fourth_string():
    """6 at 1/2 = 4 open; 1 open = 4 at 1/2; 5 at 1/4 = 4 at 1/3; 2 at 1/2 = 4 at 1/3; 3 at 1/4 = 4 at 1/5."""
    found = plan("open-d")
    told = {
        step.tune.string: (step.tune.partial, step.against.string, step.against.partial)
        for step in found.steps
    }
    assert told == {6: (2, 4, 1), 1: (1, 4, 2), 5: (4, 4, 3), 2: (2, 4, 3), 3: (4, 4, 5)}
    third = step_of(found, 3)
    assert [one.node for one in third.tune.touches] == [Fraction(1, 4)]  # 3/4 lies beyond the fretboard
    assert third.against.touches[0].place.nearest_fret == 4
    assert third.against.touches[0].place.side == "nut"
    assert third.against.touches[1].node == Fraction(2, 5)
    assert step_of(found, 1).tune.touches == ()
    assert found.by_tuner == ()
    assert found.second_pass[0] == 4
    assert sorted(found.second_pass) == [1, 2, 3, 4, 5, 6]


def test_beats_if_it_were_tempered():
    """At A440: A2-D3 0.497 and F#3-D3 5.827 beats per second, octaves none (derived)."""
    found = plan("open-d")
    assert step_of(found, 5).equal_beats_hz == pytest.approx(0.497, abs=1e-3)
    assert step_of(found, 3).equal_beats_hz == pytest.approx(5.827, abs=2e-3)
    assert step_of(found, 6).equal_beats_hz == pytest.approx(0, abs=1e-9)
    assert all(step.beats_hz == step.target_cents == 0 for step in found.steps)


def test_a_cent_in_beats():
    """A cent on D3-F#3 beats 0.42 times a second (derived)."""
    step = step_of(plan("open-d"), 3)
    assert step.hz_per_cent == pytest.approx(0.424, abs=1e-3)
    assert step.meet_hz == pytest.approx(5 * 146.8324, abs=1e-3)
    assert step.hz == pytest.approx(146.8324 * 5 / 4, abs=1e-3)


def test_stiffness_leaves_the_third_wide():
    """About 0.8 cents at B = 1e-4 and 1.55 at 2e-4, from partials 1.30 and 2.07 cents sharp (Fletcher 1964)."""
    assert stiffness_residue_cents(4, 5, 1e-4) == pytest.approx(2.07 - 1.30, abs=0.02)
    assert stiffness_residue_cents(4, 5, 2e-4) == pytest.approx(1.55, abs=5e-3)
    assert step_of(plan("open-d", stiffness=1e-4), 3).stiffness_cents == pytest.approx(0.78, abs=5e-3)
    assert step_of(plan("open-d", stiffness=2e-4), 3).stiffness_cents == pytest.approx(1.55, abs=5e-3)
    assert all(step.stiffness_cents == 0 for step in plan("open-d", stiffness=0).steps)
    assert any("0.8 cents" in sentence for sentence in plan("open-d", stiffness=1e-4).advice)


@given(st.integers(1, 8), st.integers(1, 8), st.floats(0, 3e-4), st.floats(0, 3e-4), st.floats(50, 400))
def test_residue_against_stiff_strings_tuned_still(
    partial, other_partial, stiffness, other_stiffness, other_f0
):
    """Find the f0 at which Fletcher's partials coincide, then compare the first partials that sound."""

    def fletcher(f0, number, b):
        return number * f0 * math.sqrt(1 + b * number**2)

    f0 = fletcher(other_f0, other_partial, other_stiffness) / fletcher(1, partial, stiffness)
    heard = fletcher(f0, 1, stiffness) / fletcher(other_f0, 1, other_stiffness)
    expected = 1200 * math.log2(heard * partial / other_partial)
    assert stiffness_residue_cents(partial, other_partial, stiffness, other_stiffness) == pytest.approx(
        expected, abs=1e-9
    )


def test_residues_add_up_along_a_chain():
    found = plan("open-g")
    through = step_of(found, 6)  # tuned against string 4, which was tuned against string 3
    assert through.against.string == 4
    assert through.total_stiffness_cents == pytest.approx(
        through.stiffness_cents + step_of(found, 4).stiffness_cents
    )


def test_stiffness_by_string():
    found = plan("open-d", stiffness={4: 1e-4})
    # only string 4's fifth partial is sharp: 600 · log2((1 + 25 B) / (1 + B))
    assert step_of(found, 3).stiffness_cents == pytest.approx(600 * math.log2(1.0025 / 1.0001), abs=1e-9)


def test_tension():
    """Frequency squared: a whole tone is 26 % more; a major third down leaves 63 %."""
    assert tension_factor(200) == pytest.approx(1.26, abs=5e-3)
    assert tension_factor(-400) == pytest.approx(0.63, abs=5e-3)
    assert tension_factor(1200) == 4
    assert tension_factor(0) == 1


def test_open_e_and_open_a_raise_three_strings():
    for name in ("open-e", "open-a"):
        found = plan(name)
        rising = [change for change in found.changes if change.direction == "up"]
        assert len(rising) == 3
        assert found.changes[-3:] == tuple(rising), "those that go up come last"
        for change in rising:
            assert "maker or a luthier" in change.caution
            assert f"string {change.string} ".capitalize() in change.caution
        whole_tone = next(change for change in rising if change.semitones == 2)
        # a pure fifth or fourth differs from 200 cents by 2: 26 % all the same
        assert whole_tone.tension == pytest.approx(1.26, abs=6e-3)
        assert "a whole tone" in whole_tone.caution
        assert "26 % more tension" in whole_tone.caution


def test_open_c_leaves_its_sixth_string_slack():
    found = plan("open-c")
    assert "keeps 63 % of its tension" in change_of(found, 6).caution
    assert "buzz" in change_of(found, 6).caution
    assert "a semitone and carries 12 % more" in change_of(found, 2).caution


def test_a_low_reference_counts():
    """Tuned from standard at A440 to a D3 that is 20 cents flat, every string loses 20 cents more."""
    flat = plan("open-d", reference_hz=146.8324 * 2 ** (-20 / 1200))
    assert change_of(flat, 4).cents == pytest.approx(-20, abs=1e-3)
    assert change_of(flat, 6).cents == pytest.approx(-220, abs=1e-3)
    assert change_of(flat, 4).direction == "stays"


def test_always_from_below_and_round_again():
    for name in NAMES:
        told = " ".join(plan(name).advice)
        assert "from below" in told
        assert "go round again" in told
        # Nobody puts a capo on a violin.
        assert ("measure the reference again with the capo on" in told) == (load(name).frets > 0)
        assert "bridge" not in told.lower()


@pytest.mark.parametrize("name", NAMES)
def test_every_shipped_tuning_has_a_plan(name):
    """Every string once, each against one that is tuned already, and the plan's unisons give the strings' pitches."""
    found = plan(name)
    tuned = {found.guitar.reference_string}
    pitch = {found.guitar.reference_string: found.reference_hz}
    for step in found.steps:
        assert step.against.string in tuned
        assert step.tune.string not in tuned
        tuned.add(step.tune.string)
        still = pitch[step.against.string] * step.against.partial / step.tune.partial
        pitch[step.tune.string] = still * 2 ** (step.target_cents / 1200)
        assert step.beats_hz < 1, "slow enough to count"
    assert tuned == set(range(1, len(found.guitar.strings) + 1))
    wanted = found.guitar.hz(found.reference_hz)
    assert pitch == pytest.approx(wanted)
    assert [change.string for change in sorted(found.changes, key=lambda one: one.string)] == sorted(tuned)


def test_standard_is_tuned_by_counting_beats():
    """Equal temperament has no still fourth: A2-D3 0.497 a second, and a little wide of pure (derived)."""
    found = plan("standard")
    fourth = step_of(found, 4)
    assert (fourth.tune.partial, fourth.against.string, fourth.against.partial) == (3, 5, 4)
    assert fourth.beats_hz == pytest.approx(0.497, abs=1e-3)
    assert fourth.target_cents == pytest.approx(1.955, abs=1e-3)
    assert step_of(found, 6).beats_hz == 0  # two octaves below string 1
    assert any("does not end still" in sentence for sentence in found.advice)


def test_the_comma_is_heard_in_the_unison_that_was_left_out():
    """Tune standard with the comma in g-b, then listen to 5 · G = 4 · B: 81/64 against 5/4, 21.5 cents wide."""
    found = plan("standard-comma-g-b")
    strings = found.guitar.hz(found.reference_hz)
    gap = 1200 * math.log2(4 * strings[2] / (5 * strings[3]))
    assert gap == pytest.approx(21.506, abs=1e-3)
    assert found.checks == ()


def test_spare_unisons_are_checks():
    guitar = load("open-d")
    extra = Guitar(
        "x", "X", "D", 4, guitar.strings, (*guitar.unisons, type(guitar.unisons[0])(6, 4, 1, 1)), "derived"
    )
    (check,) = plan_tuning(extra).checks
    assert (check.tune.string, check.against.string, check.beats_hz) == (6, 1, 0)


def test_a_string_far_from_any_unison_is_left_to_the_tuner():
    strings = (GuitarString(2, 50), GuitarString(1, 51, tempered_cents=-50))
    found = plan_tuning(Guitar("x", "X", "D", 2, strings, (), "derived"))
    assert found.by_tuner == (1,)
    assert found.steps == ()
    assert found.second_pass == (2, 1)


def test_with_a_capo():
    """Capo at 2 on open D: notes of open E, nodes counted from the capo."""
    found = plan("open-d", capo=2)
    notes = [change_of(found, number).note for number in (6, 5, 4, 3, 2, 1)]
    assert notes == ["E2", "B2", "E3", "G#3", "B3", "E4"]
    assert found.reference_hz == pytest.approx(164.8138, abs=1e-4)  # E3 at A440
    assert step_of(found, 6).tune.touches[0].place.frets == pytest.approx(14)
    assert change_of(found, 6).semitones == -2, "still from standard, capo on both sides"
    assert "capo on at fret 2" in found.advice[-1]


def test_a_capo_does_not_reach_a_banjos_fifth_string():
    found = plan("banjo-open-g", capo=2)
    fifth = change_of(found, 5)
    assert (fifth.from_note, fifth.note, fifth.semitones) == ("G4", "A4", 2)
    assert "26 % more tension" in fifth.caution
    assert change_of(found, 4).semitones == 0
    beyond = plan("banjo-open-g", capo=7)
    assert change_of(beyond, 5).semitones == 5, "a capo at fret 7 shortens it by two frets"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: plan_tuning(load("open-d"), load("ukulele")), r"from Ukulele .*4 strings.* to Open D \(6\)"),
        (lambda: plan("open-d", capo=13), "capo at fret 13"),
        (lambda: plan("open-d", capo=-1), "capo at fret -1"),
        (lambda: plan("open-d", reference_hz=0), "reference of 0 Hz"),
        (lambda: plan("open-d", scale_length_mm=-5), "scale length -5 mm"),
        (lambda: plan("open-d", stiffness=1), "stiffness 1"),
    ],
)
def test_out_of_range(call, message):
    with pytest.raises(ValueProblem, match=message):
        call()
