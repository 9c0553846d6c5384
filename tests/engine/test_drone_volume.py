"""A drone's volume: turned while it sounds, off and on, always in small steps; by a clock that the test moves.

A step of loudness is heard as a click where it is large. Here the steepest way is the drone's own fade, 0.4 s from its
loudest to nothing, which the first drones of this program had already: no step may be steeper.
"""

from __future__ import annotations

from itertools import pairwise

import pytest

from bridge.engine.play.controls import Action, ControlReader, Controls, parse_foot
from bridge.engine.play.drones.held import HELD_FADE_S, HeldDrone, HeldKeys, HoldPlan
from bridge.engine.play.drones.messages import STEP_S
from bridge.engine.play.drones.plan import DroneNote, DronePlan, DroneStep
from bridge.engine.play.drones.planned import PlannedDrone

STEEPEST = 127 * STEP_S / HELD_FADE_S + 1
"""Of expression, in one step."""


class Levels:
    """Drives a drone, and keeps the expression that it sent."""

    def __init__(self, drone: HeldDrone | PlannedDrone) -> None:
        self.drone = drone
        self.now_s = 0.0
        self.levels: list[int] = []
        self.notes: list[bytes] = []

    def to(self, until_s: float) -> None:
        while self.now_s < until_s:
            self.now_s += 0.01
            for _, data in self.drone.due(self.now_s):
                if data[0] & 0xF0 == 0xB0 and data[1] == 11:
                    self.levels.append(data[2])
                elif data[0] & 0xE0 == 0x80:
                    self.notes.append(data)

    def since(self, at: int) -> list[int]:
        """Return the levels since then, each no further from the one before than may be."""
        found = self.levels[at:]
        whole = self.levels[max(at - 1, 0) :]
        assert all(abs(one - two) <= STEEPEST for one, two in pairwise(whole)), whole
        return found


def held() -> Levels:
    drone = HeldDrone(HoldPlan((HeldKeys((38,)),)))
    drone.follow(1, None, True, 0.0)
    return Levels(drone)


def planned(**said: float) -> Levels:
    steps = (DroneStep("D3", (DroneNote(50),)),)
    return Levels(PlannedDrone(DronePlan(steps, **said), 0.0))  # type: ignore[arg-type]


@pytest.mark.parametrize(("make", "usual"), [(held, 70), (planned, 80)])
def test_it_grows_louder_and_softer_in_small_steps(make: type[Levels], usual: int) -> None:
    run = make()  # type: ignore[call-arg]
    run.to(5.0)
    was, at = run.levels[-1], len(run.levels)
    run.drone.turn(usual, run.now_s)
    run.to(6.0)
    assert run.levels[at:] == [], "it is as loud as that already"
    run.drone.turn(100, run.now_s)
    run.to(8.0)
    louder = run.since(at)
    assert louder == sorted(louder)
    assert louder[-1] == 120, "as loud as any drone may be"
    assert len(louder) >= 4
    at = len(run.levels)
    run.drone.turn(usual, run.now_s)
    run.to(10.0)
    assert run.since(at)[-1] == was, "and back to the very same"
    at = len(run.levels)
    run.drone.turn(0, run.now_s)
    run.to(12.0)
    softer = run.since(at)
    assert softer == sorted(softer, reverse=True)
    assert softer[-1] == 0
    assert len(run.notes) == 1, "its note goes on under it"


def test_a_drone_that_is_turned_off_begins_softly_at_the_volume_of_then() -> None:
    run = held()
    run.to(3.0)
    run.drone.follow(1, None, False, run.now_s)  # type: ignore[union-attr]
    run.to(4.0)
    run.drone.turn(35, run.now_s)
    run.to(4.5)
    at = len(run.levels)
    run.drone.follow(1, None, True, run.now_s)  # type: ignore[union-attr]
    run.to(7.5)
    risen = run.since(at)
    assert risen == sorted(risen)
    assert risen[-1] == 45  # half of what it is at the usual volume, 90


def test_a_drone_that_goes_through_steps_is_silent_while_it_is_off_and_comes_back() -> None:
    run = planned(hold_s=6.0, rest_s=1.0, rounds=3)
    assert isinstance(run.drone, PlannedDrone)
    run.to(4.0)
    at = len(run.levels)
    run.drone.turn(0, run.now_s)
    run.to(5.5)
    assert run.since(at)[-1] == 0
    assert run.drone.quiet
    run.to(11.0)
    assert set(run.levels[at:][-3:]) == {0}, "the next step is silent as well"
    at = len(run.levels)
    run.drone.turn(80, run.now_s)
    assert not run.drone.quiet
    run.to(12.2)
    back = run.since(at)
    assert back == sorted(back)
    assert back[-1] > 60


@pytest.mark.parametrize(("text", "action"), [
    ("20=drone-louder", Action("drone-volume", 10)),
    ("21=drone-softer", Action("drone-volume", -10)),
    ("22=pause", Action("pause")),
    ("23=bar-back", Action("bar-back")),
    ("24=mute-3", Action("mute", 3)),
])  # fmt: skip
def test_feet(text: str, action: Action) -> None:
    controller, read = parse_foot(text)
    assert read == action
    reader = ControlReader(Controls(feet={controller: read}))
    assert reader.take(bytes((0xB0, controller, 127))) == (action, None)
    assert reader.take(bytes((0xB0, controller, 0))) == (None, None)
