"""Random streams through the planned allocation, read by a second, separate receiver."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from support.bendcheck import check
from support.streams import Frequencies, Stream, notes_only, streams, tables

from bridge.engine.bend.file import BendPlan, plan_bend
from bridge.engine.bend.options import BendOptions
from bridge.errors import MethodProblem

pytestmark = pytest.mark.slow

QUIET = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])


def outputs(plan: BendPlan) -> list[tuple[int, bytes]]:
    assert all(time_s is None for _, time_s, _ in plan.outputs)
    return [(anchor, data) for anchor, _, data in plan.outputs]


def with_markers(stream: Stream, places: list[int]) -> tuple[Stream, list[int]]:
    """Put empty messages into a stream; return it and their anchors."""
    marked = list(stream)
    for place in sorted(places, reverse=True):
        at = min(place, len(stream))
        marked.insert(at, (stream[at - 1][0] if at else 0.0, b""))
    return marked, [anchor for anchor, (_, data) in enumerate(marked) if not data]


@QUIET
@given(streams(resets=True), tables())
def test_every_note_is_in_tune_where_channels_suffice(stream: Stream, table: list[float]) -> None:
    plan = plan_bend(stream, [], table)
    found = check(stream, outputs(plan), table)
    assert found.problems == []
    assert len(found.notes) == plan.report.notes
    assert found.worst_cents == pytest.approx(plan.report.worst_cents, abs=1e-6)
    assert len(found.off) == plan.report.notes - plan.report.exact
    if plan.report.demand_max <= 15 and not plan.report.clipped:
        assert found.off == []


@QUIET
@given(streams(most=40), st.lists(tables(), min_size=2, max_size=4), st.lists(st.integers(0, 60), max_size=3))
def test_sounding_notes_follow_every_change_of_table(
    stream: Stream, given_tables: list[list[float]], places: list[int]
) -> None:
    marked, anchors = with_markers(stream, places[: len(given_tables) - 1])
    changes = dict(zip(anchors, given_tables[1:], strict=False))
    plan = plan_bend(marked, list(changes.items()), given_tables[0])
    found = check(marked, outputs(plan), given_tables[0], changes)
    assert found.problems == []
    assert found.worst_cents == pytest.approx(plan.report.worst_cents, abs=1e-6)
    if plan.report.demand_max <= 15 and not plan.report.clipped:
        assert found.off == []


@QUIET
@given(streams(most=50, modes=False), tables(repeating=False), st.integers(4, 6))
def test_what_is_reported_is_what_is_heard_where_channels_are_short(
    stream: Stream, table: list[float], count: int
) -> None:
    options = BendOptions(channels=tuple(range(1, count + 1)))
    plan = plan_bend(stream, [], table, None, options)
    found = check(stream, outputs(plan), table)
    assert found.problems == []
    assert found.worst_cents == pytest.approx(plan.report.worst_cents, abs=1e-6)
    assert len(found.off) == plan.report.notes - plan.report.exact
    assert found.channels <= set(range(count))
    mean = sum(note.worst_cents for note in found.notes) / max(1, len(found.notes))
    assert plan.report.mean_cents == pytest.approx(mean, abs=1e-6)
    if plan.report.demand_max <= count and not plan.report.clipped:
        assert found.off == []


@QUIET
@given(
    streams(most=40, modes=False),
    st.lists(tables(repeating=False), min_size=2, max_size=3),
    st.integers(1, 40),
)
def test_what_is_reported_is_what_is_heard_through_changes_too(
    stream: Stream, given_tables: list[list[float]], place: int
) -> None:
    marked, anchors = with_markers(stream, [place, place + 9][: len(given_tables) - 1])
    changes = dict(zip(anchors, given_tables[1:], strict=False))
    options = BendOptions(channels=(1, 2, 3, 4))
    plan = plan_bend(marked, list(changes.items()), given_tables[0], None, options)
    found = check(marked, outputs(plan), given_tables[0], changes)
    assert found.problems == []
    assert len(found.off) == plan.report.notes - plan.report.exact


@QUIET
@given(notes_only(), tables(repeating=False))
def test_as_many_channels_as_the_demand_are_enough(stream: Stream, table: list[float]) -> None:
    demand = plan_bend(stream, [], table).report.demand_max
    assume(0 < demand <= 15)
    some = [*range(1, 10), *range(11, 17)][:demand]
    options = BendOptions(channels=tuple(some))
    plan = plan_bend(stream, [], table, None, options)
    assert plan.report.exact == plan.report.notes
    assert check(stream, outputs(plan), table).off == []


@QUIET
@given(notes_only(), tables())
def test_the_demand_is_the_depth_of_what_sounds(stream: Stream, table: Frequencies) -> None:
    # counted message by message: how many different offsets sound on each channel
    down: dict[tuple[int, int], int] = {}
    most = 0
    for _, data in stream:
        where = (data[0] & 15, table.cents[data[1] % len(table.cents)])
        down[where] = down.get(where, 0) + (1 if data[0] >> 4 == 9 and data[2] else -1)
        most = max(most, sum(count > 0 for count in down.values()))
    assert plan_bend(stream, [], table).report.demand_max == most


@pytest.mark.slow
@QUIET
@given(notes_only(channels=(0, 1, 2, 3)), tables(repeating=False))
def test_too_few_channels_are_refused_by_the_number_that_works(stream: Stream, table: list[float]) -> None:
    least = _sources_at_once(stream)
    assume(least >= 2)
    with pytest.raises(MethodProblem, match=f"allow at least {least} "):
        plan_bend(stream, [], table, None, BendOptions(channels=tuple(range(1, least))))
    plan = plan_bend(stream, [], table, None, BendOptions(channels=tuple(range(1, least + 1))))
    assert check(stream, outputs(plan), table).problems == []


def _sources_at_once(stream: Stream) -> int:
    """Count, message by message, how many channels have a key down."""
    down: dict[int, int] = {}
    most = 0
    for _, data in stream:
        channel = data[0] & 15
        down[channel] = down.get(channel, 0) + (1 if data[0] >> 4 == 9 and data[2] else -1)
        most = max(most, sum(count > 0 for count in down.values()))
    return most


@QUIET
@given(streams(most=40, modes=False), tables())
def test_plain_keeps_modulation_chorus_and_detuning_away(stream: Stream, table: list[float]) -> None:
    plan = plan_bend(stream, [], table, None, BendOptions(plain=True))
    assert check(stream, outputs(plan), table, plain=True).problems == []


@QUIET
@given(streams(most=40), tables())
def test_the_same_input_gives_the_same_output(stream: Stream, table: list[float]) -> None:
    assert outputs(plan_bend(stream, [], table)) == outputs(plan_bend(stream, [], table))
