"""Real files through the bend engine, read by a second receiver; they are fetched by package name, none is kept here.

`tests/support/corpus.py` lists them with their licences. How many channels they need was counted beforehand, another
way, for 36 multi-track files without the pedal: 28 never need more than 15.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from support import independent
from support.bendcheck import check
from support.corpus import real_midi_files

from bridge.engine.bend.file import plan_bend
from bridge.engine.bend.options import BendOptions
from bridge.engine.protocols import TimedEvent
from bridge.jobs.choose import TableRequest, choose_table
from bridge.jobs.retune import retune_midi
from bridge.jobs.retuned import RetuneRequest
from bridge.store.smf import parse_midi
from bridge.tuning.tables import build_table

pytestmark = pytest.mark.fetched

SPEC = choose_table(TableRequest(guitar="open-d", reference="D3=145.9"))
HZ: list[float] = build_table(SPEC).hz.tolist()


def events_of(path: Path) -> list[list[TimedEvent]]:
    """The sequences of a file as the tests' own reader finds them (each track for itself in format 2)."""
    reading = independent.read(path)
    tracks = [[track] for track in reading.tracks] if reading.format == 2 else [reading.tracks]
    found = []
    for some in tracks:
        part = independent.Reading(reading.format, len(some), reading.division, some)
        times_s = (
            independent.seconds_of(part)
            if reading.division < 0x8000
            else [float(tick) for tick, *_ in independent.playing_order(part)]
        )
        order = independent.playing_order(part)
        found.append([(time_s, data) for time_s, (_, _, _, data) in zip(times_s, order, strict=True)])
    return found


def test_real_files_note_for_note() -> None:
    notes = exact_files = 0
    for path in real_midi_files():
        for events in events_of(path):
            plan = plan_bend(events, [], HZ)
            found = check(events, [(anchor, data) for anchor, _, data in plan.outputs], HZ)
            report = plan.report
            assert found.problems == [], path.name
            assert len(found.notes) == report.notes, path.name
            assert found.worst_cents == pytest.approx(report.worst_cents, abs=1e-6), path.name
            assert len(found.off) == report.notes - report.exact, path.name
            mean = sum(note.worst_cents for note in found.notes) / max(1, len(found.notes))
            assert report.mean_cents == pytest.approx(mean, abs=1e-6), path.name
            if report.demand_max <= report.channels_allowed:
                assert found.off == [], path.name
                exact_files += 1
            notes += report.notes
    assert notes > 50_000
    assert exact_files >= 60


def test_real_files_on_few_channels_lose_no_note() -> None:
    short = 0
    for path in real_midi_files()[:31:3]:
        for events in events_of(path):
            options = BendOptions(channels=(1, 2, 3, 4, 5, 6, 7, 8, 9, 11))
            plan = plan_bend(events, [], HZ, None, options)
            found = check(events, [(anchor, data) for anchor, _, data in plan.outputs], HZ)
            assert found.problems == [], path.name
            assert len(found.off) == plan.report.notes - plan.report.exact, path.name
            short += bool(found.off)
    assert short


def test_real_files_through_a_change_of_table() -> None:
    other = [hz * 2 ** ((key % 5 - 2) * 4 / 1200) for key, hz in enumerate(HZ)]
    for path in real_midi_files()[1:31:5]:
        for events in events_of(path):
            middle = len(events) // 2
            marked = [*events[:middle], (events[middle][0], b""), *events[middle:]]
            plan = plan_bend(marked, [(middle, other)], HZ)
            found = check(marked, [(anchor, data) for anchor, _, data in plan.outputs], HZ, {middle: other})
            assert found.problems == [], path.name
            assert len(found.off) == plan.report.notes - plan.report.exact, path.name
            if plan.report.demand_max <= plan.report.channels_allowed:
                assert found.off == [], path.name


def test_retune_counts_what_an_independent_reading_counts() -> None:
    """Where channels are short the tonic is kept pure first: `retune` knows it, and a plan has to be told."""
    (path,) = [path for path in real_midi_files() if path.stem == "keep_on_rolling"]
    report = retune_midi(parse_midi(path.read_bytes()), RetuneRequest(SPEC, "bend"))[1].reports[0][0]
    (events,) = events_of(path)
    plan = plan_bend(events, [], HZ, None, BendOptions(tonics=(2,)))  # D
    found = check(events, [(anchor, data) for anchor, _, data in plan.outputs], HZ)
    assert report.demand_max > report.channels_allowed
    assert report.notes - report.exact == len(found.off)
    assert report.exact > plan_bend(events, [], HZ).report.exact
