"""Hostile inputs: files that are almost, or not at all, what they claim to be, made from a seed.

A *maker* takes a `random.Random` and returns the bytes of one file; a *door* takes those bytes and reads them as the
project does. Whatever happens behind a door, only a `StillbeatError` may come out of it.

Makers know the structure of what they make: chunks and their lengths, variable-length numbers, running status, SysEx in
pieces (``F0`` … ``F7`` continuations) and escapes, SMPTE divisions, formats 0 to 2, storms of RPN and NRPN, mode
messages, resets, set-ups of drum kits, foreign tunings. About every third file is
then damaged: bytes changed, cut out, doubled.

Index: `Door`, `doors`, `smf`, `run`, `Outcome`.

Sources of the structure: *Standard MIDI Files 1.0* (RP-001); *MIDI 1.0 Detailed Specification*; CA-020, CA-021
(tunings); TOML v1.0.0; RFC 8259 (JSON); RFC 4180 (CSV).
"""

from __future__ import annotations

import contextlib
import random
import resource
import struct
import time
import traceback
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

Maker = Callable[[random.Random], bytes]

ROOT = Path(__file__).resolve().parents[2]


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


def _events(rng: random.Random) -> Iterator[bytes]:
    """Single events of a track, without their delta times."""
    channel = rng.randrange(16)
    keys = [rng.randrange(128) for _ in range(3)]
    for _ in range(rng.choice((1, 3, 10, 40, 120))):
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
    body = rng.choice(_RESETS + _TUNINGS + (b"", b"\xf7", b"\x41\x10\x42\x12\x40\x11\x15\x02\x18\xf7"))
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


def smf(rng: random.Random) -> bytes:
    """A Standard MIDI File."""
    tracks = []
    for _ in range(rng.choice((0, 1, 1, 2, 5, 17))):
        track, running = b"", 0
        for event in _events(rng):
            track += number(rng.choice((0, 0, 1, 24, 480, 5000, rng.choice((0, 0xFFFFFFF)))))
            if event[0] == running and rng.random() < 0.7:
                event = event[1:]
            else:
                running = event[0] if event[0] < 0xF0 else 0
            track += event
        if rng.random() < 0.9:
            track += b"\0\xff\x2f\0"
        tracks.append(_chunk(b"MTrk", track))
    division = rng.choice((1, 96, 480, 0x7FFF, 0xE250, 0xE728, 0x8000, 0))
    count = rng.choice((len(tracks), len(tracks), 0, 0xFFFF))
    head = struct.pack(">HHH", rng.choice((0, 1, 1, 2, 3)), count, division)
    return _chunk(b"MThd", head) + b"".join(tracks)


def _syx(rng: random.Random) -> bytes:
    return b"".join(b"\xf0" + rng.choice(_TUNINGS + _RESETS + (b"\xf7",)) for _ in range(rng.randint(0, 4)))


def _values(rng: random.Random) -> str:
    odd = (
        "1" * 5000,
        "1e999",
        "-1",
        "0",
        "nan",
        "inf",
        "Infinity",
        '"5/4"',
        '"0/1"',
        '"\\u001b[2J"',
        "[1, [2]]",
        "{}",
        "true",
    )
    deep = (
        "[" * 3000,
        '"' + "x" * 3000 + '"',
        "1979-05-27",
        "''",
        '"C:/x"',
        '"../../etc/passwd"',
        '"a\\u0000b"',
        "{a.b.c = 1}",
    )
    return rng.choice(odd + deep)


def _description(rng: random.Random) -> bytes:
    """A description of any kind, with entries changed."""
    kinds = [*ROOT.glob("tables/*/*.toml"), ROOT / "examples/evening/evening.toml"]
    lines = rng.choice(kinds).read_text(encoding="utf-8").split("\n")
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(lines))
        name, sign, _ = lines[at].partition("=")
        change = rng.random()
        if change < 0.5 and sign:
            lines[at] = f"{name}= {_values(rng)}"
        elif change < 0.7:
            lines.insert(
                at,
                rng.choice(
                    ("[[x]]", "[keys]", "a" + ".a" * 40 + " = 1", "]", '"', "reference = 5", "\x00", "# é")
                ),
            )
        elif change < 0.85:
            del lines[at]
        else:
            lines.insert(at, lines[rng.randrange(len(lines))])
    return "\n".join(lines).encode("utf-8")


def _json(rng: random.Random) -> bytes:
    rows = [f'{{"key": {k}, "hz": {440.0 * 2 ** ((k - 69) / 12)!r}}}' for k in range(128)]
    for _ in range(rng.randint(0, 3)):
        rows[rng.randrange(128)] = rng.choice(
            ('{"key": 7, "hz": 1}', "7", "{}", f'{{"key": 3, "hz": {_values(rng)}}}')
        )
    text = '{"schema": 1, "keys": [' + ",".join(rows) + "]}"
    return rng.choice(
        (text, text[:-2], "[" * 100_000, _values(rng), '{"keys": ' + _values(rng) + "}")
    ).encode()


def _csv(rng: random.Random) -> bytes:
    rows = [f"{k},{440.0 * 2 ** ((k - 69) / 12)!r}" for k in range(128)]
    for _ in range(rng.randint(0, 3)):
        rows[rng.randrange(128)] = rng.choice(("7,1", "", ",", "x,y", f"3,{_values(rng)}", '"', "\0"))
    return ("key,hz\n" + "\n".join(rows)).encode()


def _manifest(rng: random.Random) -> bytes:
    entry = f'{{"path": {_values(rng)}, "sha256": "00", "bytes": {_values(rng)}}}'
    whole = (
        f'{{"kind": "stillbeat session", "schema": 1, "session": {{}}, "files": [{entry}], "tasks": {{}}}}'
    )
    return rng.choice((whole, whole[: rng.randrange(len(whole))], _values(rng))).encode()


def _sound(rng: random.Random) -> bytes:
    channels, rate = (
        rng.choice((0, 1, 2, 8, 300, 65535)),
        rng.choice((0, 1, 8, 8000, 44100, 192000, 0xFFFFFFFF)),
    )
    tag, bits = rng.choice(((1, 16), (1, 8), (1, 24), (3, 32), (3, 64), (7, 8), (0xFFFE, 16)))
    data = rng.choice(
        (b"", bytes(rng.randrange(256) for _ in range(400)), struct.pack("<d", 1e300) * 400, b"\0" * 4000)
    )
    form = struct.pack(
        "<HHIIHH", tag, channels, rate, (rate * 4) & 0xFFFFFFFF, max(1, channels * bits // 8) & 0xFFFF, bits
    )
    size = rng.choice((len(data), 0xFFFFFFFF, 0))
    body = b"WAVE" + b"fmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", size) + data
    return b"RIFF" + struct.pack("<I", len(body)) + body


def damaged(rng: random.Random, data: bytes) -> bytes:
    """The same, two times in three; else with bytes changed, cut out or doubled."""
    if rng.random() < 0.66 or not data:
        return data
    out = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        if not out:
            break
        at = rng.randrange(len(out))
        change = rng.random()
        if change < 0.5:
            out[at] = rng.choice((0, 0x7F, 0x80, 0xF0, 0xF7, 0xFF, rng.randrange(256)))
        elif change < 0.75:
            del out[at : at + rng.choice((1, 4, 100))]
        else:
            out[at:at] = out[at : at + rng.choice((1, 4, 100))]
    return bytes(out)


@dataclass(frozen=True)
class Door:
    """One way in: what makes inputs for it, and what reads them."""

    name: str
    make: Maker
    read: Callable[[bytes], object]


def doors(folder: Path) -> list[Door]:
    """All readers; those that want a path get a file in `folder`."""
    from bridge.errors import StillbeatError
    from bridge.jobs.read import read_table
    from bridge.jobs.retune import RetuneRequest, retune_midi
    from bridge.jobs.session.manifest import NAME, read_manifest
    from bridge.sound.files.audiofile import read_take
    from bridge.store.descriptions import guitar_table, load_guitar, load_scale, load_table
    from bridge.store.profiles import load_profile
    from bridge.store.session.reading import load_session
    from bridge.store.smf import midi_bytes, parse_midi
    from bridge.tuning.changes import parse_at

    spec = guitar_table(load_guitar("open-d"))
    at = (parse_at("2=G"), parse_at("3=fret:2"))

    def kept(name: str, read: Callable[[str], object]) -> Callable[[bytes], object]:
        path = folder / name

        def put(data: bytes) -> object:
            path.write_bytes(data)
            return read(str(path))

        return put

    def retune(method: str) -> Callable[[bytes], object]:
        def through(data: bytes) -> object:
            midi = parse_midi(data)
            plain = RetuneRequest(spec, method)
            with contextlib.suppress(StillbeatError):  # there may be no such bar: then without
                plain = RetuneRequest(spec, method, at=at)
                return midi_bytes(retune_midi(midi, plain)[0])
            return midi_bytes(retune_midi(midi, RetuneRequest(spec, method))[0])

        return through

    return [
        Door("midi", smf, parse_midi),
        *(
            Door(f"retune {method}", smf, retune(method))
            for method in ("auto", "note", "octave", "dump", "bend", "mpe")
        ),
        Door("sysex", _syx, kept("a.syx", lambda path: read_table(Path(path)))),
        Door("set-up file", smf, kept("a.mid", lambda path: read_table(Path(path)))),
        Door("json", _json, kept("a.json", lambda path: read_table(Path(path)))),
        Door("csv", _csv, kept("a.csv", lambda path: read_table(Path(path)))),
        Door("scale", _description, kept("s.toml", load_scale)),
        Door("guitar", _description, kept("g.toml", load_guitar)),
        Door("table", _description, kept("t.table.toml", load_table)),
        Door("synth", _description, kept("p.toml", load_profile)),
        Door("session", _description, kept("e.toml", load_session)),
        Door("manifest", _manifest, kept(NAME, lambda _: read_manifest(folder))),
        Door("sound", _sound, kept("a.wav", read_take)),
    ]


@dataclass
class Outcome:
    """What a campaign met."""

    inputs: int = 0
    read: int = 0
    refused: int = 0
    slowest_s: float = 0.0
    grown_mb: float = 0.0
    faults: list[str] = field(default_factory=list)


def run(door: Door, seeds: range, most_s: float = 5.0) -> Outcome:
    """Send one input for each seed through a door; warnings count as faults."""
    from bridge.errors import StillbeatError

    done = Outcome()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for seed in seeds:
        rng = random.Random(f"{door.name} {seed}")
        data = damaged(rng, door.make(rng))
        start = time.process_time()
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                door.read(data)
            done.read += 1
        except StillbeatError as error:
            done.refused += 1
            if error.exit_code not in (2, 3) or "\x1b" in str(error) or "\0" in str(error):
                done.faults.append(f"{door.name} seed {seed}: {error!r}")
        except Exception:
            done.faults.append(f"{door.name} seed {seed}: {traceback.format_exc(limit=-3)}")
        spent = time.process_time() - start
        done.slowest_s = max(done.slowest_s, spent)
        if spent > most_s:
            done.faults.append(f"{door.name} seed {seed}: {spent:.1f} s for {len(data)} bytes")
        done.inputs += 1
    done.grown_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    return done
