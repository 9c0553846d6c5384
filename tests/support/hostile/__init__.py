"""Hostile inputs: files that are almost, or not at all, what they claim to be, made from a seed.

A *maker* takes a `random.Random` and returns the bytes of one input (`support.hostile.midi`, `.texts`, `.sounds`); a
*door* takes those bytes and reads them as the project does (`support.hostile.doors`). Whatever happens behind a door,
only a `StillbeatError` may come out of it, in time and without much memory.

About every third input is damaged after it was made: bytes changed, cut out, doubled. One of a thousand is large,
up to 1 MB.

Index: `Door`, `doors`, `number`, `made`, `run`, `Outcome`, `limited`.
"""

from __future__ import annotations

import contextlib
import random
import resource
import signal
import sys
import time
import traceback
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

from support.hostile import texts
from support.hostile.doors import REFUSED, Door, doors
from support.hostile.midi import number

__all__ = ["Door", "Outcome", "doors", "limited", "made", "number", "run"]

MOST_S = 5.0
MOST_MB = 300
_GIVE_UP_S = 20.0


def damaged(rng: random.Random, data: bytes) -> bytes:
    """The same, two times in three; else with bytes changed, cut out or doubled."""
    if rng.random() < 0.66 or not data:
        return data
    out = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        if not out:
            break
        at = rng.randrange(len(out))
        change = rng.random()
        if change < 0.5:
            out[at] = rng.choice((0, 0x7F, 0x80, 0xF0, 0xF7, 0xFF, rng.randrange(256)))
        elif change < 0.75:
            del out[at : at + rng.choice((1, 4, 100))]
        else:
            out[at:at] = out[at : at + rng.choice((1, 4, 100))]
    return bytes(out)


def made(door: Door, seed: int, size: str = "any") -> bytes:
    """Return the input of a seed; `size`: ``"any"``, or always ``"large"``."""
    rng = random.Random(f"{door.name} {seed}")
    if size == "large" or (door.large_one_in and rng.randrange(door.large_one_in) == 0):
        return damaged(rng, door.large(rng) if door.large else texts.grown(rng, door.make(rng)))
    return damaged(rng, door.make(rng))


@dataclass
class Outcome:
    """What a campaign met."""

    inputs: int = 0
    read: int = 0
    refused: int = 0
    slowest_s: float = 0.0
    grown_mb: float = 0.0
    faults: list[str] = field(default_factory=list)

    def add(self, other: Outcome) -> None:
        """Take what another part of the campaign met into this."""
        self.inputs += other.inputs
        self.read += other.read
        self.refused += other.refused
        self.slowest_s = max(self.slowest_s, other.slowest_s)
        self.grown_mb = max(self.grown_mb, other.grown_mb)
        self.faults += other.faults


class _TooLong(BaseException):
    """An input takes so long that it is given up."""


@contextlib.contextmanager
def limited() -> Iterator[None]:
    """Let no input of this process take more memory than is allowed: what asks for more gets a MemoryError."""
    kept = resource.getrlimit(resource.RLIMIT_AS)
    size = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (size + (MOST_MB + 100 << 20), kept[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, kept)


@contextlib.contextmanager
def _given_up_after(limit_s: float) -> Iterator[None]:
    def give_up(number: int, frame: FrameType | None) -> None:
        raise _TooLong

    kept = signal.signal(signal.SIGVTALRM, give_up)
    signal.setitimer(signal.ITIMER_VIRTUAL, limit_s)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
        signal.signal(signal.SIGVTALRM, kept)


def _forget_peak() -> None:
    """Let the greatest memory be measured anew from now on, where the system can (Linux)."""
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5")


def _memory_mb() -> tuple[float, float]:
    """What this process holds in memory, and the most that it held."""
    try:
        lines = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
        return int(lines["VmRSS"].split()[0]) / 1024, int(lines["VmHWM"].split()[0]) / 1024
    except (OSError, KeyError):
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (
            1024 if sys.platform != "darwin" else 1 << 20
        )
        return peak, peak


def run(door: Door, seeds: range, most_s: float = MOST_S, size: str = "any") -> Outcome:
    """Send one input for each seed through a door; warnings count as faults."""
    from bridge.errors import StillbeatError

    done = Outcome()
    _forget_peak()
    before_mb = _memory_mb()[0]
    for seed in seeds:
        data = made(door, seed, size)
        where = f"{door.name} seed {seed}"
        start = time.process_time()
        try:
            with warnings.catch_warnings(), _given_up_after(_GIVE_UP_S):
                warnings.simplefilter("error")
                answer = door.read(data)
            done.refused += answer is REFUSED
            done.read += answer is not REFUSED
        except StillbeatError as error:
            done.refused += 1
            if error.exit_code not in (2, 3) or "\x1b" in str(error) or "\0" in str(error):
                done.faults.append(f"{where}: {error!r}")
        except _TooLong:
            done.faults.append(f"{where}: given up: {traceback.format_exc(limit=-6)}")
        except MemoryError:
            done.faults.append(
                f"{where}: too much memory for {len(data)} bytes: {traceback.format_exc(limit=-3)}"
            )
        except Exception:
            done.faults.append(f"{where}: {traceback.format_exc(limit=-3)}")
        spent = time.process_time() - start
        done.slowest_s = max(done.slowest_s, spent)
        if spent > most_s and len(data) < 1_000_000:
            done.faults.append(f"{where}: {spent:.1f} s for {len(data)} bytes")
        done.inputs += 1
    done.grown_mb = max(0.0, _memory_mb()[1] - before_mb)
    if done.grown_mb > MOST_MB:
        done.faults.append(f"{door.name} seeds {seeds}: memory grew by {done.grown_mb:.0f} MB")
    return done
