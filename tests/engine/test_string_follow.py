"""Whether the tables follow the guitar, from plucks as they might come in an evening."""

from __future__ import annotations

import random

import pytest

from bridge.engine.play.string_follow import RATE_CENTS, Pluck, StringFollower

# Open D in pure intervals over D2 = 73.25 Hz, by number of the string: 2:3:4:5:6:8 of a D1 (harmonics, Helmholtz).
STRINGS = {6: 73.25, 5: 109.875, 4: 146.5, 3: 183.125, 2: 219.75, 1: 293.0}


def at(string: int, cents: float, s: float) -> Pluck:
    return Pluck(string, STRINGS[string] * 2 ** (cents / 1200), s)


class Evening:
    """A follower, and all it said and moved."""

    def __init__(self) -> None:
        self.follower = StringFollower(4, STRINGS)
        self.said: list[str] = []
        self.now_s = 0.0
        self.steepest = 0.0

    def play(self, *plucks: Pluck) -> Evening:
        for pluck in plucks:
            self.wait_until(pluck.at_s)
            if said := self.follower.pluck(pluck):
                self.said.append(said)
        return self

    def wait_until(self, s: float) -> None:
        while self.now_s < s:
            self.now_s += 0.1
            by = self.follower.step(self.now_s)
            self.steepest = max(self.steepest, abs(by))


def known(string: int = 5, beside: float = 0.0, cents: float = 0.0) -> list[Pluck]:
    """Enough of the reference string and another one, in turn, to know how they lie."""
    return [at(*pair, s) for s, pair in enumerate([(4, cents), (string, cents + beside)] * 4)]


def spread(plucks: list[Pluck], by_s: float, from_s: float = 0.0) -> list[Pluck]:
    return [pluck._replace(at_s=from_s + number * by_s) for number, pluck in enumerate(plucks)]


START = spread([*known(), at(4, 0, 0)], 15.0)  # to 120 s


def test_the_guitar_is_followed_where_two_strings_moved_likewise() -> None:
    evening = Evening().play(
        *START, *(at(string, -4.0, s) for s, string in ((140, 4), (144, 5), (148, 4), (152, 5), (156, 4)))
    )
    evening.wait_until(180)
    assert evening.follower.moved_cents == pytest.approx(-4.0, abs=0.1)
    assert evening.said == ["the guitar has sunk by 4.0 cents: all tables follow (u takes it back)"]
    assert evening.steepest <= RATE_CENTS * 0.61  # half a cent a second, in steps of half a second


def test_one_string_alone_is_told_and_not_followed() -> None:
    reference = Evening().play(*START, *(at(4, -5, s) for s in (135, 147)), at(5, 0, 150), at(4, -5, 160))
    reference.play(at(5, 0, 170), at(4, -5, 175))
    assert reference.said == ["string 4 moved alone: retune it"]
    assert reference.follower.moved_cents == 0.0
    other = Evening().play(*START, *(at(5, -5, s) for s in (130, 145)), *(at(4, 0, s) for s in (150, 160)))
    other.play(at(5, -5, 165), at(4, 0, 170))
    assert other.said == ["string 5 moved alone: retune it"]
    assert other.follower.moved_cents == 0.0


def test_two_plucks_that_do_not_agree_move_nothing() -> None:
    """Too far apart in time for a peg: string 4 is read 1.7 cents from before each time, and the other one likewise."""
    apart = [at(string, cents, s) for s, string, cents in ((135, 4, -4), (140, 5, -5), (147, 4, -5.7))]
    evening = Evening().play(*START, *apart)
    evening.wait_until(165)
    assert evening.follower.target_cents == 0.0
    assert evening.said == []
    # 1.4 cents from the one before, the next agrees.
    evening.play(at(5, -4.3, 163), at(4, -4.3, 166))
    assert evening.follower.target_cents == pytest.approx(-4.3)


def test_the_reference_string_without_another_says_nothing() -> None:
    evening = Evening().play(*(at(4, -0.1 * s, s) for s in range(1, 80, 5)))
    evening.wait_until(100)
    assert evening.follower.moved_cents == 0.0
    assert evening.said == []


def test_a_string_that_always_lay_beside_is_known() -> None:
    """String 3 is 4 cents flat by taste: where both sink by 6, it is 10 flat."""
    evening = Evening().play(
        *spread([*known(3, -4.0), at(4, 0, 0)], 15.0),
        *(
            at(string, cents, s)
            for s, string, cents in ((140, 4, -6), (144, 3, -10), (148, 4, -6), (152, 3, -10), (156, 4, -6))
        ),
    )
    evening.wait_until(190)
    assert evening.follower.moved_cents == pytest.approx(-6.0, abs=0.1)


def test_nothing_moves_while_a_peg_is_turned() -> None:
    evening = Evening().play(
        *START, at(4, -2, 130), at(4, -6, 133), at(4, -6.2, 136), at(5, -6, 138), at(4, -6, 145)
    )
    assert evening.said[0] == "string 4 is being tuned: nothing follows for 20 seconds"
    evening.wait_until(152)
    assert evening.follower.moved_cents == 0.0
    # After that it goes on.
    evening.play(*together(-6, 160))
    evening.wait_until(200)
    assert evening.follower.moved_cents == pytest.approx(-6.0, abs=0.1)


def together(cents: float, from_s: float) -> list[Pluck]:
    """Reference string and another one, both so far off."""
    return spread([at(string, cents, 0) for string in (4, 5, 4, 5, 4)], 4.0, from_s)


def test_further_than_twenty_cents_is_asked() -> None:
    evening = Evening().play(*START, *together(-24, 140))
    evening.wait_until(200)
    assert evening.follower.moved_cents == 0.0
    assert evening.said == [
        "the guitar is 24 cents below where it began, too far to follow unasked: l listens, and moves all tables there"
    ]


def test_it_is_taken_back_whole_and_followed_no_more() -> None:
    evening = Evening().play(*START, *together(-3, 140))
    evening.wait_until(180)
    moved = evening.follower.moved_cents
    assert moved == pytest.approx(-3, abs=0.1)
    assert evening.follower.take_back() == pytest.approx(-moved)
    evening.play(*together(-3, 190))
    evening.wait_until(240)
    assert evening.follower.moved_cents == 0.0
    evening.follower.begin_anew(STRINGS)
    evening.play(*(pluck._replace(at_s=pluck.at_s + 250) for pluck in START), *together(2, 390))
    evening.wait_until(440)
    assert evening.follower.moved_cents == pytest.approx(2, abs=0.1)


def test_what_the_guitar_was_off_from_the_beginning_is_left() -> None:
    """Nobody has moved: the reference was given so."""
    evening = Evening().play(*spread([*known(cents=-3.0), at(4, -3, 0)], 15.0))
    evening.wait_until(140)
    assert evening.follower.moved_cents == 0.0
    assert evening.said == []


def test_notes_that_are_no_string_are_left_out() -> None:
    evening = Evening().play(*(at(string, 90, s) for s, string in ((1, 4), (2, 5), (4, 4), (5, 5))))
    evening.play(Pluck(7, 100.0, 6))
    assert evening.follower.moved_cents == 0.0
    assert evening.said == []


@pytest.mark.parametrize("seed", range(20))
def test_ten_minutes_of_a_slow_drift(seed: int) -> None:
    """Eight cents in ten minutes, plucks at random, each read 0.2 cents off: within a cent at the end."""
    rng = random.Random(seed)
    evening, s = Evening(), 0.0
    lies = {string: rng.uniform(-3, 3) for string in STRINGS} | {4: 0.0}
    while s < 600:
        s += rng.uniform(4, 14)
        string = rng.choice((4, 4, 5, 3))
        evening.play(at(string, lies[string] - 8 * min(s, 600) / 600 + rng.gauss(0, 0.2), s))
    evening.wait_until(620)
    assert evening.follower.moved_cents == pytest.approx(-8.0, abs=1.0)
    assert not [text for text in evening.said if "alone" in text or "tuned" in text]


@pytest.mark.parametrize("seed", range(20))
def test_a_reference_string_that_sinks_alone_takes_nothing_with_it(seed: int) -> None:
    rng = random.Random(seed)
    evening, s = Evening(), 0.0
    while s < 600:
        s += rng.uniform(4, 14)
        string = rng.choice((4, 4, 5, 3))
        sunk = -8 * s / 600 if string == 4 else 0.0
        evening.play(at(string, sunk + rng.gauss(0, 0.1), s))
    evening.wait_until(620)
    assert abs(evening.follower.moved_cents) < 1.0
    assert "string 4 moved alone: retune it" in evening.said
