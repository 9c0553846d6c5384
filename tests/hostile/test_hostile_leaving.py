"""Commands that write, ended at random moments: whole or absent, and the next run succeeds."""

from __future__ import annotations

import importlib.util
import signal
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

from bridge.cli import main


def _kills() -> ModuleType:
    path = Path(__file__).with_name("kills.py")
    spec = importlib.util.spec_from_file_location("hostile_kills", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


KILLS = _kills()


@pytest.mark.slow
@pytest.mark.parametrize("name", list(KILLS.COMMANDS))
def test_what_is_ended_leaves_all_or_nothing(name: str, tmp_path: Path) -> None:
    told = KILLS.endure(name, 4, 7, tmp_path)
    assert not told.faults, "\n".join(told.faults)


def test_a_report_cannot_take_the_place_of_the_piece(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    track = sorted((KILLS.ROOT / "examples/evening/tracks").glob("*.mid"))[0]
    Path("song.mid").write_bytes(track.read_bytes())
    for report in ("out.mid", "./out.mid", "song.mid"):
        with pytest.raises(SystemExit) as left:
            main(
                [
                    "retune",
                    "song.mid",
                    "-o",
                    "out.mid",
                    "--report-json",
                    report,
                    "--guitar",
                    "open-d",
                    "--overwrite",
                ]
            )
        assert left.value.code == 3
        assert "same file" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["song.mid"]
    assert Path("song.mid").read_bytes() == track.read_bytes()


def test_a_reader_that_leaves_and_a_closed_output_are_no_failure(tmp_path: Path) -> None:
    run = f"{sys.executable} -c 'from bridge.cli import main; main()'"
    for line in (
        f"{run} tables | head -1",
        f"{run} table --guitar open-d | head -1",
        f"{run} export --guitar open-d -o out | true",
        f"{run} table --guitar open-d >&-",
        f"{run} table --guitar open-d --json >&- 2>&-",
    ):
        done = subprocess.run(
            ["bash", "-o", "pipefail", "-c", line],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert done.returncode == 0, (line, done.stderr)
        assert done.stderr == "", line
    assert (tmp_path / "out/open-d.note.syx").exists()


def test_what_a_killed_process_left_is_cleared_up_and_restored(tmp_path: Path) -> None:
    from bridge.store.files import write_all_atomic, write_bytes_atomic

    (tmp_path / "a").write_bytes(b"new")
    (tmp_path / ".a.0123456789ab.before").write_bytes(b"old")  # killed after `a` was replaced, before `b` was
    (tmp_path / ".b.0123456789ab.part").write_bytes(b"half")
    (tmp_path / "b").write_bytes(b"old b")
    with pytest.raises(ValueError, match="stop"):
        write_all_atomic(_Stopping({tmp_path / "a": b"1", tmp_path / "b": b"2"}), overwrite=True)
    write_bytes_atomic(tmp_path / "b", b"3", overwrite=True)
    assert {path.name for path in tmp_path.iterdir()} == {"a", "b", ".a.0123456789ab.before"}
    write_all_atomic({tmp_path / "a": b"4"}, overwrite=True)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"a": b"4", "b": b"3"}


class _Stopping(dict[Path, bytes]):
    def items(self) -> None:  # type: ignore[override]
        raise ValueError("stop")


def test_what_another_process_is_writing_is_left_alone(tmp_path: Path) -> None:
    code = (
        "import sys\nfrom bridge.store.files import open_atomic\n"
        "with open_atomic('x') as stream:\n    stream.write(b'slow'); print('open', flush=True); sys.stdin.readline()\n"
    )
    child = subprocess.Popen(
        [sys.executable, "-c", code], cwd=tmp_path, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    assert child.stdout.readline() == "open\n"
    from bridge.store.files import write_bytes_atomic

    write_bytes_atomic(tmp_path / "x", b"quick")
    hidden = [path.name for path in tmp_path.iterdir() if path.name.startswith(".")]
    assert len(hidden) == 1
    child.communicate("\n", timeout=30)
    assert child.returncode != 0  # x exists already
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"x": b"quick"}


def test_signals_are_caught_only_where_nobody_caught_them(monkeypatch: pytest.MonkeyPatch) -> None:
    from bridge import cli

    kept = signal.getsignal(signal.SIGHUP)
    try:
        signal.signal(signal.SIGHUP, signal.SIG_IGN)  # as under nohup
        cli._leave_in_order()
        assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, kept)
