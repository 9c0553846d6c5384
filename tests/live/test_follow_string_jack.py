"""The ear for open strings on a real sound server: strings are played in, and told with their pitch; how it ends."""

from __future__ import annotations

import queue
import signal
from collections.abc import Iterator

import numpy as np
import pytest
from support import jack, needs, takes
from support.jack_player import JackPlayer
from support.listening_run import Run

from bridge.live.desk.ear import Heard, Take
from bridge.live.desk.string_ear import Around, OfTake, Opened, Plucked, Refused, Strings, Told, start_ear
from bridge.tuning.reference import Reference

pytestmark = pytest.mark.jack

D3 = 146.5
STRINGS = {5: D3 * 3 / 4, 4: D3}


@pytest.fixture(scope="module")
def stage() -> Iterator[tuple[jack.JackServer, JackPlayer]]:
    """A server, and a guitar on one of its inputs."""
    needs.portaudio()
    with jack.JackServer(frames=256, portaudio=True) as server, JackPlayer(server) as player:
        yield server, player


def plucks(rate: int) -> np.ndarray:
    rng = np.random.default_rng(3)
    parts = []
    for string, cents in ((4, -3.0), (5, -2.0)):
        sound = takes.pluck(STRINGS[string] * 2 ** (cents / 1200), 2.6, rng, decay_s=2.5)
        sound[-1000:] *= np.linspace(1, 0, 1000)
        parts += [0.3 * sound / np.abs(sound).max(), np.zeros(takes.RATE)]
    return takes.at_rate(np.concatenate(parts), rate)


def test_strings_are_heard_and_told(
    stage: tuple[jack.JackServer, JackPlayer], monkeypatch: pytest.MonkeyPatch
) -> None:
    server, player = stage
    for name, value in server.env.items():
        monkeypatch.setenv(name, value)
    told: queue.SimpleQueue[Told] = queue.SimpleQueue()
    ear = start_ear(Strings(tuple(STRINGS.items()), "guitar"), told.put)
    try:
        assert isinstance(told.get(timeout=20), Opened)
        player.begin(plucks(player.rate_hz))
        for string, cents in ((4, -3.0), (5, -2.0)):
            heard = told.get(timeout=20)
            assert isinstance(heard, Plucked)
            assert heard.string == string
            assert 1200 * np.log2(heard.hz / STRINGS[string]) == pytest.approx(cents, abs=0.7)
        player.finish()
        # The reference is found anew by the same microphone, and plucks are told all the while.
        ear.tell(Take(reference=Reference(50, D3), named=True, seconds=3.0, wait_s=0.2))
        player.begin(plucks(player.rate_hz))
        of_take, strings = [], []
        while len(of_take) < 2 or len(strings) < 2:
            heard = told.get(timeout=20)
            (of_take if isinstance(heard, OfTake) else strings).append(heard)
        player.finish()
        assert [one.string for one in strings] == [4, 5]
        assert of_take[0].told.seconds == 3.0
        found = of_take[1].told
        assert isinstance(found, Heard), found
        assert 1200 * np.log2(found.reference.hz / D3) == pytest.approx(-3.0, abs=0.7)
        # While somebody plays, nothing is told.
        ear.tell(Around(playing=True))
        player.begin(plucks(player.rate_hz))
        player.finish()
        assert told.empty()
    finally:
        ear.end()


def test_without_such_a_microphone_it_is_refused(
    stage: tuple[jack.JackServer, JackPlayer], monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, value in stage[0].env.items():
        monkeypatch.setenv(name, value)
    told: queue.SimpleQueue[Told] = queue.SimpleQueue()
    ear = start_ear(Strings(tuple(STRINGS.items()), "no such thing"), told.put)
    try:
        refused = told.get(timeout=20)
        assert isinstance(refused, Refused)
        assert "no such thing" in refused.message
    finally:
        ear.end()


def test_a_drone_says_that_it_follows_and_leaves(stage: tuple[jack.JackServer, JackPlayer]) -> None:
    server, _ = stage
    words = ("--guitar", "open-d", "--reference", "D3=146.5", "--follow-string", "D3", "--mic", "guitar")
    with Run(server, "drone", "--lines", *words) as run:
        run.wait("follows string 4 and those beside it, heard by guitar", 30.0)
        run.child.signal(signal.SIGINT)
        assert run.child.exit_code(15.0) == 0
