"""Nothing is loaded from the folder in which a command runs: a module that lies there must never be executed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from bridge import children

EVENING = Path(__file__).resolve().parents[1] / "examples" / "evening" / "evening.toml"
TRACK = EVENING.parent / "tracks" / "low-water.mid"
PLANTED = """
from pathlib import Path
Path(__file__).with_name("executed").write_text(__name__)
raise SystemExit("a planted module was executed")
"""
NAMES = ("struct", "numpy", "queue", "selectors", "socket", "tempfile", "bridge", "rtmidi", "sounddevice")
# Like the command itself: a script in a folder of its own, so that the working folder is on no path of the parent.
DOOR = """
import sys
from bridge.cli import main
if __name__ == "__main__":
    main(sys.argv[1:])
"""
CREW = """
import operator
from bridge.jobs.session.workers import Crew
if __name__ == "__main__":
    with Crew(2) as crew:
        assert [done for _, done in crew.run(operator.neg, range(4), 4)] == [0, -1, -2, -3]
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in a folder full of planted modules, that has no sound, no MIDI and no way to start a server."""
    folder = tmp_path / "handed over"
    folder.mkdir()
    for name in NAMES:
        (folder / f"{name}.py").write_text(PLANTED)
    monkeypatch.chdir(folder)
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.delenv("PYTHONSAFEPATH", raising=False)
    return folder


def run(folder: Path, code: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    script = folder.parent / "door.py"
    script.write_text(code)
    return subprocess.run(
        [sys.executable, str(script), *arguments],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def test_a_planted_module_would_be_executed_by_a_plain_child(folder: Path) -> None:
    """Without which the tests below could not fail."""
    code = "import subprocess, sys; subprocess.run([sys.executable, '-c', 'import struct'])"
    run(folder, code)
    assert (folder / "executed").read_text() == "struct"


@pytest.mark.parametrize(
    "words",
    [
        ("play", "--guitar", "open-d", "--in", "no such keyboard", "--out", "no such synth"),
        ("drone", "--guitar", "open-d", "--hold", "3"),
        ("tune", "--guitar", "open-d", "--mic", "no such input", "--lines"),
        ("listen", "--guitar", "open-d", "--mic", "no such input"),
        ("sing", "--guitar", "open-d", "--mic", "no such input", "--lines"),
        ("practise", "third", "--guitar", "open-d", "--out", "no such synth"),
        ("probe", "--out", "no such synth"),
        ("retune", str(TRACK), "-o", "out.mid", "--guitar", "open-d"),
        ("render", str(TRACK), "-o", "out.wav"),
        ("ports",),
        ("chart", "| D | G | A7 | D |", "--guitar", "open-d"),
        ("play", "--session", str(EVENING), "--in", "no such keyboard", "--out", "no such synth"),
        ("table", "--guitar", "DADF#AD"),
    ],
    ids=lambda words: words[0],
)
def test_no_command_loads_anything_from_the_working_folder(folder: Path, words: tuple[str, ...]) -> None:
    done = run(folder, DOOR, *words)
    assert not (folder / "executed").exists(), (folder / "executed").read_text()
    assert "Traceback" not in done.stderr


def test_workers_load_nothing_from_the_working_folder(folder: Path) -> None:
    done = run(folder, CREW)
    assert not (folder / "executed").exists(), (folder / "executed").read_text()
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.slow
def test_a_session_is_built_beside_planted_modules(folder: Path) -> None:
    done = run(folder, DOOR, "session", "build", str(EVENING), "-o", "out", "--jobs", "2")
    assert not (folder / "executed").exists(), (folder / "executed").read_text()
    assert done.returncode == 0, done.stderr
    assert any((folder / "out").iterdir())


@pytest.mark.parametrize("module", ["bridge.live.player.process", "bridge.live.desk.ear"])
def test_processes_with_pipes_load_nothing_from_the_working_folder(folder: Path, module: str) -> None:
    with subprocess.Popen("cat >errors", shell=True, stdin=subprocess.PIPE) as log:
        assert log.stdin is not None
        process = children.start(module, log.stdin)
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.close()  # nothing to play: it leaves
        process.stdout.close()
        process.wait(60)
        log.stdin.close()
    assert not (folder / "executed").exists(), (folder / "executed").read_text()


def test_empty_entries_of_a_path_are_not_passed_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """An empty entry means the working folder (Python documentation, PYTHONPATH)."""
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(("", "/some/where", "")))
    root, *others = children.environment()["PYTHONPATH"].split(os.pathsep)
    assert (Path(root) / "bridge" / "children.py").exists()
    assert others == ["/some/where"]


def test_signals_are_taken_and_given_back() -> None:
    numbers = [getattr(signal, name) for name in children.LEAVE]
    before = {number: signal.getsignal(number) for number in numbers}
    taken = threading.Event()
    with children.on_signals(taken.set):
        signal.raise_signal(signal.SIGTERM)
        assert taken.is_set()
    assert {number: signal.getsignal(number) for number in numbers} == before


def test_signals_are_held_back_while_something_begins() -> None:
    before = signal.getsignal(signal.SIGTERM)
    came: list[int] = []
    signal.signal(signal.SIGTERM, lambda number, _: came.append(number))
    try:
        with children.undisturbed():
            signal.raise_signal(signal.SIGTERM)
            assert came == []
        assert came == [signal.SIGTERM]
        signal.signal(signal.SIGTERM, signal.SIG_IGN)  # as under nohup
        with children.undisturbed():
            assert signal.getsignal(signal.SIGTERM) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGTERM, before)
