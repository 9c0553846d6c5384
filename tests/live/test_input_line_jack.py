"""SysEx that never ends, on a real JACK server: the library joins chunks, and a pulse of our own ends that."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest
from support import jack
from support.live import LiveRun, until

pytestmark = pytest.mark.jack

ON, OFF = bytes((0x90, 60, 100)), bytes((0x80, 60, 64))


class Line:
    """Two keyboards, a run, and what its synth gets."""

    def __init__(self, tap: jack.JackTap, right: jack.JackTap, box: jack.JackTap, run: LiveRun) -> None:
        self.tap, self.right, self.box, self.run = tap, right, box, run
        box.start()

    def got(self) -> list[bytes]:
        return [data for _, data in self.box.heard()]

    def passes(self, *messages: bytes, within_s: float = 5.0) -> None:
        """Play, and wait until all has come."""
        self.tap.send(*messages)
        until(lambda: all(data in self.got() for data in messages), within_s, "it did not come")


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Line]:
    with (
        jack.JackServer() as server,
        jack.JackTap(server) as tap,
        jack.JackTap(server, name="right") as right,
        jack.JackTap(server, name="box") as box,
        LiveRun(
            server.env,
            tmp_path_factory.mktemp("state"),
            *("--guitar", "open-d", "--in", tap.midi_out, "--in", right.midi_out, "--out", box.midi_in),
            *("--synth", "full-midi-tuning", "--method", "note"),
        ) as run,
    ):
        run.ready()
        one = Line(tap, right, box, run)
        one.passes(bytes((0x90, 40, 1)), bytes((0x80, 40, 1)))
        yield one
        run.say("quit")
        assert run.exit_code() == 0
        assert run.errors() == ""


def test_a_beginning_without_an_end_silences_nothing(line: Line) -> None:
    held, let_go = bytes((0x90, 64, 90)), bytes((0x90, 67, 90))
    line.tap.send(b"\xf0\x43\x10\x01", held, let_go, bytes((0x80, 67, 64)), b"\xf8")
    until(lambda: held in line.got(), what="what is held never comes")
    assert let_go not in line.got()
    line.run.wait("never ended: given up")
    line.passes(ON, OFF, bytes((0x80, 64, 64)))


def test_each_of_several_keyboards_has_a_pulse_of_its_own(line: Line) -> None:
    held = bytes((0x90, 70, 90))
    line.right.send(b"\xf0\x43\x10\x01", held)
    until(lambda: held in line.got(), what="what is held never comes")
    line.run.wait("never ended: given up")
    line.right.send(bytes((0x80, 70, 64)))
    line.passes(bytes((0x90, 71, 100)), bytes((0x80, 71, 64)))


def test_a_beginning_that_nothing_follows_is_said_and_the_next_note_plays(line: Line) -> None:
    line.tap.send(b"\xf0\x43\x10")
    line.run.wait("never ended: given up", limit_s=5.0)
    line.passes(bytes((0x90, 61, 100)), bytes((0x80, 61, 64)))


def test_twenty_thousand_bytes_are_said_and_notes_go_on(line: Line) -> None:
    line.tap.send(b"\xf0" + bytes(500), *(bytes(500) for _ in range(39)), b"\xf7")
    line.run.wait("longer than|too long", limit_s=5.0)
    line.passes(bytes((0x90, 62, 100)), bytes((0x80, 62, 64)))


def test_a_real_long_dump_in_progress_survives(line: Line) -> None:
    dump = b"\xf0\x43\x20" + bytes(number % 127 for number in range(3000)) + b"\xf7"
    chunks = [dump[at : at + 300] for at in range(0, len(dump), 300)]
    for chunk in chunks:
        line.tap.send(chunk)
        later_s = time.monotonic() + 0.3  # longer than from one pulse to the next
        until(lambda: time.monotonic() > later_s)  # noqa: B023
    until(lambda: dump in line.got(), what="the dump is lost or spoilt")
    line.passes(bytes((0x90, 63, 100)), bytes((0x80, 63, 64)))
