"""Listening to the reference string while everything plays on: in a process of its own.

A sound system can hang or take a program along when its server dies; what plays must not notice. So a process opens the
microphone (or reads a take), finds the reference, tells it and ends.

What the process is sent: one `Take`. What it tells: `Opened` when it listens, then `Heard` or `Refused`.
"""

from __future__ import annotations

import contextlib
import os
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

import msgspec

from bridge import children
from bridge.errors import InputProblem, StillbeatError
from bridge.live.frames import FrameReader, Refused, write_frame
from bridge.tuning.guitars import Guitar
from bridge.tuning.reference import Reference

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

LISTEN_S = 5.0
"""How long the microphone is listened to."""
LIMIT_S = 30.0
"""How long all of it may take."""


class Take(msgspec.Struct, frozen=True, kw_only=True, tag=True):
    """What to listen for, and where."""

    reference: Reference
    """About where it is."""
    named: bool
    """Whether a person named its note."""
    guitar: Guitar | None = None
    """With a guitar its reference string is meant."""
    file: str | None = None
    """A take; None: the microphone."""
    device: str | None = None
    """Part of the microphone's name."""
    seconds: float = LISTEN_S
    """How long to listen to the microphone."""
    wait_s: float = 0.0
    """How long to wait before, for what sounds to die away."""


class Opened(msgspec.Struct, frozen=True, tag=True):
    """It listens, to what is called so, for so long."""

    name: str
    seconds: float


class Heard(msgspec.Struct, frozen=True, tag=True):
    """The reference as it sounds."""

    reference: Reference


Told: TypeAlias = Opened | Heard | Refused


def main() -> None:
    """Listen once."""
    out = os.fdopen(children.own_output(), "wb")
    reader: FrameReader[Take] = FrameReader(sys.stdin.buffer, Take)
    try:
        take = reader.read()
    except EOFError:
        return
    write_frame(out, answer(lambda: _hear(take, lambda name: write_frame(out, Opened(name, take.seconds)))))
    from bridge.sound.device.outputs import end_process

    end_process()


def answer(find: Callable[[], Reference]) -> Heard | Refused:
    """Find the reference, or say why not."""
    try:
        return Heard(find())
    except StillbeatError as problem:
        return Refused(problem.message, problem.hint)
    except Exception as problem:
        return Refused(f"listening failed: {type(problem).__name__}: {problem}")


def _hear(take: Take, opened: Callable[[str], None]) -> Reference:
    from bridge.jobs.hearing import find_reference

    if take.file is not None:
        opened(Path(take.file).name)
        return find_reference(take.file, take.reference, take.guitar, take.named)
    from bridge.sound.device.microphone import Microphone, record

    time.sleep(take.wait_s)
    microphone = Microphone(take.device)
    opened(microphone.input.name)
    samples, rate = record(take.seconds, microphone)
    return found_in(samples, rate, take, microphone.dropped)


def found_in(samples: NDArray[np.float64], rate: float, take: Take, dropped: int) -> Reference:
    """Return the reference as it sounds in what a microphone brought.

    Parameters
    ----------
    samples : ndarray, shape (n,)
    rate : float
        Samples a second.
    dropped : int
        How often sound was lost.
    """
    from bridge.jobs.hearing import find_reference
    from bridge.sound.files.wav import write_sound

    with tempfile.TemporaryDirectory(prefix="stillbeat-") as folder:
        path = Path(folder) / "what was played.wav"
        write_sound(path, [samples[:, None].astype("float32")], int(rate), encoding="float")
        try:
            reference = find_reference(path, take.reference, take.guitar, take.named)
        except StillbeatError as problem:
            message = problem.message.removeprefix(f"{path}: ").replace(str(path), path.stem)
            raise InputProblem(message, problem.hint) from problem
    if not dropped:
        return reference
    missed = f"the computer was too busy {dropped} times and may have missed sound: listen once more"
    return replace(reference, remark="; ".join(filter(None, (missed, reference.remark))))


class Ear:
    """Starts such a process, passes on what it tells, and ends it.

    `put` is called with what the process tells, from another thread. Something final always comes.
    """

    def __init__(self, take: Take, put: Callable[[Told], None]) -> None:
        self._put = put
        self._popen = children.start("bridge.live.desk.ear")
        assert self._popen.stdin is not None
        with contextlib.suppress(OSError):
            write_frame(self._popen.stdin, take)  # type: ignore[arg-type]
        self._limit = threading.Timer(LIMIT_S + take.seconds, self._popen.kill)
        self._limit.daemon = True
        self._limit.start()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        reader: FrameReader[Told] = FrameReader(self._popen.stdout, Told)  # type: ignore[arg-type]
        final = False
        with contextlib.suppress(EOFError):
            while not final:
                told = reader.read()
                final = not isinstance(told, Opened)
                self._put(told)
        if not final:
            self._put(Refused("the sound system does not answer", "is the microphone connected?"))
        self.end()

    def end(self) -> None:
        """End the process, whatever it does."""
        self._limit.cancel()
        children.end(self._popen)
