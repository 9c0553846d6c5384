"""A drone that a foot makes louder and softer, and fades off and on: from words to what the synth receives.

Ports are in memory, and time is the test's.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import pytest
from support.fake_ports import Desk, FakeSystem, Synth

from bridge.engine.play.controls import Action, Controls, parse_foot
from bridge.engine.play.drones.held import HELD_FADE_S
from bridge.engine.play.drones.messages import STEP_S
from bridge.errors import ValueProblem
from bridge.jobs.choose import TableRequest
from bridge.jobs.drone import DroneRequest
from bridge.live.plan import LivePlan
from bridge.live.player.player import Player
from bridge.live.prepare.drone import prepare_drone
from bridge.live.prepare.keyboard import LiveRequest, prepare

OPEN_D = TableRequest(guitar="open-d", reference="D3=146.5")
FEET = Controls(
    feet={
        66: Action("drone"),
        67: Action("drone-volume", 10),
        68: Action("drone-volume", -10),
        69: Action("panic"),
    }
)
STEEPEST = 127 * STEP_S / HELD_FADE_S + 1
"""Of expression in a step: as steep as a drone's own fade, which nobody hears as a click."""


def alone() -> LivePlan:
    """``stillbeat drone 1 --in keys --out box --foot …``."""
    asked = DroneRequest(notes=("1",))
    return prepare_drone(
        OPEN_D, asked, out_port="box", synth="full-midi-tuning", in_port="keys", controls=FEET
    ).plan


def under() -> LivePlan:
    """``stillbeat play --in keys --out box --drone 1 --foot …``."""
    asked = LiveRequest(
        table=OPEN_D, out_port="box", in_port="keys", synth="full-midi-tuning", drone="1", controls=FEET
    )
    return prepare(asked).plan


class Stage:
    """A drone on a synth in memory, and a foot."""

    def __init__(self, plan: LivePlan) -> None:
        desk = Desk()
        self.keys = desk.keyboard("Keys:Keys MIDI 1")
        self.box = Synth("Box:Box MIDI 1")
        desk.synth("Box:Box MIDI 1", self.box)
        self.now_s = 0.0
        self.said: list[str] = []
        self.player = Player(
            plan, FakeSystem(desk), lambda _kind, text: self.said.append(text), clock=lambda: self.now_s
        )
        self.player.open()

    def to(self, until_s: float) -> None:
        while self.now_s < until_s:
            self.now_s += 0.01
            self.player.tick()

    def press(self, controller: int) -> None:
        self.keys.play(bytes((0xB0, controller, 127)))
        self.keys.play(bytes((0xB0, controller, 0)))

    def levels(self) -> list[int]:
        return [data[2] for data in self.box.received if data[0] & 0xF0 == 0xB0 and data[1] == 11]

    def offs(self) -> int:
        return sum(data[0] & 0xF0 == 0x80 for data in self.box.received)


@pytest.mark.parametrize("plan", [alone, under])
def test_louder_softer_off_and_on_by_foot_in_small_steps(plan: Callable[[], LivePlan]) -> None:
    stage = Stage(plan())
    stage.to(5.0)
    usual = stage.levels()[-1]
    stage.press(67)
    stage.to(6.0)
    louder = stage.levels()[-1]
    assert louder > usual
    before = stage.player.state().drone_volume
    stage.press(68)
    stage.press(68)
    stage.to(7.0)
    assert stage.levels()[-1] < usual
    assert stage.player.state().drone_volume == before - 20  # type: ignore[operator]
    stage.press(66)
    stage.to(8.5)
    assert stage.levels()[-1] == 0
    stage.press(66)
    stage.to(12.0)
    assert 0 < stage.levels()[-1] < usual
    at = stage.levels().index(louder)
    assert all(abs(one - other) <= STEEPEST for one, other in pairwise(stage.levels()[at:])), stage.levels()
    for _ in range(9):
        stage.press(67)
    stage.to(12.1)
    assert "as loud as it goes" in stage.said[-1]
    stage.player.leave()
    assert stage.levels()[-1] == 127, "the synth's loudness is put back"


def test_a_drone_that_ends_ends_the_command_though_a_foot_is_there() -> None:
    asked = DroneRequest(notes=("1",), hold_s=4.0)
    plan = prepare_drone(
        OPEN_D, asked, out_port="box", synth="full-midi-tuning", in_port="keys", controls=FEET
    ).plan
    stage = Stage(plan)
    stage.to(2.0)
    assert not stage.player.ended
    stage.to(5.0)
    assert stage.player.ended
    stage.player.leave()


def test_a_foot_without_a_port_is_asked_for() -> None:
    with pytest.raises(ValueProblem, match="name it with --in"):
        prepare_drone(OPEN_D, DroneRequest(notes=("1",)), controls=FEET)


@pytest.mark.parametrize("name", ["next", "pause", "mute-2", "table-3", "listen"])
def test_a_foot_that_would_do_nothing_is_refused(name: str) -> None:
    feet = Controls(feet=dict([parse_foot(f"66={name}")]))
    with pytest.raises(ValueProblem, match="does nothing for this drone") as problem:
        prepare_drone(OPEN_D, DroneRequest(notes=("1",)), in_port="keys", controls=feet)
    assert (
        problem.value.hint
        == "it may mean: drone, drone-louder, drone-softer, equal, trim-up, trim-down, panic, undo"
    )


def test_feet_lead_a_drone_on_the_sound_card() -> None:
    plan = prepare_drone(OPEN_D, DroneRequest(notes=("1",)), in_port="keys", controls=FEET).plan
    assert (plan.card, plan.in_port, plan.controls) == (True, "keys", FEET)
