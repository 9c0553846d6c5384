"""Ending commands at random moments: what they write is whole or absent, never else, and the next run succeeds.

    python tests/hostile/kills.py --times 200

Every command that writes is run once in peace; that tells how long it takes and what it writes. Then it is ended again
and again, by SIGINT, SIGTERM, SIGHUP and SIGKILL in turn, at a moment drawn from its whole length. After each the
folder is looked at; after SIGKILL hidden leftovers may lie there, which the next run has to clear up.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
RUN = [sys.executable, "-c", "from bridge.cli import main; main()"]
SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGKILL)

COMMANDS = {
    "retune": ["retune", "song.mid", "-o", "out.mid", "--report-json", "out.json", "--guitar", "open-d"],
    "export": ["export", "--guitar", "open-d", "-o", "new/tables"],
    "export again": ["export", "--guitar", "open-d", "-o", "tables"],
    "render": ["render", "song.mid", "-o", "out.wav"],
    "drone": ["drone", "1,5", "--guitar", "open-d", "-o", "out.flac"],
    "frets": ["frets", "--guitar", "open-d", "--svg", "out.svg"],
    "session new": ["session", "new", "out.toml", "--guitar", "open-d", "--track", "song.mid"],
    "session build": ["session", "build", "evening/evening.toml", "-o", "bundle", "--jobs", "2"],
    "demo": ["demo", "-o", "demo", "--no-play"],
}
GIVEN = {"song.mid", "evening", "tables"}


@dataclass
class Told:
    """What became of one command."""

    name: str
    seconds: float
    ended: int = 0
    whole: int = 0
    absent: int = 0
    faults: list[str] = field(default_factory=list)


def _content(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.relative_to(folder).parts[0] not in {"song.mid", "evening"}
    }


def _hidden(folder: Path) -> list[str]:
    return [path.name for path in folder.rglob(".*") if "evening" not in path.relative_to(folder).parts[:1]]


def _start(name: str, folder: Path, overwrite: bool) -> subprocess.Popen[bytes]:
    command = [*RUN, *COMMANDS[name], *(["--overwrite"] if overwrite else [])]
    environment = {**os.environ, "CI": "1", "PYTHONPATH": str(ROOT)}
    return subprocess.Popen(
        command,
        cwd=folder,
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )


def _prepared(place: Path, name: str) -> Path:
    folder = place / "work"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    track = sorted((ROOT / "examples/evening/tracks").glob("*.mid"))[0]
    shutil.copy(track, folder / "song.mid")
    if name == "session build":
        shutil.copytree(ROOT / "examples/evening", folder / "evening")
    if name == "export again":
        (folder / "tables").mkdir()
        (folder / "tables/other.txt").write_text("mine")
    return folder


def endure(name: str, times: int, seed: int, place: Path) -> Told:
    """End one command `times` times; `place` is an empty folder."""
    rng = random.Random(f"{name} {seed}")
    folder = _prepared(place, name)
    start = time.monotonic()
    run = _start(name, folder, False)
    _, said = run.communicate(timeout=300)
    told = Told(name, time.monotonic() - start)
    if run.returncode:
        told.faults.append(f"{name} fails in peace: {said.decode()}")
        return told
    peace = _content(folder)
    for number in range(times):
        sent = SIGNALS[number % len(SIGNALS)]
        folder = _prepared(place, name)
        before = _content(folder)
        run = _start(name, folder, False)
        try:
            run.wait(rng.uniform(0.0, told.seconds))
        except subprocess.TimeoutExpired:
            run.send_signal(sent)
        _, said = run.communicate(timeout=120)
        where = f"{name}, {signal.Signals(sent).name}, number {number}"
        told.ended += run.returncode != 0
        found = {path: data for path, data in _content(folder).items() if not Path(path).name.startswith(".")}
        found = {
            path: data
            for path, data in found.items()
            if not any(part.startswith(".") for part in Path(path).parts)
        }
        if found == before:
            told.absent += 1
        elif found == peace:
            told.whole += 1
        elif sent is signal.SIGKILL and name in ("retune", "export again") and _each_whole(found, peace):
            told.whole += 1  # several files without a folder of their own: each is whole or absent
        else:
            told.faults.append(f"{where}: {sorted(found)} is neither all nor nothing")
        if sent is not signal.SIGKILL and _hidden(folder):
            told.faults.append(f"{where}: left {_hidden(folder)}")
        if (b"Traceback" in said and b", in main" in said) or (
            b"Warning" in said
            and sent is not signal.SIGKILL  # then Python's own helper tells of what its parent left
        ):  # before `main`, Python itself speaks
            told.faults.append(f"{where}: said {said.decode(errors='replace')[-400:]}")
        again = _start(name, folder, True)
        _, said = again.communicate(timeout=300)
        if again.returncode or _content(folder) != peace or _hidden(folder):
            told.faults.append(
                f"{where}: the next run: {again.returncode} {said.decode()[-200:]} {_hidden(folder)}"
            )
    return told


def _each_whole(found: dict[str, bytes], peace: dict[str, bytes]) -> bool:
    return all(peace.get(path) == data for path, data in found.items())


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--times", type=int, default=200)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--only", action="append", choices=list(COMMANDS))
    wanted = options.parse_args()
    bad = 0
    print(f"{'command':14} {'takes s':>8} {'ended':>6} {'absent':>7} {'whole':>6} {'faults':>7}")
    for name in wanted.only or COMMANDS:
        with tempfile.TemporaryDirectory() as place:
            told = endure(name, wanted.times, wanted.seed, Path(place))
        bad += len(told.faults)
        print(
            f"{name:14} {told.seconds:8.2f} {told.ended:6} {told.absent:7} {told.whole:6} {len(told.faults):7}",
            flush=True,
        )
        for fault in told.faults[:5]:
            print(fault)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
