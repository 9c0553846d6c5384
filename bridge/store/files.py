"""Files on disk: read whole, written whole or not at all.

Every output of the project goes through this module, so that a reader never meets half a file: bytes are
written to a hidden neighbour of the target, flushed to the disk, and only then given the target's name.
Existing files stay unless the caller says otherwise.

Conventions: paths are ``str`` or ``os.PathLike``; whatever goes wrong becomes an `InputProblem` or an
`OutputProblem` of one line that names the file and the likely mistake.

Index
-----
`read_bytes` : a whole input file.
`open_atomic` : a stream for writing one output, for outputs too long to hold in memory.
`write_bytes_atomic` : one output from bytes.
`write_files_atomic` : several files in one folder, all or none.
`check_output` : refuse early what could not be written later.

Where the system offers them (Linux, macOS), hard links make the refusal of an existing file free of races;
elsewhere, and on file systems without links, the check and the renaming are two steps.
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import stat
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from typing import BinaryIO

from bridge.errors import InputProblem, OutputProblem

PathName = str | os.PathLike[str]

_FULL = (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC))


def read_bytes(path: PathName) -> bytes:
    """Return the whole content of an input file.

    Raises
    ------
    InputProblem
        The file is missing (near names in the same folder are suggested), is a folder, or may not be read.
    """
    name = os.fspath(path)
    try:
        with open(name, "rb") as stream:
            return stream.read()
    except FileNotFoundError:
        raise InputProblem(f"there is no file {name}", _near_files(name)) from None
    except IsADirectoryError:
        raise InputProblem(f"{name} is a folder, not a file") from None
    except PermissionError:
        raise InputProblem(f"{name} may not be read", "check the permissions of the file") from None
    except (OSError, ValueError) as error:
        raise InputProblem(f"{name!r} cannot be read: {_reason(error)}") from None


def check_output(path: PathName, overwrite: bool = False, inputs: tuple[PathName, ...] = ()) -> None:
    """Refuse early what could not be written later, before long work is done in vain.

    Parameters
    ----------
    path : path
        Where the output is to go.
    overwrite : bool
        Whether an existing file may be replaced.
    inputs : tuple of paths
        Files that must never be changed.

    Raises
    ------
    OutputProblem
        The output is one of the inputs, exists already, is a folder, or its folder is missing or
        not writable.
    """
    name = os.fspath(path)
    for source in inputs:
        with contextlib.suppress(OSError, ValueError):
            if os.path.samefile(name, source):
                raise OutputProblem(
                    f"the output {name} is the input itself",
                    "input files are never changed: give another name",
                )
    try:
        mode = os.stat(name).st_mode
    except FileNotFoundError:
        mode = 0
    except (OSError, ValueError) as error:
        raise _output_problem(name, error) from None
    if stat.S_ISDIR(mode):
        raise OutputProblem(f"{name} is a folder", "give the name of a file in it")
    if stat.S_ISREG(mode) and not overwrite:
        raise _exists(name)
    folder = os.path.dirname(_real(name)) or "."
    if not os.path.isdir(folder):
        raise OutputProblem(f"cannot write {name}: there is no folder {folder}", "make the folder first")
    if not mode and not os.access(folder, os.W_OK | os.X_OK):
        raise OutputProblem(f"cannot write {name}: the folder {folder} may not be written to")


@contextlib.contextmanager
def open_atomic(path: PathName, overwrite: bool = False) -> Iterator[BinaryIO]:
    """Open one output for writing; it appears under its name only when the block ends without an error.

    Parameters
    ----------
    path : path
        The output. A symbolic link is followed; a device or a pipe is written to directly.
    overwrite : bool
        Whether an existing file may be replaced. Its permissions are kept.

    Yields
    ------
    BinaryIO
        A seekable stream (except for devices and pipes).

    Raises
    ------
    OutputProblem
        See `check_output`; also a full disk, at whatever moment it shows.
    """
    name = os.fspath(path)
    check_output(name, overwrite)
    if os.path.exists(name) and not os.path.isfile(name):
        try:
            with open(name, "wb") as device:
                yield device
        except OSError as error:
            raise _output_problem(name, error) from None
        return
    target = _real(name)
    hidden = ""
    try:
        hidden, stream = _open_hidden(target)
        with stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        _publish(hidden, target, name, overwrite)
    except OSError as error:
        raise _output_problem(name, error) from None
    finally:
        _discard(hidden)


def write_bytes_atomic(path: PathName, data: bytes, overwrite: bool = False) -> None:
    """Write `data` as the whole content of one output, or leave nothing behind.

    Raises
    ------
    OutputProblem
        See `open_atomic`.
    """
    with open_atomic(path, overwrite) as stream:
        stream.write(data)


def write_files_atomic(folder: PathName, contents: Mapping[str, bytes], overwrite: bool = False) -> None:
    """Write several files into one folder: all of them, or none.

    Everything is written and flushed under hidden names before the first file gets its own. If a later
    step fails, files already named are taken back and replaced ones restored. The folder is made when it
    is missing, and removed again on failure.

    Parameters
    ----------
    folder : path
        Where the files go.
    contents : mapping
        Plain file names (no folders in them) to bytes.
    overwrite : bool
        Whether existing files may be replaced.

    Raises
    ------
    OutputProblem
        One of the files exists or cannot be written, or the folder cannot be made.
    """
    place = os.fspath(folder)
    made = _make_folders(place)
    hidden: dict[str, str] = {}
    kept: dict[str, str] = {}
    done: list[str] = []
    try:
        for file_name in contents:
            if not file_name or os.path.basename(file_name) != file_name or file_name in (".", ".."):
                raise OutputProblem(f"{file_name!r} is no plain file name")
            check_output(os.path.join(place, file_name), overwrite)
        for file_name, data in contents.items():
            target = _real(os.path.join(place, file_name))
            hidden[target], stream = _open_hidden(target)
            with stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
        for target, temporary in hidden.items():
            if overwrite and os.path.exists(target):
                kept[target] = _hidden_name(target)
                _keep(target, kept[target])
            _publish(temporary, target, target, overwrite)
            done.append(target)
    except BaseException as error:
        for target in done:
            if target not in kept:
                _discard(target)
        for target, backup in kept.items():
            with contextlib.suppress(OSError):
                os.replace(backup, target)
                _discard(backup)  # renaming a file to another name of itself leaves both names
        kept.clear()
        for temporary in hidden.values():
            _discard(temporary)
        for path in made:
            with contextlib.suppress(OSError):
                os.rmdir(path)
        if isinstance(error, (OSError, ValueError)):
            raise _output_problem(place, error) from None
        raise
    finally:
        for backup in kept.values():
            _discard(backup)


def _make_folders(place: str) -> list[str]:
    """Make `place` and its missing parents; return what was made, deepest first."""
    missing: list[str] = []
    path = os.path.abspath(place) if "\0" not in place else place
    try:
        while not os.path.lexists(path):
            missing.append(path)
            path = os.path.dirname(path)
        for made in reversed(missing):
            os.mkdir(made)
    except (OSError, ValueError) as error:
        for made in missing:
            with contextlib.suppress(OSError, ValueError):
                os.rmdir(made)
        raise _output_problem(place, error) from None
    if not os.path.isdir(place):
        raise OutputProblem(f"{place} is a file, not a folder", "files were to be written into it")
    return missing


def _real(name: str) -> str:
    """Return where a symbolic link leads, or the path itself."""
    return os.path.realpath(name) if os.path.islink(name) else name


def _hidden_name(target: str) -> str:
    folder, base = os.path.split(target)
    return os.path.join(folder, f".{base[:40]}.{secrets.token_hex(6)}.part")


def _open_hidden(target: str) -> tuple[str, BinaryIO]:
    """Make an empty hidden file beside `target`, with the permissions that the target has or would get."""
    hidden = _hidden_name(target)
    flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
    descriptor = os.open(hidden, flags, 0o666)
    with contextlib.suppress(OSError):
        os.chmod(hidden, stat.S_IMODE(os.stat(target).st_mode))
    return hidden, os.fdopen(descriptor, "w+b")


def _publish(hidden: str, target: str, name: str, overwrite: bool) -> None:
    """Give the finished hidden file its name."""
    if overwrite:
        os.replace(hidden, target)
    else:
        try:
            os.link(hidden, target)
        except FileExistsError:
            raise _exists(name) from None
        except (OSError, AttributeError, NotImplementedError):
            if os.path.lexists(target):
                raise _exists(name) from None
            os.replace(hidden, target)
        else:
            _discard(hidden)
    flush_folder(os.path.dirname(target) or ".")


def _keep(target: str, backup: str) -> None:
    """Give the old file a second name, by which it can be restored."""
    try:
        os.link(target, backup)
    except (OSError, AttributeError, NotImplementedError):
        os.rename(target, backup)


def flush_folder(folder: PathName) -> None:
    """Flush a folder, so that the new name survives a loss of power; not every system can."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _discard(path: str) -> None:
    if path:
        with contextlib.suppress(OSError):
            os.unlink(path)


def _near_files(name: str) -> str:
    """Suggest files of similar name in the same folder."""
    folder, base = os.path.split(name)
    try:
        names = os.listdir(folder or ".")
    except (OSError, ValueError):
        return f"there is no folder {folder} either" if folder and not os.path.isdir(folder) else ""
    near = get_close_matches(base, names, n=3, cutoff=0.6)
    return f"did you mean {', '.join(os.path.join(folder, one) for one in near)}?" if near else ""


def _exists(name: str) -> OutputProblem:
    return OutputProblem(f"{name} exists already", "give another name, or --overwrite to replace it")


def _reason(error: Exception) -> str:
    return (getattr(error, "strerror", None) or str(error)).lower()


def _output_problem(name: str, error: Exception) -> OutputProblem:
    code = getattr(error, "errno", None)
    if code in _FULL:
        return OutputProblem(f"cannot write {name}: the disk is full", "nothing was left behind")
    if code == errno.EFBIG:
        return OutputProblem(
            f"cannot write {name}: so large a file is not allowed", "nothing was left behind"
        )
    if code in (errno.EACCES, errno.EPERM, errno.EROFS):
        return OutputProblem(f"cannot write {name}: the folder or file may not be written to")
    if code in (errno.ENOENT, errno.ENOTDIR):
        return OutputProblem(f"cannot write {name}: its folder does not exist", "make the folder first")
    return OutputProblem(f"cannot write {name!r}: {_reason(error)}")
