"""How long building a session takes: on one core and on all, and again after one change.

Run: ``python tests/bench/bench_session.py [PIECES] [EVENTS]`` (200 pieces of 20,000 events unless said otherwise).
Prints ratios; asserts nothing. The floor is the same build in one process, in the same run; sides take turns. Beside
it stands what the machine gives to plain counting in as many processes at the same moment, for other work may be using
its cores. The session has a synth tuned by octave messages and bends (``gm2``) and one tuned by bends alone, a drone
for every tenth piece, and no trims unless ``--trims`` asks for them.
"""

from __future__ import annotations

import argparse
import random
import shutil
import statistics
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import mido

from bridge.jobs.session.build import build_session
from bridge.jobs.session.workers import cores

HEAD = """\
schema = 1
title = "Bench"
guitar = "open-d"
reference = "D3=146.5"

[trims]
range_cents = {trims}
step_cents = 10

[[synths]]
name = "keys"
profile = "gm2"

[[synths]]
name = "bent"
profile = "bend-only"
"""


def make_track(path: Path, events: int, seed: int) -> None:
    """Write a file of four parts: notes, some controllers and bends, `events` in all."""
    random.seed(seed)
    midi = mido.MidiFile(type=1, ticks_per_beat=480)
    for channel in range(4):
        track = mido.MidiTrack()
        midi.tracks.append(track)
        track.append(mido.Message("program_change", channel=channel, program=channel * 8))
        for index in range(events // 4 // 20 * 9):
            key = random.randrange(40, 84)
            wait, length = random.randrange(0, 240, 60), random.randrange(60, 240, 60)
            track.append(mido.Message("note_on", channel=channel, note=key, velocity=80, time=wait))
            track.append(mido.Message("note_off", channel=channel, note=key, velocity=0, time=length))
            if index % 9 == 0:
                track.append(mido.Message("control_change", channel=channel, control=7, value=index % 128))
                track.append(mido.Message("control_change", channel=channel, control=11, value=index % 128))
    midi.save(path)


def make_session(folder: Path, pieces: int, events: int, trims: int) -> Path:
    """Write a session of so many pieces, each with a section in another tonic."""
    parts = [HEAD.format(trims=trims)]
    for number in range(pieces):
        make_track(folder / f"{number}.mid", events, number)
        parts.append(f'\n[[pieces]]\ntitle = "Piece {number}"\ntrack = "{number}.mid"\n')
        if number % 10 == 0:
            parts.append('drone = { notes = ["1", "5"], seconds = 10 }\n')
        parts.append('\n[[pieces.sections]]\nbar = 9\ntonic = "A"\n')
    (folder / "bench.toml").write_text("".join(parts))
    return folder / "bench.toml"


def timed(file: Path, out: Path, processes: int, *, fresh: bool = True) -> float:
    """Build and return seconds."""
    if fresh:
        shutil.rmtree(out, ignore_errors=True)
    start = time.perf_counter()
    build_session(file, out, overwrite=not fresh, processes=processes)
    return time.perf_counter() - start


def count_up(number: int) -> int:
    """Do nothing but reckon."""
    total = 0
    for value in range(number):
        total += value & 7
    return total


def gain_of_counting(processes: int, number: int = 20_000_000) -> float:
    """Return how many times as fast the machine counts now in several processes as in one."""
    with ProcessPoolExecutor(processes) as pool:
        list(pool.map(count_up, [1] * processes))
        start = time.perf_counter()
        count_up(number)
        alone = time.perf_counter() - start
        start = time.perf_counter()
        list(pool.map(count_up, [number] * processes))
        return processes * alone / (time.perf_counter() - start)


def main() -> None:
    """Make a session and build it in turns."""
    parser = argparse.ArgumentParser()
    parser.add_argument("pieces", nargs="?", type=int, default=200)
    parser.add_argument("events", nargs="?", type=int, default=20_000)
    parser.add_argument("--trims", type=int, default=0, help="trims to both sides in cents, in steps of 10")
    parser.add_argument("--rounds", type=int, default=1)
    options = parser.parse_args()
    count = cores()
    with tempfile.TemporaryDirectory() as name:
        folder, out = Path(name) / "session", Path(name) / "out"
        folder.mkdir()
        file = make_session(folder, options.pieces, options.events, options.trims)
        text = file.read_text()
        one, several, nothing, changed, gains = [], [], [], [], []
        for number in range(options.rounds):
            one.append(timed(file, out, 1))
            gains.append(gain_of_counting(count))
            several.append(timed(file, out, count))
            gains.append(gain_of_counting(count))
            nothing.append(timed(file, out, count, fresh=False))
            tonic = "GB"[number % 2]
            file.write_text(text.replace('title = "Piece 7"', f'title = "Piece 7"\ntonic = "{tonic}"'))
            changed.append(timed(file, out, count, fresh=False))
            file.write_text(text)
        floor, parallel = statistics.median(one), statistics.median(several)
        again, after = statistics.median(nothing), statistics.median(changed)
        print(
            f"{options.pieces} pieces of {options.events} events, trims to {options.trims} cents\n"
            f"one process {floor:.1f} s; {count} processes {parallel:.1f} s: {floor / parallel:.2f} times as fast "
            f"(plain counting: {statistics.mean(gains):.2f} times)\n"
            f"again, nothing changed: {again:.2f} s, {100 * again / parallel:.1f} % of the first build\n"
            f"again, one piece changed: {after:.2f} s, {100 * after / parallel:.1f} % of the first build"
        )


if __name__ == "__main__":
    main()
