"""From one tuning to the next: what is turned, in what order, and where a capo does it.

Open strings by arithmetic: open D is 2 : 3 : 4 : 5 : 6 : 8 of D1 (common practice), and tension goes with the square of
the pitch (Mersenne, *Harmonie universelle*, 1636).
"""

from __future__ import annotations

import pytest

from bridge.tuning.strings.between import between_tunings

D1 = 36.625
OPEN_D = dict(zip((6, 5, 4, 3, 2, 1), (2 * D1, 3 * D1, 4 * D1, 5 * D1, 6 * D1, 8 * D1), strict=True))
# D A D G A D: the third string up to 16/3 of D1, a pure fourth above the fourth string.
DADGAD = {**OPEN_D, 3: 4 * D1 * 4 / 3}
STANDARD = {6: 82.41, 5: 110.0, 4: 146.83, 3: 196.0, 2: 246.94, 1: 329.63}


def test_only_what_differs_is_turned() -> None:
    between = between_tunings(OPEN_D, DADGAD, STANDARD)
    (turn,) = between.turns
    assert (turn.string, turn.hz) == (3, pytest.approx(195.333, abs=0.001))
    assert turn.cents == pytest.approx(111.73, abs=0.01)  # 16/15 in cents (Ellis)
    assert not turn.past_limit  # 195.3 Hz stays below the 196 of standard tuning
    assert between_tunings(DADGAD, DADGAD, STANDARD) == between_tunings(OPEN_D, OPEN_D, STANDARD)
    assert not between_tunings(OPEN_D, OPEN_D, STANDARD).turns


def test_two_cents_are_left_alone() -> None:
    nearly = {number: hz * 2 ** (1.9 / 1200) for number, hz in OPEN_D.items()}
    assert not between_tunings(OPEN_D, nearly, STANDARD).turns
    more = {number: hz * 2 ** (2.1 / 1200) for number, hz in OPEN_D.items()}
    assert len(between_tunings(OPEN_D, more, STANDARD).turns) == 6


def test_down_goes_before_up() -> None:
    between = between_tunings({**STANDARD, 3: 185.0}, {**STANDARD, 6: 73.42, 1: 293.66}, STANDARD)
    assert [turn.string for turn in between.turns] == [6, 1, 3]
    assert not any(turn.past_limit for turn in between.turns)


def test_no_string_goes_past_its_limit_where_a_capo_helps() -> None:
    """The third string a semitone above what it is built for: all a semitone lower, and a capo at fret 1."""
    between = between_tunings(STANDARD, {**STANDARD, 3: 207.65}, STANDARD)
    assert (between.lowered, between.capo_on) == (1, 1)
    assert not any(turn.past_limit for turn in between.turns)
    assert all(turn.cents == pytest.approx(-100) for turn in between.turns)
    assert 3 not in {turn.string for turn in between.turns}  # 196 Hz with the capo is 207.65
    beyond = between_tunings(STANDARD, {**STANDARD, 3: 196.0 * 2}, STANDARD)
    assert [turn.past_limit for turn in beyond.turns] == [True]  # no capo helps: it is said


def test_the_capo_comes_off_before_a_string_is_turned_and_goes_on_last() -> None:
    between = between_tunings(OPEN_D, DADGAD, STANDARD, 2, 2)
    assert (between.capo_off, between.capo_on) == (2, 2)
    stays = between_tunings(OPEN_D, OPEN_D, STANDARD, 2, 2)
    assert (stays.capo_off, stays.turns, stays.capo_on) == (0, (), 0)
    moves = between_tunings(OPEN_D, OPEN_D, STANDARD, 2, 4)
    assert (moves.capo_off, moves.turns, moves.capo_on) == (2, (), 4)
    off = between_tunings(OPEN_D, OPEN_D, STANDARD, 2, 0)
    assert (off.capo_off, off.capo_on) == (2, 0)


def test_a_capo_makes_open_e_of_open_d() -> None:
    """Open E is open D a whole tone higher: 26 % more tension on four strings, or a capo at fret 2."""
    open_e = {number: hz * 2 ** (2 / 12) for number, hz in OPEN_D.items()}
    assert between_tunings(OPEN_D, open_e, STANDARD).capo_instead == 2
    assert between_tunings(open_e, OPEN_D, STANDARD).capo_instead == 0  # a capo lowers nothing
    assert between_tunings(OPEN_D, DADGAD, STANDARD).capo_instead == 0
