"""A second, separate reading of Standard MIDI Files, for tests to compare with.

It shares nothing with the package: written from the file format itself (*Standard MIDI Files 1.0*, MIDI
Manufacturers Association), as a plain stream reader, slow and simple. It understands the oddities of the real
files that the tests use: track counts that disagree with the header, headers longer than six bytes, foreign
chunks, RIFF wrappers, running status carried across meta events, data bytes above 127 and a missing end of
track.

Index
-----
`read`, `read_bytes` : a file, or its bytes, as a `Reading`.
`Reading` : format, division, tracks of ``(tick, kind, bytes)``, foreign chunks.
`notes` : the notes of a track, paired first on, first off.
`playing_order` : all events of a reading in the order in which a player meets them.
`seconds_of` : the time of each event in playing order, from `mido`'s own tempo arithmetic.

Conventions: ticks are absolute from the start of the track; `bytes` is the whole channel message, ``F0`` or
``F7`` with the payload of a SysEx event, ``FF`` with type and payload of a meta event, lengths left out.
"""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass, field
from pathlib import Path

import mido

Item = tuple[int, str, bytes]

_KINDS = {
    0x8: ("note_off", 2),
    0x9: ("note_on", 2),
    0xA: ("polytouch", 2),
    0xB: ("control_change", 2),
    0xC: ("program_change", 1),
    0xD: ("aftertouch", 1),
    0xE: ("pitchwheel", 2),
}


@dataclass
class Reading:
    """What a file holds: header words, tracks of ``(tick, kind, bytes)``, and chunks that are no tracks."""

    format: int
    declared_tracks: int
    division: int
    tracks: list[list[Item]] = field(default_factory=list)
    chunks: list[tuple[bytes, bytes]] = field(default_factory=list)


@dataclass(frozen=True)
class Note:
    """A note of a track; `end_tick` is None if nothing ends it."""

    channel: int
    key: int
    velocity: int
    start_tick: int
    end_tick: int | None


def read(path: str | Path) -> Reading:
    """Read the file at `path`."""
    return read_bytes(Path(path).read_bytes())


def read_bytes(blob: bytes) -> Reading:
    """Read a whole file given as bytes."""
    if blob[:4] == b"RIFF" and blob[8:12] == b"RMID":
        blob = _riff_data(blob)
    stream = io.BytesIO(blob)
    kind, head = _chunk(stream)
    assert kind == b"MThd", kind
    reading = Reading(*struct.unpack(">HHH", head[:6]))
    while True:
        kind, body = _chunk(stream)
        if not kind:
            return reading
        if kind == b"MTrk":
            reading.tracks.append(_track(io.BytesIO(body)))
        else:
            reading.chunks.append((kind, body))


def _riff_data(blob: bytes) -> bytes:
    stream = io.BytesIO(blob[12:])
    while True:
        kind = stream.read(4)
        (size,) = struct.unpack("<I", stream.read(4))
        body = stream.read(size + size % 2)
        if kind == b"data":
            return body[:size]


def _chunk(stream: io.BytesIO) -> tuple[bytes, bytes]:
    head = stream.read(8)
    if len(head) < 8:
        return b"", b""
    kind, size = struct.unpack(">4sI", head)
    return kind, stream.read(size)


def _number(stream: io.BytesIO) -> int:
    value = 0
    while True:
        (byte,) = stream.read(1)
        value = value * 128 + byte % 128
        if byte < 128:
            return value


def _track(stream: io.BytesIO) -> list[Item]:
    items: list[Item] = []
    tick = 0
    running = 0
    total = len(stream.getbuffer())
    while stream.tell() < total:
        tick += _number(stream)
        (status,) = stream.read(1)
        if status == 0xFF:
            meta_type = stream.read(1)
            payload = stream.read(_number(stream))
            kind = "end_of_track" if meta_type == b"\x2f" else f"meta_{meta_type.hex()}"
            items.append((tick, kind, b"\xff" + meta_type + payload))
            if kind == "end_of_track":
                break
        elif status in (0xF0, 0xF7):
            payload = stream.read(_number(stream))
            items.append((tick, "sysex" if status == 0xF0 else "escape", bytes([status]) + payload))
        else:
            first = b""
            if status < 0x80:
                first, status = bytes([status]), running
            running = status
            kind, length = _KINDS[status >> 4]
            items.append((tick, kind, bytes([status]) + first + stream.read(length - len(first))))
    return items


def notes(track: list[Item]) -> list[Note]:
    """Pair the notes of a track: each end belongs to the oldest note still open on its channel and key."""
    found: list[Note] = []
    open_notes: dict[tuple[int, int], list[int]] = {}
    for tick, kind, data in track:
        if kind not in ("note_on", "note_off"):
            continue
        where = (data[0] % 16 + 1, data[1])
        if kind == "note_on" and data[2] > 0:
            open_notes.setdefault(where, []).append(len(found))
            found.append(Note(*where, data[2], tick, None))
        elif open_notes.get(where):
            index = open_notes[where].pop(0)
            found[index] = Note(*where, found[index].velocity, found[index].start_tick, tick)
    return found


def playing_order(reading: Reading) -> list[tuple[int, int, str, bytes]]:
    """Return ``(tick, track, kind, bytes)`` of all tracks together: by tick, then track, then position."""
    together = [
        (tick, number, kind, data)
        for number, track in enumerate(reading.tracks)
        for tick, kind, data in track
    ]
    return sorted(together, key=lambda item: item[:2])


def seconds_of(reading: Reading) -> list[float]:
    """Return the time in seconds of each event of `playing_order` (divisions in ticks a quarter only)."""
    assert reading.division < 0x8000
    tempo_us, now_s, last_tick = 500_000, 0.0, 0
    times_s: list[float] = []
    for tick, _, kind, data in playing_order(reading):
        now_s += mido.tick2second(tick - last_tick, reading.division, tempo_us)
        last_tick = tick
        times_s.append(now_s)
        if kind == "meta_51" and len(data) == 5:
            tempo_us = int.from_bytes(data[2:], "big")
    return times_s
