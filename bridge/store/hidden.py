"""What is being written lies hidden beside its target, locked, until it is whole and gets the target's name.

What a killed process leaves is cleared up by the next one that writes there: whatever is being written is locked, so
what is not locked is nobody's.

Where the system offers them (Linux, macOS), hard links make the refusal of an existing file free of races;
elsewhere, and on file systems without links, the check and the renaming are two steps.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import secrets
import shutil
import stat
from collections.abc import Iterator
from typing import BinaryIO

from bridge.errors import OutputProblem


def hidden_name(target: str) -> str:
    """A name beside `target` for what is being written."""
    folder, base = os.path.split(target)
    return os.path.join(folder, f".{base[:40]}.{secrets.token_hex(6)}.part")


def kept_name(target: str) -> str:
    """A name beside `target` for the old file, as long as several are replaced together."""
    folder, base = os.path.split(target)
    return os.path.join(folder, f".{base}.{secrets.token_hex(6)}.before")


@contextlib.contextmanager
def open_hidden(hidden: str, target: str) -> Iterator[BinaryIO]:
    """Make an empty hidden file beside `target`, with the permissions that the target has or would get."""
    flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
    while True:
        stream = os.fdopen(os.open(hidden, flags, 0o666), "w+b")
        lock(stream.fileno())
        with contextlib.suppress(OSError):
            if os.stat(hidden).st_ino == os.fstat(stream.fileno()).st_ino:
                break
        stream.close()  # somebody cleared it away in the moment before it was locked
    with stream:
        with contextlib.suppress(OSError):
            os.chmod(hidden, stat.S_IMODE(os.stat(target).st_mode))
        yield stream


@contextlib.contextmanager
def folder_held(folder: str) -> Iterator[None]:
    """Hold a folder against others of our own who write there."""
    try:
        descriptor = os.open(folder or ".", os.O_RDONLY)
    except OSError:  # a system on which folders cannot be opened
        yield
        return
    try:
        lock(descriptor)
        yield
    finally:
        os.close(descriptor)


def lock(descriptor: int, wait: bool = True) -> bool:
    """Lock an open file against our other processes until it is closed; False where another holds it.

    A system or file system without locks answers True: there nobody can be kept out.
    """
    try:
        import fcntl
    except ImportError:
        return True
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except OSError as error:
        return error.errno not in (errno.EACCES, errno.EAGAIN)
    return True


def clear_up(target: str) -> None:
    """Remove what a killed process left beside `target`: hidden files and folders that nobody holds."""
    folder, base = os.path.split(target)
    pattern = re.compile(re.escape(f".{base[:40]}.") + r"[0-9a-f]{12}\.part")
    for path in _neighbours(folder, pattern):
        with contextlib.suppress(OSError):
            descriptor = os.open(path, os.O_RDONLY)
            try:
                if not lock(descriptor, wait=False):
                    continue
                if os.path.isdir(path):
                    shutil.rmtree(path, ignore_errors=True)
                else:
                    os.unlink(path)
            finally:
                os.close(descriptor)


def restore(target: str) -> None:
    """Put back the old file that a process, killed while it replaced several, had kept. The folder is held."""
    folder, base = os.path.split(target)
    pattern = re.compile(re.escape(f".{base}.") + r"[0-9a-f]{12}\.before")
    for path in _neighbours(folder, pattern):
        os.replace(path, target)
        discard(path)  # two names of one file: replacing has left both


def _neighbours(folder: str, pattern: re.Pattern[str]) -> list[str]:
    """Paths of what lies in a folder under names of a pattern."""
    with contextlib.suppress(OSError):
        return [os.path.join(folder, name) for name in os.listdir(folder or ".") if pattern.fullmatch(name)]
    return []


def is_ours(hidden: str, target: str) -> bool:
    """Tell whether `target` is the file that was written as `hidden`."""
    try:
        return os.path.samefile(hidden, target)
    except OSError:
        return not os.path.lexists(hidden)


def publish(stream: BinaryIO, hidden: str, target: str, name: str, overwrite: bool) -> None:
    """Give the finished hidden file its name; as long as it is open, and so locked, nobody clears it away."""
    if os.name == "nt":
        stream.close()  # there an open file cannot be renamed
    if overwrite:
        os.replace(hidden, target)
    else:
        try:
            os.link(hidden, target)
        except FileExistsError:
            raise exists_already(name) from None
        except (OSError, AttributeError, NotImplementedError):
            if os.path.lexists(target):
                raise exists_already(name) from None
            os.replace(hidden, target)
        else:
            discard(hidden)
    flush_folder(os.path.dirname(target) or ".")


def keep(target: str, backup: str) -> None:
    """Give the old file a second name, by which it can be restored."""
    try:
        os.link(target, backup)
    except (OSError, AttributeError, NotImplementedError):
        os.rename(target, backup)


def flush_folder(folder: str | os.PathLike[str]) -> None:
    """Flush a folder, so that the new name survives a loss of power; not every system can."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def discard(path: str) -> None:
    if path:
        with contextlib.suppress(OSError):
            os.unlink(path)


def exists_already(name: str) -> OutputProblem:
    return OutputProblem(f"{name} exists already", "give another name, or --overwrite to replace it")
