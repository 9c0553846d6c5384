"""Which pluck of a string counts: the last clear one; what disagrees is a question, never an average."""

from __future__ import annotations

import math

import numpy as np
import pytest
from support import takes
from support.heard import notes_of
from support.plucks import noisy

from bridge.sound.listening.heard import HeardNote
from bridge.sound.listening.plucks import by_string, settle

D3 = 146.5
STRINGS = [(4, D3), (3, 183.1)]


def sharp(cents: float) -> float:
    return D3 * 2 ** (cents / 1200)


def note(
    start_s: float,
    cents: float,
    sd: float = 0.1,
    level_db: float = -20.0,
    cut: bool = False,
    long_s: float = 1.5,
) -> HeardNote:
    hz = sharp(cents)
    return HeardNote(start_s, start_s + long_s, hz, sd, 50, "D3", 0.0, 4, None, 0.0, hz, level_db, cut)


def test_the_last_clear_pluck_counts() -> None:
    settled = settle([note(0.2, 0.0), note(2.0, 2.0), note(4.0, 1.0)])
    assert settled.note.start_s == 4.0
    assert not settled.in_question
    assert settled.spread_cents == pytest.approx(2.0)
    # Known no better than the plucks agree: the deviation of 0, 2, 1.
    assert settled.sd_cents == pytest.approx(math.hypot(0.1, 1.0), rel=0.01)


@pytest.mark.parametrize(
    "other",
    [
        note(4.0, -10.0, level_db=-47.0),
        note(4.0, -10.0, cut=True, long_s=0.3),
        note(4.0, -10.0, sd=3.0),
    ],
    ids=["27 dB softer", "cut by the end", "not well known"],
)
def test_what_is_not_clear_is_passed_over(other: HeardNote) -> None:
    settled = settle([note(0.2, 0.0), other])
    assert settled.note.start_s == 0.2
    assert settled.passed_over == (other,)
    assert not settled.in_question


def test_clear_plucks_more_than_three_cents_apart_are_a_question() -> None:
    assert not settle([note(0.2, 0.0), note(2.0, 2.9)]).in_question
    assert settle([note(0.2, 0.0), note(2.0, 3.1)]).in_question


def test_where_none_is_clear_the_last_is_told_as_such() -> None:
    settled = settle([note(0.2, 0.0, sd=3.0), note(2.0, 1.0, sd=4.0)])
    assert settled.clear == ()
    assert settled.note.start_s == 2.0


@pytest.mark.parametrize("softer_db", [20.0, 27.0])
def test_a_soft_tail_at_another_pitch_does_not_move_a_string(softer_db: float) -> None:
    rng = np.random.default_rng(int(softer_db))
    loud = takes.pluck(D3, 2.0, rng, decay_s=0.4)
    soft = takes.pluck(sharp(-10.0), 2.0, rng, decay_s=1.0)
    # Damped, then touched softly: two separate plucks.
    sound = np.concatenate([loud * np.linspace(1, 0, loud.size), 10 ** (-softer_db / 20) * soft])
    heard = notes_of(noisy(sound, 60, rng), takes.RATE, STRINGS)
    assert len(heard) == 2
    assert heard[0].level_db - heard[1].level_db == pytest.approx(softer_db, abs=2.0)
    settled = by_string(heard)[4]
    assert abs(1200 * math.log2(settled.note.hz / D3)) < 0.3


def test_a_string_that_was_turned_between_plucks_is_a_question() -> None:
    rng = np.random.default_rng(5)
    sound = np.concatenate([takes.pluck(sharp(cents), 1.5, rng, decay_s=0.3) for cents in (-8.0, 0.0)])
    settled = by_string(notes_of(noisy(sound, 40, rng), takes.RATE, STRINGS))[4]
    assert settled.in_question
    assert settled.spread_cents == pytest.approx(8.0, abs=0.3)
    assert abs(1200 * math.log2(settled.note.hz / D3)) < 0.3


def test_a_pluck_that_the_end_cuts_is_marked() -> None:
    rng = np.random.default_rng(6)
    sound = np.concatenate([takes.pluck(D3, 1.5, rng, decay_s=0.3), takes.pluck(D3, 0.3, rng)])
    first, last = notes_of(noisy(sound, 40, rng), takes.RATE, STRINGS)
    assert (first.cut, last.cut) == (False, True)
