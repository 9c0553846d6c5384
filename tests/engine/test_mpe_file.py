"""Files for MPE receivers: zones, members, managers."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, assume, given, settings
from support.bendcheck import Findings, check
from support.streams import Frequencies, Stream, streams, tables

from bridge.engine.bend.file import BendPlan, plan_bend
from bridge.engine.bend.mpe import choose_zones
from bridge.engine.bend.options import BendOptions
from bridge.errors import MethodProblem, ValueProblem
from bridge.wire.profile import SynthProfile

JUST = Frequencies([0, 12, 4, 16, -14, -2, -10, 2, 14, -16, 18, -12])
ALL = tuple(range(1, 17))
FIXED = SynthProfile("x", "X", "made up", ("mpe",), bend_range_max_semitones=48, mpe_range_fixed_semitones=48)


def chord(channel: int, keys: tuple[int, ...] = (60, 61, 64)) -> Stream:
    status = channel - 1
    return [(0.1, bytes((0x90 | status, key, 80))) for key in keys] + [
        (1.0, bytes((0x80 | status, key, 0))) for key in keys
    ]


def plan_and_check(
    source: Stream,
    options: BendOptions | None = None,
    profile: SynthProfile | None = None,
    skip: tuple[int, ...] = (),
    table: Frequencies = JUST,
) -> tuple[BendPlan, Findings]:
    plan = plan_bend(source, [], table, profile, options, "mpe")
    found = check(source, [(anchor, data) for anchor, _, data in plan.outputs], table, skip=skip)
    assert found.problems == []
    assert found.worst_cents == pytest.approx(plan.report.worst_cents, abs=1e-6)
    return plan, found


def sent(plan: BendPlan) -> list[bytes]:
    return [data for _, _, data in plan.outputs]


def parameters(messages: list[bytes]) -> list[tuple[int, int, int]]:
    """Registered parameters set in a stream: channel 1-16, number, MSB of the value."""
    selected: dict[int, list[int]] = {}
    found = []
    for data in messages:
        if data[0] & 0xF0 == 0xB0:
            pair = selected.setdefault(data[0] & 15, [127, 127])
            if data[1] in (100, 101):
                pair[data[1] - 100] = data[2]
            elif data[1] == 6 and pair[1] == 0:
                found.append(((data[0] & 15) + 1, pair[0], data[2]))
    return found


def test_one_part_plays_the_lower_zone() -> None:
    plan, found = plan_and_check(chord(5))
    assert parameters(sent(plan)) == [(1, 6, 8), (1, 0, 2), *((member, 0, 2) for member in range(2, 10))]
    assert found.channels <= set(range(1, 9))
    assert found.off == []


def test_two_parts_play_two_zones_beside_the_drums() -> None:
    drums: Stream = [(0.1, bytes((0x99, 38, 90))), (0.2, bytes((0x89, 38, 0)))]
    source = sorted([*chord(3), *chord(7, (50, 52)), *drums], key=lambda event: event[0])
    plan, found = plan_and_check(source)
    zones = [each for each in parameters(sent(plan)) if each[1] == 6]
    assert zones == [(1, 6, 8), (16, 6, 5)]
    by_source = {part: {note.channel for note in found.notes if note.source == part} for part in (2, 6)}
    assert by_source[2] <= set(range(1, 9))
    assert by_source[6] <= set(range(10, 15))
    assert any(data is drums[0][1] for data in sent(plan))


def test_what_concerns_the_zone_goes_to_its_manager() -> None:
    source: Stream = [
        (0.0, bytes((0xC4, 40))),
        (0.0, bytes((0xB4, 7, 99))),
        *chord(5)[:3],
        (0.5, bytes((0xB4, 64, 127))),
        (0.6, bytes((0xE4, 0, 80))),
        (0.7, bytes((0xD4, 33))),
        (0.8, bytes((0xA4, 61, 44))),
        *chord(5)[3:],
        (2.0, bytes((0xB4, 64, 0))),
    ]
    plan, found = plan_and_check(source)
    messages = sent(plan)
    for data in (b"\xc0\x28", b"\xb0\x07\x63", b"\xb0\x40\x7f", b"\xd0\x21", b"\xb0\x40\x00"):
        assert data in messages
    assert not any(data[0] == 0xE0 for data in messages)  # the manager is never bent
    member = next(note.channel for note in found.notes if note.key == 61)
    assert bytes((0xD0 | member, 44)) in messages
    assert found.off == []


def test_a_fixed_range_says_what_its_steps_leave() -> None:
    plan, found = plan_and_check(chord(1), profile=FIXED)
    assert plan.report.range_semitones == 48
    assert found.off == []
    assert any("0.29 cents" in text for text in plan.report.notices)


def test_more_parts_are_refused_with_the_alternatives() -> None:
    source = sorted([*chord(1), *chord(2), *chord(4)], key=lambda event: event[0])
    with pytest.raises(
        MethodProblem, match=r"3 channels play pitched notes \(1-2, 4\).*--part.*--method bend"
    ):
        plan_bend(source, [], JUST, None, None, "mpe")
    plan, found = plan_and_check(source, BendOptions(parts=(4,)), skip=(0, 1))
    assert {note.source for note in found.notes} == {3}
    assert any("left out: channels 1-2" in text for text in plan.report.notices)
    with pytest.raises(ValueProblem, match=r"channel 9 plays no pitched notes .*1-2, 4"):
        plan_bend(source, [], JUST, None, BendOptions(parts=(9,)), "mpe")


def test_a_part_that_needs_more_members_gets_them() -> None:
    keys = tuple(range(60, 70))
    plan, found = plan_and_check(chord(1, keys))
    assert found.off == []
    assert parameters(sent(plan))[0] == (1, 6, 10)


def test_with_drums_a_zone_ends_before_them_and_the_loss_is_chosen() -> None:
    keys = tuple(range(60, 70))
    drums: Stream = [(0.1, bytes((0x99, 38, 90))), (0.2, bytes((0x89, 38, 0)))]
    plan, found = plan_and_check(sorted([*chord(1, keys), *drums], key=lambda event: event[0]))
    assert parameters(sent(plan))[0] == (1, 6, 8)
    assert plan.report.channels_allowed == 8
    assert len(found.off) == plan.report.notes - plan.report.exact > 0


def test_zones_are_set_up_again_after_a_reset() -> None:
    source: Stream = [
        *chord(1),
        (2.0, bytes.fromhex("f07e7f0901f7")),
        *((t + 3, data) for t, data in chord(1)),
    ]
    plan, found = plan_and_check(source)
    assert sum(each[1] == 6 for each in parameters(sent(plan))) == 2
    assert found.off == []


@pytest.mark.parametrize(
    ("demand", "free", "zones"),
    [
        ({1: 3}, ALL, {1: (1, 8)}),
        ({1: 12}, ALL, {1: (1, 12)}),
        ({1: 20}, ALL, {1: (1, 15)}),
        ({1: 3}, tuple(range(2, 17)), {1: (16, 5)}),
        ({1: 3, 2: 4}, ALL, {2: (1, 8), 1: (16, 5)}),
        ({1: 9, 2: 5}, ALL, {1: (1, 9), 2: (16, 5)}),
        ({1: 8, 2: 6}, ALL, {1: (1, 8), 2: (16, 6)}),
        ({1: 12, 2: 6}, tuple(c for c in ALL if c != 10), {1: (1, 8), 2: (16, 5)}),
    ],
)
def test_zones_by_demand(
    demand: dict[int, int], free: tuple[int, ...], zones: dict[int, tuple[int, int]]
) -> None:
    found = choose_zones(demand, free)
    assert {part: (zone.manager, zone.members) for part, zone in found.items()} == zones


def test_no_room_for_a_zone() -> None:
    with pytest.raises(MethodProblem, match="no MPE zone"):
        choose_zones({1: 2}, (3, 4, 5))
    with pytest.raises(MethodProblem, match="no MPE zone"):
        choose_zones({1: 2, 2: 2}, tuple(range(1, 9)))


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(streams(channels=(0, 4, 9), most=50, resets=True), tables())
def test_random_streams_in_zones(stream: Stream, table: Frequencies) -> None:
    assume(any(data[0] & 0xF0 == 0x90 and data[0] != 0x99 for _, data in stream))
    plan, found = plan_and_check(stream, table=table)
    assert len(found.off) == plan.report.notes - plan.report.exact
    if plan.report.demand_max <= 5 and not plan.report.clipped:
        assert found.off == []
