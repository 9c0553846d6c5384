"""The drone heard: FluidSynth on a JACK server, and the sound card through PortAudio on the same server, recorded.

FluidSynth 2.3.1 sounds whole cents, rounded down, so a pitch may lie up to a cent below the table, and a rate of beats
up to 0.45 a second off (a cent of F#3's fourth partial is 0.42). The built-in generator is exact.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from support import jack, measure
from support.children import ChildError
from support.live import LiveRun

from bridge.sound.device.asking import sound_problem

pytestmark = pytest.mark.jack

D3_HZ = 146.5  # invented reading of a guitar's fourth string
PURE_HZ = D3_HZ * 5 / 4
TEMPERED_BEATS = 4 * D3_HZ * (2 ** (4 / 12) - 5 / 4)  # by definition: 5.81 a second
TABLE = ("--tonic", "D", "--reference", "D3=146.5")
SETTLING = (
    "third",
    *TABLE,
    "--settle",
    "tempered",
    "--swell",
    "2",
    "--settle-wait",
    "4",
    "--settle-time",
    "5",
)


class DroneRun(LiveRun):
    """``stillbeat drone`` as a process of its own."""

    def __init__(self, env: dict[str, str], state: Path, *options: str, command: str = "drone") -> None:
        super().__init__(env, state, *options, command=command)


def rates(run: DroneRun) -> list[float]:
    """The rates of beats that were shown."""
    return [float(found[1]) for line in run.lines if (found := re.search(r": ([\d.]+) beats a second", line))]


@pytest.fixture(scope="module")
def sound_server() -> Iterator[jack.JackServer]:
    with jack.JackServer(frames=256, portaudio=True) as server:
        yield server


@pytest.fixture
def stage(sound_server: jack.JackServer) -> Iterator[tuple[jack.JackServer, jack.JackTap]]:
    if not sound_server.alive:
        sound_server.start()
    with jack.JackTap(sound_server) as tap:
        yield sound_server, tap


@pytest.mark.parametrize("method", ["note", "bend"])
def test_a_third_settles_on_a_real_synth(
    stage: tuple[jack.JackServer, jack.JackTap], organ_font: Path, tmp_path: Path, method: str
) -> None:
    server, tap = stage
    with jack.JackFluidSynth(server, organ_font) as synth:
        tap.listen_to(synth)
        with DroneRun(
            server.env, tmp_path, *SETTLING, "--out", "synth", "--synth", "fluidsynth", "--method", method
        ) as run:
            run.wait("^playing on")
            tap.start()
            run.wait("no beats", 30.0)
            time.sleep(2.6)
            run.signal(signal.SIGTERM)
            assert run.exit_code() == 0
            time.sleep(0.6)
            sound = tap.stop_recording()
    assert rates(run)[0] == pytest.approx(TEMPERED_BEATS, abs=0.006)
    assert rates(run) == sorted(rates(run), reverse=True)
    assert len(rates(run)) >= 4
    beating = sound.window(2.3, 3.4)
    assert measure.beats_per_s(beating, sound.rate_hz, 5 * D3_HZ, low=1) == pytest.approx(
        TEMPERED_BEATS, abs=0.45
    )
    still = sound.tones_hz([D3_HZ, PURE_HZ], 11.3, 2.0)
    for found, wanted in zip(still, (D3_HZ, PURE_HZ), strict=True):
        assert -1.05 < measure.cents(found, wanted) < 0.05
    assert np.abs(sound.samples[-int(0.3 * sound.rate_hz) :]).max() == 0.0  # silent afterwards
    first = np.abs(sound.window(0.0, 0.3)).max()
    assert first < 0.1 * np.abs(still_level(sound)).max()  # and quiet at first


def still_level(sound: jack.Recording) -> np.ndarray:
    """The sound once it has swelled."""
    return sound.window(4.0, 2.0)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
@pytest.mark.parametrize("method", ["note", "bend"])
def test_every_signal_leaves_silence_and_the_synth_put_back(
    stage: tuple[jack.JackServer, jack.JackTap], tmp_path: Path, number: signal.Signals, method: str
) -> None:
    server, tap = stage
    options = ("chord", *TABLE, "--settle", "14", "--method", method, "--synth", "full-midi-tuning")
    with DroneRun(server.env, tmp_path, *options, "--out", "tap") as run:
        tap.start()
        run.wait("^playing on")
        time.sleep(1.0)
        run.signal(number)
        assert run.exit_code() == 0
        assert run.errors() == ""
    left = [data for _, data in tap.heard()]
    struck = [(data[0] & 0x0F, data[1]) for data in left if data[0] & 0xF0 == 0x90]
    offs = [(data[0] & 0x0F, data[1]) for data in left if data[0] & 0xF0 == 0x80]
    assert {key for _, key in struck} == {50, 54, 57}
    for place in struck:
        assert struck.count(place) == 1
        assert place in offs
    for channel, _ in struck:
        assert [data for data in left if data[0] == 0xE0 | channel][-1][1:] == b"\x00\x40"
        assert [data for data in left if data[:2] == bytes((0xB0 | channel, 11))][-1][2] == 127
    if method == "note":
        # F0 7F dd 08 02 tt ll, then kk xx yy zz for each key (MIDI Tuning): equal temperament again
        tunings = [data for data in left if data[:1] == b"\xf0" and data[3:5] == b"\x08\x02"]
        keys = {data[at]: data[at + 1 : at + 4] for data in tunings for at in range(7, len(data) - 1, 4)}
        assert keys == {key: bytes((key, 0, 0)) for key in range(128)}


def test_the_sound_card_plays_it_in_tune_from_silence_to_silence(
    stage: tuple[jack.JackServer, jack.JackTap], tmp_path: Path
) -> None:
    server, tap = stage
    with DroneRun(server.env, tmp_path, *SETTLING) as run:
        tap.wait_for_port("PortAudio:out_0")
        tap.start()
        tap.hear(jack.PORTAUDIO_PORTS)
        run.wait("^playing on the usual sound card")
        run.wait("no beats", 30.0)
        time.sleep(2.6)
        run.say("quit")
        assert run.exit_code() == 0
        sound = tap.stop_recording()
    samples = np.abs(sound.samples)
    assert samples.max() < 0.5  # the cap of live sound, -6 dB
    loud = samples.max()
    begun_s = np.flatnonzero(samples.max(axis=1) > 1e-5)[0] / sound.rate_hz
    for after_s, share in ((0.3, 0.05), (1.0, 0.5)):
        assert samples[: int((begun_s + after_s) * sound.rate_hz)].max() < share * loud
    beating = sound.window(begun_s + 2.3, 3.2)
    assert measure.beats_per_s(beating, sound.rate_hz, 5 * D3_HZ, low=1) == pytest.approx(
        TEMPERED_BEATS, abs=0.06
    )
    still = sound.tones_hz([D3_HZ, PURE_HZ], begun_s + 11.3, 2.0)
    for found, wanted in zip(still, (D3_HZ, PURE_HZ), strict=True):
        assert measure.cents(found, wanted) == pytest.approx(0.0, abs=0.05)
    with pytest.raises(measure.NoTone):
        measure.beats_per_s(sound.window(begun_s + 11.3, 2.2), sound.rate_hz, 5 * D3_HZ, low=1.5)
    steps = np.abs(np.diff(sound.samples[-int(0.5 * sound.rate_hz) :], axis=0)).max()
    assert steps < 0.2 * loud  # it faded: no click at the end


def test_a_sound_server_that_dies_is_waited_for_and_plays_again(
    stage: tuple[jack.JackServer, jack.JackTap], tmp_path: Path
) -> None:
    server, tap = stage
    with DroneRun(server.env, tmp_path, "fifth", *TABLE) as run:
        run.wait("^playing on")
        time.sleep(1.0)
        tap.stop()
        server.kill()
        run.wait("sound card is gone", 5.0)
        server.start()
        run.wait("again|is back", 60.0)
        with jack.JackTap(server, name="ear") as ear:
            ear.hear(jack.PORTAUDIO_PORTS)
            time.sleep(3.0)
            sound = ear.record(1.5)
        assert measure.tone_hz(sound.window(0.2, 1.2), sound.rate_hz, D3_HZ) == pytest.approx(D3_HZ, abs=0.02)
        run.signal(signal.SIGINT)
        assert run.exit_code() == 0


def why_no_sound() -> str:
    """What has to be said on a computer without a sound card, by what else it lacks."""
    command = [sys.executable, "-c", "import sounddevice"]
    said = subprocess.run(command, capture_output=True, text=True, check=False).stderr
    if not said:
        return "there are no output ports|no sound output"
    if "PortAudio library not found" in said:  # sounddevice's own words
        return "PortAudio cannot be loaded: PortAudio library not found .*install it.*render to a file"
    assert "No module named 'sounddevice'" in said
    return r"needs the package sounddevice .*stillbeat\[audio\].*render to a file"


def test_without_a_sound_card_it_says_so_and_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "none-of-this-name")
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    if not sound_problem("output"):
        pytest.skip("this computer has a sound card")
    reason = why_no_sound()
    with DroneRun(dict(os.environ), tmp_path, *TABLE) as run:
        assert run.exit_code() == 4
        assert re.search(reason, run.errors())
        assert "Traceback" not in run.errors()
    folder = str(tmp_path / "demo")
    with DroneRun(dict(os.environ), tmp_path, "-o", folder, command="demo") as demo:
        demo.wait(f"^not played: .*({reason})", 60.0)
        assert demo.exit_code() == 0
    with DroneRun(dict(os.environ), tmp_path, "-o", folder, "--overwrite", "--play", command="demo") as demo:
        assert demo.exit_code(60.0) == 4
        assert re.search(f"not played: .*({reason})", demo.errors())
    assert (tmp_path / "demo" / "just.wav").stat().st_size > 1_000_000


def test_the_demo_plays_a_drone_and_then_the_piece(
    stage: tuple[jack.JackServer, jack.JackTap], tmp_path: Path
) -> None:
    server, tap = stage
    folder = str(tmp_path / "demo")
    with DroneRun({**server.env, "CI": "1"}, tmp_path, "-o", folder, command="demo") as run:
        run.wait("^not played: CI is set", 60.0)
        assert run.exit_code() == 0
    env = {name: value for name, value in server.env.items() if name != "CI"}
    with DroneRun(env, tmp_path, "-o", folder, "--overwrite", command="demo") as run:
        tap.wait_for_port("PortAudio:out_0", limit_s=60.0)
        tap.hear(jack.PORTAUDIO_PORTS)
        tap.start()
        run.wait("^third: G3 B3")
        run.wait("no beats", 30.0)
        run.wait("^playing on", 30.0)  # the piece
        time.sleep(4.0)
        run.signal(signal.SIGINT)
        assert run.exit_code() == 0
        assert "Traceback" not in run.errors()
        with pytest.raises(ChildError):
            run.wait("Traceback", 0.1)
