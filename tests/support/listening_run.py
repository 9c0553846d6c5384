"""A command that listens to a microphone, run as a child on a JACK server: its lines, its errors, its end."""

from __future__ import annotations

import re
import sys
import tempfile
from types import TracebackType
from typing import Self

from support import jack
from support.children import Child, ChildError

_RUN = "import sys; from bridge.cli import main; main(sys.argv[1:])"


class Run:
    """A command that listens, from its start to its end."""

    def __init__(self, server: jack.JackServer, *arguments: str) -> None:
        self._log = tempfile.TemporaryFile()  # noqa: SIM115 - closed in __exit__
        self.child = Child([sys.executable, "-c", _RUN, *arguments], server.env, log=self._log)
        self.lines: list[str] = []

    def wait(self, pattern: str, limit_s: float = 20.0) -> str:
        """Wait for a line."""
        while True:
            try:
                self.lines.append(self.child.line(limit_s))
            except ChildError as error:
                raise ChildError(f"no line {pattern!r}: {error}; {self.lines}; {self.errors()}") from None
            if re.search(pattern, self.lines[-1]):
                return self.lines[-1]

    def errors(self) -> str:
        """What it wrote to standard error."""
        self._log.seek(0)
        return self._log.read().decode(errors="replace")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.child.end()
        self._log.close()
