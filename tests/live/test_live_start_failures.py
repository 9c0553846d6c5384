"""What is said where nothing can be played at all: one line, its reason, and what to do."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

RUN = "import sys; from bridge.cli import main; main(sys.argv[1:])"
BREAK_SOUND = """
import os, sys
if "from bridge.live.player.sound_process import main; main()" in sys.orig_argv:
    import bridge.live.player.sound_process as child
    child._Card._work = lambda self: {break_by}
"""


def fails(tmp_path: Path, break_by: str, *arguments: str) -> tuple[int, list[str]]:
    """Run a command whose sound breaks when it looks for sound cards; return exit code and error lines."""
    (tmp_path / "sitecustomize.py").write_text(BREAK_SOUND.format(break_by=break_by))
    done = subprocess.run(
        [sys.executable, "-c", RUN, *arguments],
        env={**os.environ, "PYTHONPATH": str(tmp_path), "XDG_STATE_HOME": str(tmp_path)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
    )
    return done.returncode, done.stderr.strip().splitlines()


@pytest.mark.skipif(os.name != "posix", reason="signals have no names elsewhere")
def test_a_sound_library_that_aborts_is_named_as_what_is_wrong(tmp_path: Path) -> None:
    """PortAudio 19.6 aborts the whole process where ALSA has an empty configuration."""
    code, errors = fails(tmp_path, "os.abort()", "drone", "--guitar", "open-d")
    assert code == 4
    assert len(errors) == 1, errors
    assert "the sound system cannot be started here (Aborted)" in errors[0]
    assert "-o" in errors[0]


def test_without_a_sound_card_it_is_that_which_is_named(tmp_path: Path) -> None:
    no_card = "[self._writer.put(child.Listed(())), self._orders.get()]"
    code, errors = fails(tmp_path, no_card, "drone", "--guitar", "open-d")
    assert (code, len(errors)) == (4, 1)
    assert "there is no sound output on this computer" in errors[0]
    assert "--out NAME" in errors[0]
    assert "port" not in errors[0]


def test_last_words_are_passed_on(tmp_path: Path) -> None:
    words = "sys.stderr.write('assertion failed: no pcm') and os._exit(9)"
    code, errors = fails(tmp_path, words, "drone", "--guitar", "open-d")
    assert (code, len(errors)) == (4, 1)
    assert "(assertion failed: no pcm)" in errors[0]


def test_an_exit_without_a_word_says_its_code(tmp_path: Path) -> None:
    code, errors = fails(tmp_path, "os._exit(9)", "drone", "--guitar", "open-d")
    assert (code, len(errors)) == (4, 1)
    assert "exit code 9" in errors[0]
