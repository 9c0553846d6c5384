"""What the entries of a session file name: files inside the session's folder, and descriptions by name.

Every path is relative to the folder of the session file and must stay inside it, symbolic links followed.
"""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any

from bridge.errors import StillbeatError, near_names
from bridge.store.finding import inside, is_path
from bridge.store.toml import Section

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,47}")
_SYNTH_FOLDERS_TAKEN = frozenset({"con", "prn", "aux", "nul"})  # names that Windows keeps for itself


class Finder:
    """Finds what the entries of one session file name."""

    def __init__(self, folder: Path, file: str) -> None:
        self.folder = folder.resolve()
        self.files = [file]  # every file that was named, the session file first, as written, with ``/``

    def at(self, section: Section, key: str | None = None) -> str:
        """Say where a section or an entry of it stands: ``evening.toml, line 12``."""
        line = section.line_of(*(() if key is None else (key,)))
        return section.where if line is None else f"{section.where}, line {line}"

    def name(self, section: Section, title: str) -> str:
        """Return the name for files: what is written, else one made of the title."""
        if "name" not in section:
            plain = unicodedata.normalize("NFKD", title.lower()).encode("ascii", "ignore").decode("ascii")
            made = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:48].strip("-")
            if made and made not in _SYNTH_FOLDERS_TAKEN:
                return made
            raise section.problem(
                f"no file name can be made of the title {title!r}",
                'write name = "…" in plain letters',
                "title",
            )
        name = section.text("name")
        if not _NAME.fullmatch(name) or name.lower() in _SYNTH_FOLDERS_TAKEN:
            raise section.problem(
                f"name = {name!r} cannot name files",
                "letters from a to z, digits, dashes and underscores, at most 48",
                "name",
            )
        return name

    def there(self, text: str) -> bool:
        """Tell whether what an entry names is not simply missing: it is there, or no file of this folder at all."""
        target = inside(self.folder, text)
        return target is None or target.is_file()

    def path(self, section: Section, key: str, text: str) -> Path:
        """Return the file that an entry names; it must lie inside the session's folder, and exist."""
        target = inside(self.folder, text)
        if target is None:
            raise section.problem(
                f"{key} = {text!r} lies outside the folder of the session",
                "copy the file into the folder and name it from there, such as tracks/song.mid",
                key,
            )
        if not os.path.isfile(target):
            raise section.problem(f"{key} = {text!r}: there is no such file", _near(target), key)
        self.files.append(os.path.normpath(text.strip().replace("\\", "/")).replace("\\", "/"))
        return target

    def described(self, section: Section, key: str, load: Callable[[str], Any]) -> Any:
        """Return what an entry names: a description by name, or a file inside the folder; None if there is none."""
        if key not in section:
            return None
        text = section.text(key)
        if not is_path(text):
            return section.convert(key, load)
        path = self.path(section, key, text)
        try:
            return load(str(path))
        except StillbeatError as problem:
            raise section.problem(problem.message.replace(str(path), text), problem.hint, key) from problem


def _near(target: Path) -> str:
    """Suggest files of similar name, or say that the folder is missing."""
    if not os.path.isdir(target.parent):
        return f"there is no folder {target.parent.name} in the session's folder either"
    names = [one.name for one in target.parent.iterdir() if one.suffix.lower() == target.suffix.lower()]
    return near_names(target.name, names) or "paths start from the folder of the session file"
