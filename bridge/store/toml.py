"""Reading and writing the project's TOML descriptions, with errors that name file and line.

Conventions
-----------
A description is UTF-8 TOML of at most 1 MB with ``schema = 1``. Every problem in one, of syntax or of meaning, is
an `InputProblem` that begins with the file and, where it can be found, the line: ``my.toml, line 5: …``.

Index
-----
`Section` typed access to one file or one ``[section]`` of it · `read_toml` · `write_toml`

Sources
-------
TOML v1.0.0 (strings are escaped as in JSON, and U+007F besides).
"""

from __future__ import annotations

import itertools
import json
import math
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar

from bridge.errors import InputProblem, StillbeatError, near_names

SCHEMA = 1
MAX_BYTES = 1_000_000
MAX_DEPTH = 32
"""Names with more dots than this are refused: no description has them, and reading them takes minutes."""

_T = TypeVar("_T")
_HEADER = re.compile(r"\s*\[\[?\s*(?P<path>[^\]]+?)\s*\]\]?\s*(#.*)?$")
_LIST_HEADER = re.compile(r"\s*\[\[\s*(?P<path>[^\]]+?)\s*\]\]\s*(#.*)?$")
_ENTRY = re.compile(r"\s*(?P<key>\"(?:[^\"\\]|\\.)*\"|'[^']*'|[A-Za-z0-9_-]+)\s*=")
_KEY = r"(?:[A-Za-z0-9_-]+|\"[^\"\n]*\"|'[^'\n]*')[ \t]*"
_DEEP = re.compile(rf"(?<![A-Za-z0-9_-]){_KEY}(?:\.[ \t]*{_KEY}){{{MAX_DEPTH}}}")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SYNTAX = re.compile(r"^(?P<what>.*?) \(at (?:line (?P<line>\d+), column \d+|end of document)\)$", re.DOTALL)


class Section:
    """One section of a description: typed entries, and errors with file and line.

    Parameters
    ----------
    data : mapping
        The entries as `tomllib` returns them.
    where : str
        The file, as it is named in errors.
    text : str
        The whole file, or the lines of this section, to find lines in.
    path : tuple of str
        Names of the sections down to this one.
    above : int
        How many lines of the file stand above the text.
    """

    def __init__(
        self, data: Mapping[str, Any], where: str, text: str = "", path: tuple[str, ...] = (), above: int = 0
    ) -> None:
        self.data = data
        self.where = where
        self.path = path
        self._text, self._above = text, above
        self._asked: set[str] = set()

    def __contains__(self, key: str) -> bool:
        self._asked.add(key)
        return key in self.data

    def line_of(self, *keys: str) -> int | None:
        """Return the line of an entry below this section, or of the nearest thing above it; None if unknown."""
        line = find_line(self._text, (*self.path, *keys))
        return None if line is None else self._above + line

    def problem(self, message: str, hint: str = "", key: str | None = None) -> InputProblem:
        """Return an error about this section, or about one entry of it, to be raised."""
        line = self.line_of(*(() if key is None else (key,)))
        place = self.where if line is None else f"{self.where}, line {line}"
        return InputProblem(f"{place}: {message}", hint)

    def text(self, key: str, default: str | None = None) -> str:
        """Return a text entry; without a default it must be there and not be blank."""
        value = self._get(key, default)
        if not isinstance(value, str) or (default is None and not value.strip()):
            raise self.problem(f"{key} = {value!r} is not a text", f'write {key} = "…" in quotes', key)
        return value

    def line(self, key: str, default: str | None = None) -> str:
        """Return a text; several lines become one."""
        return " ".join(self.text(key, default).split())

    def whole(self, key: str, low: int, high: int, default: int | None = None) -> int:
        """Return a whole number from `low` to `high`."""
        value = self._get(key, default)
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            raise self.problem(f"{key} = {value!r}", f"a whole number from {low} to {high} is wanted", key)
        return value

    def number(self, key: str, low: float, high: float, default: float | None = None) -> float:
        """Return a number from `low` to `high`."""
        value = self._get(key, default)
        if not isinstance(value, int | float) or isinstance(value, bool) or not low <= value <= high:
            raise self.problem(f"{key} = {value!r}", f"a number from {low:g} to {high:g} is wanted", key)
        return float(value)

    def flag(self, key: str, default: bool | None = None) -> bool:
        """Return true or false."""
        value = self._get(key, default)
        if not isinstance(value, bool):
            raise self.problem(f"{key} = {value!r}", "true or false, without quotes", key)
        return value

    def section(self, key: str, required: bool = False) -> Section:
        """Return a section below this one; an empty one if it is missing and not required."""
        value = self._get(key, None if required else {})
        if not isinstance(value, Mapping):
            raise self.problem(f"{key} = {value!r} is not a section", f"begin it with a line [{key}]", key)
        return Section(value, self.where, self._text, (*self.path, key), self._above)

    def sections(self, key: str) -> list[Section]:
        """Return the sections of a list below this one (``[[key]]``), in order; none if it is missing."""
        value = self._get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, Mapping) for item in value):
            raise self.problem(
                f"{key} = {value!r} is no list of sections", f"begin each with a line [[{key}]]", key
            )
        path = (*self.path, key)
        texts = _split_list(self._text, path, len(value))
        return [
            Section(item, self.where, text, path, self._above + above)
            for item, (above, text) in zip(value, texts, strict=True)
        ]

    def convert(self, key: str, parse: Callable[[str], _T], default: str | None = None) -> _T:
        """Return a text entry turned into a value; what `parse` refuses is told with file and line."""
        text = self.text(key, default)
        try:
            return parse(text)
        except StillbeatError as problem:
            raise self.problem(f"{key}: {problem.message}", problem.hint, key) from problem

    def entries(self) -> Iterator[tuple[str, Any]]:
        """Yield every entry, all of which count as known."""
        self._asked.update(self.data)
        yield from self.data.items()

    def named_in(self, message: str) -> str | None:
        """Return the entry that a message speaks of: the first one it names."""
        return next((word for word in re.findall(r"\w+", message) if word in self.data), None)

    def check_schema(self) -> None:
        """Refuse a description of another version."""
        value = self._get("schema", None)
        if value != SCHEMA or isinstance(value, bool):
            raise self.problem(f"schema = {value!r}", f"this version reads schema {SCHEMA}", "schema")

    def check_name(self, file_name: str) -> None:
        """Refuse a description whose name is not what its file is called (without ``.toml``)."""
        name = self.text("name")
        if name != file_name:
            raise self.problem(
                f"name = {name!r} but the file is called {file_name}.toml",
                f'write name = "{file_name}"',
                "name",
            )

    def allow(self, *keys: str) -> None:
        """Count entries as known that are read elsewhere."""
        self._asked.update(keys)

    def refuse_others(self) -> None:
        """Refuse entries that nobody asked for: usually a slip of the pen."""
        for key in self.data:
            if key not in self._asked:
                raise self.problem(f"unknown entry {key!r}", near_names(key, self._asked), key)

    def _get(self, key: str, default: Any) -> Any:
        self._asked.add(key)
        if key in self.data:
            return self.data[key]
        if default is None:
            slip = get_close_matches(key, self.data.keys() - self._asked, 1, 0.7)
            hint = f"is {slip[0]!r} meant?" if slip else "tables/README.md shows what a description needs"
            raise self.problem(f"entry {key!r} is missing", hint)
        return default


def read_toml(path: Path) -> Section:
    """Read a description.

    InputProblem if the file is missing, unreadable, too large, not UTF-8 or not TOML; syntax errors name the
    line.
    """
    where = str(path)
    try:
        with path.open("rb") as stream:
            raw = stream.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise InputProblem(f"{where}: no such file", "check the name and the folder") from None
    except IsADirectoryError:
        raise InputProblem(f"{where}: is a folder, not a description", "name the .toml file in it") from None
    except (OSError, ValueError) as error:  # a NUL in a path is a ValueError
        raise InputProblem(
            f"{where!r}: cannot be read: {getattr(error, 'strerror', None) or error}"
        ) from None
    if len(raw) > MAX_BYTES:
        raise InputProblem(f"{where}: is larger than 1 MB", "is this a description in TOML?")
    return parse_toml(raw, where)


def parse_toml(raw: bytes, where: str) -> Section:
    """Parse the bytes of a description; `where` names it in errors."""
    try:
        text = raw.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise InputProblem(f"{where}, line {line}: not UTF-8 text", "save the file as UTF-8") from None
    deep = _DEEP.search(text)
    if deep is not None:
        line = text.count("\n", 0, deep.start()) + 1
        raise InputProblem(
            f"{where}, line {line}: a name with more than {MAX_DEPTH} dots", "is this a description?"
        )
    try:
        return Section(tomllib.loads(text), where, text)
    except tomllib.TOMLDecodeError as error:
        raise _syntax_problem(str(error), where, text) from None
    except ValueError:  # the limit of Python's own reader of whole numbers
        raise InputProblem(f"{where}: a number with thousands of digits", "is this a description?") from None
    except RecursionError:
        raise InputProblem(f"{where}: brackets nested too deep", "is this a description?") from None


def _syntax_problem(message: str, where: str, text: str) -> InputProblem:
    """Turn the parser's complaint into file, line and likely mistake."""
    match = _SYNTAX.match(message)
    what = match["what"] if match else message
    line = int(match["line"]) if match and match["line"] else max(len(text.splitlines()), 1)
    lines = text.splitlines()
    content = lines[line - 1].strip() if line <= len(lines) else ""
    if "=" in content:
        hint = 'texts, notes and ratios stand in quotes, like "5/4"'
    else:
        hint = "every entry reads name = value, every section begins with [name]"
    value = content.partition("=")[2].strip()[:20]  # no more of the file than this is shown
    shown = f": {value!r}" if value else ""
    return InputProblem(f"{where}, line {line}: {what[0].lower() + what[1:]}{shown}", hint)


def find_line(text: str, path: tuple[str, ...]) -> int | None:
    """Return the 1-based line of an entry or section of TOML that parses; of its nearest parent when it cannot be
    told.

    `path` has the names of the sections and of the entry.
    """
    best: tuple[int, int] = (0, 0)
    here: tuple[str, ...] = ()
    for number, line in _plain_lines(text):
        header = _HEADER.match(line)
        if header is not None and "=" not in line.split("#")[0]:
            here = tuple(part.strip().strip("\"'") for part in header["path"].split("."))
            found = here
        else:
            entry = _ENTRY.match(line)
            if entry is None:
                continue
            found = (*here, _unquote(entry["key"]))
        depth = len(found)
        if found == path[:depth] and depth > best[0]:
            best = (depth, number)
    return best[1] or None


def _split_list(text: str, path: tuple[str, ...], count: int) -> list[tuple[int, str]]:
    """Return for each section of a list its own lines, and how many stand above them."""
    lines = text.split("\n")
    starts = [
        number - 1
        for number, line in _plain_lines(text)
        if (header := _LIST_HEADER.match(line)) is not None
        and tuple(part.strip().strip("\"'") for part in header["path"].split(".")) == path
    ]
    if len(starts) != count:  # written on one line: the line of the whole list must do
        return [(0, text)] * count
    bounds = [*starts, len(lines)]
    return [(start, "\n".join(lines[start:end])) for start, end in itertools.pairwise(bounds)]


def _plain_lines(text: str) -> Iterator[tuple[int, str]]:
    """Yield numbered lines, without the later lines of texts in triple quotes."""
    closing = ""
    for number, line in enumerate(text.split("\n"), 1):
        if closing:
            if closing in line:
                closing = ""
            continue
        yield number, line
        for quotes in ('"""', "'''"):
            if line.count(quotes) % 2 == 1:
                closing = quotes


def _unquote(key: str) -> str:
    """Return the name behind a quoted or bare key."""
    if key.startswith('"'):
        try:
            return str(json.loads(key))
        except ValueError:
            return key.strip('"')
    return key.strip("'")


def write_toml(data: Mapping[str, Any], comments: Mapping[str, str] | None = None) -> str:
    """Write a description: plain entries first, then a ``[section]`` for each mapping.

    Parameters
    ----------
    data : mapping
        Texts, whole numbers, floats (written so that they read back bit for bit), booleans, lists, and mappings
        of these. Mappings inside lists become inline tables.
    comments : mapping of str to str, optional
        Comment to put before an entry or section, by its dotted path; the empty path begins the file.
    """
    notes = comments or {}
    lines = [f"# {line}" for line in notes.get("", "").splitlines()]
    _write_section(data, (), notes, lines)
    return "\n".join(lines).lstrip("\n") + "\n"


def _write_section(
    data: Mapping[str, Any], path: tuple[str, ...], notes: Mapping[str, str], lines: list[str]
) -> None:
    """Append the lines of one section and those below it."""
    for key, value in data.items():
        if not isinstance(value, Mapping):
            lines += [f"# {line}" for line in notes.get(".".join((*path, key)), "").splitlines()]
            lines.append(f"{_key(key)} = {_value(value)}")
    for key, value in data.items():
        if isinstance(value, Mapping):
            below = (*path, key)
            lines.append("")
            lines += [f"# {line}" for line in notes.get(".".join(below), "").splitlines()]
            lines.append(f"[{'.'.join(_key(part) for part in below)}]")
            _write_section(value, below, notes, lines)


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else _text(key)


def _text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def _value(value: Any) -> str:
    """Write one value on one line; lists of more than one text or table get a line each."""
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return _text(value)
        case int():
            return str(value)
        case float() if math.isfinite(value):
            return repr(value)
        case Mapping():
            return "{ " + ", ".join(f"{_key(key)} = {_value(item)}" for key, item in value.items()) + " }"
        case list() | tuple():
            if not value:
                return "[]"
            return "[\n" + "".join(f"  {_value(item)},\n" for item in value) + "]"
        case _:
            raise TypeError(f"{value!r} has no form in TOML")
