"""How long retuning takes and how much memory, against mido's own load and save of the same file in the same run.

Run: ``python tests/bench/bench_retune.py [EVENTS] [--method note]``. Prints ratios; asserts nothing. Each
measurement is a process of its own, so start-up counts and the peak memory is its own; the two sides take turns, and
medians are compared.
"""

from __future__ import annotations

import argparse
import random
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import mido

_MIDO = "import sys, mido; mido.MidiFile(sys.argv[1]).save(sys.argv[2])"
_RETUNE = (
    "import sys; from bridge.cli import main; "
    "main(['retune', sys.argv[1], '-o', sys.argv[2], '--guitar', 'open-d', '--overwrite', *sys.argv[3:]])"
)
_CLICK = "import click"
_HELP = "from bridge.cli import main; main(['--help'])"
_MEMORY = (
    "import resource, runpy, sys; code = sys.argv.pop(1)\n"
    "try:\n    exec(code)\nexcept SystemExit:\n    pass\n"
    "print('PEAK', resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr)"
)


def make_file(path: Path, events: int) -> None:
    """Write a format 1 file of eight parts with notes, controllers and bends: `events` in all."""
    random.seed(5)
    midi = mido.MidiFile(type=1, ticks_per_beat=480)
    for channel in range(8):
        track = mido.MidiTrack()
        midi.tracks.append(track)
        track.append(mido.Message("program_change", channel=channel, program=channel * 8))
        for index in range(events // 8 // 20 * 9):
            key = random.randrange(36, 90)
            track.append(
                mido.Message("note_on", channel=channel, note=key, velocity=80, time=random.randrange(20))
            )
            track.append(
                mido.Message(
                    "note_off", channel=channel, note=key, velocity=0, time=random.randrange(20, 120)
                )
            )
            if index % 9 == 0:
                track.append(mido.Message("control_change", channel=channel, control=7, value=index % 128))
                track.append(mido.Message("pitchwheel", channel=channel, pitch=index % 4000 - 2000))
    midi.save(path)


def measure(code: str, *arguments: str) -> tuple[float, float]:
    """Run `code` in a new process; return seconds and peak memory in MB."""
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", _MEMORY, code, *arguments], capture_output=True, text=True, check=True
    )
    seconds = time.perf_counter() - start
    return seconds, int(done.stderr.rsplit("PEAK", 1)[1]) / 1024


def compare(
    label: str, floor: str, ours: str, floor_args: list[str], our_args: list[str], rounds: int
) -> None:
    """Print the ratio of two programs that take turns."""
    results: dict[str, list[tuple[float, float]]] = {"floor": [], "ours": []}
    for _ in range(rounds):
        results["floor"].append(measure(floor, *floor_args))
        results["ours"].append(measure(ours, *our_args))
    seconds = {side: statistics.median(run[0] for run in runs) for side, runs in results.items()}
    memory = {side: statistics.median(run[1] for run in runs) for side, runs in results.items()}
    time_ratio, memory_ratio = seconds["ours"] / seconds["floor"], memory["ours"] / memory["floor"]
    print(f"{label}: {seconds['ours']:.3f} s against {seconds['floor']:.3f} s, ratio {time_ratio:.2f}")
    print(f"  peak {memory['ours']:.0f} MB against {memory['floor']:.0f} MB, ratio {memory_ratio:.2f}")


def main() -> None:
    """Make a file and compare."""
    parser = argparse.ArgumentParser()
    parser.add_argument("events", nargs="?", type=int, default=200_000)
    parser.add_argument("--method", action="append")
    parser.add_argument("--rounds", type=int, default=5)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        source, copy, output = (Path(folder) / name for name in ("in.mid", "copy.mid", "out.mid"))
        make_file(source, options.events)
        for method in options.method or ["note", "octave", "dump"]:
            compare(
                f"retune --method {method}, {options.events} events, against mido load + save",
                _MIDO,
                _RETUNE,
                [str(source), str(copy)],
                [str(source), str(output), "--method", method],
                options.rounds,
            )
    compare("stillbeat --help against import click", _CLICK, _HELP, [], [], options.rounds)


if __name__ == "__main__":
    main()
