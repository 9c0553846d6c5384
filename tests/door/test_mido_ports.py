"""mido ports through the door, on a real JACK server: what a recorder and FluidSynth get, and how mido ports behave.

What the recorder got is read by a synth on paper (`support.obedient`), written from the MIDI Tuning standard. Expected
frequencies are worked out here from ratios: open D with its D3 at 146.5 Hz, five-limit. FluidSynth 2.3.1 sounds whole
cents, rounded down, so a pitch may lie up to a cent below the table.

How a port has to behave is mido's own documentation ("Ports", "Writing a new port or backend") and `mido.ports`
1.3.3: sending on a closed port raises ValueError, a port that cannot be opened OSError, closing twice is nothing,
``with`` closes, iteration ends when the port is closed.
"""

from __future__ import annotations

import logging
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import mido
import pytest
from support import jack, measure
from support.live import until
from support.obedient import ObedientSynth

import bridge
from bridge import errors, mido_backend

pytestmark = pytest.mark.jack

D3 = 146.5
WORDS: dict[str, Any] = {"guitar": "open-d", "reference": "D3=146.5"}
NEAREST_CENTS = 0.55
"""FluidSynth sounds whole cents; what it is sent is placed so that the nearest one sounds."""
CHORD = {50: D3, 54: D3 * 5 / 4, 57: D3 * 3 / 2, 62: D3 * 2}
EVERY = ("note", "octave", "dump", "bend", "mpe")


class Stage:
    """A server that loses nothing, a recorder that is the synth, and a real synth beside it."""

    def __init__(self, server: jack.JackServer, tap: jack.JackTap, synth: jack.JackFluidSynth) -> None:
        self.server, self.tap, self.synth = server, tap, synth

    def sent(self) -> list[bytes]:
        """What the recorder has got."""
        return [data for _, data in self.tap.heard()]

    def wait_for(self, *wanted: bytes) -> list[bytes]:
        """Wait until the recorder has got messages; return all that it has got."""
        until(lambda: set(wanted) <= set(self.sent()), what=f"never got {[data.hex() for data in wanted]}")
        return self.sent()

    def after(self, port: Any) -> list[bytes]:
        """Return all that the recorder got up to a message that goes straight through."""
        mark = bytes((0xF3, 0x55))  # a song select, which nothing retunes
        port.send(mido.Message("song_select", song=0x55))
        return self.wait_for(mark)


@pytest.fixture(scope="module")
def stage(sine_font: Path) -> Iterator[Stage]:
    with (
        jack.JackServer() as server,
        jack.JackTap(server) as tap,
        jack.JackFluidSynth(server, sine_font) as synth,
        pytest.MonkeyPatch.context() as patch,
    ):
        for name in ("JACK_DEFAULT_SERVER", "JACK_NO_START_SERVER", "STILLBEAT_NAME"):
            patch.setenv(name, server.env[name])
        tap.hear(synth.sound_ports)
        yield Stage(server, tap, synth)


@pytest.fixture
def backend(monkeypatch: pytest.MonkeyPatch) -> mido.Backend:
    monkeypatch.delenv("STILLBEAT_PLAY", raising=False)
    return mido.Backend("bridge.mido_backend")


def on(key: int, channel: int = 0) -> mido.Message:
    return mido.Message("note_on", note=key, velocity=90, channel=channel)


def off(key: int, channel: int = 0) -> mido.Message:
    return mido.Message("note_off", note=key, channel=channel)


def pitches(sent: list[bytes]) -> tuple[dict[int, float], ObedientSynth, set[tuple[int, int]]]:
    """Return the pitch of each strike in Hz, numbered in order, the synth on paper, and what still sounds."""
    synth, struck, sounding = ObedientSynth(), {}, set()
    for data in sent:
        synth.feed(data)
        kind, channel = data[0] & 0xF0, data[0] & 0x0F
        if kind == 0x90 and data[2]:
            struck[len(struck)] = 440.0 * 2 ** ((synth.pitch(channel, data[1]) - 69) / 12)
            sounding.add((channel, data[1]))
        elif kind == 0x80 or (kind == 0x90 and not data[2]):
            sounding.discard((channel, data[1]))
        elif kind == 0xB0 and data[1] in (120, 123):
            sounding = {note for note in sounding if note[0] != channel}
    return struck, synth, sounding


def in_tune(struck: dict[int, float], wanted: list[float], limit_cents: float) -> bool:
    """Whether pitches are those wanted; a synth without a profile is sent them at the method's own resolution."""
    return len(struck) == len(wanted) and all(
        abs(measure.cents(hz, want)) <= limit_cents for hz, want in zip(struck.values(), wanted, strict=True)
    )


# ---- what is sent


@pytest.mark.parametrize("method", EVERY)
def test_what_is_sent_is_in_tune_and_the_end_leaves_silence_and_the_synth_as_it_was(
    stage: Stage, backend: mido.Backend, method: str
) -> None:
    stage.tap.start()
    with backend.open_output("tap", method=method, **WORDS) as port:
        assert port.name == stage.tap.midi_in
        for key in CHORD:
            port.send(on(key))
        struck, _, sounding = pitches(stage.after(port))
        assert in_tune(struck, list(CHORD.values()), 0.05), struck
        assert len(sounding) == 4
    assert port.closed
    until(lambda: not pitches(stage.sent())[2], what="a note still sounds")
    sent = stage.sent()
    synth = pitches(sent)[1]
    ends = [data for data in sent if data[0] & 0xF0 == 0x80]
    assert ends[4:] == sorted(ends[:4]), "each strike has its own end, said twice"
    off_cents = [100 * (synth.pitch(channel, key) - key) for channel in range(16) for key in range(36, 96)]
    assert max(map(abs, off_cents)) < 0.01, "equal temperament again"


@pytest.mark.parametrize("method", EVERY)
@pytest.mark.parametrize("way", ["panic", "reset"])
def test_panic_and_reset_leave_silence_and_what_comes_next_is_in_tune(
    stage: Stage, backend: mido.Backend, method: str, way: str
) -> None:
    stage.tap.start()
    with backend.open_output("tap", method=method, **WORDS) as port:
        port.send(mido.Message("control_change", control=64, value=127))
        for key in CHORD:
            port.send(on(key))
        for key in CHORD:
            port.send(off(key))  # the pedal holds them
        port.send(mido.Message("pitchwheel", pitch=3000))
        getattr(port, way)()
        before = stage.after(port)
        assert not pitches(before)[2]
        pedals = {}
        for data in before:
            if data[0] & 0xF0 == 0xB0 and data[1] in (64, 121):  # 121 lifts pedals too (RP-015)
                pedals[data[0] & 0x0F] = data[2] if data[1] == 64 else 0
        assert not any(pedals.values()), "a pedal is still down"
        if way == "panic":
            port.send(mido.Message("pitchwheel", pitch=0))
        port.send(on(54))
        port.send(mido.Message("song_select", song=1))
        struck = pitches(stage.wait_for(bytes((0xF3, 1))))[0]
        assert abs(measure.cents(struck[4], CHORD[54])) < 0.05


@pytest.mark.parametrize("method", ["note", "octave", "bend"])
def test_fluidsynth_sounds_the_table_then_another_then_nothing(stage: Stage, method: str) -> None:
    def heard(wanted: dict[int, float]) -> list[float]:
        sound = stage.tap.record(0.9)
        window = sound.clean(0.5, after_s=0.25)
        hz = measure.tones_hz(window, sound.rate_hz, list(wanted.values()))
        return [measure.cents(one, want) for one, want in zip(hz, wanted.values(), strict=True)]

    with bridge.open_output("synth", method=method, synth="fluidsynth", **WORDS) as port:
        for key in CHORD:
            port.send(on(key))
        cents = heard(CHORD)
        assert all(abs(one) <= NEAREST_CENTS for one in cents), cents
        for key in CHORD:
            port.send(off(key))
        port.change(tonic="A")
        port.send(on(59))
        wanted = {59: D3 * 3 / 2 * 9 / 8}  # a second above A: 27/16 of D, a comma above D's own 5/3
        cents = heard(wanted)
        assert abs(cents[0]) <= NEAREST_CENTS, cents
    assert stage.tap.record(0.4).peak(0.25, 0.15) < 1e-6


def test_everything_else_passes_through_in_order(stage: Stage, backend: mido.Backend) -> None:
    messages = [
        mido.Message("program_change", channel=15, program=3),  # no control channel here
        mido.Message("control_change", channel=2, control=7, value=99),
        mido.Message("sysex", data=(0x7D, 1, 2, 3)),
        mido.Message("clock"),
        mido.Message("songpos", pos=77),
        on(40, 9),  # a drum
        off(40, 9),
    ]
    stage.tap.start()
    with backend.open_output("tap", method="note", **WORDS) as port:
        for message in messages:
            port.send(message)
        sent = stage.after(port)
    wanted = [bytes(message.bin()) for message in messages]
    assert [data for data in sent if data in wanted] == wanted


def test_a_message_that_ports_do_not_carry_is_refused(stage: Stage, backend: mido.Backend) -> None:
    with backend.open_output("tap", **WORDS) as port:
        with pytest.raises(OSError, match="15000"):
            port.send(mido.Message("sysex", data=[0] * 20_000))
        port.send(on(50))  # and the port goes on


def test_many_threads_may_send_at_once(stage: Stage, backend: mido.Backend) -> None:
    stage.tap.start()
    with backend.open_output("tap", method="bend", **WORDS) as port:

        def play(part: int) -> None:
            for turn in range(20):
                for message in (on(40 + 12 * part + turn % 12), off(40 + 12 * part + turn % 12)):
                    port.send(message)

        threads = [threading.Thread(target=play, args=(part,)) for part in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        struck, _, sounding = pitches(stage.after(port))
    assert len(struck) == 80
    assert not sounding


@pytest.mark.parametrize("method", EVERY)
def test_closing_in_a_flood_leaves_nothing_hanging(stage: Stage, backend: mido.Backend, method: str) -> None:
    stage.tap.start()
    port = backend.open_output("tap", method=method, **WORDS)
    refused: list[str] = []

    def flood(part: int) -> None:
        try:
            while True:
                for key in range(40, 80):
                    port.send(on(key, part))
                    if key % 3:
                        port.send(off(key, part))
        except Exception as error:
            refused.append(f"{type(error).__name__}: {error}")

    threads = [threading.Thread(target=flood, args=(part,)) for part in range(3)]
    for thread in threads:
        thread.start()
    until(lambda: len(pitches(stage.sent())[0]) > 100)
    port.close()
    for thread in threads:
        thread.join()
    assert refused == ["ValueError: send() called on closed port"] * 3
    until(lambda: not pitches(stage.sent())[2], what="a note still sounds")


# ---- how it behaves as a port


@pytest.fixture
def port(stage: Stage, backend: mido.Backend) -> Iterator[Any]:
    with backend.open_output("tap", autoreset=True, **WORDS) as port:
        yield port


def test_an_output_is_a_mido_port(stage: Stage, port: Any) -> None:
    assert isinstance(port, mido.ports.BaseOutput)
    assert (port.is_input, port.is_output, port.closed) == (False, True, False)
    assert repr(port) == f"<open output {stage.tap.midi_in!r} (Stillbeat/bend)>"
    with pytest.raises(TypeError):
        port.send("note_on")
    port.close()
    port.close()
    assert port.closed
    for refused in (lambda: port.send(on(50)), lambda: port.change(tonic="A")):
        with pytest.raises(ValueError, match="closed port"):
            refused()
    assert port.panic() is None
    assert port.reset() is None


def test_a_port_that_is_not_there_is_an_oserror_and_says_what_there_is(
    stage: Stage, backend: mido.Backend
) -> None:
    with pytest.raises(OSError, match="no output port 'nowhere'"):
        backend.open_output("nowhere", **WORDS)
    with pytest.raises(errors.PortProblem, match="no input port 'nowhere'"):
        backend.open_input("nowhere")
    threads = [thread.name for thread in threading.enumerate()]
    assert "stillbeat" not in threads, "nothing is left behind"


def test_without_a_guitar_it_says_what_to_write(stage: Stage, backend: mido.Backend) -> None:
    with pytest.raises(errors.ValueProblem, match=r"guitar='open-d'.*STILLBEAT_PLAY='--guitar open-d"):
        backend.open_output("tap")
    with pytest.raises(errors.ValueProblem, match="did you mean guitar"):
        backend.open_output("tap", guitr="open-d")


def test_the_words_may_stand_in_the_environment(
    stage: Stage, backend: mido.Backend, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STILLBEAT_PLAY", "--guitar open-d --reference 'D3=146.5' --method note")
    stage.tap.start()
    with backend.open_output("tap") as port:
        port.send(on(54))
        assert in_tune(pitches(stage.after(port))[0], [CHORD[54]], 0.05)
        port.change(tonic="A")
        port.send(on(59))
        port.send(mido.Message("song_select", song=1))
        struck = pitches(stage.wait_for(bytes((0xF3, 1))))[0]
        assert abs(measure.cents(struck[1], D3 * 27 / 16)) < 0.05
    stage.tap.start()
    with backend.open_output("tap", tonic="A", reference="A3=220", method="note") as port:  # keywords win
        port.send(on(57))
        assert in_tune(pitches(stage.after(port))[0], [220.0], 0.05)
    monkeypatch.setenv("STILLBEAT_PLAY", "--guitar open-d --in keys")
    with pytest.raises(errors.ValueProblem, match="STILLBEAT_PLAY: --in has no place here"):
        backend.open_output("tap")
    monkeypatch.setenv("STILLBEAT_PLAY", "--guitar 'open-d")
    with pytest.raises(errors.ValueProblem, match="quotation mark"):
        backend.open_output("tap")


def test_a_table_that_cannot_be_changed_to_leaves_the_old_one(stage: Stage, backend: mido.Backend) -> None:
    stage.tap.start()
    with backend.open_output("tap", method="octave", **WORDS) as port:
        with pytest.raises(errors.StillbeatError):
            port.change(pin="F#3=190")  # one octave alone: no octave message holds that
        with pytest.raises(errors.ValueProblem, match="stay as they are"):
            port.change(synth="fluidsynth")
        port.send(on(54))
        assert in_tune(pitches(stage.after(port))[0], [CHORD[54]], 0.05)


def test_ports_are_listed(stage: Stage, backend: mido.Backend) -> None:
    assert stage.tap.midi_in in backend.get_output_names()
    assert stage.synth.midi_port in backend.get_output_names()
    assert stage.tap.midi_out in backend.get_input_names()
    assert backend.get_ioport_names() == []
    assert "jack" in mido_backend.get_api_names()
    of_jack = mido.Backend("bridge.mido_backend/UNIX_JACK")
    assert stage.tap.midi_in in of_jack.get_output_names()
    with of_jack.open_output("tap", **WORDS) as port:
        assert port.name == stage.tap.midi_in
    with pytest.raises(OSError, match="no MIDI system 'nothing'"):
        mido.Backend("bridge.mido_backend/nothing").get_output_names()


def test_a_port_of_our_own(stage: Stage, backend: mido.Backend) -> None:
    with backend.open_output("pure", virtual=True, method="note", **WORDS) as port:
        assert port.name == f"{stage.server.client('stillbeat')} synth:synth"
        stage.tap.start()
        stage.tap.connect(port.name, stage.tap.midi_in)
        port.send(on(54))
        assert in_tune(pitches(stage.after(port))[0], [CHORD[54]], 0.05), (
            "the table comes before the first note"
        )


# ---- inputs


def test_an_input_passes_through(stage: Stage, backend: mido.Backend) -> None:
    with backend.open_input("tap", **WORDS) as port:
        assert port.name == stage.tap.midi_out
        assert port.poll() is None
        stage.tap.send(b"\x90\x36\x5a", b"\xfe", b"\xf0\x7d\x01\xf7", b"\xc0\x05")
        assert [port.receive() for _ in range(3)] == [
            on(54),
            mido.Message("sysex", data=(0x7D, 1)),
            mido.Message("program_change", program=5),
        ]
        assert list(port.iter_pending()) == []
        heard: list[mido.Message] = []
        came = threading.Event()
        stage.tap.send(b"\x90\x37\x5a")
        until(lambda: not port._queue.empty())
        port.callback = lambda message: (heard.append(message), came.set())
        assert heard == [on(55)], "what waited already is handed over"
        came.clear()
        stage.tap.send(b"\x90\x38\x5a")
        assert came.wait(5)
        assert heard[-1] == on(56)
        with pytest.raises(ValueError, match="callback"):
            port.receive()
        port.callback = None
        stage.tap.send(b"\x90\x39\x5a")
        assert port.receive() == on(57)


def test_closing_an_input_ends_iteration_and_waiting(stage: Stage, backend: mido.Backend) -> None:
    port = backend.open_input("tap")
    got: list[mido.Message] = []
    ended = threading.Event()

    def listen() -> None:
        for message in port:
            got.append(message)
        ended.set()

    thread = threading.Thread(target=listen)
    thread.start()
    stage.tap.send(b"\x90\x36\x5a")
    until(lambda: got)
    port.close()
    thread.join(5)
    assert ended.is_set()
    assert got == [on(54)]
    assert port.poll() is None
    assert list(port) == []
    with pytest.raises(ValueError, match="closed port"):
        port.receive()


def test_input_and_output_in_one(stage: Stage, backend: mido.Backend) -> None:
    stage.tap.start()
    with backend.open_input("tap") as keys, backend.open_output("tap", method="bend", **WORDS) as synth:
        both = mido.ports.IOPort(keys, synth)
        stage.tap.send(b"\x90\x36\x5a")
        both.send(both.receive())
        assert in_tune(pitches(stage.after(both))[0], [CHORD[54]], 0.05)
        both.close()
        assert synth.closed


# ---- programs that know nothing of this


PROGRAM = """
import sys, mido
port = mido.open_output("tap")
port.send(mido.Message("note_on", note=54, velocity=90))
print("sent", flush=True)
{end}
"""


def _program(server: jack.JackServer, tmp_path: Path, end: str) -> subprocess.Popen[str]:
    env = {
        **server.env,
        "MIDO_BACKEND": "bridge.mido_backend",
        "STILLBEAT_PLAY": "--guitar open-d --reference D3=146.5 --method note",
        "XDG_STATE_HOME": str(tmp_path),
        "PYTHONPATH": os.pathsep.join(sys.path),
    }
    return subprocess.Popen(
        [sys.executable, "-c", PROGRAM.format(end=end)],
        env=env,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        stdin=subprocess.PIPE,
        text=True,
    )


@pytest.mark.parametrize("end", ["", "sys.exit(3)", "raise KeyboardInterrupt", "mido = port = None"])
def test_a_mido_program_that_was_not_changed_is_in_tune_and_leaves_nothing_behind(
    stage: Stage, tmp_path: Path, end: str
) -> None:
    stage.tap.start()
    with _program(stage.server, tmp_path, end) as program:
        program.communicate(timeout=60)
    until(lambda: any(data[0] & 0xF0 == 0x80 for data in stage.sent()), what="the note was never let go")
    struck, _, sounding = pitches(stage.sent())
    assert in_tune(struck, [CHORD[54]], 0.05)
    assert not sounding
    assert not list(tmp_path.rglob("*.journal"))


def test_what_a_killed_program_left_sounding_ends_with_the_next(
    stage: Stage, backend: mido.Backend, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with _program(stage.server, tmp_path, "sys.stdin.read()") as program:
        assert program.stdout is not None
        assert program.stdout.readline() == "sent\n"
        until(lambda: list(tmp_path.rglob("*.journal")))
        program.kill()
        program.communicate(timeout=30)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    stage.tap.start()
    with backend.open_output("tap", **WORDS) as port:
        assert b"\x80\x36\x40" in stage.after(port)


def test_the_end_of_the_server_is_an_oserror_and_hangs_nothing(tmp_path: Path) -> None:
    end = (
        "print(sys.stdin.readline(), flush=True)\n"
        "try:\n"
        "    while True:\n"
        "        port.send(mido.Message('control_change', control=7, value=1))\n"
        "except OSError as error:\n"
        "    print('refused:', error, flush=True)\n"
        "port.close()\n"
        "print('closed', port.closed, flush=True)\n"
    )
    with (
        jack.JackServer() as server,
        jack.JackTap(server),
        _program(server, tmp_path, end) as program,
    ):
        assert program.stdout is not None
        assert program.stdout.readline() == "sent\n"
        server.kill()
        out, err = program.communicate("on\n", timeout=60)
    assert "refused: the JACK server is gone" in out
    assert "closed True" in out
    assert program.returncode == 0, err


def test_what_the_command_would_say_stands_in_the_log(
    stage: Stage, backend: mido.Backend, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.INFO, "stillbeat"), backend.open_output("tap", **WORDS):
        pass
    assert "every synth obeys pitch bend" in caplog.text
