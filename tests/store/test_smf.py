"""The MIDI file reader and writer: what is read, what is forgiven, what is refused, what is written.

Files are spelled out byte by byte from *Standard MIDI Files 1.0*; `mido` and the plain reading in
`support.independent` are the second opinions.
"""

from __future__ import annotations

import gc
import io
import struct
from contextlib import suppress
from fractions import Fraction
from pathlib import Path

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st
from support import independent

from bridge.errors import InputProblem, OutputProblem, ValueProblem
from bridge.store.smf import Event, MidiFile, midi_bytes, parse_midi, read_midi, rebuild, write_midi

END = bytes.fromhex("00 FF 2F 00")
NOTE = bytes.fromhex("00 90 3C 40 60 80 3C 40")


def chunk(kind: bytes, content: bytes, size: int | None = None) -> bytes:
    return kind + struct.pack(">I", len(content) if size is None else size) + content


def midi(*tracks: bytes, file_format: int = 1, count: int | None = None, division: int = 96) -> bytes:
    """A file with the given contents of tracks."""
    head = struct.pack(">HHH", file_format, len(tracks) if count is None else count, division)
    return chunk(b"MThd", head) + b"".join(chunk(b"MTrk", track) for track in tracks)


def hexed(text: str) -> bytes:
    return bytes.fromhex(text)


# The specification's own example, "Example MIDI file, format 0" (Standard MIDI Files 1.0, appendix).
SPEC_FORMAT_0 = hexed(
    "4D 54 68 64 00 00 00 06 00 00 00 01 00 60 4D 54 72 6B 00 00 00 3B"
    "00 FF 58 04 04 02 18 08 00 FF 51 03 07 A1 20 00 C0 05 00 C1 2E 00 C2 46"
    "00 92 30 60 00 3C 60 60 91 43 40 60 90 4C 20 81 40 82 30 40 00 3C 40"
    "00 81 43 40 00 80 4C 40 00 FF 2F 00"
)


def test_specification_example_is_read() -> None:
    mf = parse_midi(SPEC_FORMAT_0)
    assert (mf.format, mf.division, mf.ticks_per_quarter, mf.ticks_per_second) == (0, 96, 96, None)
    assert mf.warnings == []
    assert mf.tracks == [
        [
            (0, hexed("FF 58 04 02 18 08")),
            (0, hexed("FF 51 07 A1 20")),
            (0, hexed("C0 05")),
            (0, hexed("C1 2E")),
            (0, hexed("C2 46")),
            (0, hexed("92 30 60")),
            (0, hexed("92 3C 60")),
            (96, hexed("91 43 40")),
            (192, hexed("90 4C 20")),
            (384, hexed("82 30 40")),
            (384, hexed("82 3C 40")),
            (384, hexed("81 43 40")),
            (384, hexed("80 4C 40")),
            (384, hexed("FF 2F")),
        ]
    ]
    assert midi_bytes(mf) == SPEC_FORMAT_0


@pytest.mark.parametrize(
    ("code", "ticks"),
    # The specification's table of variable-length quantities.
    [
        ("00", 0x00),
        ("40", 0x40),
        ("7F", 0x7F),
        ("81 00", 0x80),
        ("C0 00", 0x2000),
        ("FF 7F", 0x3FFF),
        ("81 80 00", 0x4000),
        ("C0 80 00", 0x100000),
        ("FF FF 7F", 0x1FFFFF),
        ("81 80 80 00", 0x200000),
        ("C0 80 80 00", 0x8000000),
        ("FF FF FF 7F", 0xFFFFFFF),
    ],
)
def test_variable_length_quantities(code: str, ticks: int) -> None:
    data = midi(hexed(code) + hexed("90 3C 40") + END)
    mf = parse_midi(data)
    assert mf.tracks[0][0] == (ticks, hexed("90 3C 40"))
    assert midi_bytes(mf) == data


@pytest.mark.parametrize(
    "track",
    [
        pytest.param("00 FF 59 02 00 FF", id="key signature of mode 255"),
        pytest.param("00 FF 59 02 F9 01", id="seven flats minor"),
        pytest.param("00 90 3C FF 10 80 BC C8", id="data bytes above 127"),
        pytest.param("00 90 3C 40 10 3C FF", id="data byte above 127 under running status"),
        pytest.param("00 90 3C 40 10 90 BC 40", id="first data byte above 127: status must be written out"),
        pytest.param("00 90 3C 40 00 90 BC 40 00 3C 00 10 90 3C 40", id="such a status shows no habit"),
        pytest.param("00 F0 03 7E 09 F7", id="SysEx"),
        pytest.param("00 F0 02 7E 09 10 F7 02 01 F7", id="SysEx in packets"),
        pytest.param("00 F7 01 F8", id="escaped clock"),
        pytest.param("00 F7 00 00 F0 00", id="empty SysEx and escape"),
        pytest.param("00 FF 7F 03 00 01 02", id="sequencer-specific"),
        pytest.param("00 FF F0 01 00", id="meta type above 127"),
        pytest.param("00 FF 01 81 00" + "41" * 128, id="long text"),
        pytest.param("00 FF 51 00", id="empty tempo"),
        pytest.param("00 C0 05 00 06 00 D1 10 00 A1 10 10 00 E1 7F 7F", id="every kind of channel message"),
    ],
)
def test_kept_byte_for_byte(track: str) -> None:
    data = midi(hexed(track) + END)
    mf = parse_midi(data)
    assert mf.warnings == []
    assert midi_bytes(mf) == data
    expected = [(tick, raw) for tick, _, raw in independent.read_bytes(data).tracks[0]]
    assert mf.tracks[0] == expected


@pytest.mark.parametrize(
    "track",
    [
        pytest.param("00 90 3C 40 00 90 40 40 10 90 3C 00 00 90 40 00", id="never"),
        pytest.param("00 90 3C 40 00 40 40 10 90 3C 00 00 40 00", id="among simultaneous events"),
        pytest.param("00 90 3C 40 00 40 40 10 3C 00 00 40 00", id="always"),
    ],
)
def test_running_status_is_written_as_it_was(track: str) -> None:
    data = midi(hexed(track) + END)
    mf = parse_midi(data)
    notes = [(0, "90 3C 40"), (0, "90 40 40"), (16, "90 3C 00"), (16, "90 40 00")]
    assert mf.tracks[0][:-1] == [(tick, hexed(raw)) for tick, raw in notes]
    assert midi_bytes(mf) == data


def test_tracks_that_show_no_style_follow_the_others() -> None:
    plain = hexed("00 90 3C 40 10 90 3C 00") + END
    data = midi(hexed("00 FF 03 01 41") + END, plain)
    mf = parse_midi(data)
    mf.tracks[0][1:1] = [(0, hexed("B0 07 64")), (0, hexed("B0 0A 40"))]
    written = midi_bytes(mf)
    assert hexed("B0 07 64 00 B0 0A 40") in written


def test_running_status_across_a_meta_event_is_understood_and_written_out() -> None:
    data = midi(hexed("00 90 3C 40 10 FF 01 01 41 10 3C 00") + END)
    mf = parse_midi(data)
    assert mf.tracks[0][2] == (32, hexed("90 3C 00"))
    assert midi_bytes(mf) == midi(hexed("00 90 3C 40 10 FF 01 01 41 10 90 3C 00") + END)


def test_running_status_across_sysex_is_understood() -> None:
    mf = parse_midi(midi(hexed("00 91 3C 40 10 F0 02 7E F7 10 3C 00") + END))
    assert mf.tracks[0][2] == (32, hexed("91 3C 00"))


def test_long_header_and_foreign_chunks_are_kept() -> None:
    head = chunk(b"MThd", struct.pack(">HHH", 1, 2, 96) + b"more")
    data = (
        head
        + chunk(b"XFIH", b"one")
        + chunk(b"MTrk", NOTE + END)
        + chunk(b"XFKM", b"two")
        + chunk(b"MTrk", NOTE + END)
        + chunk(b"last", b"")
    )
    mf = parse_midi(data)
    assert len(mf.tracks) == 2
    assert mf.warnings == []
    assert midi_bytes(mf) == data


def test_more_tracks_than_the_header_says_stay_beyond_it() -> None:
    data = midi(NOTE + END, NOTE + END, count=1)
    mf = parse_midi(data)
    assert len(mf.tracks) == 2
    assert mf.warnings == ["the header counts 1, the tracks are 2"]
    assert midi_bytes(mf) == data


def test_fewer_tracks_than_the_header_says_are_counted_anew() -> None:
    mf = parse_midi(midi(NOTE + END, count=3))
    assert mf.warnings == ["the header counts 3, the tracks are 1"]
    assert midi_bytes(mf) == midi(NOTE + END, count=1)


def test_missing_end_mark_is_added() -> None:
    mf = parse_midi(midi(NOTE))
    assert mf.tracks[0][-1] == (96, hexed("80 3C 40"))
    assert mf.warnings == ["track 1 has no end mark: one is added where it is written again"]
    assert midi_bytes(mf) == midi(NOTE + END)


def test_bytes_after_the_end_mark_are_kept() -> None:
    data = midi(NOTE + END + b"\0\0\0")
    mf = parse_midi(data)
    assert mf.warnings == ["track 1 holds 3 bytes after its end mark, which players skip"]
    assert midi_bytes(mf) == data


def test_bytes_after_the_last_track_are_kept() -> None:
    data = midi(NOTE + END) + b"\x1a\0\0"
    mf = parse_midi(data)
    assert mf.warnings == ["3 bytes after the last track are no part of a MIDI file"]
    assert midi_bytes(mf) == data


@pytest.mark.parametrize("size", [0xFFFFFFFF, 1000, 13])
def test_track_length_beyond_the_file_is_forgiven_when_the_track_ends(size: int) -> None:
    head = chunk(b"MThd", struct.pack(">HHH", 0, 1, 96))
    mf = parse_midi(head + chunk(b"MTrk", NOTE + END, size))
    assert mf.warnings == ["track 1 is shorter than its header says"]
    assert midi_bytes(mf) == midi(NOTE + END, file_format=0)


@pytest.mark.parametrize("size", [0xFFFFFFFF, len(NOTE + END) + 8])
def test_track_length_that_swallows_the_next_track_is_forgiven(size: int) -> None:
    head = chunk(b"MThd", struct.pack(">HHH", 1, 2, 96))
    mf = parse_midi(head + chunk(b"MTrk", NOTE + END, size) + chunk(b"MTrk", NOTE + END))
    assert mf.warnings == ["track 1 is shorter than its header says"]
    assert midi_bytes(mf) == midi(NOTE + END, NOTE + END)


@pytest.mark.parametrize("size", [0, 3, 4, 5, 8, 11])
def test_track_length_too_short_is_forgiven_when_the_track_ends(size: int) -> None:
    head = chunk(b"MThd", struct.pack(">HHH", 1, 2, 96))
    mf = parse_midi(head + chunk(b"MTrk", NOTE + END, size) + chunk(b"MTrk", NOTE + END))
    assert mf.warnings == ["track 1 is longer than its header says"]
    assert midi_bytes(mf) == midi(NOTE + END, NOTE + END)


def test_stray_system_messages_are_kept() -> None:
    data = midi(hexed("00 90 3C 40 00 F8 00 F2 01 02 00 90 3C 00") + END)
    mf = parse_midi(data)
    assert mf.tracks[0][1:3] == [(0, hexed("F8")), (0, hexed("F2 01 02"))]
    assert "do not belong in a file" in mf.warnings[0]
    assert midi_bytes(mf) == data


@pytest.mark.parametrize("extra", [b"", b"\0"])
def test_riff_wrapper_is_kept(extra: bytes) -> None:
    inner = midi(NOTE + END + extra)
    before, after = b"DISP" + struct.pack("<I", 3) + b"abc\0", b"LIST" + struct.pack("<I", 4) + b"INFO"
    pad = b"\0" * (len(inner) % 2)
    body = b"RMID" + before + b"data" + struct.pack("<I", len(inner)) + inner + pad + after
    data = b"RIFF" + struct.pack("<I", len(body)) + body
    mf = parse_midi(data)
    assert mf.tracks[0][0] == (0, hexed("90 3C 40"))
    assert midi_bytes(mf) == data


def test_macbinary_header_is_left_out() -> None:
    inner = midi(NOTE + END)
    mf = parse_midi(b"\0" * 128 + inner)
    assert mf.warnings == ["the MacBinary header before the MIDI data is left out"]
    assert midi_bytes(mf) == inner


def test_formats_0_1_2_and_smpte() -> None:
    assert parse_midi(midi(NOTE + END, file_format=0)).format == 0
    assert "format 0 has one track" in parse_midi(midi(NOTE + END, NOTE + END, file_format=0)).warnings[0]
    assert parse_midi(midi(NOTE + END, NOTE + END, file_format=2)).format == 2
    smpte = parse_midi(midi(NOTE + END, division=0xE728))
    assert smpte.ticks_per_quarter is None
    assert (
        smpte.ticks_per_second == 1000
    )  # 25 frames of 40 ticks, the specification's example of milliseconds
    assert parse_midi(midi(NOTE + END, division=0xE350)).ticks_per_second == Fraction(80 * 30_000, 1001)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        pytest.param(b"", "is empty", id="empty"),
        pytest.param(b"hello", r"is not a MIDI file \(a MIDI file starts with", id="text"),
        pytest.param(b"RIFF\0\0\0\0WAVEfmt ", r"is a recording \(WAV\)", id="recording"),
        # ISO 11172-3 and 13818-7: twelve bits set, then ID, layer (01 is layer III, 00 is AAC) and protection.
        pytest.param(b"\xff\xf3\x40\xc4", r"is a recording \(MP3\)", id="MP3 of half rate"),
        pytest.param(b"\xff\xf1\x50\x80", r"is a recording \(AAC\)", id="AAC"),
        pytest.param(b"\0\0\0\x20ftypM4A ", r"is a recording \(M4A or MP4\)", id="M4A"),
        pytest.param(b"\xff\x58\x04", "is not a MIDI file", id="no frame of sound"),
        pytest.param(b"PK\x03\x04zip", "not a MIDI file .*packed", id="packed"),
        pytest.param(b"\xf0\x7e\xf7", "not a MIDI file .*SysEx", id="SysEx"),
        pytest.param(b"<?xml version", "not a MIDI file .*score", id="score"),
        pytest.param(b"RIFF\x10\0\0\0RMIDLIST\x04\0\0\0abcd", "RIFF file without MIDI", id="empty RIFF"),
        pytest.param(b"MThd", "cut off in its header", id="header only letters"),
        pytest.param(midi()[:12], "cut off in its header", id="header cut"),
        pytest.param(midi(), "no track at all", id="no track"),
        pytest.param(midi() + chunk(b"MTrk", b"") * 65_536, "holds 65536 tracks", id="too many tracks"),
        pytest.param(midi(NOTE + END, file_format=3), "format 3", id="format 3"),
        pytest.param(midi(NOTE + END, division=0), "0 ticks a beat", id="division 0"),
        pytest.param(midi(NOTE + END, division=0xE700), "0 ticks a beat", id="SMPTE without ticks"),
        pytest.param(midi(NOTE + END)[:-5], "track 1 breaks off", id="no end"),
        pytest.param(midi(NOTE + END)[:-6], "track 1 breaks off in the middle", id="cut in a note"),
        pytest.param(
            midi(NOTE + END, NOTE + END)[:-14], "cut off before track 2", id="cut in a track header"
        ),
        pytest.param(
            midi(hexed("00 3C 40") + END), "track 1 starts in the middle of an event", id="no status"
        ),
        pytest.param(midi(hexed("00 F4") + END), "undefined event F4", id="undefined"),
        pytest.param(
            midi(hexed("81 82 83 84 85 06 90 3C 40") + END), "more than four bytes", id="long delta"
        ),
        pytest.param(midi(hexed("00 FF 01 50 41")), "breaks off in the middle", id="text beyond the end"),
        pytest.param(
            midi(hexed("60 90 3C 40 00 F0 50 41")), "middle of an event after beat 2", id="SysEx cut"
        ),
    ],
)
def test_refusals(data: bytes, message: str) -> None:
    with pytest.raises(InputProblem, match=message) as caught:
        parse_midi(data, "song.mid")
    assert str(caught.value).startswith("song.mid ")
    assert "\n" not in str(caught.value)


def test_missing_file_suggests_a_near_name(tmp_path: Path) -> None:
    (tmp_path / "waltz.mid").write_bytes(SPEC_FORMAT_0)
    with pytest.raises(InputProblem, match=r"there is no file .*walz\.mid \(did you mean .*waltz\.mid\?\)"):
        read_midi(tmp_path / "walz.mid")


def test_every_truncation_is_refused_or_loses_nothing() -> None:
    """Wherever a file is cut: either it is refused, or every event is still there."""
    data = midi(hexed("00 FF 03 04 53 6F 6E 67") + END, NOTE + hexed("00 F0 03 7E 09 F7") + END)
    whole = parse_midi(data).tracks
    for length in range(len(data)):
        try:
            mf = parse_midi(data[:length])
        except InputProblem:
            continue
        # A cut exactly between two tracks cannot be told from a wrong count; it is said.
        assert mf.tracks == whole[:1]
        assert "counts 2, the tracks are 1" in mf.warnings[-1]


@pytest.mark.parametrize(
    ("events", "message"),
    [
        ([(5, b"\x90\x3c\x40"), (4, b"\x80\x3c\x40")], "steps from tick 5 to 4"),
        ([(0x10000000, b"\x90\x3c\x40")], "steps from tick 0 to 268435456"),
        ([(0, b"\x90\x3c")], "malformed event at tick 0: 90 3c"),
        ([(0, b"\x90\x3c\x40"), (0, b"\x90")], "malformed event"),
        ([(0, b"\x40\x3c\x40")], "malformed event"),
        ([(0, b"\xff")], "malformed event"),
        ([(0, b"\xf4")], "malformed event"),
        ([(0, b"")], "empty"),
        ([(0, b"\xff\x2f"), (0, b"\x90\x3c\x40")], "after its end"),
    ],
)
def test_writer_refuses_what_makes_no_file(events: list[Event], message: str) -> None:
    with pytest.raises(ValueProblem, match=message):
        midi_bytes(MidiFile(0, 96, [events]))


def test_equal_events_share_their_bytes() -> None:
    mf = parse_midi(midi(NOTE + NOTE + END, NOTE + END))
    first = mf.tracks[0][0][1]
    assert mf.tracks[0][2][1] is first
    assert mf.tracks[1][0][1] is first


def test_garbage_collection_is_left_as_it_was() -> None:
    for switch in (gc.disable, gc.enable):
        switch()
        before = gc.isenabled()
        parse_midi(SPEC_FORMAT_0)
        with pytest.raises(InputProblem):
            parse_midi(midi(hexed("00 90")))
        assert gc.isenabled() is before


def test_rebuild_keeps_everything_but_the_events() -> None:
    data = (
        chunk(b"MThd", struct.pack(">HHH", 1, 1, 96) + b"xx")
        + chunk(b"FORE", b"1")
        + chunk(b"MTrk", NOTE + END)
    )
    mf = parse_midi(data)
    other = rebuild(mf, [[(tick * 2, raw) for tick, raw in track] for track in mf.tracks])
    assert midi_bytes(mf) == data
    again = parse_midi(midi_bytes(other))
    assert [tick for tick, _ in again.tracks[0]] == [0, 192, 192]
    assert again.layout == mf.layout


def test_written_whole_or_not_at_all(tmp_path: Path) -> None:
    mf = parse_midi(SPEC_FORMAT_0)
    target = tmp_path / "out.mid"
    write_midi(target, mf)
    assert target.read_bytes() == SPEC_FORMAT_0
    with pytest.raises(OutputProblem, match="exists already"):
        write_midi(target, mf)
    with pytest.raises(ValueProblem):
        write_midi(target, MidiFile(0, 96, [[(1, b"\x90")]]), overwrite=True)
    assert target.read_bytes() == SPEC_FORMAT_0
    assert [path.name for path in tmp_path.iterdir()] == ["out.mid"]


# ---- properties ----------------------------------------------------------------------------------------

_byte = st.integers(0, 255)
_channel_message = st.integers(0x80, 0xEF).flatmap(
    lambda status: st.tuples(*[_byte] * (1 if 0xC0 <= status < 0xE0 else 2)).map(
        lambda rest: bytes((status, *rest))
    )
)
_meta = st.tuples(st.integers(0, 255).filter(lambda kind: kind != 0x2F), st.binary(max_size=200)).map(
    lambda parts: bytes((0xFF, parts[0])) + parts[1]
)
_packet = st.tuples(st.sampled_from((b"\xf0", b"\xf7")), st.binary(max_size=200)).map(b"".join)
_step = st.one_of(st.just(0), st.integers(0, 300), st.integers(0, 0xFFFFFFF))


@st.composite
def _tracks(draw: st.DrawFn) -> list[list[Event]]:
    tracks = []
    for _ in range(draw(st.integers(1, 4))):
        tick, events = 0, []
        for step, data in draw(
            st.lists(
                st.tuples(_step, st.one_of(_channel_message, _channel_message, _meta, _packet)), max_size=30
            )
        ):
            tick += step
            events.append((tick, data))
        tick += draw(_step)
        tracks.append([*events, (tick, b"\xff\x2f")])
    return tracks


@given(_tracks(), st.lists(st.sampled_from(("never", "together", "always")), max_size=4))
def test_any_events_survive_writing_and_reading(tracks: list[list[Event]], running: list[str]) -> None:
    mf = MidiFile(1, 480, tracks)
    mf.layout.running = running  # type: ignore[assignment]
    data = midi_bytes(mf)
    again = parse_midi(data)
    assert again.tracks == tracks
    assert again.warnings == []
    reading = independent.read_bytes(data)
    assert [[(tick, raw) for tick, _, raw in track] for track in reading.tracks] == tracks


@given(_tracks())
def test_mido_reads_what_is_written(tracks: list[list[Event]]) -> None:
    """mido, which knows nothing of us, finds the same channel messages (of data bytes that it accepts)."""
    tame = [
        [
            (tick, bytes((data[0], *(byte & 0x7F for byte in data[1:]))) if data[0] < 0xF0 else b"\xff\x01")
            for tick, data in track[:-1]
        ]
        for track in tracks
    ]
    found = mido.MidiFile(file=io.BytesIO(midi_bytes(MidiFile(1, 480, tame))))
    for ours, theirs in zip(tame, found.tracks, strict=True):
        tick, messages = 0, []
        for message in theirs:
            tick += message.time
            if not message.is_meta:
                messages.append((tick, bytes(message.bytes())))
        assert messages == [event for event in ours if event[1][0] < 0xF0]


@given(st.binary(max_size=300))
def test_hostile_bytes_raise_input_problems_only(data: bytes) -> None:
    for blob in (
        data,
        midi(data),
        midi(data, data, file_format=0),
        b"MThd" + data,
        b"RIFF\0\0\0\0RMID" + data,
    ):
        try:
            mf = parse_midi(blob)
        except InputProblem:
            continue
        again = parse_midi(midi_bytes(mf))
        for before, after in zip(mf.tracks, again.tracks, strict=True):
            end = (
                []
                if before and before[-1][1][:2] == b"\xff\x2f"
                else [(max(before, default=(0, b""))[0], b"\xff\x2f")]
            )
            assert after == before + end


@given(st.data())
def test_damaged_files_raise_input_problems_only(data: st.DataObject) -> None:
    """A good file with some bytes changed, added or removed."""
    blob = bytearray(midi(NOTE + hexed("00 F0 03 7E 09 F7 81 00 FF 51 03 07 A1 20") + END, NOTE + NOTE + END))
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(blob) - 1))
        blob[at : at + data.draw(st.integers(0, 2))] = data.draw(st.binary(max_size=2))
    with suppress(InputProblem):
        midi_bytes(parse_midi(bytes(blob)))
