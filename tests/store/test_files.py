"""Files are written whole or not at all, whatever goes wrong: existing, forbidden, full, interrupted."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.errors import InputProblem, OutputProblem
from bridge.store.files import (
    check_output,
    open_atomic,
    read_bytes,
    write_all_atomic,
    write_bytes_atomic,
    write_files_atomic,
)

posix = pytest.mark.skipif(os.name != "posix", reason="permissions and devices of this kind are POSIX only")


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def one_line(problem: pytest.ExceptionInfo[Exception]) -> bool:
    return "\n" not in str(problem.value) and len(str(problem.value)) > 10


# ---- reading -------------------------------------------------------------------------------------------


def test_reading(tmp_path: Path) -> None:
    (tmp_path / "open-d.mid").write_bytes(b"music")
    assert read_bytes(tmp_path / "open-d.mid") == b"music"
    assert read_bytes(str(tmp_path / "open-d.mid")) == b"music"
    with pytest.raises(InputProblem, match=r"no file .*opend\.mid \(did you mean .*open-d\.mid\?"):
        read_bytes(tmp_path / "opend.mid")
    with pytest.raises(InputProblem, match=r"no file .*other$"):
        read_bytes(tmp_path / "other")
    with pytest.raises(InputProblem, match=r"there is no folder .*nowhere either"):
        read_bytes(tmp_path / "nowhere" / "open-d.mid")
    with pytest.raises(InputProblem, match="is a folder, not a file"):
        read_bytes(tmp_path)
    with pytest.raises(InputProblem, match="cannot be read") as caught:
        read_bytes("a\0b")
    assert one_line(caught)
    with pytest.raises(InputProblem, match="cannot be read: not a directory"):
        read_bytes(tmp_path / "open-d.mid" / "inner")


@posix
def test_reading_without_permission(tmp_path: Path) -> None:
    secret = tmp_path / "secret.mid"
    secret.write_bytes(b"x")
    secret.chmod(0)
    with as_nobody(tmp_path), pytest.raises(InputProblem, match=r"secret\.mid may not be read"):
        read_bytes(secret)


# ---- one file ------------------------------------------------------------------------------------------


def test_a_new_file_gets_ordinary_permissions(tmp_path: Path) -> None:
    target = tmp_path / "new.mid"
    write_bytes_atomic(target, b"one")
    assert target.read_bytes() == b"one"
    assert names(tmp_path) == ["new.mid"]
    plain = tmp_path / "plain"
    plain.write_bytes(b"")
    assert target.stat().st_mode == plain.stat().st_mode
    assert target.stat().st_nlink == 1


def test_an_existing_file_stays_unless_told(tmp_path: Path) -> None:
    target = tmp_path / "song.mid"
    target.write_bytes(b"old")
    target.chmod(0o640)
    with pytest.raises(OutputProblem, match=r"song\.mid exists already \(give another name, or --overwrite"):
        write_bytes_atomic(target, b"new")
    assert target.read_bytes() == b"old"
    write_bytes_atomic(target, b"new", overwrite=True)
    assert target.read_bytes() == b"new"
    if os.name == "posix":
        assert stat.S_IMODE(target.stat().st_mode) == 0o640
    assert names(tmp_path) == ["song.mid"]


def test_a_file_that_appears_meanwhile_stays(tmp_path: Path) -> None:
    target = tmp_path / "song.mid"

    def race() -> None:
        with open_atomic(target) as stream:
            stream.write(b"ours")
            target.write_bytes(b"theirs")

    with pytest.raises(OutputProblem, match="exists already"):
        race()
    assert target.read_bytes() == b"theirs"
    assert names(tmp_path) == ["song.mid"]


def test_a_file_system_without_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_links(*_: object, **__: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    target = tmp_path / "song.mid"
    write_bytes_atomic(target, b"one")
    write_files_atomic(tmp_path, {"song.mid": b"two", "other.mid": b"three"}, overwrite=True)
    assert target.read_bytes() == b"two"
    with pytest.raises(OutputProblem, match="exists already"):
        write_bytes_atomic(target, b"four")
    assert names(tmp_path) == ["other.mid", "song.mid"]


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt])
def test_nothing_is_left_of_an_interrupted_file(tmp_path: Path, error: type[BaseException]) -> None:
    (tmp_path / "old.mid").write_bytes(b"old")

    def interrupted(name: str) -> None:
        with open_atomic(tmp_path / name, overwrite=True) as stream:
            stream.write(b"half")
            stream.flush()
            assert len(names(tmp_path)) == 2
            raise error

    for name in ("old.mid", "new.mid"):
        with pytest.raises(error):
            interrupted(name)
        assert names(tmp_path) == ["old.mid"]
    assert (tmp_path / "old.mid").read_bytes() == b"old"


def test_the_stream_can_be_sought(tmp_path: Path) -> None:
    with open_atomic(tmp_path / "out.wav") as stream:
        stream.write(b"0000data")
        stream.seek(0)
        stream.write(b"0008")
    assert (tmp_path / "out.wav").read_bytes() == b"0008data"


def test_where_nothing_can_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputProblem, match=r"there is no folder .*nowhere \(make the folder first"):
        write_bytes_atomic(tmp_path / "nowhere" / "song.mid", b"x")
    with pytest.raises(OutputProblem, match=r"is a folder \(give the name of a file in it"):
        write_bytes_atomic(tmp_path, b"x", overwrite=True)
    with pytest.raises(OutputProblem, match="folder does not exist"):
        write_bytes_atomic(tmp_path / "file" / "song.mid", b"x")
    for name in ("a\0b", "x" * 300):
        with pytest.raises(OutputProblem, match="cannot write") as caught:
            write_bytes_atomic(tmp_path / name, b"x")
        assert one_line(caught)
    assert names(tmp_path) == ["file"]


def test_an_input_is_never_an_output(tmp_path: Path) -> None:
    song = tmp_path / "song.mid"
    song.write_bytes(b"old")
    (tmp_path / "alias.mid").hardlink_to(song)
    for name in ("song.mid", "alias.mid"):
        with pytest.raises(OutputProblem, match=r"is the same file as .*input files are never changed"):
            check_output(tmp_path / name, overwrite=True, inputs=(song,))
    check_output(tmp_path / "other.mid", inputs=(song, tmp_path / "missing"))


@posix
def test_an_unwritable_folder(tmp_path: Path) -> None:
    folder = tmp_path / "shut"
    folder.mkdir()
    folder.chmod(0o555)
    with as_nobody(tmp_path):
        for write in (
            lambda: write_bytes_atomic(folder / "song.mid", b"x"),
            lambda: write_files_atomic(folder, {"song.mid": b"x"}),
            lambda: write_files_atomic(folder / "new", {"song.mid": b"x"}),
        ):
            with pytest.raises(OutputProblem, match=r"shut.* may not be written to") as caught:
                write()
            assert one_line(caught)
    assert names(folder) == []


@posix
def test_a_link_is_followed(tmp_path: Path) -> None:
    (tmp_path / "real.mid").write_bytes(b"old")
    (tmp_path / "link.mid").symlink_to("real.mid")
    write_bytes_atomic(tmp_path / "link.mid", b"new", overwrite=True)
    assert (tmp_path / "link.mid").is_symlink()
    assert (tmp_path / "real.mid").read_bytes() == b"new"
    (tmp_path / "dangling.mid").symlink_to("fresh.mid")
    write_bytes_atomic(tmp_path / "dangling.mid", b"fresh")
    assert (tmp_path / "fresh.mid").read_bytes() == b"fresh"


@posix
def test_devices_are_written_to_directly() -> None:
    write_bytes_atomic("/dev/null", b"away")
    assert stat.S_ISCHR(os.stat("/dev/null").st_mode)


# ---- a full disk, for real -----------------------------------------------------------------------------


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="Linux only: no device that is always full")
def test_a_device_that_is_full() -> None:
    with pytest.raises(OutputProblem, match="the disk is full"):
        write_bytes_atomic("/dev/full", b"x" * 100)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 64 KiB."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount, umount = shutil.which("mount"), shutil.which("umount")
    if not mount or not umount:
        pytest.skip("no way to mount a small disk, so a full one was NOT tested here")
    done = subprocess.run(
        [mount, "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(disk)], capture_output=True, text=True
    )
    if done.returncode:
        pytest.skip(
            f"mounting a small disk is not allowed, so a full one was NOT tested here: {done.stderr.strip()}"
        )
    try:
        yield disk
    finally:
        subprocess.run([umount, str(disk)], check=True)


def test_a_full_disk(small_disk: Path) -> None:
    (small_disk / "old.mid").write_bytes(b"old")
    for overwrite, name in ((True, "old.mid"), (False, "new.mid")):
        with pytest.raises(
            OutputProblem, match=rf"cannot write .*{name}: the disk is full \(nothing was left"
        ):
            write_bytes_atomic(small_disk / name, b"x" * 200_000, overwrite)
    with pytest.raises(OutputProblem, match="the disk is full"):
        write_files_atomic(
            small_disk, {"old.mid": b"new", "a.mid": b"x" * 30_000, "b.mid": b"x" * 60_000}, overwrite=True
        )
    with pytest.raises(OutputProblem, match="the disk is full"):
        write_files_atomic(small_disk / "deep" / "folder", {"a.mid": b"x" * 200_000})
    assert names(small_disk) == ["old.mid"]
    assert (small_disk / "old.mid").read_bytes() == b"old"


def test_a_disk_that_tells_only_when_flushed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Some file systems take the bytes and find out later; flushing asks them."""

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputProblem, match="the disk is full"):
        write_bytes_atomic(tmp_path / "song.mid", b"x")
    with pytest.raises(OutputProblem, match="the disk is full"):
        write_files_atomic(tmp_path / "new", {"song.mid": b"x"})
    assert names(tmp_path) == []


@posix
def test_a_limit_on_the_size_of_files(tmp_path: Path) -> None:
    """The shell's file size limit stops writing in the middle, without any special right."""
    code = (
        "import resource, sys\n"
        "from bridge.errors import OutputProblem\n"
        "from bridge.store.files import write_bytes_atomic\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, 10_000))\n"
        "try:\n"
        "    write_bytes_atomic(sys.argv[1], bytes(100_000))\n"
        "except OutputProblem as problem:\n"
        "    print(problem)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "song.mid")], capture_output=True, text=True, check=True
    )
    assert "so large a file is not allowed (nothing was left behind)" in done.stdout
    assert names(tmp_path) == []


# ---- several files -------------------------------------------------------------------------------------


def test_several_files(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "folder"
    write_files_atomic(folder, {"a.syx": b"1", "b.mid": b"22", "c.csv": b""})
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == {
        "a.syx": b"1",
        "b.mid": b"22",
        "c.csv": b"",
    }
    write_files_atomic(folder, {"a.syx": b"3"}, overwrite=True)
    assert (folder / "a.syx").read_bytes() == b"3"
    assert names(folder) == ["a.syx", "b.mid", "c.csv"]


def test_one_that_exists_stops_all(tmp_path: Path) -> None:
    (tmp_path / "b.mid").write_bytes(b"old")
    with pytest.raises(OutputProblem, match=r"b\.mid exists already"):
        write_files_atomic(tmp_path, {"a.mid": b"1", "b.mid": b"2", "c.mid": b"3"})
    assert names(tmp_path) == ["b.mid"]


@pytest.mark.parametrize("name", ["", ".", "..", "a/b.mid", "../b.mid"])
def test_only_plain_names(tmp_path: Path, name: str) -> None:
    with pytest.raises(OutputProblem, match="no plain file name"):
        write_files_atomic(tmp_path / "new", {"a.mid": b"", name: b""})
    assert names(tmp_path) == []


def test_a_file_where_a_folder_should_be(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputProblem, match="is a file, not a folder"):
        write_files_atomic(tmp_path / "file", {"a.mid": b""})


@pytest.mark.parametrize("error", [OSError(5, "Input/output error"), KeyboardInterrupt()])
def test_failure_half_way_through_the_naming_takes_everything_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: BaseException
) -> None:
    (tmp_path / "a.mid").write_bytes(b"old a")
    (tmp_path / "c.mid").write_bytes(b"old c")
    replace = os.replace

    def fails(source: str, target: str) -> None:
        if target.endswith("c.mid") and b"new" in Path(source).read_bytes():
            raise error
        replace(source, target)

    monkeypatch.setattr(os, "replace", fails)
    expected = OutputProblem if isinstance(error, OSError) else KeyboardInterrupt
    with pytest.raises(expected):
        write_files_atomic(
            tmp_path,
            {"a.mid": b"new a", "b.mid": b"new b", "c.mid": b"new c", "d.mid": b"new d"},
            overwrite=True,
        )
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {
        "a.mid": b"old a",
        "c.mid": b"old c",
    }


@contextlib.contextmanager
def as_nobody(folder: Path) -> Iterator[None]:
    """Give up the rights of the administrator for a while, if that is who runs the tests."""
    if os.geteuid() != 0:
        yield
        return
    opened = [path for path in (folder, *folder.parents) if not path.stat().st_mode & stat.S_IXOTH]
    modes = {path: stat.S_IMODE(path.stat().st_mode) for path in opened}
    for path in opened:
        path.chmod(modes[path] | stat.S_IXOTH | stat.S_IROTH)
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)
        for path in opened:
            path.chmod(modes[path])


@posix
def test_a_pipe_gets_its_part_of_several_outputs(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    try:
        write_all_atomic({pipe: b"told", tmp_path / "out": b"made"})
        assert os.read(reader, 10) == b"told"
    finally:
        os.close(reader)
    assert (tmp_path / "out").read_bytes() == b"made"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out", "pipe"]
