"""The long campaign of hostile inputs: as many as wanted over all readers together, in several processes.

    python tests/hostile/campaign.py --inputs 1000000 --processes 2

Quick readers get more inputs than slow ones (`Door.weight`); one of a thousand is large, up to 1 MB. Prints a row for
each reader: inputs, read, refused, faults, the slowest in seconds, growth of memory in MB. Ends with 1 where anything
but a StillbeatError came out, a command left with another code or half an output, an input below 1 MB took more than
five seconds of the processor, or memory grew by more than 300 MB (little beyond which can be had at all).
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

os.environ.setdefault(
    "OPENBLAS_NUM_THREADS", "1"
)  # before numpy is loaded: its threads only wait for each other
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support import hostile

MEMORY = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None  # a disk would be what takes longest
STEP = 250
"""Inputs that one task sends through a door."""


def work(task: tuple[str, int, int, str]) -> hostile.Outcome:
    name, first, last, size = task
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        door = next(door for door in hostile.doors(Path(folder)) if door.name == name)
        hostile.run(door, range(3))  # whatever is loaded or kept with the first input is no growth
        with hostile.limited():
            return hostile.run(door, range(first, last), size=size)


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--inputs", type=int, default=20_000)
    options.add_argument("--processes", type=int, default=2)
    options.add_argument("--first-seed", type=int, default=1_000)
    options.add_argument("--only", action="append", help="A reader's name; again for more.")
    options.add_argument("--large", action="store_true", help="Large inputs alone.")
    wanted = options.parse_args()
    doors = [
        door
        for door in hostile.doors(Path())
        if door.name in (wanted.only or [door.name]) and (door.large_one_in or not wanted.large)
    ]
    whole = sum(door.weight for door in doors)
    total = hostile.Outcome()
    print(
        f"{'reader':22} {'inputs':>8} {'read':>8} {'refused':>8} {'faults':>7} {'slowest s':>10} {'grown MB':>9}"
    )
    # A process that dies, as by a fault in a library, ends the campaign with an error instead of a silence.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(wanted.processes, context) as pool:
        for door in doors:
            last = wanted.first_seed + round(wanted.inputs * door.weight / whole)
            size = "large" if wanted.large else "any"
            starts = range(wanted.first_seed, last, STEP)
            tasks = [(door.name, first, min(first + STEP, last), size) for first in starts]
            part = hostile.Outcome()
            for one in pool.map(work, tasks):
                part.add(one)
            total.add(part)
            _print(door.name, part)
            for fault in part.faults[:5]:
                print(fault, flush=True)
    _print("all", total)
    return 1 if total.faults else 0


def _print(name: str, done: hostile.Outcome) -> None:
    print(
        f"{name:22} {done.inputs:8} {done.read:8} {done.refused:8} {len(done.faults):7} {done.slowest_s:10.2f} "
        f"{done.grown_mb:9.0f}",
        flush=True,
    )


if __name__ == "__main__":
    sys.exit(main())
