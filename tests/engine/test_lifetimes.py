"""How long notes sound, by the words of the MIDI 1.0 specification on pedals and channel modes."""

from __future__ import annotations

import pytest

from bridge.engine.lifetimes import MOST_HELD, Sounding


def press(sounding: Sounding[str], key: int) -> bool:
    """Let go of a key; tell whether its oldest note sounds on."""
    note = sounding.release(key)
    assert note is not None
    return sounding.hold(key, note)


def test_a_note_ends_with_its_key() -> None:
    sounding: Sounding[str] = Sounding()
    sounding.strike(60, "a")
    assert sounding
    assert not press(sounding, 60)
    assert not sounding
    assert sounding.release(60) is None


@pytest.mark.parametrize("value", [1, 20, 63, 64, 127])
def test_the_sustain_pedal_holds_at_any_depth(value: int) -> None:
    sounding: Sounding[str] = Sounding()
    sounding.strike(60, "a")
    sounding.control(64, value)
    assert press(sounding, 60)
    assert sounding.control(64, 0) == ["a"]
    assert not sounding


def test_sostenuto_holds_only_what_was_down() -> None:
    sounding: Sounding[str] = Sounding()
    sounding.strike(60, "before")
    sounding.control(66, 127)
    sounding.strike(64, "after")
    assert press(sounding, 60)
    assert not press(sounding, 64)
    assert not sounding.control(66, 127)
    assert sounding.control(66, 0) == ["before"]


def test_sostenuto_pressed_again_holds_what_is_down_by_then_and_only_those_strokes() -> None:
    sounding: Sounding[str] = Sounding()
    sounding.strike(60, "first")
    sounding.control(66, 64)
    sounding.strike(64, "second")
    sounding.control(66, 127)
    assert press(sounding, 60)
    assert press(sounding, 64)
    sounding.strike(60, "again")
    assert not press(sounding, 60)
    assert sounding.control(66, 0) == ["first", "second"]


@pytest.mark.parametrize("mode", [124, 125, 126, 127])
def test_mode_messages_leave_strokes_to_their_note_offs(mode: int) -> None:
    sounding: Sounding[str] = Sounding()
    sounding.strike(60, "before")
    assert not sounding.control(mode, 0)
    sounding.strike(60, "after")
    assert sounding.release(60) == "before"
    assert sounding.release(60) == "after"


def test_two_pedals_hold_until_both_are_up() -> None:
    sounding: Sounding[str] = Sounding()
    sounding.strike(60, "a")
    sounding.control(66, 127)
    sounding.control(64, 127)
    assert press(sounding, 60)
    assert not sounding.control(64, 0)
    assert sounding.control(66, 0) == ["a"]


def test_a_key_struck_twice_sounds_until_let_go_twice() -> None:
    sounding: Sounding[str] = Sounding()
    sounding.strike(60, "first")
    sounding.strike(60, "second")
    assert sounding.release(60) == "first"
    assert sounding.release(60) == "second"


def test_all_notes_off_lets_keys_go_but_pedals_hold() -> None:
    sounding: Sounding[str] = Sounding()
    sounding.strike(60, "a")
    assert sounding.control(123, 0) == ["a"]
    sounding.strike(62, "b")
    sounding.control(64, 127)
    assert not sounding.control(123, 0)
    assert sounding.control(64, 0) == ["b"]


def test_all_sound_off_and_a_reset_end_everything() -> None:
    for end in (lambda each: each.control(120, 0), Sounding.reset):
        sounding: Sounding[str] = Sounding()
        sounding.control(64, 127)
        sounding.strike(60, "held")
        press(sounding, 60)
        sounding.strike(62, "down")
        assert sorted(end(sounding)) == ["down", "held"]
        assert not sounding


def test_reset_all_controllers_lifts_the_pedals() -> None:
    sounding: Sounding[str] = Sounding()
    sounding.control(64, 127)
    sounding.strike(60, "a")
    press(sounding, 60)
    assert sounding.control(121, 0) == ["a"]


def test_pedals_hold_no_more_notes_than_a_synth_has_voices() -> None:
    sounding: Sounding[int] = Sounding()
    sounding.control(64, 127)
    held = 0
    for number in range(1000):
        sounding.strike(number % 128, number)
        held += press(sounding, number % 128)
    assert held == MOST_HELD
    assert sounding.sounding_keys() == set(range(128))
    for number in range(1000):
        sounding.strike(60, number)
    ended = sounding.control(123, 0)  # all keys go up at once, under the pedal
    assert len(ended) == 1000
    assert len(sounding.control(64, 0)) == MOST_HELD
    assert not sounding
