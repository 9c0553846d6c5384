"""SysEx that never ends, that is too long, or that comes in chunks: notes go on, and a real dump survives.

How RtMidi hands over what comes in on JACK is played back here as its source has it (RtMidi 5.0.0, `jackProcessIn`):
from an event that begins with F0 and does not end with F7 on, everything is joined until an event ends with F7.

Source: MIDI 1.0 Detailed Specification, "System Exclusive".
"""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.live.player.input_line import GIVEN_UP_TICKS, InputLine, still_wanted

MOST = 15_000
DUMP = b"\xf0\x43\x10" + bytes(number % 128 for number in range(4000)) + b"\xf7"
ON, OFF = bytes((0x90, 60, 100)), bytes((0x80, 60, 64))


class Heard:
    """A line, and what came out of it."""

    def __init__(self, most: int = MOST) -> None:
        self.messages: list[bytes] = []
        self.told: list[str] = []
        self.dropped = 0  # what came out only to be counted
        self.line = InputLine(self._take, self.told.append, most)

    def _take(self, data: bytes) -> None:
        if data == b"\xf0":
            self.dropped += 1
        else:
            self.messages.append(data)

    def ticks(self, count: int) -> None:
        for _ in range(count):
            self.line.tick()


class Joining(Heard):
    """The line behind a system that joins chunks; `tick` sends the pulse when it is asked for."""

    def __init__(self, most: int = MOST) -> None:
        super().__init__(most)
        self._message = b""
        self._continues = False

    def event(self, data: bytes) -> None:
        if not self._continues:
            self._message = b""
        self._message += data
        if data[0] == 0xF0 or (self._continues and data[0] not in (0xF1, 0xF8, 0xFE)):
            self._continues = data[-1] != 0xF7
        if not self._continues:
            self.line(self._message)

    def ticks(self, count: int) -> None:
        for _ in range(count):
            if self.line.tick():
                self.event(self.line.beat)


@pytest.mark.parametrize("data", [ON, OFF, b"\xf8", b"\xc0\x05", b"", b"\x40", b"\x90\x40", b"\xf6", DUMP])
def test_what_comes_whole_or_is_nothing_at_all_passes_as_it_is(data: bytes) -> None:
    heard = Heard()
    heard.line(data)
    assert heard.messages == [data]
    assert heard.told == []


def test_the_pulse_itself_is_never_heard() -> None:
    heard = Heard()
    heard.line(heard.line.beat)
    assert heard.messages == []


def test_a_pulse_is_asked_for_only_while_nothing_comes() -> None:
    heard = Heard()
    heard.line(ON)
    assert [heard.line.tick(), heard.line.tick()] == [False, True]
    heard.line(heard.line.beat)
    assert heard.line.tick(), "a pulse is nothing that came"


@pytest.mark.parametrize("after", [ON, b"\xf6", b"\xf2\x01\x02", DUMP])
def test_a_status_byte_ends_what_never_ended(after: bytes) -> None:
    heard = Heard()
    heard.line(b"\xf0\x43\x10\x01")
    heard.line(b"\xf8")  # real time may stand inside
    assert heard.messages == [b"\xf8"]
    heard.line(after)
    heard.line(OFF)
    assert heard.messages == [b"\xf8", after, OFF]
    assert heard.dropped == 1
    assert heard.told == ["a SysEx message of the keyboard never ended: given up"]


def test_a_second_without_another_byte_ends_it_too() -> None:
    heard = Heard()
    heard.line(b"\xf0\x43\x10")
    heard.ticks(GIVEN_UP_TICKS)
    assert heard.told == []
    heard.line(b"\x01\x02")
    heard.ticks(GIVEN_UP_TICKS)
    assert heard.told == [], "bytes have come meanwhile"
    heard.ticks(1)
    assert heard.told == ["a SysEx message of the keyboard never ended: given up"]
    heard.line(ON)
    assert heard.messages[-1] == ON
    assert heard.told[1:] == []


@pytest.mark.parametrize("size", [16_384, 20_000, 100_000])
def test_what_is_too_long_is_said_and_notes_go_on(size: int) -> None:
    heard = Heard()
    heard.line(b"\xf0" + bytes(size))
    heard.line(bytes(100) + b"\xf7")
    heard.line(ON)
    assert heard.messages == [ON]
    assert len(heard.told) == 1
    assert "longer than 15000 bytes" in heard.told[0]
    whole = Heard()
    whole.line(b"\xf0" + bytes(size) + b"\xf7")
    whole.line(ON)
    assert whole.messages[-1] == ON
    assert f"{size + 2} bytes is too long" in whole.told[0]


@given(st.lists(st.integers(1, 400), max_size=30))
def test_a_dump_in_chunks_comes_out_whole(sizes: list[int]) -> None:
    heard = Heard()
    at = 0
    for size in [*sizes, len(DUMP)]:
        chunk = DUMP[at : at + size]
        if chunk:
            heard.line(chunk)
        at += size
    assert heard.messages == [DUMP]


@given(st.sets(st.integers(1, len(DUMP) - 1), max_size=12), st.integers(1, 3))
def test_a_long_dump_in_progress_survives_the_pulses(cuts: set[int], ticks: int) -> None:
    heard = Joining()
    for start, end in pairwise([0, *sorted(cuts), len(DUMP)]):
        heard.event(DUMP[start:end])
        heard.ticks(ticks)
    assert heard.messages == [DUMP]
    assert heard.told == []


def test_notes_that_were_swallowed_come_out_with_the_pulse_if_they_are_still_held() -> None:
    heard = Joining()
    heard.event(b"\xf0\x43\x10")
    held, let_go = bytes((0x90, 64, 90)), bytes((0x90, 67, 90))
    heard.event(held)
    heard.event(let_go)
    heard.event(b"\xf8")
    heard.event(bytes((0xB0, 64, 127)))
    heard.event(bytes((0x90, 67, 0)))
    assert heard.messages == []
    heard.ticks(2)
    assert heard.messages == [held, b"\xf8", bytes((0xB0, 64, 127))]
    assert heard.told == ["a SysEx message of the keyboard never ended: given up"]
    heard.event(ON)
    assert heard.messages[-1] == ON


def test_a_beginning_that_nothing_follows_is_given_up_and_the_next_note_plays_at_once() -> None:
    heard = Joining()
    heard.event(b"\xf0\x43\x10")
    heard.ticks(GIVEN_UP_TICKS + 3)
    assert heard.told == ["a SysEx message of the keyboard never ended: given up"]
    heard.event(ON)
    assert heard.messages == [ON]


def test_the_end_of_a_note_that_began_before_is_never_left_out() -> None:
    assert still_wanted([OFF, ON, OFF, bytes((0xB0, 1, 2))]) == [OFF, bytes((0xB0, 1, 2))]
    assert still_wanted([ON, ON, OFF]) == [ON]
    assert still_wanted([ON, bytes((0x91, 60, 0))]) == [ON, bytes((0x91, 60, 0))]


@given(st.lists(st.binary(max_size=12), max_size=20))
def test_no_bytes_make_it_raise_or_hold_a_note_back(chunks: list[bytes]) -> None:
    heard = Heard(100)
    for chunk in chunks:
        heard.line(chunk)
    heard.line(ON)
    assert heard.messages[-1] == ON
