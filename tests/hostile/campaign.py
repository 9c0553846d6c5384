"""The long campaign of hostile inputs: as many as wanted over all readers together, in several processes.

    python tests/hostile/campaign.py --inputs 1000000 --processes 2

Prints a row for each reader: inputs, read, refused, faults, the slowest in seconds, growth of memory in MB. Ends with 1
where anything but a StillbeatError came out, an input took more than five seconds, or memory grew by more than 300 MB.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support import hostile


def work(task: tuple[str, int, int]) -> hostile.Outcome:
    name, first, last = task
    with tempfile.TemporaryDirectory() as folder:
        door = next(door for door in hostile.doors(Path(folder)) if door.name == name)
        return hostile.run(door, range(first, last))


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--inputs", type=int, default=20_000)
    options.add_argument("--processes", type=int, default=2)
    options.add_argument("--first-seed", type=int, default=1_000)
    wanted = options.parse_args()
    names = [door.name for door in hostile.doors(Path())]
    each = -(-wanted.inputs // len(names))
    step = 500
    bad = 0
    print(
        f"{'reader':14} {'inputs':>8} {'read':>8} {'refused':>8} {'faults':>7} {'slowest s':>10} {'grown MB':>9}"
    )
    with multiprocessing.get_context("spawn").Pool(wanted.processes) as pool:
        for name in names:
            spans = range(wanted.first_seed, wanted.first_seed + each, step)
            tasks = [(name, first, min(first + step, wanted.first_seed + each)) for first in spans]
            parts = list(pool.imap_unordered(work, tasks))
            faults = [fault for part in parts for fault in part.faults]
            slowest, grown = max(part.slowest_s for part in parts), max(part.grown_mb for part in parts)
            bad += len(faults) + (grown > 300)
            print(
                f"{name:14} {sum(part.inputs for part in parts):8} {sum(part.read for part in parts):8} "
                f"{sum(part.refused for part in parts):8} {len(faults):7} {slowest:10.2f} {grown:9.0f}",
                flush=True,
            )
            for fault in faults[:5]:
                print(fault)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
