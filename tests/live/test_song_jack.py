"""A song heard: FluidSynth on a JACK server, and the sound card through PortAudio on the same server, recorded.

FluidSynth sounds whole cents: the nearest is at most half a cent off, and a little more is left to the measurement.
Pure is 5/4 above the reference; equal is four semitones above it.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from support import jack, measure
from support.live import LiveRun, children_of, player_pid, until

from bridge.store.smf import Event, MidiFile, write_midi

pytestmark = pytest.mark.jack

D3_HZ = 146.5
PURE_HZ = D3_HZ * 5 / 4
EQUAL_HZ = D3_HZ * 2 ** (4 / 12)
TABLE = ("--guitar", "open-d", "--reference", "D3=146.5")
QUARTER = 480
BAR = 4 * QUARTER


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


@pytest.fixture
def song(tmp_path: Path) -> Path:
    """Bars of four seconds, each a held D3 (first part) with F#3 (second part)."""
    tracks: list[list[Event]] = []
    for name, status, key in ((b"Low", 0x90, 50), (b"High", 0x91, 54)):
        track: list[Event] = [(0, b"\xff\x51" + (1_000_000).to_bytes(3, "big")), (0, b"\xff\x03" + name)]
        track.append((0, bytes((status + 0x30, 19))))  # a church organ: it holds
        for bar in range(6):
            track += [
                (bar * BAR, bytes((status, key, 90))),
                (bar * BAR + BAR - 24, bytes((status - 16, key, 0))),
            ]
        tracks.append([*track, (6 * BAR, b"\xff\x2f")])
    write_midi(tmp_path / "song.mid", MidiFile(1, QUARTER, tracks))
    return tmp_path / "song.mid"


@pytest.mark.parametrize("method", ["note", "bend"])
def test_equal_and_pure_sound_in_place_on_a_real_synth(
    stage: tuple[jack.JackServer, jack.JackTap], organ_font: Path, song: Path, tmp_path: Path, method: str
) -> None:
    server, tap = stage
    with jack.JackFluidSynth(server, organ_font) as synth:
        tap.listen_to(synth)
        synth_words = ("--out", "synth", "--synth", "fluidsynth", "--method", method)
        with LiveRun(server.env, tmp_path, str(song), *TABLE, *synth_words, "--count-in", "0") as run:
            run.wait(r"^bar 1 of 6: D")
            tap.start()
            run.wait(r"^bar 2 of 6: D")
            time.sleep(2.5)
            run.say("equal")
            run.wait("EQUAL")
            run.wait(r"^bar 3 of 6")
            time.sleep(2.5)
            run.say("back")
            run.wait(r"^bar 2 of 6")
            run.say("equal")
            run.say("mute 2")
            run.wait(r"muted")
            time.sleep(3.0)
            run.signal(signal.SIGINT)
            assert run.exit_code() == 0
            assert run.errors() == ""
            time.sleep(0.6)
            sound = tap.stop_recording()
    # Where bars begin in the recording is known to a fifth of a second: the middle of each is measured.
    struck = [at_s for at_s in _strikes(sound) if at_s > 0.3]  # the second bar, the third, and perhaps more
    second_s = next(at_s for at_s, then_s in pairwise(struck) if abs(then_s - at_s - 4.0) < 0.5)
    for from_s, wanted in ((second_s + 0.8, PURE_HZ), (second_s + 4.8, EQUAL_HZ)):
        low, high = sound.tones_hz([D3_HZ, wanted], from_s, 1.4)
        assert measure.cents(low, D3_HZ) == pytest.approx(0.0, abs=0.6)
        assert measure.cents(high, wanted) == pytest.approx(0.0, abs=0.6)
    assert np.abs(sound.samples[-int(0.3 * sound.rate_hz) :]).max() == 0.0  # silent afterwards


def _strikes(sound: jack.Recording) -> list[float]:
    """Where in a recording the level falls for a moment and rises again: between two bars."""
    hop = int(0.01 * sound.rate_hz)
    mono = sound.samples[:, 0]
    level = np.array([np.sqrt(np.mean(mono[at : at + hop] ** 2)) for at in range(0, len(mono) - hop, hop)])
    quiet = level < 0.25 * np.median(level)
    return [float(at) * 0.01 for at in np.flatnonzero(quiet[:-1] & ~quiet[1:]) + 1]


def test_the_sound_card_plays_it_in_tune_and_is_left_silent(
    stage: tuple[jack.JackServer, jack.JackTap], song: Path, tmp_path: Path
) -> None:
    server, tap = stage
    with LiveRun(server.env, tmp_path, str(song), *TABLE, "--loop", "2-3", "--tempo", "80%") as run:
        tap.wait_for_port("PortAudio:out_0")
        tap.start()
        tap.hear(jack.PORTAUDIO_PORTS)
        run.wait(r"^counting in: [1-4]   loop 2-3   tempo 80%")
        run.wait(r"^bar 2 of 6   loop 2-3   tempo 80%: D")
        time.sleep(3.2)
        run.say("pause")
        run.wait("PAUSED")
        time.sleep(1.5)
        sound = tap.stop_recording()
        run.signal(signal.SIGINT)
        assert run.exit_code() == 0
        assert run.errors() == ""
    ends_s = len(sound.samples) / sound.rate_hz
    loud = np.abs(sound.window(ends_s - 4.0, 1.5)).max()
    low, high = sound.tones_hz([D3_HZ, PURE_HZ], ends_s - 4.0, 1.6)
    assert measure.cents(low, D3_HZ) == pytest.approx(0.0, abs=0.05)
    assert measure.cents(high, PURE_HZ) == pytest.approx(0.0, abs=0.05)
    assert np.abs(sound.samples[-int(0.3 * sound.rate_hz) :]).max() < 0.01 * loud  # it waits in silence


def test_a_keyboard_and_feet_play_beside_it_on_the_sound_card(
    stage: tuple[jack.JackServer, jack.JackTap], song: Path, tmp_path: Path
) -> None:
    """The keyboard is a MIDI port of the same JACK server that PortAudio plays on: not in one process."""
    server, tap = stage
    words = ("--in", "tap", "--count-in", "0", "--foot", "66=pause", "--foot", "67=bar-back")
    with LiveRun(server.env, tmp_path, str(song), *TABLE, *words) as run:
        run.wait(r"^what you play is heard \d+ ms later on the sound card")
        tap.wait_for_port("PortAudio:out_0")
        tap.hear(jack.PORTAUDIO_PORTS)
        run.wait("^bar 2 of 6")
        tap.send(bytes((0xB0, 66, 127)), bytes((0xB0, 66, 0)))
        run.wait("PAUSED")
        tap.send(bytes((0xC0, 19)), bytes((0x90, 66, 90)))
        time.sleep(1.0)
        sound = tap.record(2.5)
        high = measure.tone_hz(sound.clean(1.0), sound.rate_hz, 2 * PURE_HZ)
        assert measure.cents(high, 2 * PURE_HZ) == pytest.approx(0.0, abs=0.05)
        tap.send(bytes((0xB0, 67, 127)), bytes((0xB0, 67, 0)))
        run.wait(r"^bar \d of 6")
        (child,) = children_of(player_pid(run))
        tap.start()
        time.sleep(0.3)
        run.signal(signal.SIGHUP)  # while the key is held
        assert run.exit_code() == 0
        assert run.errors() == ""
        until(lambda: not os.path.exists(f"/proc/{child}"), 5.0)
        time.sleep(0.2)
        end = tap.stop_recording().samples
    assert np.abs(end[: int(0.2 * sound.rate_hz)]).max() > 1e-3
    assert not end[-int(0.1 * sound.rate_hz) :].any()
    assert np.abs(np.diff(end, axis=0)).max() < 0.05  # it faded: no click
