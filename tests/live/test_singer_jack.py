"""``stillbeat sing`` on a real sound server: a synthetic voice is played in, the drone comes out; and how it leaves."""

from __future__ import annotations

import re
import signal
from collections.abc import Iterator

import numpy as np
import pytest
from support import jack, needs
from support.jack_player import JackPlayer
from support.listening_run import Run
from support.page import Client
from support.voices import Sung, phrase

pytestmark = pytest.mark.jack

D3 = 146.5
OPEN_D = ("--guitar", "open-d", "--reference", "D3=146.5", "--mic", "guitar")


@pytest.fixture(scope="module")
def stage() -> Iterator[tuple[jack.JackServer, JackPlayer]]:
    """A server, and a voice on one of its inputs."""
    needs.portaudio()
    with jack.JackServer(frames=256, portaudio=True) as server, JackPlayer(server) as player:
        yield server, player


def sung(player: JackPlayer, *off_cents: float) -> np.ndarray:
    ratios = (1, 5 / 4, 3 / 2)
    notes = [
        (Sung(D3 * r * 2 ** (c / 1200), breath_db=35.0), 1.2) for r, c in zip(ratios, off_cents, strict=True)
    ]
    return phrase(notes, player.rate_hz, np.random.default_rng(4), rest_s=0.5)


def test_a_voice_is_told_note_by_note(stage: tuple[jack.JackServer, JackPlayer]) -> None:
    server, player = stage
    with Run(server, "sing", "--lines", *OPEN_D) as run:
        run.wait("^listening to guitar")
        player.begin(sung(player, 0, 14, -8))
        for name, off in (("D3  degree 1", 0.0), ("F#3  degree 3", 14.0), ("A3  degree 5", -8.0)):
            line = run.wait(f"^{re.escape(name)}", 30.0)
            match = re.search(r"([+-]?\d+\.\d) cents", line)
            assert match is not None, line
            assert abs(float(match[1]) - off) < 3.0
        player.finish()
        run.child.signal(signal.SIGINT)
        assert run.child.exit_code(15.0) == 0
        assert run.errors() == "opening the sound input …\n"


def test_a_drone_sounds_and_q_leaves(stage: tuple[jack.JackServer, JackPlayer]) -> None:
    with Run(stage[0], "sing", "--lines", "--drone", "1,5", *OPEN_D) as run:
        run.wait("^drone: D3 A3")
        run.child.say("5")
        run.wait("^drone: D3$")
        run.child.say("d")
        run.wait("^drone: silent")
        run.child.say("quit")
        assert run.child.exit_code(15.0) == 0
        assert run.errors() == "opening the sound input …\n"


def test_the_page_shows_the_voice_and_brings_degrees_in(stage: tuple[jack.JackServer, JackPlayer]) -> None:
    server, player = stage
    with Run(server, "sing", "--lines", "--page", *OPEN_D) as run:
        client = Client(run.wait(r"^page: ").removeprefix("page: ").strip())
        run.wait("^listening to guitar")
        player.begin(sung(player, 0, 14, -8))
        told = client.first("sung", lambda one: one["now"] is not None and one["now"]["degree"] == "3")
        assert told["now"]["note"] == "F#3"
        assert any(cents is not None for _, cents in told["line"])
        player.finish()
        assert client.act("degree", number=5).status == 200
        run.wait("^drone: A3$")
        assert client.first("sung", lambda one: one["degrees"] == [5])["drone"] == ["A3"]
        run.child.signal(signal.SIGINT)
        assert run.child.exit_code(15.0) == 0
        assert run.errors() == "opening the sound input …\n"
