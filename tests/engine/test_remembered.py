"""Values of tables that come again and differ little: the same as worked out anew, and little work."""

from __future__ import annotations

import random

import pytest
from harmony.scores import five_limit_table

from bridge.engine.mts.cells import ClassCells, KeyCells
from bridge.engine.offsets import Offsets
from bridge.engine.remembered import MOST, ByKey, Remembered
from bridge.store.profiles import load_profile

HZ = [float(hz) for hz in five_limit_table("C").hz]


def tables(count: int) -> list[list[float]]:
    """Tables as following sends them: some classes move by a comma, some come back."""
    chance = random.Random(7)
    found, now = [HZ], list(HZ)
    for _ in range(count):
        one = chance.randrange(12)
        ratio = chance.choice((80 / 81, 1.0, 81 / 80))
        now = [HZ[key] * ratio if key % 12 == one else value for key, value in enumerate(now)]
        found.append(now)
    return found


@pytest.mark.parametrize("profile", ["full-midi-tuning", "fluidsynth", "gm2"])
def test_values_are_those_of_a_tuner_that_remembers_nothing(profile: str) -> None:
    synth = load_profile(profile)
    keys, classes, offsets = KeyCells(synth, "note"), ClassCells(synth, (1, 2)), Offsets(synth)
    for hz in tables(120):
        assert keys.values(hz) == KeyCells(synth, "note").values(hz)
        assert classes.values(hz) == ClassCells(synth, (1, 2)).values(hz)
        assert offsets.of(hz) == pytest.approx(Offsets(synth).of(hz), abs=1e-6)


def test_offsets_that_are_the_same_stay_the_same_float_over_many_tables() -> None:
    offsets = Offsets()
    first = offsets.of(HZ)
    for hz in tables(400):
        offsets.forget(offsets.of(hz))
        for row in (offsets.of(hz),):
            assert len(set(row)) <= 12, "octaves of a class share one float"
    assert offsets.of(HZ) == pytest.approx(first, abs=1e-6)


def test_only_keys_that_differ_are_worked_out() -> None:
    asked: list[int] = []

    def work_out(key: int, hz: float) -> float:
        asked.append(key)
        return 2 * hz

    by_key = ByKey(work_out)
    assert by_key.of(HZ) == tuple(2 * hz for hz in HZ)
    asked.clear()
    other = [hz * 1.01 if key % 12 == 4 else hz for key, hz in enumerate(HZ)]
    assert by_key.of(other) == tuple(2 * hz for hz in other)
    assert asked == list(range(4, 128, 12))
    asked.clear()
    by_key.of(HZ)
    assert not asked, "it was there before"
    by_key.forget()
    by_key.of(HZ)
    assert len(asked) == 128


def test_it_does_not_grow_for_ever() -> None:
    known: Remembered[int] = Remembered()
    for number in range(10 * MOST):
        assert known.get(number, lambda number=number: number) == number  # type: ignore[misc]
    assert len(known._known) <= MOST
