"""Child processes of tests: listened to line by line, waited for with limits, always ended.

A child is the leader of a process group, so that whatever it starts goes down with it. When the test process dies, a
child that reads its standard input sees the end of it, and where the system has ``setpriv`` any child is asked to
end. Waiting for a line ends when the line comes, at the latest after the limit given; nothing here sleeps.

Index: :class:`Child`, :class:`ChildError`.
"""

from __future__ import annotations

import contextlib
import os
import queue
import shutil
import signal
import subprocess
import threading
from collections.abc import Sequence
from typing import IO


class ChildError(AssertionError):
    """A child process did not do what was asked."""


class Child:
    """A running child process.

    Parameters
    ----------
    command, env
        What to run, and its environment.
    log
        Where its standard error goes.
    """

    def __init__(self, command: Sequence[str], env: dict[str, str], *, log: IO[bytes]) -> None:
        setpriv = shutil.which("setpriv")  # becomes the command: same process
        self.popen = subprocess.Popen(
            [*((setpriv, "--pdeathsig", "TERM") if setpriv else ()), *command],
            env=env,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=log,
            start_new_session=True,
            text=True,
            encoding="utf-8",
            errors="replace",
        )
        self._lines: queue.Queue[str | None] = queue.Queue()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.popen.stdout is not None
        for line in self.popen.stdout:
            self._lines.put(line.rstrip("\n"))
        self._lines.put(None)

    @property
    def alive(self) -> bool:
        """Whether it still runs."""
        return self.popen.poll() is None

    def say(self, line: str) -> None:
        """Write a line to its standard input."""
        assert self.popen.stdin is not None
        try:
            self.popen.stdin.write(line + "\n")
            self.popen.stdin.flush()
        except OSError as error:
            raise ChildError(f"the process is gone: {error}") from error

    def line(self, limit_s: float) -> str:
        """Return the next line of its standard output, waiting at most `limit_s` for it."""
        try:
            line = self._lines.get(timeout=max(0.0, limit_s))
        except queue.Empty:
            raise ChildError(f"no answer within {limit_s:g} s") from None
        if line is None:
            self._lines.put(None)
            raise ChildError("the process ended instead of answering")
        return line

    def signal(self, number: signal.Signals) -> None:
        """Signal it and everything that it started."""
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.popen.pid, number)

    def exit_code(self, limit_s: float) -> int:
        """Wait for its end and return the exit code (negative: the signal that ended it)."""
        try:
            return self.popen.wait(limit_s)
        except subprocess.TimeoutExpired:
            raise ChildError(f"still running after {limit_s:g} s") from None

    def end(self, limit_s: float = 5.0) -> None:
        """End it: first by closing its input, then by asking, then by force. What it started goes too."""
        assert self.popen.stdin is not None
        assert self.popen.stdout is not None
        with contextlib.suppress(OSError):
            self.popen.stdin.close()
        with contextlib.suppress(ChildError):
            self.exit_code(1.0)
        if self.alive:
            self.signal(signal.SIGTERM)
            with contextlib.suppress(ChildError):
                self.exit_code(limit_s)
        self.signal(signal.SIGKILL)
        self.popen.wait(limit_s)
        self._reader.join(limit_s)
        if self._reader.is_alive():  # closing what a thread reads from would wait for that thread
            raise ChildError("something that the process started still holds its output")
        self.popen.stdout.close()
