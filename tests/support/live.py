"""``stillbeat play``, and other commands that play, as a process of its own, for tests on a real server.

Index: `LiveRun`, `player_pid`.
"""

from __future__ import annotations

import os
import re
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self

from support.children import Child, ChildError

_RUN = "import sys; from bridge.cli import main; main(sys.argv[1:])"


class LiveRun:
    """One run, from its start to its end.

    Parameters
    ----------
    env : dict
        Environment, with the JACK server's name.
    state : Path
        Folder for its state.
    options : str
        Arguments after the command.
    before : str
        Python code to run in its process first.
    command : str
        Another command that plays: ``drone``, ``demo``.
    """

    def __init__(
        self, env: dict[str, str], state: Path, *options: str, before: str = "", command: str = "play"
    ) -> None:
        self.log = tempfile.TemporaryFile()  # noqa: SIM115 - closed in end()
        self.began_s = time.monotonic()
        self.lines: list[str] = []
        self._child = Child(
            [sys.executable, "-c", f"{before}\n{_RUN}", command, *options],
            {**env, "XDG_STATE_HOME": str(state)},
            log=self.log,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.end()

    @property
    def pid(self) -> int:
        """The process that was started."""
        return self._child.popen.pid

    def wait(self, pattern: str, limit_s: float = 15.0) -> str:
        """Wait for a line that it prints from now on; return it."""
        limit = time.monotonic() + limit_s
        while True:
            try:
                line = self._child.line(limit - time.monotonic())
            except ChildError as error:
                raise ChildError(
                    f"no line {pattern!r}: {error}; {self.lines[-8:]}; {self.errors()}"
                ) from None
            self.lines.append(line)
            if re.search(pattern, line):
                return line

    def ready(self) -> Self:
        """Wait until it plays."""
        try:
            self.wait("^(ready|playing on)")
        except ChildError:
            self.end()
            raise
        return self

    def say(self, line: str) -> None:
        """Type a line."""
        self._child.say(line)

    def signal(self, number: signal.Signals) -> None:
        """Send a signal to the process that was started, and to no other."""
        os.kill(self.pid, number)

    def close_input(self) -> None:
        """End its standard input."""
        assert self._child.popen.stdin is not None
        self._child.popen.stdin.close()

    def exit_code(self, limit_s: float = 15.0) -> int:
        """Wait for its end."""
        return self._child.exit_code(limit_s)

    def errors(self) -> str:
        """Return what it wrote to standard error."""
        self.log.seek(0)
        return self.log.read().decode(errors="replace")

    def end(self) -> None:
        """End it, by force if it must be."""
        self._child.end()
        self.log.close()


def player_pid(run: LiveRun) -> int:
    """Return the process that plays."""
    for child, command in children_of(run.pid).items():
        if b"bridge.live.player.process" in command:
            return child
    raise ChildError("there is no player process")


def children_of(pid: int) -> dict[int, bytes]:
    """Return the processes that a process has started, each with its command."""
    found = {}
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rsplit(")", 1)[1].split()
            command = (path.parent / "cmdline").read_bytes()
        except OSError:
            continue
        if int(fields[1]) == pid:
            found[int(path.parent.name)] = command
    return found


def until(done: Callable[[], object], limit_s: float = 10.0, what: str = "it never came") -> None:
    """Wait until something is so, and fail if it does not become so."""
    limit = time.monotonic() + limit_s
    while not done():
        if time.monotonic() > limit:
            raise ChildError(what)
        time.sleep(0.01)
