"""Writing a whole folder at once: it is built beside the old one and takes its place in one step.

While a bundle is built, everything goes into a hidden neighbour (``.evening.building-…``). Only when it is complete and
flushed to the disk do the two change places, in one atomic step where the system has one (Linux, macOS), else by two
renamings. A build that is killed at any moment leaves the old bundle whole; the next build clears up after it, and
puts the old one back in the one case where the killing fell between two renamings.

Two builds of one folder do not run at the same time: the second is refused.
"""

from __future__ import annotations

import contextlib
import ctypes
import ctypes.util
import errno
import os
import secrets
import shutil
import sys
import zipfile
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

from bridge.children import undisturbed
from bridge.errors import InputProblem, OutputProblem
from bridge.jobs.session.manifest import NAME, Manifest, read_manifest
from bridge.store.hidden import flush_folder, lock

_LITTER = frozenset({".DS_Store", "Thumbs.db", "desktop.ini"})
_AT_FDCWD = -100
_EXCHANGE = 2
_EPOCH = (1980, 1, 1, 0, 0, 0)  # the earliest time that a zip file knows


class FolderBuild:
    """A folder while it is built; use it in a ``with`` statement.

    OutputProblem if the folder holds something that no build made, or is a bundle and `overwrite` is false,
    or cannot be written, or is being built at this moment.

    Parameters
    ----------
    target : Path
        Where it is to be.
    """

    def __init__(self, target: Path, overwrite: bool = False) -> None:
        self.shown = target
        self.target = Path(os.path.realpath(target))
        self.overwrite = overwrite
        self.old: Manifest | None = None  # what the bundle holds that is there already
        self._lock = -1
        prefix = f".{self.target.name}"
        # Where to write, as long as the statement lasts.
        self.root = self.target.parent / f"{prefix}.building-{secrets.token_hex(4)}"
        self._lock_path = self.target.parent / f"{prefix}.lock"
        self._prefix = prefix

    def __enter__(self) -> FolderBuild:
        try:
            if not self.target.name:
                raise OutputProblem(f"{self.shown} cannot be a bundle", "name a folder")
            if not self.target.parent.is_dir():
                raise OutputProblem(
                    f"cannot write {self.shown}: there is no folder {self.target.parent}",
                    "make the folder first",
                )
            with undisturbed():  # nobody knows yet of a lock that was just made
                self._take_lock()
            self._clear_up()
            self.old = self._look_at_old()
            self.root.mkdir()
        except BaseException as error:
            self._leave()
            if isinstance(error, OSError):
                raise _cannot(self.shown, error) from None
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._leave()
        if isinstance(error, OSError):
            raise _cannot(self.shown, error) from None

    def _leave(self) -> None:
        """Clear away what was built, or what it took the place of."""
        with undisturbed():
            shutil.rmtree(self.root, ignore_errors=True)
            self._release()

    def reuse(self, name: str) -> None:
        """Take a file of the old bundle over as it is."""
        source, place = self.target / name, self.root / name
        place.parent.mkdir(parents=True, exist_ok=True)
        try:
            os.link(source, place)
        except (OSError, AttributeError, NotImplementedError):
            shutil.copy2(source, place)

    def publish(self) -> None:
        """Put the new folder in the place of the old one."""
        _flush(self.root)
        try:
            if not self.target.exists():
                os.rename(self.root, self.target)
            elif not _exchange(self.root, self.target):
                self._two_steps()
            flush_folder(self.target.parent)
        except OSError as error:
            raise _cannot(self.shown, error) from None

    def _two_steps(self) -> None:
        before = self.target.parent / f"{self._prefix}.before-{secrets.token_hex(4)}"
        os.rename(self.target, before)
        try:
            os.rename(self.root, self.target)
        except OSError:
            os.rename(before, self.target)
            raise
        shutil.rmtree(before, ignore_errors=True)

    def _look_at_old(self) -> Manifest | None:
        """Return the manifest of what is there; refuse what no build made."""
        target = self.target
        if not target.exists():
            return None
        if not target.is_dir():
            raise OutputProblem(f"{self.shown} is a file, not a folder", "a bundle is a folder")
        there = files_in(target)
        if not there:
            return None
        try:
            manifest = read_manifest(target)
        except InputProblem:
            raise OutputProblem(
                f"{self.shown} holds files that are no session's, such as {min(there)}",
                "name a folder of its own",
            ) from None
        if not self.overwrite:
            raise OutputProblem(
                f"{self.shown} exists already",
                "--overwrite brings it up to date; only what changed is made again",
            )
        strange = there - set(manifest.files) - {NAME}
        if strange:
            raise OutputProblem(
                f"{self.shown} holds {min(strange)}, which the build did not make and would remove",
                "move it elsewhere, or name another folder",
            )
        return manifest

    def _take_lock(self) -> None:
        while True:
            self._lock = os.open(self._lock_path, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o666)
            if not lock(self._lock, wait=False):
                os.close(self._lock)
                self._lock = -1
                raise OutputProblem(
                    f"{self.shown} is being built at this moment", "wait for the other build to end"
                )
            with contextlib.suppress(FileNotFoundError):
                if os.stat(self._lock_path).st_ino == os.fstat(self._lock).st_ino:
                    return
            os.close(self._lock)  # whoever held it removed it just now

    def _release(self) -> None:
        if self._lock >= 0:
            with contextlib.suppress(OSError):
                os.unlink(self._lock_path)
            os.close(self._lock)
            self._lock = -1

    def _clear_up(self) -> None:
        """Remove what a killed build left; put an old bundle back that it had just moved away."""
        for left in sorted(self.target.parent.glob(f"{_escaped(self._prefix)}.before-*")):
            if self.target.exists():
                shutil.rmtree(left, ignore_errors=True)
            else:
                os.rename(left, self.target)
        for left in self.target.parent.glob(f"{_escaped(self._prefix)}.building-*"):
            shutil.rmtree(left, ignore_errors=True)


def files_in(folder: Path) -> set[str]:
    """Return the paths of all files below a folder, without what file managers leave there by themselves."""
    return {
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if not path.is_dir() and path.name not in _LITTER
    }


def _escaped(name: str) -> str:
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in name)


def _exchange(one: Path, other: Path) -> bool:
    """Let two folders change names in one step; False where the system cannot."""
    try:
        library = ctypes.CDLL(None, use_errno=True)
        if sys.platform == "darwin":
            done = library.renamex_np(os.fsencode(one), os.fsencode(other), _EXCHANGE)
        else:
            done = library.renameat2(_AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(other), _EXCHANGE)
    except (AttributeError, OSError, TypeError):
        return False
    return bool(done == 0)


def _flush(folder: Path) -> None:
    """Flush what was written to the disk, so that a loss of power cannot leave names without content."""
    with contextlib.suppress(OSError, AttributeError, TypeError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            if ctypes.CDLL(None, use_errno=True).syncfs(descriptor) == 0:
                return
        finally:
            os.close(descriptor)
    with contextlib.suppress(AttributeError):
        os.sync()


def _cannot(target: Path, error: OSError) -> OutputProblem:
    if error.errno in (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)):
        return OutputProblem(f"cannot write {target}: the disk is full", "nothing was left behind")
    return OutputProblem(f"cannot write {target}: {(error.strerror or str(error)).lower()}")


def write_zip(stream: BinaryIO, folder: Path, name: str, names: Iterable[str]) -> None:
    """Pack files of a folder, which is a folder of that name inside too.

    It has the same bytes on every run: files are stored as they are, for compressed bytes would depend on the
    version of the library.
    """
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED) as archive:
        for path in sorted(names):
            entry = zipfile.ZipInfo(f"{name}/{path}", _EPOCH)
            entry.create_system = 3
            entry.external_attr = 0o100644 << 16
            with open(folder / path, "rb") as source, archive.open(entry, "w") as place:
                shutil.copyfileobj(source, place, 1 << 20)
    stream.flush()
    os.fsync(stream.fileno())
