"""More offsets than channels: the chosen loss against every possible choice, and who stays pure."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from support.bendcheck import check
from support.streams import Frequencies, Stream

from bridge.engine.bend.classes import crowded_spans, depth, sort_into_classes
from bridge.engine.bend.file import plan_bend
from bridge.engine.bend.options import BendOptions
from bridge.engine.bend.overload import pure_notes, share
from bridge.engine.offsets import Offsets
from bridge.engine.score import read_score

TABLE = Frequencies([(key * 37) % 83 - 41 for key in range(128)])
QUIET = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much])

Note = tuple[int, int, float, float, int]
"""Channel 0-15, key, start and end in seconds, velocity."""


def stream_of(notes: list[Note]) -> Stream:
    """Ends before starts at the same time, so that a note that follows another can take its channel."""
    events = [(end, 0, bytes((0x80 | channel, key, 0))) for channel, key, _, end, _ in notes]
    events += [
        (start, 1, bytes((0x90 | channel, key, velocity))) for channel, key, start, _, velocity in notes
    ]
    return [(time_s, data) for time_s, _, data in sorted(events)]


@st.composite
def note_lists(draw: st.DrawFn, most: int, sources: int = 2) -> list[Note]:
    """Notes on different keys, so that every note is a class of its own."""
    keys = draw(st.lists(st.integers(40, 80), min_size=2, max_size=most, unique=True))
    notes = []
    for key in keys:
        start = draw(st.integers(0, 8))
        length = draw(st.integers(1, 8))
        notes.append(
            (
                draw(st.integers(0, sources - 1)),
                key,
                start / 2,
                (start + length) / 2,
                draw(st.integers(1, 127)),
            )
        )
    return notes


def losses(notes: list[Note], weights: list[float], groups: list[int], channels: int) -> float:
    """The total loss of a grouping; infinite if it needs more channels or mixes sources.

    Worked out by cutting time at every start and end.
    """
    offsets = [1200 * math.log2(TABLE[key] / 440) - 100 * (key - 69) for _, key, *_ in notes]
    times = sorted({time for note in notes for time in note[2:4]})
    total = 0.0
    for begin, end in itertools.pairwise(times):
        sounding = [at for at, note in enumerate(notes) if note[2] <= begin and note[3] >= end]
        there: dict[int, list[int]] = {}
        for at in sounding:
            there.setdefault(groups[at], []).append(at)
        if len(there) > channels:
            return math.inf
        for members in there.values():
            if len({notes[at][0] for at in members}) > 1:
                return math.inf
            total += (end - begin) * min(
                sum(weights[at] * abs(offsets[at] - offsets[bend]) for at in members) for bend in members
            )
    return total


def is_continuous(notes: list[Note], groups: list[int]) -> bool:
    """Whether each group is joined only while something of it still sounds."""
    for group in set(groups):
        members = sorted(
            (notes[at] for at, each in enumerate(groups) if each == group), key=lambda note: note[2]
        )
        until = members[0][3]
        for note in members[1:]:
            if note[2] >= until:
                return False
            until = max(until, note[3])
    return True


def partitions(count: int) -> list[list[int]]:
    """All ways to put things into groups."""
    if count == 0:
        return [[]]
    return [[*rest, group] for rest in partitions(count - 1) for group in range(max(rest, default=-1) + 2)]


@settings(QUIET, max_examples=60)
@given(note_lists(6), st.integers(1, 3))
def test_the_loss_chosen_is_the_least_there_is(notes: list[Note], channels: int) -> None:
    stream = stream_of(notes)
    offsets = Offsets().of(TABLE)
    score = read_score(stream, offsets, {})
    classes = sort_into_classes(score, offsets, {})
    assume(classes.sources_at_once() <= channels < max(classes.demand()))
    ours = share(score, classes, channels, offsets, {})
    pure = pure_notes(score, {}, (), 0.03)
    ordered: list[Note] = []
    for number in range(len(score)):
        found = [note for note in notes if note[1] == score.keys[number] and note[0] == score.sources[number]]
        ordered += found
    weights = [loud * (1000.0 if kept else 1.0) for loud, kept in zip(score.loud, pure, strict=True)]
    chosen = losses(ordered, weights, list(ours), channels)
    best = min(
        losses(ordered, weights, groups, channels)
        for groups in partitions(len(ordered))
        if is_continuous(ordered, groups)
    )
    assert chosen == pytest.approx(best, rel=1e-4, abs=1e-6)


@QUIET
@given(note_lists(14, sources=3), st.integers(3, 5))
def test_what_shares_fits_and_comes_from_one_part(notes: list[Note], channels: int) -> None:
    stream = stream_of(notes)
    offsets = Offsets().of(TABLE)
    score = read_score(stream, offsets, {})
    classes = sort_into_classes(score, offsets, {})
    assume(classes.sources_at_once() <= channels)
    shared = share(score, classes, channels, offsets, {})
    ends: dict[int, int] = {}
    for number, root in enumerate(shared):
        assert classes.sources[number] == classes.sources[root]
        assert shared[root] == root
        ends[root] = max(ends.get(root, 0), classes.ends[number])
    starts = [classes.starts[root] for root in ends]
    assert max(depth(starts, ends.values())) <= channels


@pytest.mark.slow
def test_many_more_than_the_channels_still_fit_and_leave_room_for_other_parts() -> None:
    notes: list[Note] = [(0, 30 + at % 60, at * 0.05, at * 0.05 + 3.0, 80) for at in range(1500)]
    notes += [(1 + at % 3, 30 + at % 50, at * 1.5 + 0.01, at * 1.5 + 1.4, 90) for at in range(50)]
    stream = stream_of(notes)
    plan = plan_bend(stream, [], TABLE, None, BendOptions(channels=(1, 2, 3, 4, 5)))
    found = check(stream, [(anchor, data) for anchor, _, data in plan.outputs], TABLE)
    assert found.problems == []
    assert found.worst_cents == pytest.approx(plan.report.worst_cents, abs=1e-6)
    assert len(found.off) == plan.report.notes - plan.report.exact > 0


def test_a_cluster_of_forty_notes_keeps_bass_and_tonic_pure() -> None:
    table = Frequencies([(key * 29) % 61 - 30 for key in range(128)])
    keys = range(40, 80)
    stream: Stream = [(0.0, bytes((0x90, key, 80))) for key in keys]
    stream += [(2.0, bytes((0x80, key, 0))) for key in keys]
    plan = plan_bend(stream, [], table, None, BendOptions(tonics=(2,)))
    assert plan.report.demand_max == 40
    found = check(stream, [(anchor, data) for anchor, _, data in plan.outputs], table)
    assert found.problems == []
    assert len(found.notes) == 40
    assert found.channels == {*range(9), *range(10, 16)}
    off = {note.key for note in found.off}
    assert 40 not in off
    assert not any(key % 12 == 2 for key in off)
    # Forty offsets over 61 cents on fifteen channels: nobody need be far off.
    assert found.worst_cents < 6.0
    assert plan.report.worst_cents == pytest.approx(found.worst_cents)


@pytest.mark.parametrize("loud", [0, 1])
def test_the_louder_note_stays_pure(loud: int) -> None:
    # Three notes on two channels; the bass has one to itself, since it is far away.
    table = Frequencies([0] * 60 + [40, 50] + [0] * 66)
    velocities = [40, 40]
    velocities[loud] = 120
    keys = (50, 60, 61)
    stream: Stream = [
        (0.0, bytes((0x90, key, velocity))) for key, velocity in zip(keys, (80, *velocities), strict=True)
    ]
    stream += [(1.0, bytes((0x80, key, 0))) for key in keys]
    plan = plan_bend(stream, [], table, None, BendOptions(channels=(1, 2)))
    found = check(stream, [(anchor, data) for anchor, _, data in plan.outputs], table)
    assert {note.key for note in found.off} == {61 - loud}
    assert found.worst_cents == pytest.approx(10.0, abs=0.02)


def test_no_note_is_struck_again_or_dropped() -> None:
    table = Frequencies([(key * 29) % 61 - 30 for key in range(128)])
    stream = stream_of([(0, 40 + at, at * 0.1, at * 0.1 + 2.5, 64) for at in range(40)])
    plan = plan_bend(stream, [], table, None, BendOptions(channels=(1, 2, 3)))
    sent = [data for _, _, data in plan.outputs]
    assert sum(data[0] & 0xF0 == 0x90 and data[2] > 0 for data in sent) == 40
    assert sum(data[0] & 0xF0 == 0x80 for data in sent) == 40


def test_crowded_spans() -> None:
    assert crowded_spans([0, 1, 2, 10], [5, 6, 7, 12], 2) == [(2, 5)]
    assert crowded_spans([0, 1, 2, 3], [5, 6, 7, 8], 2) == [(2, 6)]
    assert crowded_spans([0, 10], [5, 12], 1) == []
