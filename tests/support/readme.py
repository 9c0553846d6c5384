"""The two lines of the README that promise something: CI and the tests run them as they stand there.

A line is the one command of the code block that follows a marker such as ``<!-- test-line -->``, an HTML comment, which
readers do not see. As a program, ``python3 tests/support/readme.py MARKER`` prints that command; it needs nothing
but the standard library.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

README = Path(__file__).resolve().parents[2] / "README.md"
MARKERS = ("main-line", "test-line")


def marked_line(marker: str, text: str | None = None) -> str:
    """Return the command after a marker.

    Raises
    ------
    ValueError
        The marker does not stand there exactly once, directly before a code block of exactly one line.
    """
    text = README.read_text(encoding="utf-8") if text is None else text
    if text.count(f"<!-- {marker} -->") != 1:
        raise ValueError(f"README.md must hold the marker <!-- {marker} --> once")
    block = re.search(rf"<!-- {marker} -->\s*```(?:sh|bash)?\n(.*?)\n```", text, re.DOTALL)
    if block is None or "\n" in block[1]:
        raise ValueError(f"README.md: a code block of one line must follow <!-- {marker} -->")
    return block[1].strip()


def repository(line: str) -> str:
    """Return where a command clones from, as it is written there.

    Raises
    ------
    ValueError
        The command does not begin by cloning.
    """
    clone = re.match(r"git clone (?:-\S+ )*(\S+)", line)
    if clone is None:
        raise ValueError(f"the line must begin with git clone: {line}")
    return clone[1]


if __name__ == "__main__":
    command = marked_line(sys.argv[1])
    print(repository(command))
    print(command)
