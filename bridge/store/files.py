"""Files on disk: read whole, written whole or not at all.

Every output of the project goes through this module, so that a reader never meets half a file: bytes are
written to a hidden neighbour of the target, flushed to the disk, and only then given the target's name.
Existing files stay unless the caller says otherwise.

Conventions: paths are ``str`` or ``os.PathLike``; whatever goes wrong becomes an `InputProblem` or an
`OutputProblem` of one line that names the file and the likely mistake.

Index
-----
`read_bytes` : a whole input file, of a size that is allowed.
`open_atomic` : a stream for writing one output, for outputs too long to hold in memory.
`write_bytes_atomic` : one output from bytes.
`write_all_atomic` : several files, all or none.
`write_files_atomic` : several files in one folder, all or none.
`check_output` : refuse early what could not be written later.

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
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from typing import BinaryIO

from bridge.errors import InputProblem, OutputProblem

PathName = str | os.PathLike[str]

MOST_BYTES = 64 << 20
"""No input is larger than this, 64 MB; a MIDI file of two million events has 8."""

_FULL = (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC))


def read_bytes(path: PathName, most_bytes: int = MOST_BYTES) -> bytes:
    """Return the whole content of an input file.

    Parameters
    ----------
    path : path
        The file; a device or pipe is read as well, but never beyond `most_bytes`.
    most_bytes : int
        What is refused is larger than this.

    Raises
    ------
    InputProblem
        The file is missing (near names in the same folder are suggested), is a folder, is too large, or may not be
        read.
    """
    name = os.fspath(path)
    try:
        with open(name, "rb") as stream:
            data = stream.read(most_bytes + 1)
    except FileNotFoundError:
        raise InputProblem(f"there is no file {name}", _near_files(name)) from None
    except IsADirectoryError:
        raise InputProblem(f"{name} is a folder, not a file") from None
    except PermissionError:
        raise InputProblem(f"{name} may not be read", "check the permissions of the file") from None
    except (OSError, ValueError) as error:
        raise InputProblem(f"{name!r} cannot be read: {_reason(error)}") from None
    if len(data) > most_bytes:
        raise InputProblem(f"{name} is larger than {most_bytes / 1e6:.0f} MB", "is it the right file?")
    return data


def check_output(path: PathName, overwrite: bool = False, inputs: tuple[PathName, ...] = ()) -> None:
    """Refuse early what could not be written later, before long work is done in vain.

    Parameters
    ----------
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
            if os.path.realpath(name) == os.path.realpath(source) or os.path.samefile(name, source):
                raise OutputProblem(
                    f"the output {name} is the same file as {os.fspath(source)}",
                    "each file needs a name of its own, and input files are never changed",
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
    _clear_up(target)
    hidden = _hidden_name(target)
    try:
        with _open_hidden(hidden, target) as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
            _publish(stream, hidden, target, name, overwrite)
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

    A folder that is missing, with its parents, is built aside and appears in one step, with everything in it.
    In a folder that is there, files appear as `write_all_atomic` tells.

    Parameters
    ----------
    contents : mapping
        Plain file names (no folders in them) to bytes.

    Raises
    ------
    OutputProblem
        One of the files exists or cannot be written, or the folder cannot be made.
    """
    place = os.fspath(folder)
    for file_name in contents:
        if not file_name or os.path.basename(file_name) != file_name or file_name in (".", ".."):
            raise OutputProblem(f"{file_name!r} is no plain file name")
    try:
        if os.path.lexists(place):
            if not os.path.isdir(place):
                raise OutputProblem(f"{place} is a file, not a folder", "files were to be written into it")
            write_all_atomic({os.path.join(place, name): data for name, data in contents.items()}, overwrite)
        else:
            _build_aside(os.path.abspath(place), contents)
    except (OSError, ValueError) as error:
        raise _output_problem(place, error) from None


def _build_aside(place: str, contents: Mapping[str, bytes]) -> None:
    """Make a new folder with files in it, and its missing parents, under a hidden name; then give it its own."""
    top = place
    while not os.path.lexists(os.path.dirname(top)):
        top = os.path.dirname(top)
    _clear_up(top)
    aside = _hidden_name(top)
    try:
        os.mkdir(aside)
        with _held(aside):
            inside = os.path.normpath(os.path.join(aside, os.path.relpath(place, top)))
            os.makedirs(inside, exist_ok=True)
            for file_name, data in contents.items():
                with open(os.path.join(inside, file_name), "xb") as stream:
                    stream.write(data)
                    stream.flush()
                    os.fsync(stream.fileno())
            flush_folder(inside)
            os.rename(aside, top)
            flush_folder(os.path.dirname(top))
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def write_all_atomic(contents: Mapping[PathName, bytes], overwrite: bool = False) -> None:
    """Write several files, wherever they are: all of them, or none.

    Everything is written and flushed under hidden names before the first file gets its own. If a later step fails,
    files already named are taken back and replaced ones restored. Should the process be killed between two namings,
    the next writing into the same folder restores what was replaced.

    Raises
    ------
    OutputProblem
        One of the files exists or cannot be written, or two of them are the same file.
    """
    targets: dict[str, bytes] = {}
    for path, data in contents.items():
        name = os.fspath(path)
        check_output(name, overwrite)
        target = os.path.realpath(name)
        if target in targets:
            raise OutputProblem(f"{name} was to be written twice", "give each file a name of its own")
        targets[target] = data
    hidden = {target: _hidden_name(target) for target in targets}
    kept: dict[str, str] = {}
    done: list[str] = []
    with contextlib.ExitStack() as held:
        for folder in sorted({os.path.dirname(target) for target in targets}):
            held.enter_context(_held(folder))
        try:
            streams: dict[str, BinaryIO] = {}
            for target, data in targets.items():
                _restore(target)
                _clear_up(target)
                stream = streams[target] = held.enter_context(_open_hidden(hidden[target], target))
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            for target, temporary in hidden.items():
                if overwrite and os.path.exists(target):
                    kept[target] = _kept_name(target)
                    _keep(target, kept[target])
                done.append(target)
                _publish(streams[target], temporary, target, target, overwrite)
        except BaseException as error:
            for target in done:
                if target not in kept and _is_ours(hidden[target], target):
                    _discard(target)
            for target, backup in kept.items():
                with contextlib.suppress(OSError):
                    os.replace(backup, target)
                    _discard(backup)  # renaming a file to another name of itself leaves both names
            kept.clear()
            if isinstance(error, (OSError, ValueError)):
                raise _output_problem(", ".join(targets), error) from None
            raise
        finally:
            for name in (*kept.values(), *hidden.values()):
                _discard(name)


def _real(name: str) -> str:
    """Return where a symbolic link leads, or the path itself."""
    return os.path.realpath(name) if os.path.islink(name) else name


def _hidden_name(target: str) -> str:
    """A name beside `target` for what is being written."""
    folder, base = os.path.split(target)
    return os.path.join(folder, f".{base[:40]}.{secrets.token_hex(6)}.part")


def _kept_name(target: str) -> str:
    """A name beside `target` for the old file, as long as several are replaced together."""
    folder, base = os.path.split(target)
    return os.path.join(folder, f".{base}.{secrets.token_hex(6)}.before")


@contextlib.contextmanager
def _open_hidden(hidden: str, target: str) -> Iterator[BinaryIO]:
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
def _held(folder: str) -> Iterator[None]:
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


def _clear_up(target: str) -> None:
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


def _restore(target: str) -> None:
    """Put back the old file that a process, killed while it replaced several, had kept. The folder is held."""
    folder, base = os.path.split(target)
    pattern = re.compile(re.escape(f".{base}.") + r"[0-9a-f]{12}\.before")
    for path in _neighbours(folder, pattern):
        os.replace(path, target)
        _discard(path)  # two names of one file: replacing has left both


def _neighbours(folder: str, pattern: re.Pattern[str]) -> list[str]:
    """Paths of what lies in a folder under names of a pattern."""
    with contextlib.suppress(OSError):
        return [os.path.join(folder, name) for name in os.listdir(folder or ".") if pattern.fullmatch(name)]
    return []


def _is_ours(hidden: str, target: str) -> bool:
    """Tell whether `target` is the file that was written as `hidden`."""
    try:
        return os.path.samefile(hidden, target)
    except OSError:
        return not os.path.lexists(hidden)


def _publish(stream: BinaryIO, hidden: str, target: str, name: str, overwrite: bool) -> None:
    """Give the finished hidden file its name; as long as it is open, and so locked, nobody clears it away."""
    if os.name == "nt":
        stream.close()  # there an open file cannot be renamed
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
