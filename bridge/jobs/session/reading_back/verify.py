"""Reading a bundle back: every file is compared with the session, and what is missing or not of it is named.

The session is read from the bundle's own copy, its tables are built anew, and every file is put to the test that suits
it (`bridge.jobs.session.reading_back.checks`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from bridge.errors import InputProblem
from bridge.jobs.session.folder import files_in
from bridge.jobs.session.manifest import NAME as MANIFEST
from bridge.jobs.session.manifest import read_manifest
from bridge.jobs.session.plan import plan_session
from bridge.jobs.session.reading_back.checks import Checker, FileVerdict
from bridge.jobs.session.takes import open_session


@dataclass
class Verified:
    """What became of a bundle."""

    title: str  # of the session
    files: list[FileVerdict] = field(default_factory=list)  # by path

    @property
    def problems(self) -> list[FileVerdict]:
        """Files with something wrong."""
        return [one for one in self.files if one.problem]

    def worst_by_kind(self) -> list[tuple[str, float]]:
        """Return for each kind of file the largest distance in cents, where one was measured."""
        worst: dict[str, float] = {}
        for one in self.files:
            if one.worst_cents is not None:
                worst[one.what] = max(worst.get(one.what, 0.0), one.worst_cents)
        return sorted(worst.items())


def verify_session(folder: Path, progress: Callable[[str, float], None] | None = None) -> Verified:
    """Decode every file of a bundle and compare it with the session's tables.

    InputProblem if the folder is no bundle, or its session cannot be read. What is wrong with single files is
    in the result.

    Parameters
    ----------
    progress : callable, optional
        Called with a file's path and how much is done, 0 to 1.
    """
    manifest = read_manifest(folder)
    name = str(manifest.session.get("file", ""))
    if name not in manifest.files:
        raise InputProblem(f"{folder / MANIFEST} names no session file", "build the session again")
    session = open_session(folder / name)
    checker = Checker(folder, manifest, plan_session(session))
    verified = Verified(session.title)
    there = files_in(folder)
    names = sorted(manifest.files)
    for number, path in enumerate(names, 1):
        verified.files.append(checker.check(path))
        if progress is not None:
            progress(path, number / len(names))
    for path in sorted(there - set(names) - {MANIFEST}):
        verified.files.append(FileVerdict(path, "unknown", "the manifest", problem="no build made this file"))
    for path in sorted(checker.wanted() - set(names)):
        verified.files.append(
            FileVerdict(path, "missing", "the session", problem="the session needs it, and no build made it")
        )
    return verified
