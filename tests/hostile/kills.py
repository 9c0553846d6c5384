"""Ending commands at random moments: what they write is whole or absent, never else, and the next run succeeds.

    python tests/hostile/kills.py --times 200

Every command that writes is run once in peace; that tells how long it takes and what it writes. Then it is ended again
and again, by SIGINT, SIGTERM, SIGHUP and SIGKILL in turn, at moments drawn from its whole length. That length is
measured anew by every run that is let through, so that a machine which gets busy does not move all moments to the
start. After each the folder is looked at; after SIGKILL hidden leftovers may lie there, which the next run has to
clear up.

Starting takes longer than working. So only one run in five starts from nothing; the others run in a copy of this
process, which has everything loaded (Linux).

``session build`` has one short piece without pages to print; ``session build all``, the whole evening of the examples,
is ended a tenth as often. The commands named *again* find something older in their place.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import random
import re
import select
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import NoReturn
from unittest import mock

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # so that a copy of this process lacks no thread
ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]
RUN = [sys.executable, "-c", "from bridge.cli import main; main()"]
SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGKILL)

RETUNE = ["retune", "song.mid", "-o", "out.mid", "--report-json", "out.json"]
SING = ["sing", "song.wav", "--csv", "out.csv", "--picture", "out.svg"]
SMALL_BUILD = ["session", "build", "small/small.toml", "-o", "bundle", "--jobs", "1"]

COMMANDS = {
    "retune": [*RETUNE, "--guitar", "open-d"],
    "retune again": [*RETUNE, "--guitar", "open-d"],
    "read": ["read", "given.csv", "-o", "found.table.toml"],
    "export": ["export", "--guitar", "open-d", "-o", "new/tables"],
    "export again": ["export", "--guitar", "open-d", "-o", "tables"],
    "render": ["render", "song.mid", "-o", "out.wav"],
    "render as FLAC": ["render", "song.mid", "-o", "out.flac"],
    "drone": ["drone", "1,5", "--guitar", "open-d", "-o", "out.flac"],
    "frets": ["frets", "--guitar", "open-d", "--svg", "out.svg"],
    "sing": [*SING, "--guitar", "open-d"],
    "sing again": [*SING, "--guitar", "open-d"],
    "practise": ["practise", "--records", "--csv", "out.csv"],
    "session new": ["session", "new", "out.toml", "--guitar", "open-d", "--track", "song.mid"],
    "session build": SMALL_BUILD,
    "session build again": [*SMALL_BUILD, "--zip"],
    "session build all": ["session", "build", "evening/evening.toml", "-o", "bundle", "--jobs", "2"],
    "demo": ["demo", "-o", "demo", "--no-play"],
}
OLDER = {
    "retune again": [*RETUNE, "--guitar", "open-g"],
    "sing again": [*SING, "--guitar", "open-g"],
    "session build again": ["session", "build", "small/older.toml", "-o", "bundle", "--jobs", "1", "--zip"],
}
"""What has written what such a command replaces."""
GIVEN = {"song.mid", "song.wav", "given.csv", "evening", "small", "data"}
"""What commands read."""
COSTLY = {"session build all"}
"""What takes long, and is ended a tenth as often."""
ANEW = {"session build all", "export", "export again"}
"""What has processes or threads of its own, and so is always started anew."""

SMALL = """schema = 1
title = "A small evening"
guitar = "open-d"
pages = false

[drone]
notes = ["1"]
seconds = 2

[[synths]]
name = "keys"
title = "Keyboard"
profile = "bend-only"

[[pieces]]
title = "Song"
track = "song.mid"
"""


@dataclass
class Told:
    """What became of one command."""

    name: str
    seconds: float
    ended: Counter[str] = field(default_factory=Counter)  # runs that a signal ended, by its name
    whole: int = 0
    absent: int = 0
    mixed: int = 0  # of several outputs some were there, each whole
    faults: list[str] = field(default_factory=list)


def _shown(folder: Path) -> dict[str, bytes]:
    """The files in a folder that are neither given nor hidden."""
    found = {}
    for path in sorted(folder.rglob("*")):
        parts = path.relative_to(folder).parts
        if path.is_file() and parts[0] not in GIVEN and not any(part.startswith(".") for part in parts):
            found["/".join(parts)] = path.read_bytes()
    return found


def _given(folder: Path) -> dict[str, bytes]:
    paths = (path for name in sorted(GIVEN) for path in (folder / name, *(folder / name).rglob("*")))
    return {str(path): path.read_bytes() for path in paths if path.is_file()}


def _hidden(folder: Path) -> list[str]:
    return [path.name for path in folder.rglob(".*") if path.relative_to(folder).parts[0] not in GIVEN]


def _surroundings(folder: Path) -> dict[str, str]:
    """Variables for a command: what was practised lies in its folder."""
    return {"CI": "1", "XDG_DATA_HOME": str(folder.resolve() / "data")}


def _start(
    command: list[str], folder: Path, overwrite: bool, fresh: bool = True
) -> subprocess.Popen[bytes] | _Copy:
    words = [*command, *(["--overwrite"] if overwrite else [])]
    if not fresh:
        return _Copy(words, folder)
    return subprocess.Popen(
        [*RUN, *words],
        cwd=folder,
        env={**os.environ, **_surroundings(folder), "PYTHONPATH": str(ROOT)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )


class _Copy:
    """A command in a copy of this process, which has loaded everything already: all that it does is its work."""

    def __init__(self, words: list[str], folder: Path) -> None:
        self.returncode: int | None = None
        self._errors, end = os.pipe()
        # Until it is at work a copy is still this script, which no signal may let go on.
        signal.pthread_sigmask(signal.SIG_BLOCK, SIGNALS)
        self._pid = os.fork()
        if self._pid == 0:
            _work(words, folder, end)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, SIGNALS)
        os.close(end)
        self._process = os.pidfd_open(self._pid)

    def wait(self, limit_s: float) -> None:
        if not select.select([self._process], [], [], limit_s)[0]:
            raise subprocess.TimeoutExpired("a command", limit_s)

    def send_signal(self, sent: signal.Signals) -> None:
        signal.pidfd_send_signal(self._process, sent)

    def communicate(self, timeout: float) -> tuple[bytes, bytes]:
        with os.fdopen(self._errors, "rb") as errors:
            said = errors.read()
        self.wait(timeout)
        self.returncode = os.waitstatus_to_exitcode(os.waitpid(self._pid, 0)[1])
        os.close(self._process)
        return b"", said


def _work(words: list[str], folder: Path, errors: int) -> NoReturn:
    """Run a command in a process of its own, and end that."""
    code = 1
    try:
        os.setsid()
        os.dup2(errors, 2)
        os.dup2(os.open(os.devnull, os.O_RDWR), 0)
        os.dup2(0, 1)
        os.chdir(folder)
        os.environ.update(_surroundings(folder))
        signal.pthread_sigmask(signal.SIG_UNBLOCK, SIGNALS)
        _main(words)
    except SystemExit as left:
        code = left.code if isinstance(left.code, int) else 0
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(code)


def _main(words: list[str]) -> None:
    from bridge.cli import main

    main(words)


def _load(words: list[str], folder: Path) -> None:
    """Run a command here, so that copies of this process have loaded whatever it needs."""
    kept = {sent: signal.getsignal(sent) for sent in SIGNALS if sent is not signal.SIGKILL}
    with (
        mock.patch.dict(os.environ, _surroundings(folder)),
        contextlib.chdir(folder),
        contextlib.redirect_stdout(io.StringIO()),
        contextlib.suppress(SystemExit),
    ):
        _main(words)
    for sent, handler in kept.items():
        signal.signal(sent, handler)


def _template(place: Path, name: str) -> Path:
    """A folder as a command finds it."""
    folder = place / "template"
    folder.mkdir()
    tracks = ROOT / "examples/evening/tracks"
    shutil.copy(tracks / "low-water.mid", folder / "song.mid")
    rows = "".join(f"{key},{440 * 2 ** ((key - 69) / 12):.6f}\n" for key in range(128))
    (folder / "given.csv").write_text(f"key,hz\n{rows}")
    _sung(folder / "song.wav")
    _practised(folder / "data/stillbeat/practice")
    (folder / "small").mkdir()
    shutil.copy(tracks / "low-water.mid", folder / "small/song.mid")
    (folder / "small/small.toml").write_text(SMALL)
    (folder / "small/older.toml").write_text(SMALL.replace("open-d", "open-g"))
    if name == "session build all":
        shutil.copytree(ROOT / "examples/evening", folder / "evening")
    if name == "export again":
        (folder / "tables").mkdir()
        (folder / "tables/other.txt").write_text("mine")
    if name in OLDER:
        older = _start(OLDER[name], folder, False)
        _, said = older.communicate(timeout=300)
        assert older.returncode == 0, said.decode()
    return folder


def _sung(path: Path) -> None:
    """A third over D3, sung for a second."""
    import numpy as np
    import soundfile
    from support.voices import Sung

    sung = Sung(183.1).samples(1.0, 16_000, np.random.default_rng(1))
    soundfile.write(path, 0.5 * sung, 16_000)


def _practised(folder: Path) -> None:
    """One thing that was practised."""
    from bridge.store.practice.records import Record, save_record

    save_record(
        Record("2026-01-31T20:00:00", "tune", "third", "D3-F#3", "5/4", "steady", 2.0, "sound card", 7),
        folder,
    )


def _copy(template: Path, place: Path) -> Path:
    folder = place / "work"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(template, folder)
    return folder


def endure(name: str, times: int, seed: int, place: Path, fresh_one_in: int = 1) -> Told:
    """End one command `times` times; `place` is an empty folder. See the module's text."""
    rng = random.Random(f"{name} {seed}")
    command, overwrite = COMMANDS[name], name in OLDER
    template = _template(place, name)
    before, given = _shown(template), [*_given(template).values()]
    folder = _copy(template, place)
    start = time.monotonic()
    run = _start(command, folder, overwrite)
    _, said = run.communicate(timeout=300)
    told = Told(name, time.monotonic() - start)
    lengths_s = {True: [told.seconds], False: [told.seconds]}
    if run.returncode:
        told.faults.append(f"{name} fails in peace: {said.decode()}")
        return told
    peace = _shown(folder)
    if fresh_one_in > 1:
        _load([*command, "--overwrite"], folder)
    for number in range(times):
        sent = SIGNALS[number % len(SIGNALS)]
        folder = _copy(template, place)
        fresh = number // len(SIGNALS) % fresh_one_in == 0
        run = _start(command, folder, overwrite, fresh)
        moment_s = rng.uniform(0.0, statistics.median(lengths_s[fresh][-9:]))
        try:
            run.wait(moment_s)
        except subprocess.TimeoutExpired:
            run.send_signal(sent)
        _, said = run.communicate(timeout=120)
        where = f"{name}, {sent.name} after {moment_s:.3f} s, number {number}"
        told.ended[sent.name] += run.returncode != 0
        found = _shown(folder)
        if found == peace:
            told.whole += 1
        elif found == before:
            told.absent += 1
        elif _each_whole(found, before, peace, _units(name, sent)):
            told.mixed += 1
        else:
            told.faults.append(f"{where}: {sorted(found)} is neither all nor nothing")
        if sent is not signal.SIGKILL and _hidden(folder):
            told.faults.append(f"{where}: left {_hidden(folder)}")
        if re.search(rb'cli/__init__\.py", line \d+, in main', said) or (
            b"Warning:" in said
            and sent is not signal.SIGKILL  # then Python's own helper tells of what its parent left
        ):  # before `main`, Python itself speaks
            told.faults.append(f"{where}: said {said.decode(errors='replace')[-400:]}")
        start = time.monotonic()
        again = _start(command, folder, True, fresh)
        _, said = again.communicate(timeout=300)
        lengths_s[fresh].append(time.monotonic() - start)
        if len(lengths_s[fresh]) == 2:
            del lengths_s[fresh][0]  # of another way to start
        if again.returncode or _shown(folder) != peace or _hidden(folder):
            told.faults.append(
                f"{where}: the next run: {again.returncode} {said.decode()[-200:]} {_hidden(folder)}"
            )
        if [*_given(folder).values()] != given:
            told.faults.append(f"{where}: what was given has changed")
    told.seconds = statistics.median(lengths_s[fresh_one_in == 1])
    return told


def _units(name: str, sent: signal.Signals) -> str:
    """What may be old or new by itself: nothing, each file, or each folder and each file beside it."""
    if sent is not signal.SIGKILL:
        return ""
    if "--zip" in COMMANDS[name]:
        return "folders"
    return "files" if name in ("retune", "retune again", "export again", "sing", "sing again") else ""


def _each_whole(
    found: dict[str, bytes], before: dict[str, bytes], peace: dict[str, bytes], units: str
) -> bool:
    """Tell whether each unit is as it was, or as it is to be."""
    if not units:
        return False

    def unit(path: str) -> str:
        return path if units == "files" else path.split("/")[0]

    def parts(content: dict[str, bytes], which: str) -> dict[str, bytes]:
        return {path: data for path, data in content.items() if unit(path) == which}

    names = {unit(path) for content in (found, before, peace) for path in content}
    return all(parts(found, one) in (parts(before, one), parts(peace, one)) for one in names)


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--times", type=int, default=200)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--fresh-one-in", type=int, default=5)
    options.add_argument("--only", action="append", choices=list(COMMANDS))
    wanted = options.parse_args()
    # What runs in the background of a shell, or under nohup, ignores these, and so would every command.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    signal.signal(signal.SIGHUP, signal.SIG_DFL)
    bad = 0
    columns = ("takes s", *(sent.name for sent in SIGNALS), "as before", "whole", "mixed", "faults")
    print(f"{'command':20} " + " ".join(f"{column:>9}" for column in columns))
    for name in wanted.only or COMMANDS:
        times = max(1, wanted.times // 10) if name in COSTLY else wanted.times
        with tempfile.TemporaryDirectory() as place:
            fresh = 1 if name in ANEW or not hasattr(os, "pidfd_open") else wanted.fresh_one_in
            told = endure(name, times, wanted.seed, Path(place), fresh)
        bad += len(told.faults)
        counts = (
            *(told.ended[sent.name] for sent in SIGNALS),
            told.absent,
            told.whole,
            told.mixed,
            len(told.faults),
        )
        print(
            f"{name:20} {told.seconds:9.2f} " + " ".join(f"{count:9}" for count in counts),
            flush=True,
        )
        for fault in told.faults[:5]:
            print(fault, flush=True)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
