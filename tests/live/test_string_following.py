"""Tables that follow the guitar, without ports: what the desk tells the ear, and what it does with what that hears."""

from __future__ import annotations

import re
import time
from types import SimpleNamespace
from typing import Any

import click
import pytest

from bridge.cli.drone import drone_command
from bridge.cli.play import play_command
from bridge.engine.play.tables import AllTables, Kept
from bridge.errors import ValueProblem
from bridge.jobs.choose import TableRequest, choose_table
from bridge.live.desk import ear
from bridge.live.desk.desk import Desk
from bridge.live.desk.listening import Listening
from bridge.live.desk.string_ear import OfTake, Opened, Plucked, Refused, Strings
from bridge.live.desk.string_following import StringFollowing
from bridge.live.desk.typed import read_key
from bridge.live.prepare.keyboard import play_table
from bridge.live.prepare.strings import strings_of, strings_to_follow
from bridge.live.state import Held, Sounding, State
from bridge.tuning.reference import Reference

D3 = 146.5


class Ear:
    """What the ear's process would be told."""

    def __init__(self) -> None:
        self.told: list[Any] = []
        self.ended = False

    def tell(self, around: Any) -> None:
        self.told.append(around)

    def end(self) -> None:
        self.ended = True


def following() -> tuple[StringFollowing, Ear]:
    spec = choose_table(TableRequest(guitar="open-d", reference=f"D3={D3}"))
    made, ear = strings_to_follow("D3", spec), Ear()
    made._ear = ear  # type: ignore[assignment]
    return made, ear


def state(*sounding: Sounding, held: Held | None = None) -> State:
    return State(kept=Kept(1), sounding=sounding, held=held)


def hz(string: int, cents: float) -> float:
    """Open D over D1: 2:3:4:5:6:8 (common practice)."""
    return D3 * {6: 2, 5: 3, 4: 4, 3: 5, 2: 6, 1: 8}[string] / 4 * 2 ** (cents / 1200)


def test_the_ear_is_told_of_the_drone_and_of_playing() -> None:
    made, ear = following()
    drone = Sounding(16, 50, -3.917)
    held = Held(16, (50,), on=True)
    made.state(state())
    made.state(state(drone, held=held))
    made.state(state(drone, Sounding(1, 62, 0.0), held=held))
    made.state(state(drone, Sounding(1, 62, 0.0), held=held))
    made.state(state(drone, held=held))
    assert [one.playing for one in ear.told] == [False, True, False]
    # D3 in equal temperament at A4 = 440 Hz is 146.832 Hz; 3.917 cents lower it is 146.5.
    assert all(one.drone_hz == pytest.approx((146.5,), abs=1e-3) for one in ear.told)


def test_the_tables_go_where_two_strings_go_and_come_back() -> None:
    made, _ = following()
    assert (
        made.heard(Opened("microphone"), 0.0) == "follows string 4 and those beside it, heard by microphone"
    )
    now_s, said = 0.0, []
    for number in range(30):
        now_s += 8.0
        cents = 0.0 if number < 14 else -3.0
        said.append(made.heard(Plucked((4, 5)[number % 2], hz((4, 5)[number % 2], cents)), now_s))
    moved = 0.0
    for _ in range(200):
        now_s += 0.1
        moved += made.step(now_s)
    assert moved == pytest.approx(-3.0, abs=0.2)
    assert [one for one in said if one] == [
        "the guitar has sunk by 3.0 cents: all tables follow (u takes it back)",
    ]
    assert made.moved_cents == pytest.approx(moved)
    assert made.take_back() == pytest.approx(-moved)
    assert made.take_back() is None


def test_it_is_shown_goes_by_half_a_cent_a_second_and_one_key_takes_it_back(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    now_s, told = [100.0], list[Any]()
    monkeypatch.setattr(
        "bridge.live.desk.desk.time", SimpleNamespace(monotonic=lambda: now_s[0], time=time.time)
    )
    with Desk() as desk:
        monkeypatch.setattr(desk._keeper, "tell", told.append)
        desk._keeper.state, desk._keeper.link = State(kept=Kept(1)), "ok"
        desk._strings, _ = following()

        def pluck(*cents: float) -> None:
            for number, one in enumerate(cents):
                desk._plucked(Plucked((4, 5)[number % 2], hz((4, 5)[number % 2], one)))
                for _ in range(80):
                    now_s[0] += 0.1
                    desk._follow_strings()

        pluck(*[0.0] * 20)
        assert told == []
        pluck(*[-3.0] * 16)
        steps = [act.action.number for act in told]
        assert sum(steps) == pytest.approx(-3.0, abs=0.2)
        assert {act.action.name for act in told} == {"trim"}
        assert max(map(abs, steps)) <= 0.31  # half a cent a second, in steps of half a second and a little
        assert desk._messages[-1].text == (
            "the guitar has sunk by 3.0 cents: all tables follow (u takes it back)"
        )
        command = read_key("u")
        assert command is not None
        desk._typed(command)
        assert told[-1].action.number == pytest.approx(-sum(steps))
        assert desk._messages[-1].text.startswith("taken back by 3.0 cents")
        count = len(told)
        pluck(*[-3.0] * 8)
        assert len(told) == count


@pytest.mark.parametrize("command", [play_command, drone_command])
def test_nothing_follows_unless_it_is_asked_for(command: click.Command) -> None:
    (option,) = (one for one in command.params if one.name == "follow_string")
    assert option.to_info_dict()["default"] is None


def test_an_ear_that_fails_is_told_and_ended() -> None:
    made, ear = following()
    assert made.heard(Refused("there is no microphone"), 0.0) == (
        "the strings are not followed: there is no microphone"
    )
    assert ear.ended
    assert made.step(1.0) == 0.0


def test_one_microphone_finds_the_reference_too(monkeypatch: pytest.MonkeyPatch) -> None:
    def second(*_: object) -> None:
        raise AssertionError("a microphone was opened twice")

    made, string_ear = following()
    spec = choose_table(TableRequest(guitar="open-d", reference=f"D3={D3}"))
    tables = AllTables((play_table("D", spec),))
    listening = Listening(spec, tables, lambda _: tables, lambda _: None, True)
    told: list[ear.Told] = []
    with monkeypatch.context() as patched:
        patched.setattr("bridge.live.desk.listening.Ear", second)
        listening.begin(None, 1.0, told.append, made)
    (take,) = string_ear.told
    assert isinstance(take, ear.Take)
    assert (take.wait_s, take.reference.hz) == (1.0, D3)
    heard = ear.Heard(Reference(50, 146.0))
    made.heard(Plucked(4, D3), 0.0)
    for one in (ear.Opened("guitar", 5.0), heard, heard):
        assert made.heard(OfTake(one), 1.0) == ""
    assert told == [ear.Opened("guitar", 5.0), heard], "the end comes once"
    listening.end()
    # A microphone that goes away while the reference is looked for ends that as well.
    listening.begin(None, 0.0, told.append, made)
    made.heard(Refused("it was unplugged"), 2.0)
    assert told[2:] == [ear.Refused("it was unplugged")]
    assert made.listen(take, told.append) is None, "who wants to listen now opens it himself"


@pytest.mark.parametrize(
    ("word", "guitar", "says"),
    [
        ("D3", None, "no guitar is named"),
        ("G3", "open-d", "no such open string"),
        ("9", "open-d", r"there are: .*4 \(D3\)"),
        ("string", "open-d", "not a note"),
    ],
)
def test_what_cannot_be_followed_is_refused(word: str, guitar: str | None, says: str) -> None:
    spec = choose_table(TableRequest(guitar=guitar, tonic=None if guitar else "D"))
    with pytest.raises(ValueProblem) as refused:
        strings_to_follow(word, spec)
    assert re.search(says, f"{refused.value.message} ({refused.value.hint})")


def test_in_an_evening_the_strings_are_those_of_the_piece_that_plays() -> None:
    words = {"guitar": "open-d", "reference": f"D3={D3}"}
    pieces = [choose_table(TableRequest(**words)), choose_table(TableRequest(**words, fret=2))]
    own = choose_table(TableRequest(guitar="open-d", reference="D3=147"))
    made = strings_to_follow("4", pieces[0], None, (*map(strings_of, pieces), strings_of(own, False)))
    ear = Ear()
    made._ear = ear  # type: ignore[assignment]
    made.state(State(kept=Kept(1)))
    made.begin_anew(-4.0)
    made.state(State(kept=Kept(2, trim_cents=-1.5)))
    made.state(State(kept=Kept(2, trim_cents=-2.0)))  # tables that follow do not make the strings others
    made.state(State(kept=Kept(3, trim_cents=-2.0)))
    told = [dict(one.strings)[4] for one in ear.told if isinstance(one, Strings)]
    # A capo at the second fret sounds a tempered whole tone higher (200 cents, common practice of frets).
    wanted = [D3 * 2 ** (-4 / 1200), D3 * 2 ** ((200 - 4 - 1.5) / 1200), 147 * 2 ** (-2 / 1200)]
    assert told == pytest.approx(wanted, rel=1e-6)
    # One was taken back: nothing begins to follow again by itself.
    made._follower.take_back()
    made.state(State(kept=Kept(1)))
    assert len([one for one in ear.told if isinstance(one, Strings)]) == 3
