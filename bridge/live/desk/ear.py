"""Listening to the reference string while everything plays on: in a process of its own.

A sound system can hang or take a program along when its server dies; what plays must not notice. So a process opens the
microphone (or reads a take), finds the reference, tells it and ends.

What the process is sent: one `Take`. What it tells: ``("open", name)`` when it listens, then ``("heard", Reference)``
or ``("refused", message, hint)``.

Index: `Take`, `Ear`, `main`.
"""

from __future__ import annotations

import contextlib
import os
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bridge import children
from bridge.errors import InputProblem, StillbeatError
from bridge.live.frames import read_frame, write_frame

if TYPE_CHECKING:  # the desk imports this before it starts its player
    from bridge.tuning.reference import Reference
    from bridge.tuning.tables import TableSpec

LISTEN_S = 5.0
"""How long the microphone is listened to."""
LIMIT_S = 30.0
"""How long all of it may take."""


@dataclass(frozen=True)
class Take:
    """What to listen for, and where.

    Attributes
    ----------
    spec : TableSpec
        Says where about the reference is; with a guitar its reference string is meant.
    named : bool
        Whether a person named the reference's note.
    file : Path or None
        A take; None: the microphone.
    device : str or None
        Part of the microphone's name.
    seconds : float
        How long to listen to the microphone.
    wait_s : float
        How long to wait before, for what sounds to die away.
    """

    spec: TableSpec
    named: bool
    file: Path | None = None
    device: str | None = None
    seconds: float = LISTEN_S
    wait_s: float = 0.0


def main() -> None:
    """Listen once."""
    out = os.fdopen(children.own_output(), "wb")
    take: Take = read_frame(sys.stdin.buffer)
    try:
        answer: tuple[Any, ...] = ("heard", _hear(take, lambda name: write_frame(out, ("open", name))))
    except StillbeatError as problem:
        answer = ("refused", problem.message, problem.hint)
    except Exception as problem:
        answer = ("refused", f"listening failed: {type(problem).__name__}: {problem}", "")
    write_frame(out, answer)
    from bridge.sound.device.outputs import end_portaudio

    end_portaudio(1.0)
    os._exit(0)  # a sound system that hangs is not waited for


def _hear(take: Take, opened: Callable[[str], None]) -> Reference:
    from bridge.jobs.hearing import reference_in_take

    if take.file is not None:
        opened(take.file.name)
        return reference_in_take(take.file, take.spec, take.named)
    from bridge.sound.device.microphone import Microphone, record
    from bridge.sound.files.wav import write_sound

    time.sleep(take.wait_s)
    microphone = Microphone(take.device)
    opened(microphone.input.name)
    samples, rate = record(take.seconds, microphone)
    with tempfile.TemporaryDirectory(prefix="stillbeat-") as folder:
        path = Path(folder) / "what was played.wav"
        write_sound(path, [samples[:, None].astype("float32")], rate, encoding="float")
        try:
            return reference_in_take(path, take.spec, take.named)
        except StillbeatError as problem:
            message = problem.message.removeprefix(f"{path}: ").replace(str(path), path.stem)
            raise InputProblem(message, problem.hint) from problem


class Ear:
    """Starts such a process, passes on what it tells, and ends it.

    Parameters
    ----------
    take : Take
    put : callable
        Called with what the process tells, from another thread. Something final always comes.
    """

    def __init__(self, take: Take, put: Callable[[tuple[Any, ...]], None]) -> None:
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
        stream = self._popen.stdout
        final = False
        with contextlib.suppress(Exception):  # whatever came was no answer; one is given below
            while not final:
                told = read_frame(stream)  # type: ignore[arg-type]
                final = told[0] != "open"
                self._put(told)
        if not final:
            self._put(("refused", "the sound system does not answer", "is the microphone connected?"))
        self.end()

    def end(self) -> None:
        """End the process, whatever it does."""
        self._limit.cancel()
        children.end(self._popen)
