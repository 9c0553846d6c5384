"""The search finds the best choices: held against trying everything, on random problems and random clips of music."""

from __future__ import annotations

import itertools
import math
import random
from fractions import Fraction

import numpy as np
import pytest
from harmony.scores import five_limit_table
from support.costs import total_cost

import bridge.harmony.choice.follow as following
import bridge.harmony.choice.search as search
from bridge.harmony.choice.costs import FORBIDDEN, MOVES, Weights, problem_of
from bridge.harmony.choice.follow import FollowOptions, follow, score_of
from bridge.harmony.choice.search import Problem, best_choices, fits, seconds_of
from bridge.harmony.choice.variants import Palette, palette_of
from bridge.harmony.notes import TimedNote, columns, pairs_of, sorted_notes


def brute(problem: Problem) -> float:
    return min(
        total_cost(problem, choices)
        for choices in itertools.product(*[range(len(unary)) for unary in problem.unary])
    )


def problem_for(notes: list[TimedNote], palette: Palette, weights: Weights = MOVES["some"]) -> Problem:
    score = score_of(notes, palette)
    homes = [palette.base_cents[segment.pitch_class] for segment in score.segments]
    choices = [
        tuple(home + variant.offset_cents for variant in palette.classes[segment.pitch_class])
        for home, segment in zip(homes, score.segments, strict=True)
    ]
    return problem_of(
        notes, score.segments, choices, homes, columns(notes), pairs_of(columns(notes)), weights
    )


def random_clip(rng: random.Random) -> list[TimedNote]:
    """A few notes, close enough together that all kinds of cost come in."""
    notes, now = [], 0.0
    for _ in range(rng.randint(2, 9)):
        now += rng.choice([0.0, 0.0, 0.2, 0.5, 1.1, 3.0])
        notes.append(
            TimedNote(
                now,
                now + rng.choice([0.04, 0.3, 0.6, 2.0]),
                rng.randint(40, 75),
                rng.randint(30, 127),
                rng.randint(1, 2),
            )
        )
    return sorted_notes(notes)


@pytest.mark.parametrize("seed", range(200))
def test_a_random_clip_is_solved_as_well_as_by_trying_everything(seed: int) -> None:
    rng = random.Random(seed)
    palette = palette_of(
        five_limit_table("D"),
        own_tonic=rng.choice([None, "F", "Ab"]),
        pinned=rng.choice(["tonic", "nothing"]),
    )
    problem = problem_for(random_clip(rng), palette, MOVES[rng.choice(["few", "some", "many"])])
    if math.prod(len(unary) for unary in problem.unary) > 30_000:
        problem = Problem(
            problem.unary[:6], {pair: cost for pair, cost in problem.edges.items() if pair[1] < 6}, [], []
        )
    assert total_cost(problem, best_choices(problem)) == pytest.approx(brute(problem), abs=1e-9)


def random_problem(rng: np.random.Generator, count: int) -> Problem:
    unary = [rng.random(rng.integers(1, 4)) for _ in range(count)]
    edges = {
        (first, second): rng.random((len(unary[first]), len(unary[second])))
        for second in range(count)
        for first in range(max(0, second - 4), second)
        if rng.random() < 0.6
    }
    times = [float(step) for step in range(count)]
    return Problem(unary, edges, times, times)


def test_walking_in_blocks_gives_the_same_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    problem = random_problem(np.random.default_rng(7), 120)
    whole = best_choices(problem)
    monkeypatch.setattr(search, "POINTER_BYTES", 500)
    done: list[float] = []
    assert best_choices(problem, done.append) == whole
    assert len(done) > 10
    assert max(done) <= 1.0
    assert done == sorted(done)


def test_a_limited_search_stays_small_and_leaves_out_costs_only() -> None:
    problem = random_problem(np.random.default_rng(8), 60)
    small = Problem(problem.unary, problem.edges, problem.starts_s, problem.ends_s, most_states=9).limited()
    assert fits(small) <= 9 * 3
    assert fits(small) < fits(problem)
    assert set(small.edges) < set(problem.edges)
    assert total_cost(small, best_choices(small)) <= total_cost(small, best_choices(problem)) + 1e-12


def test_the_cost_of_a_third_is_what_the_formula_says() -> None:
    # Two seconds of C3 and E3 alone at velocity 90: the bass counts a quarter more; 81/64 is a comma wide.
    notes = sorted_notes([TimedNote(0, 2, 48, 90, 1), TimedNote(0, 2, 52, 90, 2)])
    problem = problem_for(notes, palette_of(five_limit_table("C")))
    comma = 1200 * math.log2(81 / 80)
    chord = 2**2 / 2.12 * 1.25 * math.sqrt(math.sqrt(6 / 20)) * (1 - math.exp(-0.027 * comma))
    away = (0.005 + 0.01 * 2) * comma / 21.5
    assert total_cost(problem, [0, 0]) == pytest.approx(0.0, abs=1e-9)
    assert total_cost(problem, [0, 1]) == pytest.approx(chord + away, rel=1e-9)


def test_the_cost_of_a_note_struck_again_is_what_the_formula_says() -> None:
    # D4 for 0.3 s, and again after half a second, in one part: it may stand at 9/8 or 10/9.
    notes = sorted_notes([TimedNote(0, 0.3, 62, 80, 1), TimedNote(0.8, 2, 62, 80, 1)])
    problem = problem_for(notes, palette_of(five_limit_table("C")))
    comma = 1200 * math.log2(81 / 80)
    move = 0.12 * comma / 21.5 * math.exp(-0.5) * 0.3 / 0.4
    away = (0.005 + 0.01 * 1.2) * comma / 21.5
    assert total_cost(problem, [0, 1]) == pytest.approx(move + away, rel=1e-9)


@pytest.mark.parametrize(("moves", "forbidden"), [("some", True), ("many", False)])
def test_a_note_struck_again_may_move_a_comma_but_not_a_diesis(moves: str, forbidden: bool) -> None:
    notes = sorted_notes([TimedNote(0, 0.5, 61, 80, 1), TimedNote(0.6, 2, 61, 80, 1)])
    palette = palette_of(five_limit_table("C"))
    variants = [str(variant) for variant in palette.classes[1]]
    problem = problem_for(notes, palette, MOVES[moves])
    diesis = total_cost(problem, [variants.index("16/15"), variants.index("25/24")])
    assert (diesis >= FORBIDDEN) is forbidden
    comma = total_cost(problem, [variants.index("16/15"), variants.index("27/25")])
    assert comma < 1.0
    assert Fraction(27, 25) / Fraction(16, 15) == Fraction(81, 80)


def test_no_third_fourth_fifth_or_sixth_is_further_off_than_a_diesis() -> None:
    # F# at 36/25 against B at 50/27 would be a fourth of 625/486: 63 cents narrow.
    notes = sorted_notes([TimedNote(0, 2, 54, 80, 1), TimedNote(0, 2, 59, 80, 1)])
    palette = palette_of(five_limit_table("C"))
    low = [str(variant) for variant in palette.classes[6]].index("36/25")
    high = [str(variant) for variant in palette.classes[11]].index("50/27")
    assert abs(1200 * math.log2(625 / 486 / (4 / 3))) > 42
    assert total_cost(problem_for(notes, palette), [low, high]) >= FORBIDDEN


def test_how_long_a_long_search_takes_is_said_once_and_before_it(monkeypatch: pytest.MonkeyPatch) -> None:
    happened: list[str] = []
    real = following.best_choices
    monkeypatch.setattr(
        following, "best_choices", lambda *given: (happened.append("search"), real(*given))[1]
    )
    wanted = FollowOptions(beforehand=lambda seconds: happened.append("said" if seconds > 0 else "nothing"))
    notes = random_clip(random.Random(1))
    palette = palette_of(five_limit_table("D"))
    follow(notes, palette, wanted)
    assert "said" not in happened
    assert happened  # a short piece is searched without a word
    happened.clear()
    monkeypatch.setattr(following, "LONG_S", 0.0)
    follow(notes, palette, wanted)
    assert happened[0] == "said"
    assert happened.count("said") == 1


def test_a_longer_piece_is_said_to_take_longer() -> None:
    def said(count: int) -> float:
        return seconds_of(random_problem(np.random.default_rng(3), count))

    assert 0 < said(10) < said(20) < said(40)
