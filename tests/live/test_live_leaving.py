"""Every way of leaving, and everything that may go wrong: on a real JACK server, with FluidSynth as the synth.

Eight notes sound on eight channels when it ends; a recorder beside the synth must have got the end of all eight, and
nothing may sound afterwards.
"""

from __future__ import annotations

import os
import pty
import re
import signal
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from support import jack, measure, needs, synths
from support.children import ChildError
from support.live import LiveRun, player_pid, until
from support.prober import PlainIn, PlainOut, Prober

pytestmark = pytest.mark.jack

STRIKES = [bytes((0x90 | channel, 48 + 3 * channel, 100)) for channel in range(8)]
OPTIONS = (
    "--guitar",
    "open-d",
    "--in",
    "tap",
    "--out",
    "synth",
    "--synth",
    "fluidsynth",
    "--also",
    "A",
)
WIDE = "import os; os.environ['COLUMNS'] = '100'"


class Stage:
    """A server, a keyboard and recorder, and a synth."""

    def __init__(
        self, server: jack.JackServer, tap: jack.JackTap, synth: jack.JackFluidSynth, state: Path
    ) -> None:
        self.server, self.tap, self.synth, self.state = server, tap, synth, state

    def live(self, *options: str, before: str = "") -> LiveRun:
        """Begin to play with the recorder beside the synth."""
        run = LiveRun(self.server.env, self.state, *OPTIONS, *options, before=before).ready()
        self.listen()
        return run

    def listen(self) -> None:
        """Put the recorder beside the synth."""
        self.tap.connect(f"{self.server.client('stillbeat')} synth:synth", self.tap.midi_in)

    def strike(self) -> set[tuple[int, int]]:
        """Strike eight notes on eight channels; return channels and keys on which the synth got them."""
        for _ in range(
            5
        ):  # a server that does not wait for its clients loses all that falls into a late period
            self.tap.start()
            self.tap.send(*STRIKES)
            try:
                until(lambda: len(struck(self.tap)) == len(STRIKES), limit_s=2.0)
                break
            except ChildError:
                self.tap.send(*(bytes((data[0] & 0x8F, data[1], 0)) for data in STRIKES))
        got = struck(self.tap)  # before sound is recorded, which begins anew
        assert len(got) == len(STRIKES), "the synth never got all strikes"
        assert self.loudness() > 0.01
        return got

    def loudness(self) -> float:
        """How loud the synth is now."""
        sound = self.tap.record(0.25)
        return sound.peak(sound.length_s - 0.1, 0.1)

    def ended(self) -> set[tuple[int, int]]:
        """Channels and keys whose end the recorder has got."""
        return {
            (data[0] & 0x0F, data[1])
            for _, data in self.tap.heard()
            if data[0] & 0xF0 == 0x80 or (data[0] & 0xF0 == 0x90 and not data[2])
        }


def struck(tap: jack.JackTap) -> set[tuple[int, int]]:
    """Channels and keys of the strikes that a recorder has got."""
    return {(data[0] & 0x0F, data[1]) for _, data in tap.heard() if data[0] & 0xF0 == 0x90 and data[2]}


def make_stage(server: jack.JackServer, state: Path, sine_font: Path) -> Iterator[Stage]:
    """Put everything on a server."""
    with (
        server,
        jack.JackTap(server) as tap,
        jack.JackFluidSynth(server, sine_font) as synth,
    ):
        tap.hear(synth.sound_ports)
        yield Stage(server, tap, synth, state)


@pytest.fixture
def slow_stage(tmp_path: Path, sine_font: Path) -> Iterator[Stage]:
    """A server that loses nothing, but waits ten seconds for every client that was killed (jackd2 1.9.21). One
    that does not wait loses messages from then on, and may even stay dumb: nothing can be tested on it."""
    yield from make_stage(jack.JackServer(), tmp_path / "state", sine_font)


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory, sine_font: Path) -> Iterator[Stage]:
    """A server that loses nothing."""
    yield from make_stage(jack.JackServer(), tmp_path_factory.mktemp("state"), sine_font)


WAYS: dict[str, Callable[[LiveRun], None]] = {
    "quit": lambda run: run.say("quit"),
    "the end of the input": LiveRun.close_input,
    "Ctrl-C": lambda run: run.signal(signal.SIGINT),
    "SIGTERM": lambda run: run.signal(signal.SIGTERM),
    "SIGHUP": lambda run: run.signal(signal.SIGHUP),
    "SIGTERM to the player": lambda run: os.kill(player_pid(run), signal.SIGTERM),
    "SIGKILL of the desk": lambda run: run.signal(signal.SIGKILL),
    "Ctrl-C to the whole process group": lambda run: os.killpg(run.pid, signal.SIGINT),
    "an exception in the desk": lambda run: run.say("break"),
    "an exception in the display": lambda run: (run.say("equal"), time.sleep(0.5), run.say("quit"))[0],
    "an exception in the engine": lambda run: run.say("trim 7"),
}
BREAK = """
from bridge.live.desk.desk import Desk
from bridge.live.desk.views.playing import LinesDisplay
def typed(self, command):
    if command == "?break":
        raise ZeroDivisionError("on purpose")
    return kept(self, command)
kept = Desk._typed
Desk._typed = typed
def show(self, seen):
    if seen.equal:
        raise ZeroDivisionError("on purpose")
    return shown(self, seen)
shown = LinesDisplay.show
LinesDisplay.show = show
"""
BREAK_PLAYER = """
import sys
if "from bridge.live.player.process import main; main()" in sys.orig_argv:
    from bridge.engine.play.tables import TableSwitch
    def trim(self, by_cents):
        if by_cents == 7:
            raise ZeroDivisionError("on purpose")
        return True
    TableSwitch.trim = trim
"""


@pytest.mark.parametrize(
    ("way", "method"),
    [*((way, "octave") for way in WAYS), ("Ctrl-C", "bend"), ("SIGKILL of the desk", "bend")],
)
def test_eight_of_eight_notes_are_off_after_every_way_of_leaving(
    stage: Stage, way: str, method: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "sitecustomize.py").write_text(BREAK_PLAYER)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    with stage.live("--method", method, before=BREAK) as run:
        player = player_pid(run)
        sounding = stage.strike()
        stage.tap.start()
        WAYS[way](run)
        code = run.exit_code()
        until(lambda: not os.path.exists(f"/proc/{player}"))
        until(lambda: stage.ended() >= sounding, what=f"of {sounding} only {stage.ended()} were ended")
        assert stage.loudness() < 1e-6
        errors = run.errors()
    if way.startswith("an exception"):
        assert code == 1
        assert errors.count("\n") == 1
        assert "on purpose" in errors
    elif way != "SIGKILL of the desk":
        assert (code, errors) == (0, "")


@pytest.mark.parametrize("method", ["note", "bend"])
def test_the_last_messages_go_out_twice_some_periods_apart(stage: Stage, method: str) -> None:
    with stage.live("--method", method) as run:
        sounding = stage.strike()
        stage.tap.start()
        stage.tap.send(bytes((0xB0, 64, 127)))
        until(lambda: any(data[:2] == b"\xb0\x40" and data[2] for _, data in stage.tap.heard()))
        stage.tap.start()
        run.say("quit")
        assert run.exit_code() == 0
        came: dict[bytes, list[float]] = {}
        for at_s, data in stage.tap.heard():
            came.setdefault(data, []).append(at_s)
    last = [bytes((0x80 | channel, key, 64)) for channel, key in sounding] + [bytes((0xB0, 64, 0))]
    assert {data for data in came if data[0] == 0xF0 or data[:2] == b"\xb0\x06"}, "the tuning or the range"
    period_s = stage.server.frames / stage.server.rate_hz
    for data in (*last, *(data for data in came if data[0] == 0xF0)):
        assert len(came[data]) >= 2, data.hex(" ")
        assert came[data][-1] - came[data][0] > 10 * period_s


@pytest.mark.parametrize("method", ["note", "octave", "bend"])
@pytest.mark.parametrize("way", ["quit", "SIGTERM", "SIGKILL of the desk"])
def test_pedals_bends_local_control_and_tuning_are_put_back(stage: Stage, method: str, way: str) -> None:
    with stage.live("--method", method, "--local", "off") as run:
        player = player_pid(run)
        stage.strike()
        pedals = {(channel, pedal) for channel in range(3) for pedal in (64, 66, 67)}
        stage.tap.start()
        stage.tap.send(*(bytes((0xB0 | channel, pedal, 127)) for channel, pedal in pedals))
        stage.tap.send(bytes((0xE0, 0, 0x50)), bytes((0xE1, 0, 0x30)))
        until(lambda: sum(data[0] & 0xF0 == 0xE0 for _, data in stage.tap.heard()) >= 2)
        stage.tap.start()
        WAYS[way](run)
        run.exit_code()
        until(lambda: not os.path.exists(f"/proc/{player}"))
        came = [data for _, data in stage.tap.heard()]
    controls = {(data[0] & 0x0F, data[1]): data[2] for data in came if data[0] & 0xF0 == 0xB0}
    assert all(controls[channel, 122] == 127 for channel in range(16)), "local control is on again"
    if method != "bend":  # which moves notes, and their pedals with them, to channels of its choice
        assert {place: controls[place] for place in pedals} == dict.fromkeys(pedals, 0)
        bends = {data[0] & 0x0F: data[1:] for data in came if data[0] & 0xF0 == 0xE0}
        assert (bends[0], bends[1]) == (b"\x00\x40", b"\x00\x40")
        assert np.allclose(stage.synth.stored_table(), 100.0 * np.arange(128), atol=0.01)
    synth_is_as_it_was(stage)


def synth_is_as_it_was(stage: Stage) -> None:
    """Every channel sounds at once and at its usual pitch when it is played past us, and stops when it is let go."""
    stage.tap.connect(stage.tap.midi_out, stage.synth.midi_port)
    for channel in range(3):
        stage.tap.send(bytes((0x90 | channel, 69, 100)))
        sound = stage.tap.record(0.6)
        stage.tap.send(bytes((0x80 | channel, 69, 0)))
        assert abs(measure.cents(sound.tone_hz(440.0, 0.2, 0.4), 440.0)) < 0.1
        quiet = stage.tap.record(0.3)
        assert quiet.peak(0.2, 0.1) < 1e-6
    stage.tap.disconnect(stage.tap.midi_out, stage.synth.midi_port)


def test_after_a_kill_of_everything_the_next_start_silences_and_resets_first(slow_stage: Stage) -> None:
    stage = slow_stage
    with stage.live("--local", "off") as run:
        stage.strike()
        assert stage.loudness() > 0.01
        for pid in (run.pid, player_pid(run)):
            os.kill(pid, signal.SIGSTOP)
        for pid in (player_pid(run), run.pid):
            os.kill(pid, signal.SIGKILL)
        run.exit_code()
    with LiveRun(stage.server.env, stage.state, *OPTIONS) as run:  # the notes hang
        run.wait("the last run ended while it played: 8 notes silenced", limit_s=60.0)
        run.wait("^ready", limit_s=60.0)
        until(
            lambda: stage.loudness() < 1e-6, 20.0, "it still sounds"
        )  # the server stands still after a kill
        run.say("quit")
        assert run.exit_code() == 0


def test_a_killed_player_is_replaced_and_what_hung_is_let_go(slow_stage: Stage) -> None:
    stage = slow_stage
    with stage.live() as run:
        stage.tap.send(bytes((0xCF, 1)))
        run.wait("table 2  A")
        stage.strike()
        os.kill(player_pid(run), signal.SIGKILL)
        run.wait("starting it again")
        run.wait("playing again", limit_s=60.0)
        until(lambda: stage.loudness() < 1e-6)
        stage.listen()
        stage.tap.start()
        until(partial(_passes, stage.tap, stage.tap, 60), what="the keyboard is not heard")
        run.say("quit")
        assert run.exit_code() == 0
        told = run.lines[run.lines.index("table 2  A") :]
        assert not any("table 1" in line for line in told), "the table that held still holds"
    assert stage.loudness() < 1e-6


def test_a_player_that_hangs_is_replaced(slow_stage: Stage) -> None:
    stage = slow_stage
    with stage.live() as run:
        stage.strike()
        os.kill(player_pid(run), signal.SIGSTOP)
        run.wait("does not answer", limit_s=5.0)
        run.wait("playing again", limit_s=60.0)
        until(lambda: stage.loudness() < 1e-6)
        run.say("panic")
        run.say("quit")
        assert run.exit_code() == 0


def test_a_desk_that_was_stopped_for_a_while_does_not_take_its_player_for_dead(stage: Stage) -> None:
    """Ctrl-Z at the terminal: the music goes on, and when the desk comes back it finds the player as it was."""
    with stage.live() as run:
        player = player_pid(run)
        run.signal(signal.SIGSTOP)
        time.sleep(3.0)
        stage.tap.start()
        stage.tap.send(STRIKES[0], bytes((0x80, STRIKES[0][1], 0)))
        until(lambda: stage.ended(), what="the player does not play while the desk is stopped")
        run.signal(signal.SIGCONT)
        run.say("2")
        run.wait("table 2  A")
        time.sleep(0.3)
        assert player_pid(run) == player
        run.say("quit")
        assert run.exit_code() == 0
        assert not any("does not answer" in line for line in run.lines)


def test_leaving_while_a_thousand_messages_a_second_come_in(stage: Stage) -> None:
    """The port is closed while its thread delivers; nothing waits for anything."""
    for _ in range(3):
        prober = Prober(stage.server.env, "busy")
        with LiveRun(
            stage.server.env, stage.state, "--guitar", "open-d", "--in", "busy to", "--out", "busy from"
        ).ready() as run:
            flood = threading.Thread(
                target=prober.ask, kwargs={"do": "flood", "side": "busy", "seconds": 1.0}
            )
            flood.start()
            time.sleep(0.5)
            run.say("quit")
            assert run.exit_code(5.0) == 0
            flood.join()
        prober.end()


@pytest.mark.campaign
def test_a_flood_with_table_changes_loses_nothing_and_swaps_nothing() -> None:
    """Ten seconds here; ten minutes of ``tests/bench/soak_live.py`` are a part of ``.ci/run --long``."""
    jack.require_jack()
    script = Path(__file__).parents[1] / "bench" / "soak_live.py"
    done = subprocess.run(
        [sys.executable, str(script), "--minutes", "0.17"], capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stdout + done.stderr
    counted = re.search(r"in all: (\d+) messages, (\d+) tables, 0 lost, 0 out of order, 0 stuck", done.stdout)
    assert counted is not None, done.stdout
    assert int(counted[1]) > 9_000
    assert int(counted[2]) >= 8
    grown_kb = int(re.findall(r"memory ([+-]\d+) KB", done.stdout)[-1])
    assert grown_kb < 1024


def test_the_tuning_of_a_real_synth_is_asked_for_and_put_back(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """FluidSynth's library answers a dump request; here it sits behind two ports, and every byte is its own."""
    monkeypatch.setenv("JACK_DEFAULT_SERVER", stage.server.name)
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    with synths.FluidSynthLibrary() as fluid:
        fluid.send(bytes.fromhex("f07f7f0802000145452000f7"))  # A4 a quarter of a semitone up: 45 20 00
        own = fluid.stored_table()
        answers = PlainOut("library answers")
        tables: list[np.ndarray] = []

        def take(message: bytes) -> None:
            reply = fluid.send(message)
            stored = fluid.stored_table()
            if message[0] == 0xF0 and stored is not None:
                tables.append(stored)
            if reply:
                answers.send(reply)

        ears = PlainIn("library ears", take)
        with LiveRun(
            stage.server.env,
            stage.state,
            *("--guitar", "open-d", "--in", "tap", "--out", "library ears", "--synth", "fluidsynth"),
            *("--synth-reply", "library answers"),
        ).ready() as run:
            assert any("will be put back" in line for line in run.lines)
            assert own is not None
            assert not np.allclose(tables[-1], own)
            run.say("quit")
            assert run.exit_code() == 0
        until(lambda: np.allclose(tables[-1], own, atol=0.01))
        ears.close()
        answers.close()


class Terminal:
    """A run at a terminal of its own, whose output is read until that is stopped."""

    def __init__(self, stage: Stage) -> None:
        self.main, self.side = pty.openpty()
        self.before = termios.tcgetattr(self.side)
        self.shown = bytearray()
        self.reads = threading.Event()
        self.reads.set()
        command = f"{WIDE}\nimport sys; from bridge.cli import main; main(sys.argv[1:])"
        self.process = subprocess.Popen(
            [sys.executable, "-c", command, "play", *OPTIONS],
            env={**stage.server.env, "XDG_STATE_HOME": str(stage.state), "TERM": "xterm"},
            stdin=self.side,
            stdout=self.side,
            stderr=self.side,
            start_new_session=True,
            preexec_fn=lambda: os.tcsetpgrp(0, os.getpgrp()) if os.isatty(0) and _controls(0) else None,
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        try:
            while data := os.read(self.main, 4096):
                self.shown.extend(data)
                self.reads.wait()
        except OSError:
            return

    def type(self, keys: bytes) -> None:
        os.write(self.main, keys)

    def see(self, text: bytes) -> None:
        until(lambda: text in self.shown, what=f"{text!r} is never seen")

    def close(self) -> None:
        self.reads.set()
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        os.close(self.side)
        os.close(self.main)
        self._reader.join(5.0)


@pytest.fixture
def terminal(stage: Stage) -> Iterator[Terminal]:
    one = Terminal(stage)
    yield one
    one.close()


def test_the_picture_at_a_terminal_obeys_keys_and_gives_the_terminal_back(
    stage: Stage, terminal: Terminal
) -> None:
    terminal.see(b"ready")
    stage.tap.send(bytes((0x90, 54, 100)))
    terminal.see(b"F#3")
    terminal.type(b"\x13")  # Ctrl-S stops nothing
    terminal.type(b"\x1b[6~")  # page down
    terminal.see(b"2  A")
    terminal.type(b"e+")  # two keys at once
    terminal.see(b"EQUAL")
    terminal.see(b"+0.5")
    stage.tap.send(bytes((0x80, 54, 0)))
    terminal.type(b"q")
    assert terminal.process.wait(10) == 0
    assert termios.tcgetattr(terminal.side) == terminal.before


def test_after_it_was_stopped_the_terminal_brings_keys_again(terminal: Terminal) -> None:
    """Ctrl-Z, and a shell that sets its terminal as it likes it, then ``fg``."""
    terminal.see(b"ready")
    os.kill(terminal.process.pid, signal.SIGSTOP)
    termios.tcsetattr(terminal.side, termios.TCSANOW, terminal.before)
    assert termios.tcgetattr(terminal.side)[3] & termios.ICANON
    os.kill(terminal.process.pid, signal.SIGCONT)
    until(lambda: not termios.tcgetattr(terminal.side)[3] & termios.ICANON)
    terminal.type(b"2")
    terminal.see(b"2  A")
    terminal.type(b"q")
    assert terminal.process.wait(10) == 0


def test_a_terminal_that_takes_no_output_stops_neither_keys_nor_panic_nor_the_way_out(
    stage: Stage, terminal: Terminal
) -> None:
    terminal.see(b"ready")
    terminal.reads.clear()
    for _ in range(60):  # far more than a terminal holds
        terminal.type(b"v")
        time.sleep(0.02)
    stage.listen()
    sounding = stage.strike()
    stage.tap.start()
    terminal.type(b"x")
    until(lambda: stage.ended() >= sounding, what="panic has not ended all notes")
    sounding = stage.strike()
    stage.tap.start()
    terminal.process.send_signal(signal.SIGTERM)
    assert terminal.process.wait(10) == 0
    until(lambda: stage.ended() >= sounding, what="leaving has not ended all notes")
    assert termios.tcgetattr(terminal.side) == terminal.before


def _controls(descriptor: int) -> bool:
    """Make a terminal the one that controls this new session."""
    import fcntl

    fcntl.ioctl(descriptor, termios.TIOCSCTTY, 0)
    return True


@pytest.mark.campaign
def test_deaths_of_the_server_while_it_plays(tmp_path: Path) -> None:
    """A track plays on and on; the server is killed and started again. No hang, no traceback, no stuck note."""
    track = synths.write_midi(
        tmp_path / "track.mid",
        [(at / 20, bytes((0x92 if at % 2 == 0 else 0x82, 60 + at // 2 % 12, 80))) for at in range(80)],
        end_s=4.0,
    )
    server = jack.JackServer()
    server.start()
    run = None
    try:
        for round_number in range(needs.often(4, long=20)):
            with jack.JackTap(server) as tap, jack.JackTap(server, name="box") as box:
                box.start()
                if run is None:
                    run = LiveRun(
                        server.env,
                        tmp_path / "state",
                        *(
                            "--guitar",
                            "open-d",
                            "--in",
                            tap.midi_out,
                            "--out",
                            box.midi_in,
                        ),
                        *("--also", "A", "--synth", "fluidsynth", "--track", str(track), "--loop", "1-1"),
                    ).ready()
                else:
                    run.wait("playing again|is back", limit_s=60.0)
                until(lambda: any(data[0] == 0x92 for _, data in box.heard()), what="the track does not play")
                until(partial(_passes, tap, box, 40 + round_number), what="the keyboard is not heard")
                server.kill()
                run.wait("the MIDI server is gone", limit_s=1.0)
            server.start()
        with jack.JackTap(server, name="tap"), jack.JackTap(server, name="box") as box:
            box.start()
            assert run is not None
            run.wait("playing again|is back", limit_s=60.0)
            until(lambda: any(data[0] == 0x92 for _, data in box.heard()))
            run.say("quit")
            assert run.exit_code() == 0
            on: set[tuple[int, int]] = set()
            for _, data in box.heard():
                if data[0] & 0xE0 == 0x80:
                    where = data[0] & 0x0F, data[1]
                    (on.add if data[0] & 0x10 and data[2] else on.discard)(where)
            assert on == set()
            errors = run.errors()
        assert errors == ""
        assert not any("Traceback" in line or "unexpected" in line for line in run.lines), run.lines
    finally:
        if run is not None:
            run.end()
        server.stop()


def _passes(tap: jack.JackTap, box: jack.JackTap, key: int) -> bool:
    """Play a note; tell whether it came."""
    try:
        tap.send(bytes((0x90, key, 99)))
        until(lambda: any(data == bytes((0x90, key, 99)) for _, data in box.heard()), limit_s=0.3)
    except ChildError:
        return False
    return True
