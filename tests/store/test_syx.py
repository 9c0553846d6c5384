"""SysEx files: whole messages and nothing else."""

from __future__ import annotations

from pathlib import Path

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import InputProblem, ValueProblem
from bridge.store.syx import parse_syx, syx_bytes

IDENTITY = bytes.fromhex("F0 7E 7F 06 01 F7")
MASTER = bytes.fromhex("F0 7F 7F 04 03 00 40 F7")

messages_of = st.lists(
    st.lists(st.integers(0, 0x7F), max_size=400).map(lambda data: bytes((0xF0, *data, 0xF7))),
    min_size=1,
    max_size=8,
)


def test_written_and_read() -> None:
    assert syx_bytes([IDENTITY, MASTER]) == IDENTITY + MASTER
    assert parse_syx(IDENTITY + MASTER) == [IDENTITY, MASTER]


def test_mido_reads_what_is_written(tmp_path: Path) -> None:
    (tmp_path / "tuning.syx").write_bytes(syx_bytes([IDENTITY, MASTER]))
    assert [bytes(one.bytes()) for one in mido.read_syx_file(str(tmp_path / "tuning.syx"))] == [
        IDENTITY,
        MASTER,
    ]


def test_what_mido_writes_is_read(tmp_path: Path) -> None:
    path = tmp_path / "tuning.syx"
    mido.write_syx_file(str(path), [mido.Message.from_bytes(IDENTITY), mido.Message.from_bytes(MASTER)])
    assert parse_syx(path.read_bytes()) == [IDENTITY, MASTER]


@pytest.mark.parametrize(
    ("data", "message"),
    [
        pytest.param(b"", "is empty", id="empty"),
        pytest.param(b"\x7e\x7f", "is not a SysEx file.*binary", id="other"),
        pytest.param(b"MThd\0\0\0\6", r"is not a SysEx file.*MIDI file", id="MIDI file"),
        pytest.param(
            b"F0 7E 7F 06 01 F7\n", "is not a SysEx file.*as text: save it as binary", id="hexadecimal"
        ),
        pytest.param(b"0xf0, 0x7e, 0xf7", "is not a SysEx file.*as text", id="hexadecimal as in C"),
        pytest.param(IDENTITY[:-1], "cut off: message 1, from byte 0 on", id="cut"),
        pytest.param(IDENTITY + MASTER[:4], "cut off: message 2, from byte 6 on", id="second cut"),
        pytest.param(
            IDENTITY + b"\0\0" + MASTER, "holds 00 at byte 6, between messages 1 and 2", id="between"
        ),
        pytest.param(IDENTITY + b"\xf7", "holds F7 at byte 6, between", id="two ends"),
        pytest.param(IDENTITY[:-1] + MASTER, "holds F0 at byte 5, inside message 1", id="no end"),
        pytest.param(b"\xf0\x7e\xf8\xf7", "holds F8 at byte 2, inside message 1", id="clock inside"),
        pytest.param(b"\xf0\x7e\x80\xf7", "holds 80 at byte 2, inside message 1", id="status inside"),
    ],
)
def test_refusals(data: bytes, message: str) -> None:
    with pytest.raises(InputProblem, match=message) as caught:
        parse_syx(data, "dump.syx")
    assert str(caught.value).startswith("dump.syx ")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "message", [b"", b"\xf0", b"\x7e\xf7", b"\xf0\x80\xf7", IDENTITY + MASTER, IDENTITY + b"\0"]
)
def test_only_whole_messages_are_written(message: bytes) -> None:
    with pytest.raises(ValueProblem, match="message 2 is no whole SysEx message"):
        syx_bytes([IDENTITY, message])


@given(messages_of)
def test_any_messages_survive(messages: list[bytes]) -> None:
    assert parse_syx(syx_bytes(messages)) == messages


@given(st.one_of(st.binary(max_size=100), st.binary(max_size=100).map(lambda data: IDENTITY + data)))
def test_hostile_bytes_raise_input_problems_only(data: bytes) -> None:
    try:
        messages = parse_syx(data)
    except InputProblem:
        return
    assert b"".join(messages) == data
