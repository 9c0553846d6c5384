"""The stream splitter: running status, interleaved real-time bytes, broken SysEx, any chunking."""

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.errors import ValueProblem
from bridge.wire.stream import StreamSplitter, message_length, split


def fed(*texts, limit=65536):
    """Feed each chunk of hex; return messages as hex, and the splitter."""
    splitter = StreamSplitter(limit)
    out = [message for text in texts for message in splitter.feed(bytes.fromhex(text))]
    return [message.hex(" ").upper() for message in out], splitter


def counts(splitter):
    return (
        splitter.truncated_sysex,
        splitter.oversized_sysex,
        splitter.incomplete,
        splitter.stray_bytes,
    )


@pytest.mark.parametrize(
    ("chunks", "expected"),
    [
        (["90 3C 40"], ["90 3C 40"]),
        (["90 3C 40 3E 41"], ["90 3C 40", "90 3E 41"]),  # running status
        (["90 3C 40", "3E 41", "40", "42"], ["90 3C 40", "90 3E 41", "90 40 42"]),
        (["C0 05 06"], ["C0 05", "C0 06"]),
        (["D5 40 E5 00 40"], ["D5 40", "E5 00 40"]),
        (["90 F8 3C FE 40"], ["F8", "FE", "90 3C 40"]),  # clock inside a note, running status unharmed
        (["90 3C 40 F8 3E 41"], ["90 3C 40", "F8", "90 3E 41"]),
        (["F0 7E 7F F8 09 01 F7"], ["F8", "F0 7E 7F 09 01 F7"]),  # clock inside SysEx
        (["F0", "7E 7F", "09", "01", "F7"], ["F0 7E 7F 09 01 F7"]),
        (["F0 F7"], ["F0 F7"]),
        (["F1 23 F2 01 02 F3 05 F6"], ["F1 23", "F2 01 02", "F3 05", "F6"]),
        (["FF FA FC"], ["FF", "FA", "FC"]),
        (["90 3C 40 C0 05 80 3C 00"], ["90 3C 40", "C0 05", "80 3C 00"]),
    ],
)
def test_clean_streams(chunks, expected):
    messages, splitter = fed(*chunks)
    assert messages == expected
    assert counts(splitter) == (0, 0, 0, 0)
    assert splitter.pending == 0
    assert splitter.dropped == 0


@pytest.mark.parametrize(
    ("chunks", "expected", "expected_counts"),
    [
        (["F0 7E 7F 90 3C 40"], ["90 3C 40"], (1, 0, 0, 0)),  # truncated SysEx
        (["F0 7E F0 7E 7F 09 01 F7"], ["F0 7E 7F 09 01 F7"], (1, 0, 0, 0)),
        (["F0 7E F6"], ["F6"], (1, 0, 0, 0)),
        (["F0 01 F4 02"], [], (1, 0, 0, 2)),
        (["90 3C 80 3C 00"], ["80 3C 00"], (0, 0, 1, 0)),  # a note cut short
        (["90 3C F0 01 F7"], ["F0 01 F7"], (0, 0, 1, 0)),
        (["F2 01 90 3C 40"], ["90 3C 40"], (0, 0, 1, 0)),
        (["3C 40 90 3C 40"], ["90 3C 40"], (0, 0, 0, 2)),  # data before any status
        (["90 3C 40 F6 3C 40"], ["90 3C 40", "F6"], (0, 0, 0, 2)),  # system common ends running status
        (["90 3C 40 F0 01 F7 3C 40"], ["90 3C 40", "F0 01 F7"], (0, 0, 0, 2)),
        (["90 3C 40 F1 00 3C 40"], ["90 3C 40", "F1 00"], (0, 0, 0, 2)),
        (["F7"], [], (0, 0, 0, 1)),
        (["F4 F5"], [], (0, 0, 0, 2)),
    ],
)
def test_broken_streams(chunks, expected, expected_counts):
    messages, splitter = fed(*chunks)
    assert messages == expected
    assert counts(splitter) == expected_counts


@pytest.mark.parametrize(("size", "kept"), [(9, True), (10, True), (11, False), (5000, False)])
def test_sysex_has_a_limit(size, kept):
    data = b"\xf0" + bytes(size - 2) + b"\xf7"
    for chunk in (1, 3, 7, size):
        splitter = StreamSplitter(max_sysex_bytes=10)
        out = []
        for at in range(0, size, chunk):
            out += splitter.feed(data[at : at + chunk])
            assert splitter.pending <= 10
        assert out == ([data] if kept else [])
        assert counts(splitter) == (0, 0 if kept else 1, 0, 0)
        assert splitter.feed(b"\x90\x3c\x40") == [b"\x90\x3c\x40"]


def test_an_oversized_sysex_that_is_cut_off_counts_as_cut_off():
    messages, splitter = fed("F0" + " 00" * 20, "90 3C 40", limit=10)
    assert messages == ["90 3C 40"]
    assert counts(splitter) == (1, 0, 0, 0)


def test_the_end_of_the_stream():
    messages, splitter = fed("90 3C 40 F0 01 02")
    assert messages == ["90 3C 40"]
    assert splitter.pending == 3
    assert splitter.close() == 3
    assert counts(splitter) == (1, 0, 0, 0)
    assert splitter.feed(b"\x3c\x40") == []  # running status is over, too
    assert splitter.stray_bytes == 2
    splitter.feed(b"\x90\x3c")
    assert splitter.close() == 2
    assert splitter.incomplete == 1
    assert splitter.close() == 0
    assert counts(splitter) == (1, 0, 1, 2)


def test_a_limit_too_small():
    with pytest.raises(ValueProblem, match=r"limit of 2 bytes is too small"):
        StreamSplitter(2)


def test_all_kinds_of_buffer():
    for kind in (bytes, bytearray, memoryview):
        splitter = StreamSplitter()
        assert splitter.feed(kind(b"\xf0\x01\x02\xf7\x90\x3c\x40")) == [b"\xf0\x01\x02\xf7", b"\x90\x3c\x40"]
        (note,) = splitter.feed(kind(b"\x80\x3c\x40"))
        assert type(note) is bytes


def test_lengths():
    by_mido = {
        spec["status_byte"]: spec["length"]
        for spec in mido.messages.specs.SPECS
        if spec["type"] not in ("sysex",)
    }
    assert {status: message_length(status) for status in by_mido} == by_mido
    for status in (0x00, 0x7F, 0xF0, 0xF4, 0xF5, 0xF7, -1, 256):
        assert message_length(status) is None


# Properties
status = st.integers(0x80, 0xFF)
stream = st.lists(
    st.one_of(
        st.binary(max_size=4),
        st.binary(max_size=12).map(lambda data: bytes(byte & 0x7F for byte in data)),
        st.tuples(status, st.binary(max_size=3)).map(
            lambda pair: bytes((pair[0],)) + bytes(b & 0x7F for b in pair[1])
        ),
        st.just(b"\xf0"),
        st.just(b"\xf7"),
    ),
    max_size=40,
).map(b"".join)


@given(stream, st.data())
def test_any_chunking_gives_the_same(data, draw):
    whole = StreamSplitter(16)
    expected = whole.feed(data)
    cuts = sorted(draw.draw(st.lists(st.integers(0, len(data)), max_size=12)))
    splitter, by_byte = StreamSplitter(16), StreamSplitter(16)
    out = []
    for start, end in zip([0, *cuts], [*cuts, len(data)], strict=True):
        out += splitter.feed(data[start:end])
    assert out == expected
    assert counts(splitter) == counts(whole)
    assert [message for byte in data for message in by_byte.feed(bytes((byte,)))] == expected
    assert counts(by_byte) == counts(whole)
    assert splitter.close() == by_byte.close() == whole.close()


@given(stream)
@settings(max_examples=300)
def test_everything_that_comes_out_is_whole_and_nothing_begun_disappears(data):
    splitter = StreamSplitter(16)
    out = splitter.feed(data)
    for message in out:
        if message[0] == 0xF0:
            assert message[-1] == 0xF7
            assert 2 <= len(message) <= 16
            assert all(byte < 0x80 for byte in message[1:-1])
        else:
            assert len(message) == message_length(message[0])
            assert all(byte < 0x80 for byte in message[1:])
    realtime = [bytes((byte,)) for byte in data if byte >= 0xF8]
    assert [message for message in out if message[0] >= 0xF8] == realtime
    begun = sum(
        0x80 <= byte <= 0xF3 or byte == 0xF6 for byte in data
    )  # every message begun is out, dropped or pending
    assert sum(message[0] < 0xF8 for message in out) + splitter.dropped + (splitter.pending > 0) >= begun


messages = st.one_of(
    st.tuples(st.integers(0x80, 0xBF), st.integers(0, 127), st.integers(0, 127)).map(bytes),
    st.tuples(st.integers(0xC0, 0xDF), st.integers(0, 127)).map(bytes),
    st.tuples(st.integers(0xE0, 0xEF), st.integers(0, 127), st.integers(0, 127)).map(bytes),
    st.lists(st.integers(0, 127), max_size=20).map(lambda data: bytes((0xF0, *data, 0xF7))),
    st.sampled_from([b"\xf6", b"\xf1\x10", b"\xf2\x10\x20", b"\xf3\x07", b"\xf8", b"\xfe"]),
)


@given(st.lists(messages, max_size=30))
def test_whole_messages_come_back_as_they_were(sent):
    splitter = StreamSplitter()
    assert splitter.feed(b"".join(sent)) == sent
    assert counts(splitter) == (0, 0, 0, 0)
    parser = mido.Parser()
    parser.feed(b"".join(sent))
    assert [bytes(message.bytes()) for message in parser] == sent  # and mido reads the same


@given(st.lists(messages, max_size=30), st.data())
def test_running_status_and_clock_change_nothing(sent, draw):
    """Leave out repeated status bytes, and strew clock bytes: the messages are the same, the clocks beside them."""
    wire = bytearray()
    running = None
    clocks = 0
    for message in sent:
        body = message[1:] if message[0] == running else message
        for byte in body:
            if draw.draw(st.booleans()):
                wire.append(0xF8)
                clocks += 1
            wire.append(byte)
        if message[0] < 0xF8:
            running = message[0] if message[0] < 0xF0 else None
    out = StreamSplitter().feed(bytes(wire))
    assert [message for message in out if message != b"\xf8"] == [m for m in sent if m != b"\xf8"]
    assert sum(message == b"\xf8" for message in out) == clocks + sum(m == b"\xf8" for m in sent)


def test_split():
    assert split(b"\x90\x3c\x40\x3e\x41\xf0" + bytes(100000) + b"\xf7\x80\x3c") == [
        b"\x90\x3c\x40",
        b"\x90\x3e\x41",
        b"\xf0" + bytes(100000) + b"\xf7",
    ]
    assert split(b"") == []
