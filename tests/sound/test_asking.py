"""A broken sound system is found out before it can take the program along.

PortAudio 19.6 ends the process that asks it (an assertion) where ALSA finds no configuration at all.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.errors import PortProblem
from bridge.sound.device import asking


@pytest.mark.parametrize("which", ["input", "output"])
def test_a_sound_system_that_ends_whoever_asks_it(which: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(asking, "_LOOK", "import os; os.abort()")
    assert asking.sound_problem(which) == asking.BROKEN  # type: ignore[arg-type]
    with pytest.raises(PortProblem, match="cannot be used"):
        asking.usable_microphone()


def test_one_that_hangs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(asking, "_LOOK", "import time; time.sleep(60)")
    assert asking.sound_problem("input", limit_s=0.3) == asking.NO_ANSWER


def test_what_is_wrong_is_passed_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(asking, "_LOOK", "import sys; print('chatter'); print('-no such', *sys.argv[1:])")
    assert asking.sound_problem("output", "speakers") == "no such output speakers"
    monkeypatch.setattr(asking, "_LOOK", "print('+')")
    assert asking.sound_problem("output") == ""


def test_places_are_listed_by_a_process_that_may_break(monkeypatch: pytest.MonkeyPatch) -> None:
    for code, says in (
        ("import os; os.abort()", asking.BROKEN),
        ("print('-live sound needs sounddevice')", "live sound needs sounddevice"),
    ):
        monkeypatch.setattr(asking, "_LIST", code)
        assert asking.sound_places() == ([], says)
    monkeypatch.setattr(asking, "_LIST", "import time; time.sleep(60)")
    assert asking.sound_places(0.3) == ([], asking.NO_ANSWER)
    monkeypatch.setattr(asking, "_LIST", """print('chatter\\n+[["Line", "sound in", "ALSA", true]]')""")
    assert asking.sound_places() == ([asking.Place("Line", "sound in", "ALSA", True)], "")


def test_without_the_extra_it_is_said_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    hidden = f"import sys; sys.modules['sounddevice'] = None\n{asking._LIST}"
    monkeypatch.setattr(asking, "_LIST", hidden)
    found, problem = asking.sound_places()
    assert found == []
    assert "pip install 'stillbeat[audio]'" in problem


@pytest.mark.skipif(sys.platform != "linux", reason="ALSA is the sound system of Linux")
@pytest.mark.parametrize("command", [["listen", "--mic"], ["tune", "--guitar", "open-d"]])
def test_commands_that_listen_end_with_a_sentence(command: list[str], tmp_path: Path) -> None:
    env = {
        **os.environ,
        "ALSA_CONFIG_PATH": str(tmp_path / "none"),
        "JACK_DEFAULT_SERVER": "none-of-this-name",
        "JACK_NO_START_SERVER": "1",
    }
    done = subprocess.run(
        [sys.executable, "-c", "import sys; from bridge.cli import main; main(sys.argv[1:])", *command],
        env=env,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 4, done.stderr
    assert "stillbeat: " in done.stderr
    assert "Traceback" not in done.stderr
