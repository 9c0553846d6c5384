"""From what is asked for to a plan; typed keys and lines."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.engine.play.controls import Action, Controls
from bridge.engine.play.keyboards import Keyboard
from bridge.errors import MethodProblem, StillbeatError, ValueProblem
from bridge.jobs.choose import TableRequest
from bridge.live.desk.typed import (
    Command,
    MuteByDigit,
    by_drone,
    by_piece,
    by_track,
    read_key,
    read_line,
    split_keys,
)
from bridge.live.plan import TablesDrone
from bridge.live.prepare.keyboard import LiveRequest, parse_on_change, parse_zone, prepare
from bridge.live.prepare.song import SongRequest

OPEN_D = TableRequest(guitar="open-d", reference="D3=146.5")


def ask(**changes: object) -> LiveRequest:
    values: dict[str, object] = {"table": OPEN_D, "out_port": "synth", "in_port": "keys", **changes}
    return LiveRequest(**values)  # type: ignore[arg-type]


def test_the_table_asked_for_is_the_only_one() -> None:
    plan = prepare(ask()).plan
    (only,) = plan.tables
    assert only.hz[50] == 146.5
    assert only.hz[54] == pytest.approx(146.5 * 5 / 4)
    assert only.equal_hz[54] == pytest.approx(146.5 * 2 ** (4 / 12))
    assert only.tonic == 2
    assert plan.method == "bend"


def test_more_tables_take_their_pitch_from_home_and_their_degrees_as_written() -> None:
    plan = prepare(ask(also=("A", "G,b7=7/4"))).plan
    assert [table.name for table in plan.tables] == ["open-d", "A", "G,b7=7/4"]
    home, dominant, third = plan.tables
    assert dominant.hz[57] == pytest.approx(146.5 * 3 / 2), "A is home's fifth"
    assert dominant.hz[64] == pytest.approx(146.5 * 9 / 4), "and its own fifth stands on it"
    assert third.hz[65] == pytest.approx(146.5 * 4 / 3 * 7 / 4)
    assert [table.tonic for table in plan.tables] == [2, 9, 7]
    assert home.hz == prepare(ask()).plan.tables[0].hz


def test_what_describes_no_table_is_no_first_table() -> None:
    with pytest.raises(ValueProblem, match="nothing says which note"):
        prepare(ask(table=TableRequest(), also=("D", "A")))


def test_keyboards_that_one_setting_sends_to_one_channel_are_told() -> None:
    two = (Keyboard("keys"), Keyboard("more", channel=4))
    for play_on, told in ((4, True), (5, False)):
        notices = prepare(ask(keyboards=two, controls=Controls(play_on=play_on))).notices
        assert any("on channel 4 the wheel" in notice for notice in notices) == told


def test_a_zone_has_twelve_tonics_as_they_sound() -> None:
    plan = prepare(ask(controls=Controls(zone=(24, 35)))).plan
    assert [tonic.tonic for tonic in plan.tonics] == list(range(12))
    fretted = prepare(ask(table=TableRequest(guitar="open-d", fret=5), controls=Controls(zone=(24, 35)))).plan
    assert [tonic.tonic for tonic in fretted.tonics] == list(range(12))
    assert fretted.tonics[7].hz == fretted.tables[0].hz, "open D at the fifth fret sounds as G"
    assert prepare(ask(controls=Controls(zone=(24, 35), zone_means="table"))).plan.tonics == ()


@pytest.mark.parametrize(
    ("synth", "method"),
    [
        (None, "bend"),
        ("fluidsynth", "octave"),
        ("timidity", "note"),
        ("full-midi-tuning", "octave"),
        ("gm2", "bend"),
        ("mpe", "mpe"),
        ("tinysoundfont", "bend"),
    ],
)
def test_the_method_suits_the_synth(synth: str | None, method: str) -> None:
    prepared = prepare(ask(synth=synth))
    assert prepared.plan.method == method
    assert prepared.notices[0].startswith(f"method {method}: ")


def test_a_table_that_does_not_repeat_takes_single_notes() -> None:
    pinned = TableRequest(guitar="open-d", pins=("F#3=183.9",))
    assert prepare(ask(table=pinned, synth="fluidsynth")).plan.method == "note"
    with pytest.raises(MethodProblem, match="does not repeat at the octave"):
        prepare(ask(table=pinned, synth="fluidsynth", method="octave"))


def test_methods_that_a_synth_does_not_obey_are_refused() -> None:
    with pytest.raises(
        MethodProblem, match=r"FluidSynth does not obey method 'dump'.*it obeys note, octave, bend"
    ):
        prepare(ask(synth="fluidsynth", method="dump"))
    with pytest.raises(MethodProblem, match="no message tunes it"):
        prepare(ask(synth="whole-cents"))
    assert prepare(ask(method="note")).plan.profile is not None, (
        "without a synth: one that keeps the standard"
    )


def test_a_synth_that_does_not_move_sounding_notes_is_told_of() -> None:
    notices = prepare(ask(synth="timidity", method="dump", on_change="glide", also=("A",))).notices
    assert any("does not move notes that sound" in notice for notice in notices)
    notices = prepare(ask(synth="fluidsynth", on_change="glide", also=("A",))).notices
    assert not any("does not move" in notice for notice in notices)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"in_port": None}, "nothing would play"),
        ({"also": ("H",)}, "German H is B"),
        ({"also": ("D=",)}, "--also D="),
        ({"also": tuple("D" for _ in range(128))}, "at most 128"),
        ({"synth": "fluidsinth"}, "did you mean fluidsynth"),
        ({"song": SongRequest(Path("nowhere.mid"))}, "nowhere.mid"),
        ({"card": "x"}, "a port and a sound card"),
    ],
)
def test_what_does_not_go_together(changes: dict[str, object], says: str) -> None:
    with pytest.raises(StillbeatError, match=says):
        prepare(ask(**changes))


@pytest.mark.parametrize(
    ("text", "keys"),
    [("C1-B1", (24, 35)), ("c2-c2", (36, 36)), ("C-1-B-1", (0, 11)), (" F#1 - Bb2 ", (30, 46))],
)
def test_zones_are_read(text: str, keys: tuple[int, int]) -> None:
    assert parse_zone(text) == keys


@pytest.mark.parametrize(
    ("text", "says"),
    [("C1", "such as C1-B1"), ("B1-C1", "did you mean C1-B1"), ("H1-B1", "German H"), ("C99-D99", "C99")],
)
def test_other_zones_are_refused(text: str, says: str) -> None:
    with pytest.raises(ValueProblem, match=says):
        parse_zone(text)


def test_what_happens_on_a_change_is_read() -> None:
    assert parse_on_change("now")[0] == "now"
    assert parse_on_change("next")[0] == "next"
    assert parse_on_change("glide 2") == ("glide", 2.0)
    assert parse_on_change("glide=0.25") == ("glide", 0.25)
    assert parse_on_change("glide") == ("glide", 0.5)
    for text in ("soon", "glide x", "glide -1", "glide 1 2", "", "now 2"):
        with pytest.raises(ValueProblem, match=r"glide"):
            parse_on_change(text)


def test_keys_and_lines_mean_the_same() -> None:
    assert read_key("3") == read_line("3") == read_line("table 3") == Action("table", 3)
    assert read_key("n") == read_key(" ") == read_line("next") == Action("next")
    assert read_key("N") == read_line("next piece") == Action("next-piece")
    assert read_key("P") == read_line("previous piece") == Action("previous-piece")
    assert read_key("d") == read_key("D") == read_line("drone") == Action("drone")
    assert read_key("l") == read_line("listen") == "listen"
    assert read_line("listen my take.wav") == "listen my take.wav"
    assert read_key("u") == read_line("undo") == "undo"
    assert read_line("piece 3") == by_piece(Action("table", 3)) == Action("piece", 3)
    assert by_piece("quit") == "quit"
    assert read_key(".") == read_line("louder") == Action("drone-volume", 10)
    assert read_key(",") == read_line("softer") == Action("drone-volume", -10)
    assert read_key("s") == read_line("pause") == Action("pause")
    assert read_key("b") == read_line("back") == Action("bar-back")
    assert read_line("mute 2") == read_line("m 2") == by_track(Action("table", 2)) == Action("mute", 2)
    for key in "npNPdeulxq+-0sb.,m":
        assert read_line(key) == read_key(key), "letters mean the same as lines"
    assert read_key("p") == read_line("previous") == Action("previous")
    assert read_key("e") == read_line("Equal") == Action("equal")
    assert read_key("x") == read_line("panic") == Action("panic")
    assert read_key("+") == read_line("trim +0.5") == Action("trim", 0.5)
    assert read_key("-") == read_line("trim -0.5") == Action("trim", -0.5)
    assert read_key("0") == read_line("trim 0") == "untrim"
    assert read_key("q") == read_key("\x04") == read_line("quit") == "quit"
    assert read_key("y") is None
    assert read_key("\x1b") is None
    assert read_line("  ") is None
    assert read_line("trim x") == "?trim x"
    assert read_line("trim 99999") == "?trim 99999"
    assert read_line("faster") == "?faster"
    assert read_key("²") is None


def test_page_turners_act_and_keys_that_arrive_together_are_all_taken() -> None:
    """Sequences as terminals send them: ECMA-48 and xterm's control sequences (cursor keys in both modes)."""
    for key in (" ", "\r", "\n", "\x1b[C", "\x1b[B", "\x1bOC", "\x1bOB", "\x1b[6~"):
        assert read_key(key) == Action("next"), repr(key)
    for key in ("\x1b[D", "\x1b[A", "\x1bOD", "\x1bOA", "\x1b[5~"):
        assert read_key(key) == Action("previous"), repr(key)
    assert split_keys("nn\x1b[6~d\x1bOAx") == (["n", "n", "\x1b[6~", "d", "\x1bOA", "x"], "")
    assert split_keys("n\x1b[") == (["n"], "\x1b["), "the rest of an arrow is still on its way"
    assert split_keys("\x1b[" + "6~") == (["\x1b[6~"], "")
    assert split_keys("\x1bn") == (["\x1b", "n"], ""), "a lone escape takes nothing along"
    assert [read_key(key) for key in split_keys("\x1b[1;5C\x1b[20~")[0]] == [None, None]


def test_a_drone_follows_every_table_on_a_channel_of_its_own() -> None:
    plan = prepare(ask(also=("A",), synth="fluidsynth", drone="1,5", controls=Controls(zone=(24, 35)))).plan
    assert isinstance(plan.drone, TablesDrone)
    assert plan.drone.on
    assert [held.keys for held in plan.drone.plan.tables] == [(50, 57), (57, 64)], "D3 A3, then A3 E4"
    assert plan.drone.plan.at(1, 7).keys == (55, 62), "and the tonic G of the zone: G3 D4"
    assert plan.drone.channels == (16,)
    few = prepare(ask(drone="D2", channels=(1, 2, 10))).plan.drone
    assert isinstance(few, TablesDrone)
    assert (few.plan.tables[0].keys, few.channels) == ((38,), (2,))


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"channels": (1,)}, "no channel is left for the drone"),
        ({"synth": "mpe"}, "by mpe the keyboard is one part"),
        ({"drone": "louder"}, "louder"),
    ],
)
def test_drones_that_cannot_be(changes: dict[str, object], says: str) -> None:
    with pytest.raises(StillbeatError, match=says):
        prepare(ask(**{"drone": "1", **changes}))


def test_where_a_track_or_a_drone_is_all_there_is_steps_are_its_own() -> None:
    turn, back = read_key("\x1b[C"), read_key("\x1b[D")
    assert turn is not None
    assert back is not None
    assert (by_track(turn), by_track(back)) == (Action("pause"), Action("bar-back"))
    assert (by_drone(turn), by_drone(back)) == (Action("drone-volume", 10), Action("drone-volume", -10))
    assert by_track("quit") == by_drone("quit") == "quit"
    assert by_drone(Action("trim", 0.5)) == by_track(Action("trim", 0.5)) == Action("trim", 0.5)


def test_a_digit_after_m_is_the_number_of_a_part() -> None:
    taken: list[Command] = []
    take = MuteByDigit(taken.append)
    for key in ("2", "m", "3", "4", "m", "e", "5"):
        command = read_key(key)
        assert command is not None
        take(command)
    table, mute = (lambda n: Action("table", n)), (lambda n: Action("mute", n))
    said = [one for one in taken if not isinstance(one, str)]
    assert said == [table(2), mute(3), table(4), Action("equal"), table(5)]
    assert sum(isinstance(one, str) and one.startswith("tell ") for one in taken) == 2
