"""Two keyboards in one run: each vanishes and comes back alone, neither ends what the other holds, both are named."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from support import jack
from support.fake_ports import Desk, FakeSystem, Synth
from support.live import LiveRun, until

from bridge.engine.play.controls import Controls
from bridge.engine.play.keyboards import Keyboard, parse_keyboard
from bridge.engine.play.tables import Kept, PlayTable
from bridge.errors import PortProblem, StillbeatError, ValueProblem
from bridge.live.desk.desk import _link
from bridge.live.desk.keeper import _keyboards
from bridge.live.desk.labels import Labels
from bridge.live.desk.views.playing import LinesDisplay, picture
from bridge.live.plan import LivePlan
from bridge.live.player.player import Player
from bridge.live.prepare.evening import EveningRequest, prepare_evening
from bridge.live.prepare.keyboard import keyboards_named
from bridge.live.snapshot import Snapshot
from bridge.live.state import KeyboardSeen, State
from bridge.page.frames import Stand
from bridge.page.seen import Shower
from bridge.store.profiles import load_profile

EVENING = Path(__file__).resolve().parents[2] / "examples" / "evening"
EQUAL = tuple(440.0 * 2 ** ((key - 69) / 12) for key in range(128))
TABLES = tuple(PlayTable(name, EQUAL, EQUAL, tonic) for name, tonic in (("D", 2), ("A", 9)))
LEFT, RIGHT = parse_keyboard("left: keys to B3, octave +1"), Keyboard("right")
PLAN = LivePlan(
    out_port="box",
    tables=TABLES,
    method="note",
    profile=load_profile("full-midi-tuning"),
    keyboards=(LEFT, RIGHT),
    controls=Controls(zone=(24, 35), zone_means="table"),
)


class Stage:
    """A desk with two keyboards and a synth, and a player with a clock that the test moves."""

    def __init__(self) -> None:
        self.desk = Desk()
        self.left, self.right = (self.desk.keyboard(f"{name}:{name} MIDI 1") for name in ("Left", "Right"))
        self.box = self.desk.synth("Box:Box MIDI 1")
        self.now_s = 100.0
        self.said: list[tuple[str, str]] = []
        self.player: Player | None = None

    def play(self, **changes: object) -> Player:
        plan = replace(PLAN, **changes)  # type: ignore[arg-type]
        self.player = Player(
            plan, FakeSystem(self.desk), lambda *said: self.said.append(said), clock=lambda: self.now_s
        )
        self.player.open()
        return self.player

    def pass_time(self, seconds: float) -> None:
        assert self.player is not None
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            self.now_s += 0.05
            self.player.tick()

    def notes(self) -> list[tuple[int, int]]:
        """Status and key of every note that the synth received."""
        return [(data[0], data[1]) for data in self.box.received if data[0] < 0xA0]

    def told(self, kind: str) -> list[str]:
        return [text for one, text in self.said if one == kind]


@pytest.fixture
def stage() -> Iterator[Stage]:
    one = Stage()
    yield one
    if one.player is not None:
        one.player.leave()


def test_each_plays_as_it_was_said(stage: Stage) -> None:
    player = stage.play()
    stage.left.play(bytes((0x90, 48, 90)), bytes((0x90, 72, 90)), bytes((0x80, 48, 0)))
    stage.right.play(bytes((0x90, 72, 90)), bytes((0x80, 72, 0)))
    assert stage.notes() == [(0x90, 60), (0x80, 60), (0x90, 72), (0x80, 72)]
    stage.left.play(bytes((0x90, 25, 90)))
    assert player.performance.switch.number == 2, "silent keys are those of both"
    stage.right.play(bytes((0x90, 24, 90)))
    assert player.performance.switch.number == 1
    state = player.state()
    assert state.keyboard == "Left:Left MIDI 1 and Right:Right MIDI 1"
    assert state.keyboards == (KeyboardSeen("Left:Left MIDI 1"), KeyboardSeen("Right:Right MIDI 1"))
    assert state.keyboard_there


def test_the_same_key_on_both_sounds_until_both_let_go(stage: Stage) -> None:
    stage.play()
    stage.left.play(bytes((0x90, 48, 90)))
    stage.right.play(bytes((0x90, 60, 90)), bytes((0x80, 60, 0)))
    assert stage.notes() == [(0x90, 60), (0x90, 60)]
    stage.left.play(bytes((0x80, 48, 0)))
    assert stage.notes()[2:] == [(0x80, 60), (0x80, 60)]


def test_one_vanishes_and_comes_back_alone(stage: Stage) -> None:
    player = stage.play()
    stage.left.play(bytes((0x90, 48, 90)))
    stage.right.play(bytes((0x90, 64, 90)))
    stage.desk.unplug(stage.right.name)
    stage.pass_time(1.0)
    assert stage.told("lost") == [
        "the keyboard's port Right:Right MIDI 1 is gone; its notes are let go, waiting for it"
    ]
    assert stage.notes()[2:] == [(0x80, 64)], "the other one sounds on"
    state = player.state()
    assert [one.there for one in state.keyboards] == [True, False]
    assert not state.keyboard_there
    stage.left.play(bytes((0x90, 50, 90)))
    assert stage.notes()[3:] == [(0x90, 62)]
    stage.desk.plug(stage.right.name)
    stage.pass_time(1.0)
    assert stage.told("back") == ["the keyboard's port Right:Right MIDI 1 is back"]
    stage.right.play(bytes((0x90, 67, 90)))
    assert stage.notes()[4:] == [(0x90, 67)]
    assert player.state().keyboard_there


def test_two_of_one_make_are_told_apart_by_their_numbers(stage: Stage) -> None:
    first, second = (stage.desk.keyboard(f"Twin:Twin MIDI 1 {number}:0") for number in (20, 24))
    stage.play(keyboards=(Keyboard(first.name, octave=1), Keyboard(second.name)))
    stage.desk.unplug(second.name)
    stage.pass_time(1.0)
    second = stage.desk.keyboard("Twin:Twin MIDI 1 28:0")  # as ALSA numbers it once it is plugged in again
    stage.pass_time(1.0)
    first.play(bytes((0x90, 48, 90)))
    second.play(bytes((0x90, 50, 90)))
    assert stage.notes() == [(0x90, 60), (0x90, 50)]


class Echo(Synth):
    """A synth that sends back what it receives."""

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.echoes = False
        self.waiting: list[bytes] = []

    def take(self, data: bytes) -> None:
        super().take(data)
        if self.echoes:
            self.waiting.append(data)


def test_a_loop_over_one_of_them_cuts_that_one_alone(stage: Stage) -> None:
    box = stage.desk.synths[stage.box.name] = stage.box = Echo(stage.box.name)
    player = stage.play(keyboards=(Keyboard("left"), Keyboard("right")))
    stage.pass_time(10.0)
    box.echoes = True
    stage.left.play(bytes((0x90, 66, 100)))
    for _ in range(300):  # 100 messages a second
        stage.now_s += 0.01
        if box.waiting:
            stage.right.play(box.waiting.pop(0))
        player.tick()
    assert len(stage.told("lost")) == 1
    assert "comes back on Right:Right MIDI 1, a MIDI loop" in stage.told("lost")[0]
    state = player.state()
    assert [one.looped for one in state.keyboards] == [False, True]
    shown = Snapshot(link=_link(state), **LABELS.shown(state))
    text = "\n".join(str(line) for line in picture(shown, 80, 24))
    assert "a MIDI loop: right not heard" in text
    stage.right.play(bytes((0x90, 40, 100)))
    stage.left.play(bytes((0x90, 42, 100)))
    assert stage.notes()[-1] == (0x90, 42), "the left hand plays on"


def test_two_names_of_one_port_are_refused(stage: Stage) -> None:
    with pytest.raises(PortProblem, match="'left' and 'Left MIDI' are one port: Left:Left MIDI 1"):
        stage.play(keyboards=(Keyboard("left"), Keyboard("Left MIDI", octave=1)))
    with pytest.raises(PortProblem, match="no input port 'middle'"):
        stage.play(keyboards=(Keyboard("left"), Keyboard("middle")))


def test_ports_of_our_own_bear_numbers(stage: Stage) -> None:
    player = stage.play(keyboards=(Keyboard("new"), Keyboard("new", octave=1)))
    one, two = (end.name for end in player.state().keyboards)
    assert one != two


def test_a_player_that_replaces_another_opens_the_same_two(stage: Stage) -> None:
    state = stage.play().state()
    named = _keyboards(PLAN, state)["keyboards"]
    assert [one.port for one in named] == ["Left:Left MIDI 1", "Right:Right MIDI 1"]
    assert (named[0].keys, named[0].octave) == ((0, 59), 1)
    alone = replace(PLAN, keyboards=(), in_port="left")
    assert _keyboards(alone, replace(state, keyboards=state.keyboards[:1])) == {"in_port": "Left:Left MIDI 1"}
    assert _keyboards(replace(alone, in_port="new"), state) == {"in_port": "new"}
    stage.desk.unplug(stage.right.name)
    second = Player(
        replace(PLAN, returning=True, keyboards=named), FakeSystem(stage.desk), lambda *said: None
    )
    second.open()
    assert [one.there for one in second.state().keyboards] == [True, False]
    second.leave()


# ---- what is asked for


def test_one_keyboard_as_it_comes_is_an_input_and_several_are_keyboards() -> None:
    assert keyboards_named(["left"]) == {"in_port": "left"}
    assert keyboards_named(["left: channel 2"]) == {"keyboards": (Keyboard("left", channel=2),)}
    assert keyboards_named([]) == {"keyboards": ()}
    with pytest.raises(ValueProblem, match=r"9 keyboards .at most 8"):
        keyboards_named([f"k{n}" for n in range(9)])


def test_a_session_names_both(tmp_path: Path) -> None:
    folder = tmp_path / "evening"
    shutil.copytree(EVENING, folder)
    file = folder / "evening.toml"
    text = file.read_text(encoding="utf-8")

    def said(entry: str) -> LivePlan:
        file.write_text(text.replace("control_channel = 16", f"control_channel = 16\ninput = {entry}"))
        return prepare_evening(EveningRequest(file=file)).plan

    plan = said('["left: keys C2-B3, octave +1, channel 16", "right: velocity 90"]')
    assert plan.keyboards == (Keyboard("left", (36, 59), 1, 16), Keyboard("right", max_velocity=90))
    assert plan.drone is not None
    assert plan.drone.channels == (15,), "16 is played on"
    assert said('"left"').in_port == "left"
    asked = EveningRequest(file=file, keyboards=(LEFT, RIGHT))
    assert prepare_evening(asked).plan.keyboards == (LEFT, RIGHT), "what is asked for comes first"
    for entry, says in (
        ('["left: keys B3-C2", "right"]', r"line \d+: input: left: the keys 'B3-C2' run downward"),
        ("3", "input"),
        ("[" + ", ".join(f'"k{n}"' for n in range(9)) + "]", "input names 9 keyboards"),
    ):
        with pytest.raises(StillbeatError, match=says):
            said(entry)


# ---- what is shown

LABELS = Labels(TABLES, keyboards=(LEFT, RIGHT))


def seen(*there: bool) -> Snapshot:
    names = ("Left:Left MIDI 1", "Right:Right MIDI 1")
    keyboards = tuple(KeyboardSeen(name, one) for name, one in zip(names, there, strict=True))
    state = State(kept=Kept(1), keyboard=" and ".join(names), keyboards=keyboards, keyboard_there=all(there))
    link = "ok" if all(there) else "keyboard gone"
    return Snapshot(link=link, **LABELS.shown(state))  # type: ignore[arg-type]


def test_picture_and_page_name_both_and_say_which_is_gone(capsys: pytest.CaptureFixture[str]) -> None:
    text = "\n".join(str(line) for line in picture(seen(True, True), 80, 24))
    assert "keyboard left: keys to B3, 1 octave up   keyboard right" in text
    one = "\n".join(str(line) for line in picture(seen(True, False), 80, 24))
    assert "keyboard right is gone: waiting" in one
    both = "\n".join(str(line) for line in picture(seen(False, False), 80, 24))
    assert "keyboards left and right are gone: waiting" in both
    page = Shower(Stand(command="play", tables=TABLES)).shown(seen(False, True))
    assert page["remarks"] == ["keyboard left: keys to B3, 1 octave up", "keyboard right"]
    assert page["health"]["words"] == "keyboard left is gone: waiting"
    LinesDisplay().show(seen(True, True))


# ---- on a real server


@pytest.mark.jack
def test_two_keyboards_on_a_real_server(sine_font: Path, tmp_path: Path) -> None:
    with (
        jack.JackServer(synchronous=False) as server,  # one that waits for its clients may hang as one leaves
        jack.JackTap(server, name="left") as left,
        jack.JackFluidSynth(server, sine_font) as synth,
    ):
        left.listen_to(synth)
        right = jack.JackTap(server, name="right")
        right.__enter__()
        options = ("--guitar", "open-d", "--reference", "D3=146.5", "--out", "synth", "--synth", "fluidsynth")
        hands = ("--in", "left: keys to B4, octave +1", "--in", "right")
        try:
            with LiveRun(server.env, tmp_path, *options, *hands) as live:
                live.wait("^ready: left.* and right.* -> ", 30.0)
                left.send(bytes((0x90, 50, 90)))  # sounds an octave higher, as D4
                right.send(bytes((0x90, 62, 90)))
                until(lambda: sounding(left) > 0.01, limit_s=20.0, what="neither is heard")
                right.send(bytes((0x80, 62, 0)))
                left.record(0.5)
                until(
                    lambda: sounding(left) > 0.01, limit_s=20.0, what="the left hand does not hold it still"
                )
                right.__exit__(None, None, None)
                live.wait("^the keyboard's port right.* is gone; its notes are let go", 30.0)
                until(lambda: sounding(left) > 0.01, limit_s=20.0, what="what the left hand holds has ended")

                def ended() -> bool:
                    left.send(
                        bytes((0x80, 50, 0))
                    )  # again: this server may lose the period in which it comes
                    return sounding(left) < 1e-4

                until(ended, limit_s=20.0, what="it hangs")
                right = jack.JackTap(server, name="right")
                right.__enter__()
                live.wait("^the keyboard's port right.* is back", 30.0)
                right.send(bytes((0x90, 66, 90)))
                until(lambda: sounding(left) > 0.01, limit_s=20.0, what="the right hand is not heard again")
                live.say("quit")
                assert live.exit_code(30.0) == 0
        finally:
            right.__exit__(None, None, None)
    assert not any(name.endswith(".part") for name in os.listdir(tmp_path))


def sounding(tap: jack.JackTap) -> float:
    """How loud it is now, whatever a busy machine leaves out."""
    return tap.record(0.4).peak(0.05, 0.3)
