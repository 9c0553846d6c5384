"""Where descriptions lie: the shipped ones, and the user's own, which win over them.

Conventions
-----------
Shipped descriptions lie in ``tables/`` of a checkout, or in ``bridge/tables`` of an installed wheel; the user's own
in the user's configuration folder (`user_dir`). Both have a folder for each kind, ``scales``, ``guitars``,
``synths``, ``tables``, and a file for each description, named as it is chosen: ``scales/five-limit.toml``,
``tables/rehearsal.table.toml``. Wherever a name is wanted a path may stand: anything with a slash, or that ends
in ``.toml``.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Callable, Iterator
from contextvars import ContextVar
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

import platformdirs

import bridge
from bridge.errors import InputProblem, ValueProblem, near_names
from bridge.store.toml import Section, read_toml

_T = TypeVar("_T")

TABLE_SUFFIX = ".table.toml"

_KINDS = {"scales": ".toml", "guitars": ".toml", "synths": ".toml", "tables": TABLE_SUFFIX}
_RENAMED = {("scales", "five-limit-minor"): "five-limit-low-second"}
"""Shipped descriptions that have another name now, by kind and old name."""

_OTHER_NAMES = {
    "vestapol": "open-d",
    "sebastopol": "open-d",
    "spanish": "open-g",
    "taropatch": "open-g",
    "crossnote": "open-e-minor",
    "openem": "open-e-minor",
    "opendm": "open-d-minor",
    "opengm": "open-g-minor",
    "dmodal": "dadgad",
    "wahine": "slack-key-d-wahine",
    "mountaindulcimer": "dulcimer-dad",
    "bouzouki": "octave-mandolin",
    "fiddle": "violin",
    "eadg": "bass-pure-fourths",
    "gcea": "ukulele",
    "gdgbd": "banjo-open-g",
    "gdgcd": "banjo-g-modal",
    "gcgcd": "banjo-double-c",
}
"""What players call these tunings besides (common practice), bare of spaces and signs; and strings that lie in other
octaves than a guitar's."""

_OTHER_SCALES = {
    "just": "five-limit",
    "pure": "five-limit",
    "pythagorean": "three-limit",
    "meantone": "quarter-comma-meantone",
    "tempered": "equal",
}
"""What players call scales besides (common practice)."""

_SINGULAR = {"scales": "scale", "guitars": "guitar", "synths": "synth", "tables": "table"}


def tables_dir() -> Path:
    """Return the folder of shipped descriptions.

    InputProblem if neither an installed wheel nor a checkout holds one.
    """
    package = Path(bridge.__file__).resolve().parent
    for folder in (package / "tables", package.parent / "tables"):
        if (folder / "scales").is_dir():
            return folder
    raise InputProblem(
        f"{package / 'tables'}: shipped scales and guitars are missing", "install stillbeat again"
    )


def user_dir() -> Path:
    """Return the folder of the user's own descriptions, which need not exist."""
    return Path(platformdirs.user_config_dir("stillbeat", appauthor=False))


@dataclass
class _Beside:
    """Descriptions that came along with a session."""

    folder: Path
    used: dict[str, Path] = field(default_factory=dict)


_beside: ContextVar[_Beside | None] = ContextVar("_beside", default=None)


@contextlib.contextmanager
def descriptions_beside(folder: Path) -> Iterator[dict[str, Path]]:
    """While it lasts, descriptions in a folder win over all others: those that a session brought along.

    What is given fills with the files of descriptions that were found by name and do not come with the program, by
    what each is called in such a folder: ``synths/mine.toml``.
    """
    beside = _Beside(folder)
    token = _beside.set(beside)
    try:
        yield beside.used
    finally:
        _beside.reset(token)


def _folders() -> tuple[Path, ...]:
    """Folders in which a name is looked for, the first one first."""
    beside = _beside.get()
    return (*((beside.folder,) if beside is not None else ()), user_dir(), tables_dir())


def list_names(kind: str) -> list[str]:
    """Return the names of all scales, guitars, synths or tables, shipped and own, in order."""
    suffix = _KINDS[kind]
    folders = [folder / kind for folder in _folders()]
    paths = (path for folder in folders if folder.is_dir() for path in folder.iterdir())
    return sorted({path.name.removesuffix(suffix) for path in paths if path.name.endswith(suffix)})


def list_scales() -> list[str]:
    """Return the names of all scales, shipped and own."""
    return list_names("scales")


def list_guitars() -> list[str]:
    """Return the names of all guitars, shipped and own."""
    return list_names("guitars")


def list_tables() -> list[str]:
    """Return the names of all tables kept as files, shipped and own."""
    return list_names("tables")


def is_path(name_or_path: str) -> bool:
    """Tell whether a path is meant, rather than the name of a description."""
    return "/" in name_or_path or "\\" in name_or_path or name_or_path.lower().endswith(".toml")


def inside(folder: Path, text: str) -> Path | None:
    """Return the path that `text`, written in a file that lies in `folder`, names; None if it leads out of the folder.

    Symbolic links are followed. The path is relative to the folder; backslashes mean slashes.
    """
    written = text.strip().replace("\\", "/")
    root = folder.resolve()
    try:
        target = (root / written).resolve()
    except (OSError, ValueError, RuntimeError):
        return None
    if Path(written).is_absolute() or re.match(r"[A-Za-z]:|~", written):
        return None
    return target if target != root and target.is_relative_to(root) else None


def _bare(name: str) -> str:
    """Return a name without what people write differently: ``Open D`` and ``open-d`` are ``opend``."""
    return re.sub(r"[^a-z0-9]", "", name.lower()).removesuffix("tuning") or name


def other_name(strings: str) -> str | None:
    """Return the name of the guitar that has these strings, though those of a guitar would lie in other octaves."""
    return _OTHER_NAMES.get(re.sub(r"[\s-]", "", strings).lower())


def meant_name(kind: str, text: str) -> str | None:
    """Return the name of the description that a player means: ``Open D`` is ``open-d``; None if there is none."""
    names = list_names(kind)
    wanted = text.strip()
    if wanted in names:
        return wanted
    bare = _bare(wanted)
    if kind == "guitars":
        bare = _bare(_OTHER_NAMES.get(bare, bare))
    if kind == "scales":
        bare = _bare(_OTHER_SCALES.get(bare, bare))
    near = [name for name in names if _bare(name) == bare]
    return near[0] if len(near) == 1 else None


def find_description(kind: str, name_or_path: str) -> Path:
    """Return the file of a description by its path, or its name among the user's own and then the shipped ones.

    Kinds are scales, guitars, synths, tables. ValueProblem if there is no such name; near names are
    suggested.
    """
    wanted = name_or_path.strip()
    if is_path(wanted):
        return Path(wanted)
    if wanted and not wanted.startswith("."):
        for folder in _folders():
            path = folder / kind / f"{wanted}{_KINDS[kind]}"
            if os.path.isfile(path):  # of a name too long for the system there is none
                if (beside := _beside.get()) is not None and folder != tables_dir():
                    beside.used[f"{kind}/{path.name}"] = path
                return path
        name = meant_name(kind, wanted)
        if name is not None and name != wanted:
            return find_description(kind, name)
    if (kind, wanted) in _RENAMED:
        raise ValueProblem(
            f"{_SINGULAR[kind]} {wanted!r} has another name now", f"write {_RENAMED[kind, wanted]}"
        )
    names = list_names(kind)
    hint = near_names(wanted, names)
    if not hint.startswith("did you mean"):
        hint += f"; `stillbeat tables {kind}` lists them" if kind != "tables" else ""
        hint += "; a guitar may be named by its strings: DADF#AD" if kind == "guitars" else ""
    raise ValueProblem(f"unknown {_SINGULAR[kind]} {wanted!r}", hint)


def load_description(kind: str, name_or_path: str, make: Callable[[Section], _T]) -> _T:
    """Return what `make` makes of the file of a description; a file that is found by name must say that name.

    ValueProblem if there is no such name; near names are suggested. InputProblem if the file is malformed;
    names file and line.
    """
    path = find_description(kind, name_or_path)
    section = read_toml(path)
    made = make(section)
    if not is_path(name_or_path):
        section.check_name(path.stem)
    return made
