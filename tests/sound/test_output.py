"""Live sound through a sound card: a stand-in for PortAudio, and the real one on a JACK server without hardware."""

from __future__ import annotations

import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from support import measure, needs
from support.children import Child
from support.jack import PORTAUDIO_PORTS, JackServer, JackTap

from bridge.errors import PortProblem
from bridge.sound.device import outputs
from bridge.sound.device.output import LiveSound
from bridge.sound.device.sample_player import SamplePlayer

ORGAN_A3 = b"\xc0\x13\x90\x39\x64"


class PortAudioError(Exception):
    """As sounddevice's."""


class StandInStream:
    """A stream whose sound card asks for sound when the test says so."""

    latency = 0.003

    def __init__(self, library: StandIn, **settings: Any) -> None:
        if library.refuses:
            raise PortAudioError(library.refuses)
        self.settings = settings
        self.calls: list[str] = []
        self.asks = True
        library.streams.append(self)

    def start(self) -> None:
        self.calls.append("start")

    def ask(self, frames: int, underflow: bool = False) -> np.ndarray[Any, Any]:
        out = np.full((frames, self.settings["channels"]), np.nan, dtype=np.float32)
        self.settings["callback"](out, frames, None, SimpleNamespace(output_underflow=underflow))
        return out

    def abort(self) -> None:
        self.calls.append("abort")

    def close(self) -> None:
        self.calls.append("close")


class StandIn:
    """What of sounddevice is used."""

    PortAudioError = PortAudioError

    def __init__(self) -> None:
        self.names: list[tuple[str, int, int]] = [
            ("Built-in speakers", 0, 2),
            ("Line out", 0, 8),
            ("Line out", 1, 8),
        ]
        self.systems = ["Kernel", "Server"]
        self.default = SimpleNamespace(device=[-1, 1])
        self.streams: list[StandInStream] = []
        self.refuses = ""
        self.scans = 0
        self._initialized = 1
        self.ending: Callable[[], object] = lambda: None
        self.found_by_rescan: list[tuple[str, int, int]] = []

    def query_hostapis(self) -> tuple[dict[str, Any], ...]:
        return tuple({"name": name, "default_output_device": -1} for name in self.systems)

    def query_devices(self) -> list[dict[str, Any]]:
        microphone = {"name": "Mic", "hostapi": 0, "max_output_channels": 0, "default_samplerate": 44100.0}
        return [
            {"name": name, "hostapi": system, "max_output_channels": channels, "default_samplerate": 48000.0}
            for name, system, channels in self.names
        ] + [microphone]

    def _terminate(self) -> None:
        self.ending()
        self._initialized -= 1
        self.scans += 1

    def _initialize(self) -> None:
        self._initialized += 1
        self.names = self.names or self.found_by_rescan

    def _exit_handler(self) -> None:
        raise AssertionError("asked PortAudio to end")

    def OutputStream(self, **settings: Any) -> StandInStream:
        return StandInStream(self, **settings)


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch) -> Iterator[StandIn]:
    stand_in = StandIn()
    monkeypatch.setitem(sys.modules, "sounddevice", stand_in)
    yield stand_in
    outputs._dead.clear()


def test_outputs_are_found_by_part_of_their_name_and_microphones_are_none(library: StandIn) -> None:
    assert [output.name for output in outputs.sound_outputs()] == [
        "Built-in speakers",
        "Line out",
        "Line out",
    ]
    assert outputs.pick_output("SPEAK").index == 0
    assert outputs.pick_output().index == 1  # the default
    library.default.device = [-1, -1]
    assert outputs.pick_output().index == 0
    assert outputs.pick_output("line out").system == "Kernel"  # the same name in two systems: the first


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("i", r"several sound outputs are called 'i': Built-in speakers \(Kernel\), Line out \(Kernel\)"),
        ("Line oat", "there is no sound output 'Line oat'"),
    ],
)
def test_a_name_that_fits_none_or_several_is_answered_with_what_there_is(
    library: StandIn, name: str, message: str
) -> None:
    with pytest.raises(PortProblem, match=message):
        outputs.pick_output(name)


def test_a_computer_without_outputs_is_looked_at_twice(library: StandIn) -> None:
    library.names = []
    with pytest.raises(PortProblem, match=r"no sound output on this computer .*render to a file"):
        outputs.pick_output()
    assert library.scans == 1
    library.found_by_rescan = [("Headphones", 0, 2)]
    assert outputs.pick_output().name == "Headphones"


def test_without_sounddevice_the_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(PortProblem, match=r"pip install 'stillbeat\[audio\]'"):
        LiveSound()


def test_without_portaudio_the_library_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    class Finder:
        def find_spec(self, name: str, path: object, target: object = None) -> None:
            if name == "sounddevice":
                raise OSError("PortAudio library not found")

    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(sys, "meta_path", [Finder(), *sys.meta_path])
    with pytest.raises(PortProblem, match=r"PortAudio library not found \(install it"):
        LiveSound()


def test_the_sound_card_gets_sound_and_closing_fades_out(library: StandIn) -> None:
    sound = LiveSound("speakers", swell_s=0.0)
    assert not sound.running
    with sound:
        (stream,) = library.streams
        assert stream.settings["samplerate"] == 48_000
        assert stream.settings["device"] == 0
        sound.send(ORGAN_A3)
        stream.ask(4800)
        assert np.isfinite(stream.ask(4800)).all()
        assert stream.ask(4800).any()
        assert sound.stalled_s < 5
        assert stream.ask(64, underflow=True).any()
        sound._called -= 10  # a sound card that is gone is not waited for
    assert stream.calls == ["start", "abort", "close"]
    assert not sound.running
    assert sound.stalled_s == 0.0
    with sound:  # opened again, nothing of before sounds
        again = library.streams[1]
        again.ask(4800)
        assert np.abs(again.ask(4800)).max() < 2**-24  # the last place of a sample of 24 bits
        sound._called -= 10


def test_an_output_that_is_taken_says_so(library: StandIn) -> None:
    library.refuses = "Device unavailable"
    with pytest.raises(PortProblem, match="Built-in speakers cannot be opened: Device unavailable"):
        LiveSound("speakers").start()
    library.refuses = ""
    with LiveSound("speakers") as sound:
        sound._called -= 10


def test_a_sound_system_that_hangs_is_given_up(library: StandIn, monkeypatch: pytest.MonkeyPatch) -> None:
    held = threading.Event()
    monkeypatch.setattr("bridge.sound.device.output.CLOSE_S", 0.05)
    sound = LiveSound("speakers").start()
    library.streams[0].abort = held.wait  # type: ignore[method-assign,assignment]
    sound._called -= 10
    sound.close()
    with pytest.raises(PortProblem, match="stopped answering"):
        LiveSound("speakers")
    held.set()


def test_leaving_takes_leave_of_portaudio_and_coming_back_wakes_it(library: StandIn) -> None:
    sound = LiveSound("speakers").start()
    assert sound.delay_s() == pytest.approx(0.003), "nothing was asked for yet: what the sound card holds"
    library.streams[0].ask(480)  # of 48000 a second
    assert sound.delay_s() == pytest.approx(0.013)
    sound._called -= 10
    sound.close()
    outputs.end_portaudio(10.0)
    assert library.streams[0].calls[-1] == "close"
    assert library._initialized == 0
    assert [one.name for one in outputs.sound_outputs()][1:] == ["Line out", "Line out"]
    assert library._initialized == 1


def test_a_sound_system_that_hangs_as_we_leave_is_given_up(library: StandIn) -> None:
    held = threading.Event()
    library.ending = held.wait
    outputs.end_portaudio(0.05)
    with pytest.raises(PortProblem, match="stopped answering"):
        LiveSound("speakers")
    outputs.end_portaudio(10.0)  # not asked again
    assert library.scans == 0
    held.set()


# -- the real PortAudio, in a process of its own ----------------------------------------------------------------

_PLAYER = """
import sys
from bridge.sound.device.output import LiveSound
from bridge.sound.device.sample_player import SamplePlayer
with LiveSound("system", swell_s=float(sys.argv[1]), ceiling=0.4) as sound:
    print("ready", sound.sample_rate, flush=True)
    for line in sys.stdin:
        word = line.strip()
        if word == "status":
            print(sound.failure, sound.running, sound.stalled_s > 1.0, flush=True)
        elif word == "panic":
            sound.panic()
        elif word == "close":
            break
        else:
            sound.send(bytes.fromhex(word))
print("closed", flush=True)
"""


@pytest.fixture
def server() -> Iterator[JackServer]:
    needs.portaudio()
    with JackServer(frames=256, portaudio=True) as server:
        yield server


@pytest.fixture
def player(server: JackServer) -> Iterator[Callable[[float], Child]]:
    children: list[Child] = []
    with tempfile.TemporaryFile() as log:

        def start(swell_s: float) -> Child:
            child = Child([sys.executable, "-c", _PLAYER, str(swell_s)], server.env, log=log)
            children.append(child)
            log.seek(0)
            assert child.line(30) == f"ready {server.rate_hz}"
            return child

        yield start
        for child in children:
            child.end()


@pytest.mark.jack
def test_a_drone_through_a_real_sound_server_is_in_tune_and_capped(
    server: JackServer, player: Callable[[float], Child]
) -> None:
    with JackTap(server) as tap:
        child = player(0.3)
        tap.hear(PORTAUDIO_PORTS)
        just = bytes.fromhex("F0 7F 7F 08 02 00 01 42 41 6E 29 F7")
        child.say((just + b"\xc0\x13\x90\x3e\x64\x90\x42\x64").hex())
        recording = tap.record(4.0)
        child.say("status")
        assert child.line(10) == "None True False"
        assert float(np.max(np.abs(recording.samples))) <= 0.4
        steady = recording.clean(2.0, after_s=1.0)
        root, third = 440 * 2 ** ((62 - 69) / 12), 440 * 2 ** ((0x41 + (0x6E << 7 | 0x29) / 16384 - 69) / 12)
        found = measure.tones_hz(steady, recording.rate_hz, [root, third])
        assert abs(measure.cents(found[0], root)) < 0.001
        assert abs(measure.cents(found[1], third)) < 0.001
        tap.start()
        child.say("close")
        assert child.line(10) == "closed"
        ending = tap.stop_recording().samples
        assert float(np.max(np.abs(np.diff(ending, axis=0)))) < 0.1
        assert not ending[-64:].any()
        assert child.exit_code(10) == 0


@pytest.mark.jack
def test_a_sound_server_that_dies_is_noticed_and_does_not_hold_the_program(
    server: JackServer, player: Callable[[float], Child]
) -> None:
    child = player(0.0)
    child.say(ORGAN_A3.hex())
    server.kill()
    while True:
        child.say("status")
        failure, running, stalled = child.line(10).split()
        assert (failure, running) == ("None", "True")
        if stalled == "True":
            break
    child.say("close")
    assert child.line(10) == "closed"
    assert child.exit_code(10) == 0
    server.start()  # a server that was killed leaves its place taken until one of the same name ends properly


def test_sounds_that_are_ready_come_out_to_the_sample_and_are_cut_without_a_click(library: StandIn) -> None:
    with SamplePlayer(swell_s=0.0) as player:
        (stream,) = library.streams
        stream.ask(256)
        stream.ask(256)
        line = 0.3 * np.sin(np.arange(1000) / 7)
        playing = player.play(line)
        out = np.concatenate([stream.ask(300) for _ in range(4)])
        assert np.allclose(out[:1000, 0], line, atol=1e-6)
        assert np.array_equal(out[:, 0], out[:, 1])
        assert not out[1000:].any()
        assert playing.over.is_set()

        playing = player.play(np.full(48000, 0.3))
        assert np.allclose(stream.ask(480)[:, 0], 0.3, atol=1e-6)
        player.cut()
        out = np.concatenate([stream.ask(96)[:, 0] for _ in range(20)])
        assert playing.over.is_set()
        assert np.all(np.diff(out) <= 0)
        assert np.min(np.diff(out)) > -0.3 / (0.03 * 48000) * 1.05
        assert not out[1441:].any()
        assert player.failure is None
        threading.Thread(target=lambda: [stream.ask(4800) for _ in range(20)]).start()


def test_a_prepared_sound_and_the_tone_generator_sound_together(library: StandIn) -> None:
    with SamplePlayer(swell_s=0.0) as player:
        (stream,) = library.streams
        stream.ask(256)
        player.send(ORGAN_A3)
        alone = np.concatenate([stream.ask(480)[:, 0] for _ in range(100)])
        player.play(np.full(4800, 0.1))
        both = np.concatenate([stream.ask(480)[:, 0] for _ in range(10)])
        assert np.sqrt(np.mean(alone[-4800:] ** 2)) > 0.02
        assert np.mean(both) == pytest.approx(0.1, abs=0.01)
        threading.Thread(target=lambda: [stream.ask(4800) for _ in range(20)]).start()
