"""What a page costs a note: round trips through ``stillbeat play`` with a page and readers, beside one without.

Run: ``python tests/bench/bench_page.py [--rounds N] [--readers N]``. Printed as ratios; nothing is asserted. Both
stand on the same JACK server the whole time and turns alternate, so that whatever else the machine does falls on both.
A turn without any page on either side comes first: by so much the ratio wanders by itself.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench_live import Live, percentile

ROUNDS = 1500
READERS = 10


@contextmanager
def readers(address: str, count: int) -> Iterator[list[int]]:
    """So many plain readers of the stream, in one process of their own; yields how many events they got."""
    import subprocess

    code = """
import sys, threading
sys.path.insert(0, sys.argv[1])
from support.page import Client
def read():
    for number, _ in enumerate(Client(sys.argv[2]).events()):
        got[threading.get_ident()] = number
got = {}
for _ in range(int(sys.argv[3])):
    threading.Thread(target=read, daemon=True).start()
sys.stdin.read()
print(sum(got.values()))
"""
    tests = str(Path(__file__).resolve().parents[1])
    command = [sys.executable, "-c", code, tests, address, str(count)]
    env = {**os.environ, "PYTHONPATH": str(Path(tests).parent)}
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=env
    ) as process:
        got: list[int] = []
        try:
            yield got
        finally:
            got.append(int(process.communicate("")[0]))


def turn(server: object, rounds: int, count: int | None) -> tuple[list[float], list[float]]:
    """One turn: round trips without, and with a page and so many readers (None: without any page on either side)."""
    from support.prober import Prober

    with tempfile.TemporaryDirectory() as state:
        env = {**server.env, "XDG_STATE_HOME": state}  # type: ignore[attr-defined]
        # Names of their own: a server may still know those of the turn before.
        names = [f"{side}{'' if count is None else count}-probe" for side in ("plain", "page")]
        prober = Prober(env, *names)
        plays = []
        for name in names:
            more = ["--page"] if count is not None and name == names[1] else []
            ports = ["--in", f"{name} to", "--out", f"{name} from"]
            plays.append(Live(env, "--guitar", "open-d", "--reference", "D3=146.5", *ports, *more))
        address = next((line[6:].strip() for line in plays[1].lines if line.startswith("page: ")), "")
        try:
            if count is None:
                trips = prober.ask(do="trips", rounds=rounds)
            else:
                with readers(address, count) as got:
                    time.sleep(1.5)
                    trips = prober.ask(do="trips", rounds=rounds)
                print(f"  {count} readers got {got[0]} events")
        finally:
            for play in plays:
                play.end()
            prober.end()
    plain, paged = ([one for one in times if one] for times in trips.values())
    return plain, paged


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=ROUNDS)
    parser.add_argument("--readers", type=int, default=READERS)
    chosen = parser.parse_args()
    from support import jack

    with jack.JackServer() as server:
        for count in (None, chosen.readers):
            plain, paged = turn(server, chosen.rounds, count)
            what = "no page on either side" if count is None else f"page and {count} readers"
            for name, of in (("median", statistics.median), ("p99", lambda times: percentile(times, 0.99))):
                print(
                    f"{what}: round trip {name:<7} {of(paged) * 1e3:7.3f} ms   {of(paged) / of(plain):5.3f} x "
                    f"without ({of(plain) * 1e3:.3f} ms)"
                )


if __name__ == "__main__":
    main()
