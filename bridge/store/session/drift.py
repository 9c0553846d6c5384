"""A session file whose reference string sounds otherwise by now: the same text, with what it sounds in its place.

Only the entries at the top that tell the reference are changed, and only in the text that is handed back; the file
itself stays as it is. What is handed back is read again and must say what the old one said in all but these entries.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from typing import Any

from bridge.errors import InputProblem
from bridge.tuning.reference import parse_reference

_TOLD = ("reference", "reference_from", "reference_how")
"""Entries that tell the reference; the last two belong to the old one."""


def with_reference(text: str, reference: str, file: str) -> str:
    """Return the text of a session file with another reference.

    Parameters
    ----------
    reference : str
        As a musician writes it: ``D3=146.1``, ``D3-9c``.
    file : str
        Name of the file, for problems.

    Raises
    ------
    ValueProblem
        The reference is none.
    InputProblem
        The file is none, its strings come from a recording, or the entry cannot be told from the rest.
    """
    parse_reference(reference)
    try:
        said = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return text  # whoever reads it says what is wrong, and where
    if "as_tuned" in said:
        raise InputProblem(
            f"{file}: all strings are as a recording has them (as_tuned), so no single reference moves them",
            "record them again",
        )
    lines = text.splitlines(keepends=True)
    place = 0
    for key in _TOLD:
        if key not in said:
            continue
        rest = {name: value for name, value in said.items() if name != key}
        index = _line_of(lines, key, rest)
        if index is None:
            raise InputProblem(
                f"{file}: the entry {key} cannot be changed from outside", "change it in the file itself"
            )
        if key == "reference":
            place = index
        del lines[index]
        said = rest
    lines.insert(place, f'reference = "{reference.strip()}"\n')
    return "".join(lines)


def _line_of(lines: list[str], key: str, rest: Mapping[str, Any]) -> int | None:
    """Return the line that holds an entry of the top and nothing else; None if there is none."""
    entry = re.compile(rf"\s*{key}\s*=")
    for index, line in enumerate(lines):
        if not entry.match(line):
            continue
        try:
            without = tomllib.loads("".join(lines[:index] + lines[index + 1 :]))
        except tomllib.TOMLDecodeError:
            continue
        if without == rest:
            return index
    return None
