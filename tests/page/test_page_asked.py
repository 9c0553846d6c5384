"""What a browser asks, as the desk gets it: silence that fades and is cut, chords of the table, a closed list."""

from __future__ import annotations

import re
import typing
from collections.abc import Iterator
from importlib import resources
from typing import Any

import pytest
from support.live import until
from support.page import ALL_ACTIONS, evening, sour, stand

from bridge.engine.play.controls import Action
from bridge.live.desk.typed import Command
from bridge.live.player.chord import HOLD_S, HeldChord
from bridge.page.actions import Ask, Name, actions_of, command_of, read_ask
from bridge.page.beside import BesideDesk
from bridge.page.frames import Asked
from bridge.page.seen import HELD_KINDS, Shower, chord_keys, chord_number


class Desk:
    """A desk that only notes what is typed; its page is never started."""

    def __init__(self) -> None:
        self.typed: list[Command] = []
        self.beside = BesideDesk(stand(), self.typed.append)
        self.beside.show(evening())

    def ask(self, action: str, number: float = 0.0) -> None:
        self.beside._asked(Asked(action, number))


@pytest.fixture
def desk() -> Iterator[Desk]:
    one = Desk()
    yield one
    one.beside.close()


def test_silence_lets_sound_die_away_and_then_ends_it(desk: Desk) -> None:
    desk.ask("silence")
    assert desk.typed == ["let go", Action("drone")]
    until(lambda: desk.typed[2:] == [Action("panic")], limit_s=3.0)


def test_a_second_touch_cuts_and_nothing_comes_after_it(desk: Desk) -> None:
    desk.ask("silence")
    desk.ask("silence")
    assert desk.typed == ["let go", Action("drone"), Action("panic")]
    assert desk.beside._fading is None


def test_a_drone_that_is_off_is_not_begun_by_silence(desk: Desk) -> None:
    off = evening().drone.__class__("off", ("D2", "A2"))
    desk.beside.show(evening(drone=off))
    desk.ask("silence")
    assert desk.typed == ["let go"]


def test_actions_are_a_closed_list_and_none_ends_the_program() -> None:
    names = set(typing.get_args(Name))
    assert set(ALL_ACTIONS) <= names
    for name in names:
        assert command_of(name, 1.0) not in ("quit", "view")
    for command in ("play", "drone", "tune", "page"):
        offered = actions_of(
            command, tables=3, pieces=True, drone=True, listening=True, follow=True, chart=True
        )
        assert set(offered) <= names
    assert actions_of("tune") == ()
    assert command_of("table", 0) is None
    assert command_of("piece", 129) is None
    assert command_of("quit", 0) is None


@pytest.mark.parametrize("action", typing.get_args(Name))
def test_every_action_is_read_from_what_a_browser_sends(action: Any) -> None:
    body = f'{{"action":"{action}","number":1,"words":{{}},"asked_s":2.5,"id":"a-1"}}'
    assert read_ask(body.encode()) == Ask(action, 2.5, "a-1", 1.0, {})


def test_a_chord_has_the_keys_of_its_kind_above_the_tonic() -> None:
    """D major from D: D F# A are MIDI keys 50 54 57; its fifth degree's seventh A C# E G 57 61 64 67 (C4 = 60)."""
    assert chord_keys(chord_number(0, HELD_KINDS[0]), 2) == (50, 54, 57)
    assert chord_keys(chord_number(7, HELD_KINDS[3]), 2) == (57, 61, 64, 67)
    assert chord_keys(-1, 2) == ()
    assert chord_keys(12 * len(HELD_KINDS), 2) == ()


def test_offered_chords_are_those_of_the_keys_with_how_they_stand() -> None:
    offered = Shower(stand()).chords(evening())
    found = {one["name"]: one["verdict"] for one in offered}
    assert found["D"] == "pure"
    assert found["G"] == "pure"
    assert found["Em"] == "sour"  # 9/8 and 5/3 make a fifth of 40/27, a comma narrow


def test_of_two_notes_that_beat_the_one_beside_the_table_is_marked() -> None:
    shown = Shower(stand()).shown(sour())["lesson"]["clashes"]
    assert shown
    assert {key for one in shown for key in one["keys"]} == {54}  # the third, F#3


def test_a_chord_is_struck_held_and_let_go_each_key_once() -> None:
    chord = HeldChord(3)
    assert chord.next_s is None
    chord.sound((50, 54, 57), 10.0)
    assert chord.next_s == 10.0
    assert [data for _, data in chord.due(10.0)] == [bytes((0x92, key, 64)) for key in (50, 54, 57)]
    assert chord.next_s == 10.0 + HOLD_S
    chord.sound((55,), 12.0)  # another takes its place
    offs = [bytes((0x82, key, 64)) for key in (50, 54, 57)]
    assert [data for _, data in chord.due(12.0)] == [*offs, bytes((0x92, 55, 64))]
    assert chord.due(12.0 + HOLD_S) == [(12.0 + HOLD_S, bytes((0x82, 55, 64)))]
    assert chord.next_s is None
    chord.sound((60,), 30.0)
    chord.due(30.0)
    assert chord.release() == [bytes((0x82, 60, 64))]
    assert chord.next_s is None
    chord.sound((), 31.0)
    assert chord.due(31.0) == []


def test_a_drone_that_settles_says_how_fast_it_beats_now() -> None:
    """D3 = 146.5 Hz and a third 8 cents wide of 5/4: 5 · 146.5 against 4 · 183.973 beat 3.39 times a second."""
    from bridge.engine.play.drones.plan import Beat
    from bridge.live.state import Lesson
    from bridge.page.beside import stand_of_drone

    third_hz = 146.5 * 5 / 4 * 2 ** (8 / 1200)
    rate_hz = 4 * third_hz - 5 * 146.5
    lesson = Lesson("sound", 1, "third", ((50, 146.5), (54, third_hz)), (Beat(50, 54, 5, 4, rate_hz),))
    seen = evening(
        lesson=lesson,
        sounding=(),
        drone=evening().drone.__class__(),
        beats="",
        piece="",
        pieces=0,
        trim_cents=0.0,
    )
    home = stand()
    assert home.spec is not None
    shown = Shower(stand_of_drone(home.tables, home.spec)).shown(seen)
    assert shown["title"] == "third"
    assert shown["beats"] == "D3 - F#3: 3.39 beats a second"
    assert [one["cents"] for one in shown["lesson"]["sounding"]] == [0.0, 8.0]
    rest = evening(lesson=Lesson("rest", 1, "third", lesson.notes, lesson.beats), beats="", drone=seen.drone)
    assert Shower(home).shown(rest)["lesson"]["sounding"] == []


def test_every_word_of_the_page_is_said_once() -> None:
    """Of two words of one name a browser takes the later, and the other view says something else."""
    text = resources.files("bridge.page").joinpath("web/words.js").read_text(encoding="utf-8")
    names = re.findall(r'^  "?([\w-]+)"?:', text, re.MULTILINE)
    assert len(names) > 100
    assert [name for name in names if names.count(name) > 1] == []
