"""Files on disk: read whole, written whole or not at all.

Every output of the project goes through this module, so that a reader never meets half a file: bytes are
written to a hidden neighbour of the target (`bridge.store.hidden`), flushed to the disk, and only then given the
target's name. Existing files stay unless the caller says otherwise.

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
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import stat
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from typing import BinaryIO

from bridge.errors import InputProblem, OutputProblem
from bridge.store.hidden import (
    clear_up,
    discard,
    exists_already,
    flush_folder,
    folder_held,
    hidden_name,
    is_ours,
    keep,
    kept_name,
    open_hidden,
    publish,
    restore,
)

PathName = str | os.PathLike[str]

MOST_BYTES = 64 << 20
"""No input is larger than this, 64 MB; a MIDI file of two million events has 8."""

_FULL = (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC))


def read_bytes(path: PathName, most_bytes: int = MOST_BYTES) -> bytes:
    """Return the whole content of an input file; a device or pipe is read as well, but never beyond `most_bytes`.

    InputProblem if the file is missing (near names in the same folder are suggested), is a folder, is larger
    than that, or may not be read.
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

    OutputProblem if the output is one of the inputs, which must never be changed, exists already, is a
    folder, or its folder is missing or not writable.
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
        raise exists_already(name)
    folder = os.path.dirname(_real(name)) or "."
    if not os.path.isdir(folder):
        raise OutputProblem(f"cannot write {name}: there is no folder {folder}", "make the folder first")
    if not mode and not os.access(folder, os.W_OK | os.X_OK):
        raise OutputProblem(f"cannot write {name}: the folder {folder} may not be written to")


@contextlib.contextmanager
def open_atomic(path: PathName, overwrite: bool = False) -> Iterator[BinaryIO]:
    """Open one output for writing; it appears under its name only when the block ends without an error.

    OutputProblem as `check_output`; also a full disk, at whatever moment it shows.

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
    clear_up(target)
    hidden = hidden_name(target)
    try:
        with open_hidden(hidden, target) as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
            publish(stream, hidden, target, name, overwrite)
    except OSError as error:
        raise _output_problem(name, error) from None
    finally:
        discard(hidden)


def write_bytes_atomic(path: PathName, data: bytes, overwrite: bool = False) -> None:
    """Write `data` as the whole content of one output, or leave nothing behind.

    OutputProblem as `open_atomic`.
    """
    with open_atomic(path, overwrite) as stream:
        stream.write(data)


def write_files_atomic(folder: PathName, contents: Mapping[str, bytes], overwrite: bool = False) -> None:
    """Write several files into one folder, by plain names with no folders in them: all of them, or none.

    A folder that is missing, with its parents, is built aside and appears in one step, with everything in it.
    In a folder that is there, files appear as `write_all_atomic` tells.

    OutputProblem if one of the files exists or cannot be written, or the folder cannot be made.
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
    clear_up(top)
    aside = hidden_name(top)
    try:
        os.mkdir(aside)
        with folder_held(aside):
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
    """Write several files, wherever they are: all of them, or none. A device is written last.

    Everything is written and flushed under hidden names before the first file gets its own. If a later step fails,
    files already named are taken back and replaced ones restored. Should the process be killed between two namings,
    the next writing into the same folder restores what was replaced.

    OutputProblem if one of the files exists or cannot be written, or two of them are the same file.
    """
    targets: dict[str, bytes] = {}
    devices: dict[str, bytes] = {}
    for path, data in contents.items():
        name = os.fspath(path)
        check_output(name, overwrite)
        if os.path.exists(name) and not os.path.isfile(name):
            devices[name] = data
            continue
        target = os.path.realpath(name)
        if target in targets:
            raise OutputProblem(f"{name} was to be written twice", "give each file a name of its own")
        targets[target] = data
    hidden = {target: hidden_name(target) for target in targets}
    kept: dict[str, str] = {}
    done: list[str] = []
    with contextlib.ExitStack() as held:
        for folder in sorted({os.path.dirname(target) for target in targets}):
            held.enter_context(folder_held(folder))
        try:
            streams: dict[str, BinaryIO] = {}
            for target, data in targets.items():
                restore(target)
                clear_up(target)
                stream = streams[target] = held.enter_context(open_hidden(hidden[target], target))
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            for target, temporary in hidden.items():
                if overwrite and os.path.exists(target):
                    kept[target] = kept_name(target)
                    keep(target, kept[target])
                done.append(target)
                publish(streams[target], temporary, target, target, overwrite)
        except BaseException as error:
            for target in done:
                if target not in kept and is_ours(hidden[target], target):
                    discard(target)
            for target, backup in kept.items():
                with contextlib.suppress(OSError):
                    os.replace(backup, target)
                    discard(backup)  # renaming a file to another name of itself leaves both names
            kept.clear()
            if isinstance(error, (OSError, ValueError)):
                raise _output_problem(", ".join(targets), error) from None
            raise
        finally:
            for name in (*kept.values(), *hidden.values()):
                discard(name)
    for name, data in devices.items():
        write_bytes_atomic(name, data, overwrite)


def _real(name: str) -> str:
    """Return where a symbolic link leads, or the path itself."""
    return os.path.realpath(name) if os.path.islink(name) else name


def _near_files(name: str) -> str:
    """Suggest files of similar name in the same folder."""
    folder, base = os.path.split(name)
    try:
        names = os.listdir(folder or ".")
    except (OSError, ValueError):
        return f"there is no folder {folder} either" if folder and not os.path.isdir(folder) else ""
    near = get_close_matches(base, names, n=3, cutoff=0.6)
    return f"did you mean {', '.join(os.path.join(folder, one) for one in near)}?" if near else ""


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
