"""How places, beats and steps are said."""

from __future__ import annotations

from fractions import Fraction

import pytest

from bridge.sheet.phrases import (
    beat_words,
    percent,
    place_words,
    signed,
    step_words,
    touched_words,
    turn_words,
)
from bridge.store.descriptions import load_guitar
from bridge.tuning.strings.nodes import place_at, touch, touches
from bridge.tuning.strings.order import TouchedString, plan_tuning


@pytest.mark.parametrize(
    ("rate_hz", "says"),
    [
        (0.0, "no beats"),
        (0.004, "no beats"),
        (0.497, "a beat every 2.0 s"),
        (0.99, "a beat every 1.0 s"),
        (5.827, "5.83 beats a second"),
    ],
)
def test_rates_of_beats(rate_hz: float, says: str) -> None:
    assert beat_words(rate_hz) == says


@pytest.mark.parametrize(
    ("node", "says"),
    [
        # Rules of thumb of the trade: 1/2 at the twelfth fret, 1/3 about the seventh, 1/4 about the fifth, 1/5 just
        # behind the fourth, 1/6 just in front of the third.
        (Fraction(1, 2), "fret 12"),
        (Fraction(1, 3), "fret 7"),
        (Fraction(1, 4), "fret 5, 1 mm towards the nut"),
        (Fraction(1, 5), "fret 4, 4 mm towards the nut"),
        (Fraction(1, 6), "fret 3, 5 mm towards the saddle"),
    ],
)
def test_nodes(node: Fraction, says: str) -> None:
    assert place_words(touch(node, 650.0).place) == says


def test_places_without_frets_and_beside_the_nut() -> None:
    assert place_words(touch(Fraction(1, 3), 327.0).place, fretless=True) == "109 mm from the nut"
    assert place_words(place_at(0.1, 650.0)) == "the nut, 4 mm towards the saddle"


def test_nodes_over_the_body_are_not_offered() -> None:
    assert "2/3" not in touched_words(TouchedString(4, 3, touches(3, 650.0)), "D3")
    told = touched_words(TouchedString(4, 5, touches(5, 650.0)), "D3")
    assert told == (
        "string 4 (D3) touched at 1/5: fret 4, 4 mm towards the nut; or at 2/5: fret 9, 4 mm towards the nut"
    )
    assert touched_words(TouchedString(1, 1, ()), "D4") == "string 1 (D4) open"


def test_a_pure_step_and_a_tempered_one() -> None:
    plan = plan_tuning(load_guitar("open-d"), load_guitar("standard"), 146.832384)
    third = next(step for step in plan.steps if step.tune.string == 3)
    words = step_words(third, plan)
    assert words.title == "string 3 (F#3) to string 4 (D3)"
    assert words.listen == "both sound F#5, 734.16 Hz: come from below and tighten until they stand still"
    assert words.tempered == "tuned equal: 5.83 beats a second; each cent off is 0.42 beats a second"
    assert words.left == "stiffness leaves string 3 about 0.8 cents sharp"
    standard = plan_tuning(load_guitar("standard"))
    fourth = next(step for step in standard.steps if step.tune.string == 4)
    # An equal fourth is 1.955 cents wide of 4/3 (derived), at A2 to D3 one beat in two seconds.
    assert "then sharper by 2.0 cents: a beat every 2.0 s" in step_words(fourth, standard).listen


def test_turns_and_figures() -> None:
    plan = plan_tuning(load_guitar("open-d"), load_guitar("standard"))
    assert [turn_words(change) for change in plan.changes] == [
        *("down 2 semitones", "down 1 semitone", "down 2 semitones", "down 2 semitones"),
        *("stays", "stays"),
    ]
    assert signed(-0.04) == "0.0"
    assert signed(1.26) == "+1.3"
    assert percent(2 ** (200 / 600)) == "126 %"  # a whole tone up: tension with the square of frequency
