"""``stillbeat tune --mic`` and ``listen --mic`` on a real sound server, plucks played in; and how they leave."""

from __future__ import annotations

import json
import re
import signal
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from support import jack, needs, takes
from support.children import ChildError
from support.corpus import guitar_notes
from support.jack_player import JackPlayer
from support.listening_run import Run

pytestmark = pytest.mark.jack

D3 = 146.5
OPEN_D = ("--guitar", "open-d", "--reference", "D3=146.5", "--mic", "guitar")


@pytest.fixture(scope="module")
def stage() -> Iterator[tuple[jack.JackServer, JackPlayer]]:
    """A server, and a guitar on one of its inputs."""
    needs.portaudio()
    with jack.JackServer(frames=256, portaudio=True) as server, JackPlayer(server) as player:
        yield server, player


def cents_said(line: str) -> float:
    match = re.search(r"([+-]?\d+\.\d) cents", line)
    assert match is not None, line
    return float(match[1])


def test_plucks_are_named_and_measured(stage: tuple[jack.JackServer, JackPlayer]) -> None:
    server, player = stage
    strings = takes.open_d(D3)
    sound = takes.at_rate(takes.take([strings[4], strings[3]], gap_s=1.5), player.rate_hz)
    with Run(server, "tune", "--lines", *OPEN_D) as run:
        run.wait("^listening to guitar")
        player.begin(sound)
        assert abs(cents_said(run.wait("string 4 D3 .*in tune"))) < 0.3
        third = run.wait("string 3 F#3 .*loosen")
        assert cents_said(third) == pytest.approx(takes.OFF_CENTS[3], abs=0.5)
        assert "against string 4 (D3)" in third
        player.finish()
        run.child.signal(signal.SIGINT)
        assert run.child.exit_code(15.0) == 0
        assert run.errors() == "opening the sound input …\n"


@pytest.mark.fetched
def test_recorded_strings_are_known(stage: tuple[jack.JackServer, JackPlayer]) -> None:
    server, player = stage
    files = {path.stem: path for path in guitar_notes()}
    with Run(server, "tune", "--lines", "--guitar", "open-d", "--mic", "guitar") as run:
        run.wait("^listening to guitar")
        for string, name in ((6, "D2"), (3, "Fs3"), (1, "D4")):
            samples, rate = soundfile.read(files[name], always_2d=True)
            sound = takes.resampled(samples[: 2 * rate].mean(axis=1), rate, player.rate_hz)
            player.begin(0.5 * sound / np.max(np.abs(sound)))
            line = run.wait(f"^string {string} ")
            # Independent estimators put these within ten cents of equal temperament; a pure F#3 lies 14 lower.
            assert abs(cents_said(line) - (13.7 if string == 3 else 0.0)) < 10.0
            player.finish()
        run.child.signal(signal.SIGTERM)
        assert run.child.exit_code(15.0) == 0


def test_q_ends_it(stage: tuple[jack.JackServer, JackPlayer]) -> None:
    with Run(stage[0], "tune", *OPEN_D) as run:
        run.wait("^listening to guitar")
        run.child.say("quit")
        assert run.child.exit_code(15.0) == 0


def test_listen_to_the_microphone(stage: tuple[jack.JackServer, JackPlayer]) -> None:
    server, player = stage
    sound = takes.at_rate(takes.take([D3]), player.rate_hz)
    with Run(server, "listen", "--seconds", "6", "--json", *OPEN_D) as run:
        for _ in range(200):  # it says on stderr when it begins
            if "listening to guitar" in run.errors():
                break
            run.child.popen.poll()
            with pytest.raises(ChildError, match="no answer"):
                run.child.line(0.1)
        player.begin(sound)
        text = ""
        while not text.rstrip().endswith("\n}"):
            text += run.wait("") + "\n"
        player.finish()
        (note,) = json.loads(text)["notes"]
        assert (note["string"], note["note"]) == (4, "D3")
        assert note["hz"] == pytest.approx(D3, rel=2e-4)
        assert run.child.exit_code(15.0) == 0


def test_what_is_not_there_is_said(stage: tuple[jack.JackServer, JackPlayer], tmp_path: Path) -> None:
    with Run(stage[0], "tune", "--guitar", "open-d", "--mic", "piano") as run:
        assert run.child.exit_code(20.0) == 4
        assert "there is no sound input 'piano'" in run.errors()
        assert "guitar" in run.errors()


def test_an_input_that_goes_away_is_said() -> None:
    needs.portaudio()
    with (
        jack.JackServer(frames=256, portaudio=True) as server,
        JackPlayer(server),
        Run(server, "tune", "--lines", *OPEN_D) as run,
    ):
        run.wait("^listening to guitar")
        server.kill()
        assert run.child.exit_code(25.0) == 4
        assert "not even noise comes from it any more" in run.errors()
