"""How long retuning by bends takes: a whole file against mido's load and save of it, and a note as it is played.

Run: ``python tests/bench/bench_bend.py [EVENTS …]``. Prints ratios; asserts nothing. File and floor take turns in one
process, medians are compared. For the played note the floor is a callback that does nothing, called the same way.
"""

from __future__ import annotations

import argparse
import gc
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import mido

sys.path.insert(0, str(Path(__file__).parent))
from bench_retune import make_file

from bridge.engine.bend.file import plan_bend
from bridge.engine.bend.live import BendEngine
from bridge.jobs.choose import TableRequest, choose_table
from bridge.store.playing import sequences
from bridge.store.smf import read_midi, rebuild, write_midi
from bridge.tuning.tables import build_table

HZ: list[float] = build_table(choose_table(TableRequest(guitar="open-d", reference="D3=145.9"))).hz.tolist()
UNEVEN_HZ = [440.0 * 2 ** ((key - 69) / 12 + ((key * 37) % 83 - 41) / 1200) for key in range(128)]


def retune(source: Path, output: Path, hz: list[float]) -> tuple[float, str]:
    """Read, plan, write; return the seconds of the plan alone and what it came to."""
    midi = read_midi(source)
    tracks = [list(track) for track in midi.tracks]
    planning_s = 0.0
    note = ""
    for playing in sequences(midi):
        start = time.perf_counter()
        plan = plan_bend(playing, [], hz)
        planning_s += time.perf_counter() - start
        for number, events in playing.weave(plan.outputs).items():
            tracks[number] = events
        report = plan.report
        note = f"{report.exact} of {report.notes} exact, {report.demand_max} channels needed"
    write_midi(output, rebuild(midi, tracks), overwrite=True)
    return planning_s, note


def files(events: int, rounds: int) -> None:
    """Compare a whole file with mido's load and save."""
    with tempfile.TemporaryDirectory() as folder:
        source, copy, output = (Path(folder) / name for name in ("in.mid", "copy.mid", "out.mid"))
        make_file(source, events)
        for label, hz in (("octave-repeating table", HZ), ("uneven table", UNEVEN_HZ)):
            floor, ours, plans, note = [], [], [], ""
            for _ in range(rounds):
                floor.append(seconds(lambda: mido.MidiFile(source).save(copy)))
                start = time.perf_counter()
                planning_s, note = retune(source, output, hz)
                ours.append(time.perf_counter() - start)
                plans.append(planning_s)
            print(
                f"{events} events, {label}: {statistics.median(ours):.2f} s (plan {statistics.median(plans):.2f} s, "
                f"{statistics.median(plans) / events * 1e6:.2f} us an event) against {statistics.median(floor):.2f} s, "
                f"ratio {statistics.median(ours) / statistics.median(floor):.2f}; {note}"
            )


def seconds(work: Callable[[], object]) -> float:
    """Time one call."""
    gc.collect()
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def performance(count: int) -> list[tuple[float, bytes]]:
    """Chords played at random, up to eight notes at once."""
    random.seed(3)
    stream: list[tuple[float, bytes]] = []
    held: list[int] = []
    for step in range(count):
        if not held or (len(held) < 8 and random.random() < 0.6):
            key = random.randrange(30, 90)
            held.append(key)
            stream.append((step * 0.01, bytes((0x90, key, 80))))
        else:
            stream.append((step * 0.01, bytes((0x80, held.pop(random.randrange(len(held))), 0))))
    return stream


def timed(feed: Callable[[bytes, float], object], stream: list[tuple[float, bytes]]) -> list[float]:
    """Return the microseconds of every note-on, ascending."""
    clock = time.perf_counter_ns
    found = []
    for time_s, data in stream:
        start = clock()
        feed(data, time_s)
        end = clock()
        if data[0] == 0x90:
            found.append((end - start) / 1e3)
    return sorted(found)


def played(count: int) -> None:
    """Compare a note-on as it is played with an empty callback."""
    stream = performance(count)
    engine = BendEngine(None, HZ)
    engine.start(0.0)
    for label, feed in (("empty callback", lambda data, now_s: None), ("note-on", engine.feed)):
        found = timed(feed, stream)
        print(
            f"{label}: median {statistics.median(found):.2f} us, p99 {found[int(len(found) * 0.99)]:.2f} us"
        )


def main() -> None:
    """Run all."""
    parser = argparse.ArgumentParser()
    parser.add_argument("events", nargs="*", type=int, default=[20_000, 200_000, 2_000_000])
    parser.add_argument("--rounds", type=int, default=3)
    options = parser.parse_args()
    played(50_000)
    for events in options.events:
        files(events, 1 if events > 1_000_000 else options.rounds)


if __name__ == "__main__":
    main()
