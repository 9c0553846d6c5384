"""A process of our own at the other end of a pair of pipes, which neither waits for us nor holds us up.

What it is told and what it tells goes over in frames (`bridge.live.frames`).
"""

from __future__ import annotations

import contextlib
import queue
import signal
import subprocess
import tempfile
import threading
from collections.abc import Callable
from typing import Any, Generic, TypeVar

from bridge import children
from bridge.live.frames import FrameReader, write_frame

_Told = TypeVar("_Told")


class Piped(Generic[_Told]):
    """One such process, from its start until `end`.

    Parameters
    ----------
    module : str
        Its `main` is run.
    kind : type
        What it tells: a frame, or a union of frames.
    take : callable
        Called with everything that it tells, in a thread of its own; at last with None, unless it was ended from here.
    """

    def __init__(self, module: str, kind: Any, take: Callable[[_Told | None], object]) -> None:
        self._log: Any = tempfile.TemporaryFile()  # noqa: SIM115 - closed in end()
        self.popen = children.start(module, self._log)
        self._kind, self._take = kind, take
        self._ended = False
        self._outbox: queue.SimpleQueue[object | None] = queue.SimpleQueue()
        self._threads = [threading.Thread(target=work, daemon=True) for work in (self._read, self._write)]
        for thread in self._threads:
            thread.start()

    def _read(self) -> None:
        reader: FrameReader[_Told] = FrameReader(self.popen.stdout, self._kind)  # type: ignore[arg-type]
        with contextlib.suppress(EOFError):
            while True:
                self._take(reader.read())
        if not self._ended:
            self._take(None)

    def tell(self, frame: object) -> None:
        """Send it something, without ever waiting for it; nothing happens if it is gone."""
        self._outbox.put(frame)

    def _write(self) -> None:
        """Write what is told, in a thread of its own: one that hangs must not hang whoever tells it."""
        while (frame := self._outbox.get()) is not None:
            with contextlib.suppress(OSError, ValueError):
                write_frame(self.popen.stdin, frame)  # type: ignore[arg-type]

    def how_it_ended(self) -> str:
        """Return the last line that it wrote to its standard error, or what ended it where it wrote none."""
        self._log.seek(0)
        lines = self._log.read().decode(errors="replace").strip().splitlines()
        if lines:
            return str(lines[-1])
        with contextlib.suppress(subprocess.TimeoutExpired):
            code = self.popen.wait(1.0)
            return (signal.strsignal(-code) or f"signal {-code}") if code < 0 else f"exit code {code}"
        return "no reason given"

    def end(self) -> None:
        """End it by force if it still runs, and wait for that."""
        self._ended = True
        self._outbox.put(None)
        children.end(self.popen)
        for thread in self._threads:
            thread.join(1.0)
        for stream in (self.popen.stdin, self.popen.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()
        self._log.close()
