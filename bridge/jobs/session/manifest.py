"""The manifest of a bundle: every file with its hash and what it is, and what each was made from.

The manifest is `manifest.json` at the top of a bundle::

    {"schema": 1, "kind": "stillbeat session", "made_by": "stillbeat 0.1.0", "session": {…},
     "files": [{"path", "sha256", "bytes", "task", "what", …}], "tasks": {"01-song/organ": {"key", "notices"}}}

A *task* makes some of the files; its `key` is a digest of everything that they depend on. A task whose key is the same
as in the bundle that is there already need not be done again.

Paths use ``/``. Nothing in a manifest depends on when or where it was made.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from fractions import Fraction
from functools import cache, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import bridge
from bridge.errors import InputProblem
from bridge.store.files import read_bytes
from bridge.store.json_text import parse_json
from bridge.store.session.model import built
from bridge.tuning.notes import parse_pitch_class
from bridge.tuning.tables import Table

if TYPE_CHECKING:
    from bridge.jobs.session.plan import SessionPlan

NAME = "manifest.json"
KIND = "stillbeat session"
SCHEMA = 1

SESSION_FOLDER = "session"
"""Where in a bundle the session file lies, and everything that it names."""


@dataclass
class Task:
    """What made some of the files."""

    key: str  # digest of what they depend on
    notices: list[str] = field(default_factory=list)  # what a player should know about them


@dataclass
class Manifest:
    """All that a bundle holds."""

    session: dict[str, Any] = field(default_factory=dict)  # pieces and synths, for scripts
    # Facts of every file but the manifest itself, by path: ``sha256``, ``bytes``, ``task``, ``what`` and
    # more.
    files: dict[str, dict[str, Any]] = field(default_factory=dict)
    tasks: dict[str, Task] = field(default_factory=dict)
    # Program and version that made it.
    made_by: str = field(default_factory=lambda: f"stillbeat {bridge.__version__}")

    def by_task(self) -> dict[str, dict[str, dict[str, Any]]]:
        """Return the files of every task, with their facts."""
        found: dict[str, dict[str, dict[str, Any]]] = {}
        for path, facts in self.files.items():
            found.setdefault(str(facts.get("task")), {})[path] = facts
        return found

    def find(self, **wanted: Any) -> list[str]:
        """Return the paths of files whose facts are as wanted, in order."""
        return [
            path
            for path, facts in sorted(self.files.items())
            if all(facts.get(name) == value for name, value in wanted.items())
        ]

    def dumps(self) -> bytes:
        """Return the text of the manifest."""
        form = {
            "schema": SCHEMA,
            "kind": KIND,
            "made_by": self.made_by,
            "session": self.session,
            "files": [{"path": path, **self.files[path]} for path in sorted(self.files)],
            "tasks": {
                name: {"key": task.key, "notices": task.notices} for name, task in sorted(self.tasks.items())
            },
        }
        return (json.dumps(form, indent=1, ensure_ascii=True, allow_nan=False) + "\n").encode("ascii")


def read_manifest(folder: Path) -> Manifest:
    """Read the manifest of a bundle; InputProblem if there is none, or it is none of ours."""
    path = folder / NAME
    try:
        there = path.exists()
    except OSError:
        there = True  # it cannot be looked at: reading it says why
    if not there:
        hint = "a bundle is a folder that `stillbeat session build` made"
        if not folder.exists():
            raise InputProblem(f"there is no folder {folder}", hint)
        raise InputProblem(f"{folder} holds no {NAME}", hint)
    form = parse_json(read_bytes(path), str(path), "build the session again")
    try:
        if form["kind"] != KIND or form["schema"] != SCHEMA:
            raise InputProblem(f"{path} is of another kind or version", "build the session again")
        manifest = Manifest(session=dict(form["session"]), made_by=str(form.get("made_by", "")))
        for entry in form["files"]:
            facts = dict(entry)
            name = str(facts.pop("path"))
            if not _is_plain(name):
                raise InputProblem(f"{path} names a file outside the bundle: {name!r}", "do not trust it")
            facts["sha256"], facts["bytes"] = str(facts["sha256"]), int(facts["bytes"])
            manifest.files[name] = facts
        for name, task in form["tasks"].items():
            manifest.tasks[name] = Task(str(task["key"]), [str(text) for text in task["notices"]])
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise InputProblem(f"{path} is damaged ({error!r:.80})", "build the session again") from None
    return manifest


def _is_plain(name: str) -> bool:
    parts = name.split("/")
    return (
        bool(name) and "\\" not in name and not any(part in ("", ".", "..") or ":" in part for part in parts)
    )


# -- digests


def fingerprint(*values: Any) -> str:
    """Return a digest of values: texts, numbers, bytes, lists, mappings, sets and data classes of these."""
    digest = hashlib.sha256(program_digest().encode("ascii"))
    for value in values:
        digest.update(_canonical(value).encode("utf-8"))
    return digest.hexdigest()


def _canonical(value: Any) -> str:
    """Write a value so that equal values, and only those, look the same in every process."""
    if is_dataclass(value) and not isinstance(value, type):
        try:
            return _kept_record(cast(Hashable, value))
        except TypeError:  # it holds something that may change
            return _record(value)
    if isinstance(value, Mapping):
        return "{" + ",".join(sorted(f"{_canonical(k)}:{_canonical(v)}" for k, v in value.items())) + "}"
    if isinstance(value, set | frozenset):
        return "{" + ",".join(sorted(_canonical(item) for item in value)) + "}"
    if isinstance(value, list | tuple):
        return "[" + ",".join(_canonical(item) for item in value) + "]"
    if isinstance(value, bytes):
        return "bytes:" + hashlib.sha256(value).hexdigest()
    if value is None or isinstance(value, str | int | float | Fraction):
        return repr(value)
    raise TypeError(f"{type(value).__name__} has no fingerprint")


def _record(value: Any) -> str:
    parts = (
        f"{entry.name}={_canonical(getattr(value, entry.name))}" for entry in fields(value) if entry.compare
    )
    return f"{type(value).__name__}({','.join(parts)})"


@lru_cache(maxsize=2048)
def _kept_record(value: Any) -> str:
    """The same, kept: guitars, scales and profiles come up again and again."""
    return _record(value)


@cache
def program_digest() -> str:
    """Return a digest of this program's own source: another version may make other files of the same session."""
    root = Path(bridge.__file__).parent
    digest = hashlib.sha256(bridge.__version__.encode("utf-8"))
    for path in sorted(root.rglob("*.py")):
        digest.update(path.relative_to(root).as_posix().encode("utf-8"))
        digest.update(path.read_bytes())
    return digest.hexdigest()


def _tonic(table: Table) -> dict[str, Any]:
    """Return the tonic that a piece starts with, in the octave of middle C, with its pitch."""
    key = 60 + parse_pitch_class(table.tonic)
    return {"note": table.note(key), "hz": float(table.hz[key])}


def session_facts(plan: SessionPlan) -> dict[str, Any]:
    """Return what the manifest says about a session, for scripts."""
    return {
        "name": plan.session.name,
        "title": plan.session.title,
        "file": f"{SESSION_FOLDER}/{plan.session.file}",
        "pieces": [
            {
                "number": one.piece.number,
                "name": one.piece.name,
                "title": one.piece.title,
                "tonic": _tonic(built(one.tables[0])),
                "steps": [{"step": step.label, "place": step.place, "what": step.what} for step in one.steps],
            }
            for one in plan.pieces
        ],
        "synths": [
            {
                "name": synth.synth.name,
                "title": synth.synth.title,
                "profile": synth.synth.profile.name,
                "method": synth.method,
                "recalls": [
                    {
                        "program": synth.programs[one.piece.number, step.table],
                        "piece": one.piece.number,
                        "step": step.label,
                    }
                    for one in plan.pieces
                    for step in one.steps
                    if (one.piece.number, step.table) in synth.programs
                ],
            }
            for synth in plan.synths
        ],
    }
