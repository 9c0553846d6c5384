"""The JACK server of the tests: FluidSynth plays on it, a tap hears it, and both survive its death."""

from __future__ import annotations

import os
import time
from pathlib import Path

import numpy as np
import pytest
from support import jack, measure
from support.children import ChildError

pytestmark = pytest.mark.jack

NOTE_ON = b"\x90\x45\x64"
NOTE_OFF = b"\x80\x45\x00"


def test_a_note_of_fluidsynth_is_recorded_at_its_pitch(jack_server: jack.JackServer, sine_font: Path) -> None:
    with jack.JackFluidSynth(jack_server, sine_font) as synth, jack.JackTap(jack_server) as tap:
        tap.listen_to(synth)
        tap.send(NOTE_ON)
        sound = tap.record(2.5)
        heard_hz = measure.tone_hz(sound.clean(2.0, after_s=0.2), sound.rate_hz, 440.0)
        assert abs(measure.cents(heard_hz, 440.0)) < 0.01

        tap.send(NOTE_OFF)
        assert tap.record(0.5).peak(0.3, 0.2) < 1e-6

        synth.command("noteon 0 57 100")
        sound = tap.record(1.5)
        assert abs(measure.cents(sound.tone_hz(220.0, 0.3, 1.0), 220.0)) < 0.01

        synth.command("tuning still 0 0")
        synth.command("tune 0 0 69 6925.5")
        assert synth.stored_table()[68:71].tolist() == [6800.0, 6925.5, 7000.0]
        with pytest.raises(ChildError, match="no tuning in bank 0, program 9"):
            synth.stored_table(program=9)


def test_midi_is_played_and_recorded_in_order(jack_server: jack.JackServer) -> None:
    messages = [NOTE_ON, b"\xf0" + bytes(range(100)) + b"\xf7", b"\xe0\x00\x40", NOTE_OFF]
    with jack.JackTap(jack_server, name="from") as source, jack.JackTap(jack_server, name="to") as tap:
        tap.connect(source.midi_out, tap.midi_in)
        tap.start()
        source.send(*messages)
        source.send(NOTE_ON)
        received = tap.stop_recording().midi
    assert [message for _, message in received][:4] == messages
    assert all(time_s >= 0.0 for time_s, _ in received)


def test_two_servers_run_side_by_side_and_the_environment_names_one(jack_server: jack.JackServer) -> None:
    assert os.environ["JACK_DEFAULT_SERVER"] == jack_server.name
    assert os.environ["JACK_NO_START_SERVER"] == "1"
    with jack.JackServer(frames=256) as other, jack.JackTap(other) as tap, jack.JackTap(jack_server) as here:
        assert other.name != jack_server.name
        assert tap.midi_in in tap.ports()
        assert here.midi_in != tap.midi_in
        with pytest.raises(ChildError, match="no such port within"):
            here.wait_for_port("tap2:midi_in", limit_s=0.1)


def test_a_dead_server_is_noticed_and_a_new_one_takes_its_place(sine_font: Path) -> None:
    server = jack.JackServer()
    began = time.monotonic()
    try:
        for _ in range(3):
            server.start()
            with jack.JackTap(server) as tap, jack.JackFluidSynth(server, sine_font) as synth:
                tap.listen_to(synth)
                tap.send(NOTE_ON)
                assert tap.record(0.3).peak(0.1, 0.2) > 0.01
                server.kill()
                assert not server.alive
                with pytest.raises(ChildError, match=r"server went away|process ended"):
                    tap.record(1.0)
    finally:
        server.stop()
    assert time.monotonic() - began < 60.0


def test_servers_can_be_killed_more_often_than_the_register_has_places() -> None:
    # JACK's register holds eight servers for the whole machine, and a killed one stays in it.
    for _ in range(9):
        server = jack.JackServer()
        try:
            server.start()
            server.kill()
        finally:
            server.stop()
    with jack.JackServer() as server, jack.JackTap(server) as tap:
        assert tap.ports()


def test_what_cannot_start_says_why(jack_server: jack.JackServer) -> None:
    with pytest.raises(ChildError, match="runs already"):
        jack_server.start()
    never_started = jack.JackServer()
    try:
        with pytest.raises(ChildError, match="the tap did not start"), jack.JackTap(never_started):
            pass
    finally:
        never_started.stop()


def test_a_stretch_without_dropouts_is_found() -> None:
    samples = np.arange(10_000.0).reshape(-1, 1).repeat(2, axis=1)
    recording = jack.Recording(samples, 1000, dropouts_s=(1.0, 2.5, 6.0))
    assert recording.clean(3.0)[0] == 2520.0
    assert recording.clean(0.5)[0] == 0.0
    with pytest.raises(ChildError, match=r"no 5\.0 s without a dropout: 3 in 10\.00 s"):
        recording.clean(5.0)
