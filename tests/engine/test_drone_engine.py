"""The drone as messages: when, how loud, how far off; every note let go, whatever happens between.

Expected values are worked out here: expression and bends decoded by hand from the MIDI 1.0 layout, beats from
frequencies (|p·f1 - q·f2| per second for partials p and q), loudness from the sum of powers.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.engine.play.drones.messages import BEND_RANGE_SEMITONES, DRONE_VELOCITY, STEP_S, restored
from bridge.engine.play.drones.plan import (
    LAST_TAIL_S,
    LEAST_SWELL_S,
    MOST_EXPRESSION,
    STEP_FADE_S,
    DroneNote,
    DronePlan,
    DroneStep,
    beats,
    remaining_share,
)
from bridge.engine.play.drones.planned import PlannedDrone
from bridge.errors import ValueProblem

EQUAL = tuple(440.0 * 2.0 ** ((key - 69) / 12) for key in range(128))
THIRD = DroneStep("third", (DroneNote(50), DroneNote(54, 14.0)))
FIFTH = DroneStep("fifth", (DroneNote(50), DroneNote(57)))
HALF_BEND_CENTS = 100.0 * BEND_RANGE_SEMITONES / 8192 / 2


def play(drone: PlannedDrone, until_s: float = math.inf) -> list[tuple[float, bytes]]:
    """Drive a drone through time."""
    found: list[tuple[float, bytes]] = []
    while (at_s := drone.next_s) is not None and at_s <= until_s and not math.isinf(at_s):
        found += drone.due(at_s)
    return found


def expressions(sent: list[tuple[float, bytes]], channel: int = 1) -> list[tuple[float, int]]:
    return [(at_s, data[2]) for at_s, data in sent if data[0] == 0xB0 | channel - 1 and data[1] == 11]


def bends(sent: list[tuple[float, bytes]], channel: int) -> list[tuple[float, float]]:
    """Bends on a channel, in cents."""
    return [
        (at_s, ((data[2] << 7 | data[1]) - 8192) * 100.0 * BEND_RANGE_SEMITONES / 8192)
        for at_s, data in sent
        if data[0] == 0xE0 | channel - 1
    ]


def notes(sent: list[tuple[float, bytes]], kind: int) -> list[tuple[float, int, int]]:
    return [(at_s, (data[0] & 15) + 1, data[1]) for at_s, data in sent if data[0] & 0xF0 == kind]


def test_a_held_drone_starts_from_nothing_and_swells_to_a_capped_loudness() -> None:
    drone = PlannedDrone(DronePlan((FIFTH,), swell_s=4.0, level=1.0), 10.0)
    sent = play(drone, 20.0)
    first = next(index for index, (_, data) in enumerate(sent) if data[0] & 0xF0 == 0x90)
    for channel in (1, 2):
        before = [data[2] for _, data in sent[:first] if data[0] == 0xB0 | channel - 1 and data[1] == 11]
        assert before == [0], "silent before its first note"
        loudness = expressions(sent, channel)
        assert all(later >= earlier for (_, earlier), (_, later) in itertools.pairwise(loudness))
        assert max(later - earlier for (_, earlier), (_, later) in itertools.pairwise(loudness)) <= 3
        assert loudness[-1][0] == pytest.approx(14.0, abs=2 * STEP_S)
        assert loudness[-1][1] <= MOST_EXPRESSION
        halfway = max(value for at_s, value in loudness if at_s <= 12.0 + 1e-9)
        assert halfway == pytest.approx(loudness[-1][1] / 2, abs=2)
    assert {data[2] for _, data in sent if data[0] & 0xF0 == 0x90} == {DRONE_VELOCITY}
    assert DRONE_VELOCITY < 127
    assert notes(sent, 0x90) == [(10.0, 1, 50), (10.0, 2, 57)]
    assert notes(sent, 0x80) == []
    assert math.isinf(drone.next_s or 0.0), "and then it rests until it is let go"


@pytest.mark.parametrize("count", [1, 2, 3, 8])
def test_more_notes_together_are_no_louder(count: int) -> None:
    """General MIDI's expression squares (amplitude (e/127)²): the sum of powers does not grow."""
    plan = DronePlan((FIFTH,), level=1.0)
    alone = (plan.top_expression(1) / 127) ** 4
    together = count * (plan.top_expression(count) / 127) ** 4
    assert together == pytest.approx(alone, rel=0.03)
    assert plan.top_expression(1) == MOST_EXPRESSION < 127


def test_settling_begins_off_waits_and_comes_home() -> None:
    plan = DronePlan((THIRD,), swell_s=2.0, wait_s=3.0, settle_s=10.0)
    drone = PlannedDrone(plan, 0.0)
    sent = play(drone, 60.0)
    path = bends(sent, 2)
    assert path[0][0] == 0.0
    assert path[0][1] == pytest.approx(14.0, abs=HALF_BEND_CENTS)
    assert path[1][0] == pytest.approx(5.0, abs=2 * STEP_S), "left alone while it swells and is listened to"
    for at_s, cents in path:
        u = min(max((at_s - 5.0) / 10.0, 0.0), 1.0)
        assert cents == pytest.approx(14.0 * (1 - u) ** 2, abs=HALF_BEND_CENTS + 1e-9)
    last_step_s = 15.0 - 10.0 * math.sqrt(HALF_BEND_CENTS / 14.0)  # from there on the nearest bend is none
    assert path[-1] == (pytest.approx(last_step_s, abs=2 * STEP_S), 0.0)
    assert all(later[1] < earlier[1] for earlier, later in itertools.pairwise(path)), "always nearer"
    assert bends(sent, 1) == [(0.0, 0.0)], "the lowest note stands still"
    assert drone.share(60.0) == 0.0


def test_a_synth_that_bends_half_as_far_is_asked_for_twice_as_much() -> None:
    whole, half = DronePlan((THIRD,)), DronePlan((THIRD,), bend_scale=0.5)
    once, twice = (bends(play(PlannedDrone(plan, 0.0), 0.1), 2)[0][1] for plan in (whole, half))
    assert twice == pytest.approx(2 * once, abs=3 * HALF_BEND_CENTS)


def test_beats_are_those_of_the_partials_that_meet() -> None:
    step = DroneStep("third", (DroneNote(50), DroneNote(54)))
    (beat,) = beats(step, EQUAL, 0.0)
    # Equal temperament at A440: F#3 against D3 (4 : 5) beats 5.827 times a second (derived).
    assert (beat.partial, beat.other_partial) == (5, 4)
    assert beat.rate_hz == pytest.approx(5.827, abs=0.001)
    just = list(EQUAL)
    just[54] = just[50] * 5 / 4
    assert beats(step, just, 0.0)[0].rate_hz == pytest.approx(0.0, abs=1e-9)
    begin = beats(THIRD, just, 1.0)[0].rate_hz
    assert begin == pytest.approx(5 * just[50] * (2 ** (14 / 1200) - 1), abs=1e-6)
    halfway = beats(THIRD, just, 0.5)[0].rate_hz
    assert halfway == pytest.approx(5 * just[50] * (2 ** (7 / 1200) - 1), abs=1e-6)


def test_the_share_that_remains_falls_fast_and_ends_slowly() -> None:
    plan = DronePlan((THIRD,), swell_s=2.0, wait_s=1.0, settle_s=10.0)
    assert [remaining_share(plan, at_s) for at_s in (0.0, 3.0, 8.0, 13.0, 99.0)] == [1.0, 1.0, 0.25, 0.0, 0.0]


def test_steps_of_a_lesson_leave_silence_to_sing_into() -> None:
    unison = DroneStep("unison", (DroneNote(50),))
    plan = DronePlan((unison, FIFTH), hold_s=8.0, rest_s=5.0, rounds=2, swell_s=2.0)
    drone = PlannedDrone(plan, 100.0)
    sent = play(drone)
    begin = [100.0, 113.0, 126.0, 139.0]
    assert [at_s for at_s, channel, _ in notes(sent, 0x90) if channel == 1] == begin
    assert [at_s for at_s, channel, _ in notes(sent, 0x80) if channel == 1] == [at_s + 8 for at_s in begin]
    assert [(at_s, key) for at_s, channel, key in notes(sent, 0x90) if channel == 2] == [
        (113.0, 57),
        (139.0, 57),
    ]
    loudness = expressions(sent, 1)
    for from_s in begin:
        at_end = [value for at_s, value in loudness if from_s + 8.0 - STEP_FADE_S / 3 <= at_s <= from_s + 8.0]
        assert at_end
        assert max(at_end) < 0.4 * plan.top_expression(2)
        assert [value for at_s, value in loudness if at_s == from_s + 8.0] == [0]
        in_rest = [value for at_s, value in loudness if from_s + 8.0 < at_s < from_s + 13.0]
        assert in_rest == []
    assert loudness[-1] == (152.0, 127), "expression is put back once all is silent"
    assert sent[-1][0] - 100.0 == pytest.approx(plan.length_s - LAST_TAIL_S)
    assert drone.next_s is None
    assert drone.phase == "over"


def test_without_a_rest_the_loudness_is_put_back_only_after_the_notes_have_died() -> None:
    sent = play(PlannedDrone(DronePlan((FIFTH,), hold_s=5.0), 0.0))
    assert [at_s for at_s, value in expressions(sent, 2) if value == 127] == [5.0 + LAST_TAIL_S]


def test_a_synth_that_forgot_everything_gets_the_step_anew_from_silence() -> None:
    plan = DronePlan((THIRD,), swell_s=2.0, wait_s=1.0, settle_s=4.0)
    drone = PlannedDrone(plan, 0.0)
    play(drone, 3.5)
    drone.again(3.5)
    sent = play(drone, 30.0)
    assert notes(sent, 0x90) == [(3.5, 1, 50), (3.5, 2, 54)]
    assert expressions(sent)[0] == (3.5, 0)
    assert bends(sent, 2)[0][1] == pytest.approx(14.0, abs=HALF_BEND_CENTS), "not settled yet: once more"
    drone.again(30.0)
    after = play(drone, 60.0)
    assert bends(after, 2) == [(30.0, 0.0)], "what has settled stays settled"
    assert any(data[0] == 0xC0 and data[1] == plan.program for _, data in after), "with its sound"


def test_another_player_goes_on_where_the_last_one_was() -> None:
    plan = DronePlan((FIFTH, THIRD), hold_s=30.0, rest_s=5.0)
    first = PlannedDrone(plan, 0.0)
    play(first, 50.0)
    drone = PlannedDrone(plan, 200.0, position_s=first.position_s(50.0))
    assert drone.number == first.number == 2
    assert drone.step.name == "third"
    play(drone, 201.0)
    assert drone.position_s(201.0) == pytest.approx(36.0)
    held = PlannedDrone(DronePlan((THIRD,)), 0.0, position_s=500.0)
    assert bends(play(held, 5.0), 2) == [(0.0, 0.0)]


@given(
    data=st.data(),
    hold_s=st.one_of(st.none(), st.floats(20.0, 40.0)),
    rest_s=st.floats(0.0, 10.0),
    rounds=st.integers(1, 3),
)
def test_every_note_is_let_go_on_its_channel_whenever_one_leaves(
    data: st.DataObject, hold_s: float | None, rest_s: float, rounds: int
) -> None:
    key = st.builds(DroneNote, st.integers(0, 127), st.floats(-100, 100))
    step = st.lists(key, min_size=1, max_size=8).map(lambda found: DroneStep("", tuple(found)))
    steps = data.draw(st.lists(step, min_size=1, max_size=1 if hold_s is None else 4))
    plan = DronePlan(tuple(steps), hold_s=hold_s, rest_s=rest_s, rounds=rounds)
    drone = PlannedDrone(plan, 0.0)
    sent: list[bytes] = []
    now_s = 0.0
    for _ in range(data.draw(st.integers(0, 30))):
        now_s += data.draw(st.floats(0.0, 20.0))  # late calls too
        sent += [message for _, message in drone.due(now_s)]
        if data.draw(st.booleans()):
            drone.again(now_s)
            # the port has let go of the old notes (its ledger knows them)
            sent += [bytes((0x80 | channel, key, 0)) for channel, key in _held(sent)]
    sent += drone.release()
    assert _held(sent) == []
    assert drone.next_s is None
    assert drone.due(now_s + 1e6) == []
    for message in sent:
        assert message[0] & 0x80
        assert all(byte < 0x80 for byte in message[1:])


def _held(sent: list[bytes]) -> list[tuple[int, int]]:
    held: list[tuple[int, int]] = []
    for message in sent:
        if message[0] & 0xF0 == 0x90:
            held.append((message[0] & 15, message[1]))
        elif message[0] & 0xF0 == 0x80:
            held.remove((message[0] & 15, message[1]))
    return held


def test_what_is_put_back() -> None:
    assert restored((1, 16)) == [b"\xb0\x0b\x7f", b"\xbf\x0b\x7f"]


GOOD = DronePlan((FIFTH,), hold_s=20.0)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"steps": ()}, "a drone needs a note"),
        ({"steps": (DroneStep("", ()),)}, "a drone needs a note"),
        ({"steps": (DroneStep("", (DroneNote(50),) * 9),)}, r"9 notes at a time \(at most 8\)"),
        ({"channels": (3,)}, "2 notes at a time need as many channels, and there are 1"),
        ({"steps": (DroneStep("", (DroneNote(50, 101.0),)),)}, r"101 cents off \(at most 100"),
        ({"steps": (DroneStep("", (DroneNote(50, math.nan),)),)}, "nan cents off"),
        ({"swell_s": 1.9}, r"a swell of 1.9 seconds \(2 to 60: a drone that starts at once can hurt"),
        ({"swell_s": math.nan}, "a swell of nan"),
        ({"settle_s": 0.0}, "settling in 0 seconds"),
        ({"wait_s": -1.0}, "-1 seconds before settling"),
        ({"rest_s": 601.0}, "a rest of 601 seconds"),
        ({"rounds": 0}, "0 times through the steps"),
        ({"level": 0.0}, "a level of 0 percent"),
        ({"level": 1.01}, "a level of 101 percent"),
        ({"hold_s": 2.0}, r"2 seconds are too short for a step \(at least 3.6: the swell \(3 s\)"),
        ({"hold_s": math.inf}, "inf seconds are too long"),
        ({"hold_s": None, "steps": (FIFTH, THIRD)}, "several steps need a time for each"),
        (
            {"steps": (THIRD,), "hold_s": 10.0},
            r"too short for a step \(at least 18.6: .* and settling \(12 s\)",
        ),
    ],
)
def test_what_cannot_be_is_refused_with_the_reason(change: dict[str, object], message: str) -> None:
    with pytest.raises(ValueProblem, match=message):
        replace(GOOD, **change)  # type: ignore[arg-type]
    assert LEAST_SWELL_S >= 2.0
