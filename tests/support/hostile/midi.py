"""Makers of hostile MIDI files, SysEx files and streams of bytes.

They know the structure of what they make: chunks and their lengths, variable-length numbers, running status, SysEx in
pieces (``F0`` … ``F7`` continuations) and escapes, SMPTE divisions, formats 0 to 2, storms of RPN and NRPN, mode
messages, resets, set-ups of drum kits, foreign tunings.

Sources of the structure: *Standard MIDI Files 1.0* (RP-001); *MIDI 1.0 Detailed Specification*; CA-020, CA-021
(tunings).
"""

from __future__ import annotations

import random
import struct
from collections.abc import Iterator


def number(value: int) -> bytes:
    """A variable-length number."""
    out = [value & 0x7F]
    while value := value >> 7:
        out.append(value & 0x7F | 0x80)
    return bytes(reversed(out))


def _chunk(kind: bytes, content: bytes) -> bytes:
    return kind + struct.pack(">I", len(content)) + content


_RESETS = (
    b"\x7e\x7f\x09\x01\xf7",
    b"\x7e\x7f\x09\x03\xf7",
    b"\x41\x10\x42\x12\x40\x00\x7f\x00\x41\xf7",
    b"\x43\x10\x4c\x00\x00\x7e\x00\xf7",
)
_TUNINGS = (
    b"\x7f\x7f\x08\x02\x00\x01\x3c\x3c\x20\x00\xf7",
    b"\x7f\x7f\x08\x08\x03\x7f\x7f" + b"\x40" * 12 + b"\xf7",
    b"\x7f\x7f\x04\x03\x00\x50\xf7",
    b"\x7e\x7f\x08\x01\x00" + b"name            " + b"\x3c\x00\x00" * 128 + b"\x00\xf7",
)

_DRUMS = (  # rhythm parts of GS (part 1), XG (part 1 as drum set-up 1); both by manufacturers' charts
    b"\x41\x10\x42\x12\x40\x11\x15\x02\x18\xf7",
    b"\x41\x10\x42\x12\x40\x11\x15\x00\x1a\xf7",
    b"\x43\x10\x4c\x08\x00\x07\x02\xf7",
)
_META = (
    (0x51, b"\x07\xa1\x20"),
    (0x51, b"\0\0\0"),
    (0x51, b""),
    (0x58, b"\x04\x02\x18\x08"),
    (0x58, b"\0\0\0\0"),
    (0x59, b"\xff\xff"),
    (0x03, b"\x1b[31mred\x07"),
    (0x01, b"\xff\xfe"),
    (0x21, b"\x01"),
    (0x7F, b"\0"),
)


def _events(rng: random.Random, count: int = 0) -> Iterator[bytes]:
    """Single events of a track, without their delta times."""
    channel = rng.randrange(16)
    keys = [rng.randrange(128) for _ in range(3)]
    for _ in range(count or rng.choice((1, 3, 10, 40, 120))):
        what = rng.random()
        if rng.random() < 0.1:
            channel = rng.randrange(16)
        if what < 0.45:
            key, velocity = rng.choice(keys), rng.choice((0, 1, 64, 127))
            yield bytes((rng.choice((0x80, 0x90, 0x90)) | channel, key, velocity))
        elif what < 0.55:  # pedals, mode messages, banks, volumes
            controller = rng.choice(
                (0, 1, 6, 7, 32, 38, 64, 66, 69, 96, 120, 121, 122, 123, 124, 125, 126, 127)
            )
            yield bytes((0xB0 | channel, controller, rng.choice((0, 1, 63, 64, 120, 127))))
        elif what < 0.65:  # a parameter, whole or not
            kind = rng.choice(((101, 100), (99, 98)))
            low = rng.choice((0, 1, 2, 3, 4, 6, 127))
            for part in rng.sample((kind[0], kind[1], 6, 38), rng.randint(1, 4)):
                yield bytes(
                    (0xB0 | channel, part, low if part == kind[1] else rng.choice((0, 0, 2, 24, 64, 127)))
                )
        elif what < 0.75:
            yield bytes((0xE0 | channel, rng.randrange(128), rng.randrange(128)))
        elif what < 0.80:
            yield bytes((rng.choice((0xC0, 0xD0)) | channel, rng.randrange(128)))
        elif what < 0.82:
            yield bytes((0xA0 | channel, rng.choice(keys), 5))
        elif what < 0.92:
            yield from _sysex(rng, channel)
        else:
            kind, payload = rng.choice(_META)
            yield bytes((0xFF, kind)) + number(len(payload)) + payload


def _sysex(rng: random.Random, channel: int) -> Iterator[bytes]:
    body = rng.choice(_RESETS + _TUNINGS + _DRUMS + (b"", b"\xf7"))
    form = rng.random()
    if form < 0.5:
        yield b"\xf0" + number(len(body)) + body
    elif form < 0.75 and len(body) > 1:  # in two packets
        at = rng.randrange(1, len(body))
        yield b"\xf0" + number(at) + body[:at]
        if rng.random() < 0.2:
            yield bytes((0x90 | channel, 60, 64))
        yield b"\xf7" + number(len(body) - at) + body[at:]
    else:  # an escape: anything may stand in it
        inner = rng.choice(
            (
                b"\xf0" + body,
                bytes((0x90 | channel, 61, 64)),
                bytes((0xB0 | channel, 120, 0)),
                b"\xf3\x01",
                b"",
            )
        )
        yield b"\xf7" + number(len(inner)) + inner


_ANY_DELTAS = (0, 0, 1, 24, 480, 5000)
_SHORT_DELTAS = (0, 0, 1, 24, 60, 240)
_ANY_DIVISIONS = (1, 96, 480, 0x7FFF, 0xE250, 0xE728, 0x8000, 0)


def _track(rng: random.Random, events: Iterator[bytes], deltas: tuple[int, ...], most: int) -> bytes:
    track, running = b"", 0
    for event in events:
        track += number(rng.choice((*deltas, rng.choice((0, most)))))
        if event[0] == running and rng.random() < 0.7:
            event = event[1:]
        else:
            running = event[0] if event[0] < 0xF0 else 0
        track += event
    return track


def _file(rng: random.Random, tracks: list[bytes], formats: tuple[int, ...], division: int) -> bytes:
    ended = [track + (b"\0\xff\x2f\0" if rng.random() < 0.9 else b"") for track in tracks]
    count = rng.choice((len(tracks), len(tracks), 0, 0xFFFF))
    head = struct.pack(">HHH", rng.choice(formats), count, division)
    return _chunk(b"MThd", head) + b"".join(_chunk(b"MTrk", track) for track in ended)


def smf(rng: random.Random) -> bytes:
    """A Standard MIDI File."""
    tracks = [
        _track(rng, _events(rng), _ANY_DELTAS, 0xFFFFFFF) for _ in range(rng.choice((0, 1, 1, 2, 5, 17)))
    ]
    return _file(rng, tracks, (0, 1, 1, 2, 3), rng.choice(_ANY_DIVISIONS))


def short_smf(rng: random.Random) -> bytes:
    """One of a few seconds: for what takes as long as the music."""
    tracks = [_track(rng, _events(rng), _SHORT_DELTAS, 480) for _ in range(rng.choice((1, 1, 2)))]
    return _file(rng, tracks, (0, 1), rng.choice((96, 480, 0xE250)))


def large_smf(rng: random.Random) -> bytes:
    """One of 100 kB to 1 MB: a passage over and over, in one track or several."""
    count = rng.choice((1, 1, 2, 16, 300))
    size = rng.randrange(100_000, 950_000) // count
    tracks = []
    for _ in range(count):
        passage = _track(rng, _events(rng, rng.choice((1, 2, 7, 40))), (0, 0, 1, 24), 480)
        tracks.append(passage * max(1, size // len(passage)))
    return _file(rng, tracks, (0, 1, 1, 1), rng.choice(_ANY_DIVISIONS))


def stream(rng: random.Random) -> bytes:
    """Bytes as they come from a cable: messages, real-time bytes among them, garbage."""
    out = b""
    for event in _events(rng):
        if rng.random() < 0.1:
            event = event[: rng.randrange(len(event) + 1)]
        if rng.random() < 0.1:
            at = rng.randrange(len(event) + 1)
            event = event[:at] + bytes((rng.choice((0xF8, 0xFA, 0xFE, 0xFF, 0xF1, 0xF4)),)) + event[at:]
        out += event
    return out


def syx(rng: random.Random) -> bytes:
    """SysEx messages, one after the other."""
    return b"".join(b"\xf0" + rng.choice(_TUNINGS + _RESETS + (b"\xf7",)) for _ in range(rng.randint(0, 4)))
