"""``stillbeat practise`` on a real sound server: what is heard, measured; a synth; a voice; and how it leaves.

The trials of a seed are known from `bridge.ear` (whose arithmetic has tests of its own); what sounds is measured.
"""

from __future__ import annotations

import contextlib
import json
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from support import jack, measure, needs
from support.jack_player import JackPlayer
from support.live import LiveRun
from support.page import Client
from support.voices import Sung

from bridge.ear.asked import TRIALS
from bridge.ear.course import Course
from bridge.jobs.choose import TableRequest
from bridge.jobs.practise import Assignment, PractiseRequest, assignments

pytestmark = pytest.mark.jack

TABLE = ("--guitar", "open-d", "--reference", "D3=146.5")


class PractiseRun(LiveRun):
    """``stillbeat practise`` as a process of its own, with a data folder of its own."""

    def __init__(self, env: dict[str, str], home: Path, *options: str) -> None:
        env = {**env, "XDG_DATA_HOME": str(home)}
        super().__init__(env, home, *options, "--lines", *TABLE, command="practise")
        self._home = home

    def records(self) -> list[dict[str, object]]:
        """What it kept."""
        return [json.loads(path.read_text()) for path in sorted(self._home.rglob("*.json"))]


def work(*notes: str, what: str = "still", seconds: float = 2.0) -> Assignment:
    request = PractiseRequest(notes=notes, what=what, seconds=seconds)
    (one,), _, _ = assignments(TableRequest(guitar="open-d", reference="D3=146.5"), request)
    return one


@pytest.fixture(scope="module")
def stage() -> Iterator[tuple[jack.JackServer, jack.JackTap, JackPlayer]]:
    needs.portaudio()
    with (
        jack.JackServer(frames=256, portaudio=True) as server,
        JackPlayer(server) as player,
        jack.JackTap(server) as tap,
    ):
        yield server, tap, player


def stretches(sound: jack.Recording) -> list[tuple[float, float]]:
    """Beginning and end of everything that sounds, in seconds, silences of 0.2 s between."""
    size = round(0.01 * sound.rate_hz)
    mono = np.abs(sound.samples).max(axis=1)
    blocks = mono[: mono.size // size * size].reshape(-1, size).max(axis=1) > 1e-4
    at = np.flatnonzero(blocks)
    if not at.size:
        return []
    parts = np.split(at, np.flatnonzero(np.diff(at) > 20) + 1)
    return [(0.01 * float(part[0]), 0.01 * float(part[-1] + 1)) for part in parts]


def test_trials_on_the_sound_card_sound_as_they_should(
    stage: tuple[jack.JackServer, jack.JackTap, JackPlayer], tmp_path: Path
) -> None:
    server, tap, _ = stage
    one = work("fifth", seconds=1.5)
    course = Course("still", one.sounds, 3, seed=11)
    with PractiseRun(
        server.env, tmp_path, "fifth", "--seed", "11", "--trials", "3", "--seconds", "1.5"
    ) as run:
        tap.wait_for_port("PortAudio:out_0")
        tap.start()
        tap.hear(jack.PORTAUDIO_PORTS)
        trials = []
        for number in range(1, 4):
            run.wait(f"trial {number} of 3: which does not beat: the first")
            trials.append(course.trial)
            run.say("1" if course.trial.answer == "first" else "2")
            course.answer(course.trial.answer)
        run.wait("3 of 3 right")
        assert run.exit_code() == 0
        sound = tap.stop_recording()
    assert np.abs(sound.samples).max() < 0.5
    heard = stretches(sound)[-6:]
    played = [one for trial in trials for one in trial.played]
    levels = []
    for (begin_s, end_s), wanted in zip(heard, played, strict=True):
        assert end_s - begin_s == pytest.approx(1.5, abs=0.1)
        found = sound.tones_hz(list(wanted.hz), begin_s + 0.15, 1.1)
        for hz, want in zip(found, wanted.hz, strict=True):
            assert abs(measure.cents(hz, want)) < 0.05
        levels.append(float(np.sqrt(np.mean(sound.window(begin_s, 1.5) ** 2))))
    for first, second in zip(levels[::2], levels[1::2], strict=True):
        assert second == pytest.approx(first, rel=0.03)
    assert levels[0] < levels[2] < levels[4]  # it begins quietly
    (record,) = run.records()
    assert record["seed"] == 11
    assert [answer["cents"] for answer in record["answers"]] == [  # type: ignore[attr-defined, index]
        trial.cents for trial in trials
    ]


def test_ctrl_c_cuts_the_sound_and_keeps_what_was_answered(
    stage: tuple[jack.JackServer, jack.JackTap, JackPlayer], tmp_path: Path
) -> None:
    server, tap, _ = stage
    with PractiseRun(
        server.env, tmp_path, "third", "--seconds", "6", "--csv", str(tmp_path / "r.csv")
    ) as run:
        tap.wait_for_port("PortAudio:out_0")
        tap.start()
        tap.hear(jack.PORTAUDIO_PORTS)
        run.wait("trial 1 of 55: ", 30.0)
        run.say("1")
        run.wait("^1\\. ")
        time.sleep(2.0)
        began_s = time.monotonic()
        run.signal(signal.SIGINT)
        assert run.exit_code() == 0
        assert time.monotonic() - began_s < 4.0
        sound = tap.stop_recording()
        assert run.errors() == ""
    begin_s, end_s = stretches(sound)[-1]
    assert end_s - begin_s < 4.0
    steps = np.abs(np.diff(sound.window(end_s - 0.04, 0.06)))
    assert steps.max() < 0.3 * np.abs(sound.samples).max()
    (record,) = run.records()
    assert len(record["answers"]) == 1  # type: ignore[arg-type]
    assert record["threshold"] is None
    assert (tmp_path / "r.csv").read_text().count("\n") == 2


def test_a_note_is_moved_while_it_sounds(
    stage: tuple[jack.JackServer, jack.JackTap, JackPlayer], tmp_path: Path
) -> None:
    """From where a round of this seed begins to half a cent wide, and measured there."""
    from bridge.ear.tuning_out import TuningOut

    server, tap, _ = stage
    now = TuningOut(work("fifth", what="tune").sounds[0], 10, seed=4).round
    with PractiseRun(server.env, tmp_path, "fifth", "--exercise", "tune", "--seed", "4") as run:
        tap.wait_for_port("PortAudio:out_0")
        run.wait("round 1 of 10: move one note")
        way = 1 if now.moves else -1
        left = (0.5 - now.cents) * way
        while abs(left) > 1e-9:
            step = float(np.clip(left, -15.0, 15.0))
            run.say(f"{step:+.6f}")
            left -= step
        time.sleep(1.5)
        tap.hear(jack.PORTAUDIO_PORTS)
        sound = tap.record(2.2)
        run.say("")
        run.wait(r"^1\. 0\.5 cents wide, 0\.1\d beats a second")
        run.say("quit")
        run.wait("tuned out once: on average 0.5 cents wide")
        assert run.exit_code() == 0
    now.move((0.5 - now.cents) * way)
    found = sound.tones_hz(list(now.hz), 0.1, 2.0)
    assert measure.cents(found[1], found[0]) - measure.cents(3, 2) == pytest.approx(0.5, abs=0.06)


def test_a_synth_plays_the_trials_and_is_silent_after_ctrl_c(
    stage: tuple[jack.JackServer, jack.JackTap, JackPlayer], organ_font: Path, tmp_path: Path
) -> None:
    """FluidSynth takes bends to about a cent."""
    server, tap, _ = stage
    one = work("fifth", seconds=2.0)
    trial = Course("still", one.sounds, TRIALS, seed=6).trial
    with jack.JackFluidSynth(server, organ_font) as synth:
        tap.listen_to(synth)
        with PractiseRun(server.env, tmp_path, "fifth", "--seed", "6", "--out", "synth") as run:
            tap.start()
            run.wait("trial 1 of 55: ", 30.0)
            sound = tap.stop_recording()
            run.say("2")
            run.wait("^1\\. ")
            time.sleep(1.5)
            run.signal(signal.SIGINT)
            assert run.exit_code() == 0
            assert run.errors() == ""
        time.sleep(0.5)
        after = tap.record(1.0)
    assert np.abs(after.samples).max() < 1e-3
    for (begin_s, _), wanted in zip(stretches(sound)[-2:], trial.played, strict=True):
        found = sound.tones_hz(list(wanted.hz), begin_s + 0.3, 1.3)
        for hz, want in zip(found, wanted.hz, strict=True):
            assert abs(measure.cents(hz, want)) < 1.2
    (record,) = run.records()
    assert record["through"] == "synth"


def test_a_voice_is_told_how_near_it_was(
    stage: tuple[jack.JackServer, jack.JackTap, JackPlayer], tmp_path: Path
) -> None:
    server, _, player = stage
    target = work("fifth", what="sing").targets[0]
    random = np.random.default_rng(3)
    note = Sung(hz=target.hz * 2 ** (-20 / 1200), vibrato_cents=25.0).samples(2.0, player.rate_hz, random)
    sound = np.concatenate([np.zeros(2 * player.rate_hz), 0.3 * note / np.abs(note).max()])
    with PractiseRun(server.env, tmp_path, "fifth", "--exercise", "sing", "--mic", "guitar") as run:
        run.wait("note 1 of 1: sing the fifth: A3", 30.0)
        player.begin(sound)
        line = run.wait("^fifth A3: a little flat, -")
        player.finish()
        assert float(line.split("flat, ")[1].split(" ")[0]) == pytest.approx(-20.0, abs=3.0)
        assert run.exit_code() == 0
    (record,) = run.records()
    assert record["sung"][0]["cents"] == pytest.approx(-20.0, abs=3.0)  # type: ignore[index]


def test_a_touch_on_the_page_answers(
    stage: tuple[jack.JackServer, jack.JackTap, JackPlayer], tmp_path: Path
) -> None:
    server, _, _ = stage
    with PractiseRun(
        server.env, tmp_path, "fifth", "--exercise", "wide", "--seed", "2", "--trials", "1", "--page"
    ) as run:
        line = run.wait(r"http://127\.0\.0\.1:\d+/", 30.0)
        client = Client(line[line.index("http://") :].split()[0])
        seen = client.first("practise", lambda now: "wide" in now["waits"])
        assert seen["place"] == "trial 1 of 1"
        assert seen["said"][-1].startswith("start with the volume down")
        right = Course("wide", work("fifth", what="wide").sounds, 1, seed=2).trial.answer
        assert client.act(right).status == 200
        run.wait("1 of 1 right")
        assert run.exit_code() == 0
        assert run.errors() == ""


@pytest.mark.parametrize("where", ["sound card", "synth"])
def test_a_sound_server_that_dies_ends_it_and_what_was_answered_is_kept(
    organ_font: Path, tmp_path: Path, where: str
) -> None:
    needs.portaudio()
    with jack.JackServer(frames=256, portaudio=True) as server, contextlib.ExitStack() as opened:
        out = ()
        if where == "synth":
            opened.enter_context(jack.JackFluidSynth(server, organ_font))
            out = ("--out", "synth")
        with PractiseRun(server.env, tmp_path, "fifth", *out) as run:
            run.wait("trial 1 of 55: ", 30.0)
            run.say("1")
            run.wait("^1\\. ")
            server.kill()
            assert run.exit_code(20.0) == 4
            assert "Traceback" not in run.errors()
            assert "gone" in run.errors() or "stopped answering" in run.errors()
        (record,) = run.records()
        assert len(record["answers"]) == 1  # type: ignore[arg-type]
