"""Where a session is: its file, the folder that was built of it, or that folder in a zip file.

Of a zip file only the session itself is unpacked, with what it names, into a folder that is there as long as it is
used. A zip file comes from anybody: nothing in it is written outside that folder, and what it says of its own size is
not believed.
"""

from __future__ import annotations

import contextlib
import re
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path

from bridge.errors import InputProblem
from bridge.jobs.session.manifest import NAME, SESSION_FOLDER, read_manifest
from bridge.store.files import MOST_BYTES

MOST_FILES = 20_000
"""A zip file holds no more; the largest evening, 999 pieces on several synths, has fewer."""
MOST_UNPACKED_BYTES = 1 << 30
"""And what is unpacked of it is no larger, 1 GB: tracks and takes."""
_DRIVE = re.compile(r"[A-Za-z]:")


@contextlib.contextmanager
def session_file(path: Path) -> Iterator[Path]:
    """Find the file of a session, to be used in a ``with`` statement.

    Parameters
    ----------
    path : Path
        A session file, a folder that `session build` wrote, wherever it lies now, or a zip file of one.

    Raises
    ------
    InputProblem
        It is none of them, or a zip file that cannot be trusted.
    """
    if path.is_dir():
        yield _in_bundle(path)
    elif path.suffix.lower() == ".zip" or _is_zip(path):
        with tempfile.TemporaryDirectory(prefix="stillbeat-session-") as folder:
            yield _in_bundle(_unpack(path, Path(folder)), shown=path)
    else:
        yield path


def _is_zip(path: Path) -> bool:
    try:
        if not path.is_file():
            return False  # a pipe is read but once
        with open(path, "rb") as stream:
            return stream.read(4) == b"PK\x03\x04"
    except OSError:
        return False  # whoever reads it says what is wrong


def _in_bundle(folder: Path, shown: Path | None = None) -> Path:
    """Return the session file of a bundle."""
    shown = shown or folder
    if not (folder / NAME).is_file() and folder.name == SESSION_FOLDER and (folder.parent / NAME).is_file():
        folder = folder.parent
    if not (folder / NAME).is_file():
        files = sorted(folder.glob("*.toml"))
        hint = f"name the session's file, such as {files[0]}" if files else "name the session's file"
        raise InputProblem(f"{shown} holds no {NAME}: no `stillbeat session build` made it", hint)
    manifest = read_manifest(folder)
    name = str(manifest.session.get("file", ""))
    if name not in manifest.files:
        raise InputProblem(f"{shown}: its {NAME} names no session file", "build the session again")
    if not (folder / name).is_file():
        raise InputProblem(f"{shown} lacks {name}", "copy the whole folder, or build the session again")
    return folder / name


# ---- zip files


def _unpack(path: Path, folder: Path) -> Path:
    """Unpack the session of a zip file; return the bundle's folder."""
    try:
        with zipfile.ZipFile(path) as archive:
            return _unpack_session(archive, path, folder)
    except FileNotFoundError:
        raise InputProblem(f"there is no file {path}") from None
    except (zipfile.BadZipFile, zlib.error, EOFError, ValueError, NotImplementedError, RuntimeError) as error:
        what = " ".join(str(error).split())[:80]
        raise InputProblem(
            f"{path} cannot be unpacked: {what}", "copy it again, or unpack it yourself"
        ) from None
    except OSError as error:
        raise InputProblem(f"{path} cannot be unpacked: {error.strerror or error}") from None


def _unpack_session(archive: zipfile.ZipFile, path: Path, folder: Path) -> Path:
    entries = [entry for entry in archive.infolist() if not entry.is_dir()]
    if len(entries) > MOST_FILES:
        raise InputProblem(f"{path} holds {len(entries)} files", f"at most {MOST_FILES}; is it a session's?")
    for entry in entries:
        _check_name(entry, path)
    tops = [
        entry.filename[: -len(NAME)] for entry in entries if re.fullmatch(rf"([^/]+/)?{NAME}", entry.filename)
    ]
    if len(tops) != 1:
        raise InputProblem(
            f"{path} holds no {NAME}: no `stillbeat session build` made it", "name the session's file"
        )
    top, left = tops[0], MOST_UNPACKED_BYTES
    seen: set[str] = set()
    for entry in entries:
        name = entry.filename.removeprefix(top)
        if not entry.filename.startswith(top) or not (name == NAME or name.startswith(f"{SESSION_FOLDER}/")):
            continue
        if name.casefold() in seen:
            raise InputProblem(f"{path} holds {name} twice", "do not trust it")
        seen.add(name.casefold())
        left -= _unpack_one(archive, entry, folder / name, min(left, MOST_BYTES), path)
    return folder


def _check_name(entry: zipfile.ZipInfo, path: Path) -> None:
    """Refuse names that lead elsewhere, and links."""
    parts = entry.filename.split("/")
    plain = not any(part in ("", ".", "..") or "\\" in part or "\0" in part for part in parts)
    if not plain or _DRIVE.match(entry.filename) or entry.orig_filename != entry.filename:
        raise InputProblem(
            f"{path} names a file outside the bundle: {entry.orig_filename!r}", "do not trust it"
        )
    kind = entry.external_attr >> 16 & 0o170000
    if entry.create_system == 3 and kind not in (0, 0o100000):
        raise InputProblem(f"{path}: {entry.filename} is a link or a device, not a file", "do not trust it")


def _unpack_one(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, target: Path, most: int, path: Path) -> int:
    """Unpack one file, and no more than so many bytes; return how many they are."""
    target.parent.mkdir(parents=True, exist_ok=True)
    size = 0
    with archive.open(entry) as source, open(target, "xb") as place:
        while part := source.read(1 << 16):
            size += len(part)
            if size > most:
                limits = f"a file of {MOST_BYTES >> 20} MB, {MOST_UNPACKED_BYTES >> 20} MB in all"
                raise InputProblem(f"{path}: {entry.filename} unpacks to too much", f"at most {limits}")
            place.write(part)
    return size
