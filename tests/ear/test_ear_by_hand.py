"""Tuning out the beats, and notes that were sung: where rounds begin, what moves, and what is told afterwards."""

from __future__ import annotations

import math

import pytest

from bridge.ear.sounds import find_sounds
from bridge.ear.sung import Sung, step_names, targets
from bridge.ear.tuning_out import FURTHEST_CENTS, NEAREST_CENTS, Settled, TuningOut, settling
from bridge.errors import ValueProblem
from bridge.jobs.choose import TableRequest, choose_table
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.tables import Table, build_table

D3 = 146.5


@pytest.fixture(scope="module")
def table() -> Table:
    return build_table(choose_table(TableRequest(guitar="open-d", reference=f"D3={D3}")))


def wide_cents(hz: tuple[float, float]) -> float:
    return hz_to_cents(hz[1], hz[0]) - hz_to_cents(3, 2)


def test_rounds_begin_wide_and_narrow_and_either_note_moves(table: Table) -> None:
    run = TuningOut(find_sounds(["fifth"], table)[0], rounds=12, seed=5)
    began, moves = [], []
    while not run.over:
        now = run.round
        assert run.round is now
        began.append(now.began_cents)
        moves.append(now.moves)
        assert wide_cents(now.hz) == pytest.approx(now.began_cents)
        before = now.hz
        now.move(3.0)
        changed = [hz_to_cents(a, b) for a, b in zip(now.hz, before, strict=True)]
        assert changed[now.moves] == pytest.approx(3.0)
        assert changed[1 - now.moves] == pytest.approx(0.0)
        # Tuned by ear to half a cent wide.
        now.move((0.5 - now.cents) * (1 if now.moves else -1))
        assert run.settle().error_cents == pytest.approx(0.5)
    assert sum(one > 0 for one in began) == sum(moves) == 6
    assert all(NEAREST_CENTS <= abs(one) <= FURTHEST_CENTS for one in began)
    assert len(set(began)) == 12


def test_a_note_moves_only_so_far(table: Table) -> None:
    now = TuningOut(find_sounds(["third"], table)[0]).round
    for _ in range(200):
        now.move(1.0)
    assert abs(now.cents) == 60.0


def test_the_mean_has_a_sign_and_the_spread_has_none() -> None:
    """Mean 1, standard deviation of 0, 1, 2 with n - 1: 1."""
    found = settling([Settled(10.0, 0.0), Settled(-9.0, 1.0), Settled(20.0, 2.0)])
    assert found is not None
    assert (found.mean_cents, found.spread_cents, found.rounds) == (1.0, 1.0, 3)
    assert settling([]) is None
    alone = settling([Settled(10.0, -2.0)])
    assert alone is not None
    assert (alone.mean_cents, alone.spread_cents) == (-2.0, None)


def test_chords_are_not_tuned_by_two_keys(table: Table) -> None:
    with pytest.raises(ValueProblem, match="two notes are tuned"):
        TuningOut(find_sounds(["ii"], table)[0])


def test_what_is_sung_over_the_drone_is_pure_and_in_order(table: Table) -> None:
    names = [target.name for target in targets(table, 50)]
    assert names[:4] == ["unison", "octave", "fifth", "fourth"]
    assert set(names[4:]) == {"third", "minor third", "sixth", "minor sixth"}
    ratios = {target.name: target.hz / D3 for target in targets(table, 50)}
    for name, ratio in (("unison", 1), ("octave", 2), ("fifth", 3 / 2), ("fourth", 4 / 3), ("third", 5 / 4)):
        assert ratios[name] == pytest.approx(ratio)
    assert ratios["minor third"] == pytest.approx(6 / 5)
    assert ratios["sixth"] == pytest.approx(5 / 3)
    assert ratios["minor sixth"] == pytest.approx(8 / 5)


def test_a_voice_an_octave_away_is_folded(table: Table) -> None:
    (fifth,) = targets(table, 50, ("fifth",))
    high = Sung(fifth, fifth.hz * 4 * 2 ** (-8 / 1200), 6.0, 2.0)
    assert high.octaves == 2
    assert high.cents == pytest.approx(-8.0)
    assert high.verdict == "a little flat"
    # A twelfth and an octave above the drone: 6 to 1, so partial 1 against partial 6.
    assert high.beats_hz == pytest.approx(6 * D3 * abs(2 ** (-8 / 1200) - 1))
    assert Sung(fifth, fifth.hz, 6.0, 2.0).verdict == "in tune"
    assert Sung(fifth, fifth.hz, 6.0, 2.0).beats_hz == pytest.approx(0.0, abs=1e-9)
    assert Sung(fifth, fifth.hz * 2 ** (-2 / 12), 6.0, 2.0).verdict == "that was another note"
    near = Sung(fifth, fifth.hz * 2 ** (6 / 1200), 6.0, 2.0)
    assert near.verdict == "a little sharp"
    assert near.beats_hz == pytest.approx(3 * D3 * (2 ** (6 / 1200) - 1))
    assert math.isclose(near.cents, 6.0)


def test_what_to_sing_is_read_as_musicians_say_it() -> None:
    assert step_names(("fifth", "minor", "third,", "octave")) == ("fifth", "minor third", "octave")
    assert step_names(("major third", "perfect fourth")) == ("third", "fourth")
    assert step_names(()) == ()
    with pytest.raises(ValueProblem, match="'seventh' is not sung here"):
        step_names(("seventh",))
