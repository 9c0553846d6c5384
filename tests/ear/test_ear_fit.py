"""Thresholds out of answers: simulated listeners, some of whom lapse, against the theory (`support.listeners`)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from support.listeners import AT_70_7, NORMAL, Hears, answered

from bridge.ear.asked import TRIALS
from bridge.ear.course import BEGINS_CENTS, LEAST_CENTS
from bridge.ear.fit import FEWEST, Answered, chance_right, fit_threshold
from bridge.ear.staircase import CONVERGES, Staircase
from bridge.ear.trials import MOST_CENTS, Exercise

RUNS = 100
MOST_BIAS = 0.12


def test_the_listeners_are_right_in_70_7_percent_at_their_threshold() -> None:
    assert math.isclose(NORMAL.cdf(AT_70_7), math.sqrt(0.5))
    assert math.isclose(Hears(7.0, power=2.0).chance_right(7.0), CONVERGES)
    assert Hears(7.0, lapses=0.03).chance_right(1e3) == pytest.approx(0.985)


def test_two_right_answers_go_down_and_one_wrong_one_up() -> None:
    stairs = Staircase(16.0, 0.1, 50.0)
    stairs.answer(True)
    assert stairs.cents == 16.0
    stairs.answer(True)
    assert stairs.cents == 8.0
    stairs.answer(False)
    assert (stairs.cents, stairs.reversals) == (16.0, [8.0])
    for _ in range(20):
        stairs.answer(False)
    assert stairs.cents == 50.0


def test_the_staircase_converges_where_levitt_says() -> None:
    """Long runs hover where a single answer is right in 70.7 % of all cases (Levitt 1971, table I)."""
    listener, random = Hears(6.0), np.random.default_rng(5)
    stairs = Staircase(20.0, 0.1, 50.0)
    right = 0
    for _ in range(6000):
        was = listener.right(stairs.cents, random)
        right += was
        stairs.answer(was)
    assert right / 6000 == pytest.approx(CONVERGES, abs=0.015)


def test_many_answers_find_the_threshold_of_the_models_own_listener() -> None:
    """With answers by the model itself nothing but its arithmetic can be wrong."""
    cents = np.repeat([1.0, 2.0, 4.0, 8.0, 16.0], 1500)
    p = np.array(
        [float(chance_right(x, *(np.asarray(one) for one in (math.log(4.0), 1.7, 0.03, 0.5)))) for x in cents]
    )
    assert p[3000] == pytest.approx(0.015 + 0.97 * CONVERGES)
    assert p[-1] == pytest.approx(Hears(4.0, 1.7, 0.03).chance_right(16.0), abs=1e-6)
    right = np.random.default_rng(2).random(cents.size) < p
    found = fit_threshold([Answered(float(x), bool(was)) for x, was in zip(cents, right, strict=True)])
    assert found is not None
    assert found.cents == pytest.approx(4.0, rel=0.06)
    assert found.low_cents < 4.0 < found.high_cents < 1.15 * found.low_cents
    assert found.lapses == pytest.approx(0.03, abs=0.02)


@pytest.mark.slow
def test_thresholds_are_hardly_biased_and_their_intervals_hold() -> None:
    """The bench has more listeners, and more runs of each (`tests/bench/bench_ear.py`)."""
    listeners: list[tuple[Exercise, float]] = [("still", 3.0), ("wide", 15.0)]
    lapsing = ((0.0, 0.0), (0.03, 0.5), (0.03, 0.0))  # none, and where 3 % are guessed or wrong
    cases = [(*one, power, lapses) for one in listeners for power in (1.0, 2.0) for lapses in lapsing]
    logs, holds = [], []
    for number, (exercise, threshold, power, lapses) in enumerate(cases):
        listener, off, held = Hears(threshold, power, *lapses), [], 0
        for seed in range(number * RUNS, (number + 1) * RUNS):
            stairs = Staircase(BEGINS_CENTS[exercise], LEAST_CENTS, MOST_CENTS)
            found = fit_threshold(answered(listener, stairs, seed, TRIALS))
            assert found is not None
            held += found.low_cents <= threshold <= found.high_cents
            off.append(math.log(found.cents / threshold))
        logs += off
        holds.append(held / RUNS)
        # A third of a unit of spread in each estimate: 0.33 / √100 = 0.033 is the error of this mean.
        assert abs(np.mean(off)) < math.log(1 + MOST_BIAS) + 2 * 0.033
        # Two and a half errors of a share that is 0.85 or 0.95.
        assert 0.85 - 2.5 * 0.036 <= holds[-1] <= 0.95 + 2.5 * 0.022
    assert abs(np.mean(logs)) < 0.5 * MOST_BIAS
    assert 0.85 <= np.mean(holds) <= 0.95


def test_a_lapse_on_an_easy_trial_moves_the_threshold_little() -> None:
    answers = answered(Hears(3.0), Staircase(21.5, LEAST_CENTS, MOST_CENTS), 7, TRIALS)
    before = fit_threshold(answers)
    after = fit_threshold([*answers, Answered(40.0, False)])
    assert before is not None
    assert after is not None
    assert 1 / 1.12 < after.cents / before.cents < 1.12
    assert after.lapses > before.lapses


def test_few_answers_and_guesses_tell_little() -> None:
    assert fit_threshold([Answered(5.0, True)] * (FEWEST - 1)) is None
    random = np.random.default_rng(3)
    guessed = fit_threshold([Answered(50.0, bool(random.random() < 0.5)) for _ in range(50)])
    assert guessed is not None
    assert guessed.high_cents > 4 * guessed.low_cents
    assert guessed.high_cents > 100.0
