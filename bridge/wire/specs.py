"""The layouts of the tuning messages: one row each, from which encoder, decoder and tests work.

A row (`Spec`) gives the sub-IDs, the headers allowed, the record, and the parts in order. A part (`Part`) knows its
bytes both ways and the range of every number in it. All messages share the beginning ``F0 hh dd ss ss`` (header,
device ID, two sub-IDs) and the end ``F7``; a row with `checksum` has the XOR of everything between F0 and it,
seven bits, before the F7.

To add a message: a record in `bridge.wire.records`, a row here. `SPECS` is in the order of the sub-IDs; of two rows
with the same record the first whose `fixed` values fit is encoded.

Source: MIDI 1.0 Detailed Specification, "MIDI Tuning"; CA-020, CA-021 / RP-020; CA-025 (master fine tuning).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from bridge.wire import records, rpn
from bridge.wire.frequency import MAX_DATA, bytes_to_frequency_data, frequency_data_to_bytes

REALTIME, NON_REALTIME = 0x7F, 0x7E


@dataclass(frozen=True)
class Part:
    """One part of a layout."""

    name: str  # the record's attribute
    # In words, and as the standard writes it.
    title: str
    layout: str
    # Range of each number in it.
    low: int
    high: int
    # From the bytes that follow to the number of bytes that are this part's (−1 if they are too few to tell).
    size: Callable[[bytes], int]
    # Value to bytes and back; `read` gets exactly the bytes that `size` said, all below 80.
    write: Callable[[Any], bytes]
    read: Callable[[bytes], Any]


@dataclass(frozen=True)
class Spec:
    """One message: its place in the standard, its record and its layout."""

    sub_ids: tuple[int, int]
    title: str
    headers: tuple[int, ...]
    record: type[Any]
    parts: tuple[Part, ...]
    fixed: Mapping[str, Any] = field(default_factory=dict)
    checksum: bool = False

    @property
    def two_headers(self) -> bool:
        """Whether the record itself says real time or not."""
        return "realtime" in self.record.__dataclass_fields__ and "realtime" not in self.fixed

    def length(self) -> int | None:
        """Return the length of the whole message in bytes, or None if it varies."""
        sizes = [part.size(b"") for part in self.parts]
        return None if min(sizes, default=0) < 0 else 5 + sum(sizes) + self.checksum + 1


def _number(name: str, title: str, layout: str) -> Part:
    return Part(name, title, layout, 0, 127, lambda _: 1, lambda value: bytes((value,)), lambda data: data[0])


def _write_keys(keys: tuple[tuple[int, int], ...]) -> bytes:
    out = bytearray((len(keys),))
    for key, data in keys:
        out.append(key)
        out += frequency_data_to_bytes(data)
    return bytes(out)


def _read_keys(data: bytes) -> tuple[tuple[int, int], ...]:
    return tuple((data[at], bytes_to_frequency_data(data[at + 1 : at + 4])) for at in range(1, len(data), 4))


def _write_mask(channels: tuple[int, ...]) -> bytes:
    bits = 0
    for channel in channels:
        bits |= 1 << channel - 1
    return bytes((bits >> 14, bits >> 7 & 0x7F, bits & 0x7F))


def _read_mask(data: bytes) -> tuple[int, ...]:
    bits = (data[0] & 0x03) << 14 | data[1] << 7 | data[2]  # bits 2 to 6 of the first byte are reserved
    return tuple(channel for channel in range(1, 17) if bits >> channel - 1 & 1)


def _write_pairs(values: tuple[int, ...]) -> bytes:
    return bytes(half for value in values for half in (value >> 7, value & 0x7F))


def _read_pairs(data: bytes) -> tuple[int, ...]:
    return tuple(data[at] << 7 | data[at + 1] for at in range(0, len(data), 2))


PROGRAM = _number("program", "tuning program", "tt")
BANK = _number("bank", "tuning bank", "bb")
NAME = Part(
    "name",
    "name",
    "16 ASCII",
    0,
    127,
    lambda _: records.NAME_LENGTH,
    lambda name: name.ljust(records.NAME_LENGTH).encode("ascii"),
    lambda data: data.decode("ascii").rstrip(" "),
)
KEYS = Part(
    "keys",
    "list of keys",
    "ll, ll × kk xx yy zz",
    0,
    MAX_DATA,
    lambda data: 1 + 4 * data[0] if data else -1,
    _write_keys,
    _read_keys,
)
FREQUENCIES = Part(
    "data",
    "table of 128 keys",
    "128 × xx yy zz",
    0,
    MAX_DATA,
    lambda _: 3 * records.KEY_COUNT,
    lambda table: b"".join(map(frequency_data_to_bytes, table)),
    lambda data: tuple(bytes_to_frequency_data(data[at : at + 3]) for at in range(0, len(data), 3)),
)
OFFSETS_1 = Part("offsets", "twelve offsets", "12 × ss", 0, 127, lambda _: 12, bytes, tuple)
OFFSETS_2 = Part("offsets", "twelve offsets", "12 × ss tt", 0, 16383, lambda _: 24, _write_pairs, _read_pairs)
MASK = Part("channels", "channel mask", "ff gg hh", 1, 16, lambda _: 3, _write_mask, _read_mask)
FINE = Part(
    "cents",
    "fine tuning",
    "ll mm",
    0,
    16383,
    lambda _: 2,
    lambda cents: bytes(((data := rpn.fine_tuning_data(cents)[0]) & 0x7F, data >> 7)),
    lambda data: rpn.fine_tuning_cents(data[0] | data[1] << 7),
)

SPECS: tuple[Spec, ...] = (
    Spec(
        (8, 0), "bulk tuning dump request", (NON_REALTIME,), records.DumpRequest, (PROGRAM,), {"bank": None}
    ),
    Spec(
        (8, 1),
        "bulk tuning dump",
        (NON_REALTIME,),
        records.BulkDump,
        (PROGRAM, NAME, FREQUENCIES),
        {"bank": None},
        checksum=True,
    ),
    Spec(
        (8, 2),
        "single note tuning change",
        (REALTIME,),
        records.NoteTuning,
        (PROGRAM, KEYS),
        {"bank": None, "realtime": True},
    ),
    Spec((8, 3), "bulk tuning dump request with bank", (NON_REALTIME,), records.DumpRequest, (BANK, PROGRAM)),
    Spec(
        (8, 4),
        "bulk tuning dump with bank",
        (NON_REALTIME,),
        records.BulkDump,
        (BANK, PROGRAM, NAME, FREQUENCIES),
        checksum=True,
    ),
    Spec(
        (8, 5),
        "scale/octave dump, 1-byte form",
        (NON_REALTIME,),
        records.OctaveDump,
        (BANK, PROGRAM, NAME, OFFSETS_1),
        {"form": 1},
        checksum=True,
    ),
    Spec(
        (8, 6),
        "scale/octave dump, 2-byte form",
        (NON_REALTIME,),
        records.OctaveDump,
        (BANK, PROGRAM, NAME, OFFSETS_2),
        {"form": 2},
        checksum=True,
    ),
    Spec(
        (8, 7),
        "single note tuning change with bank",
        (REALTIME, NON_REALTIME),
        records.NoteTuning,
        (BANK, PROGRAM, KEYS),
    ),
    Spec(
        (8, 8),
        "scale/octave tuning, 1-byte form",
        (REALTIME, NON_REALTIME),
        records.OctaveTuning,
        (MASK, OFFSETS_1),
        {"form": 1},
    ),
    Spec(
        (8, 9),
        "scale/octave tuning, 2-byte form",
        (REALTIME, NON_REALTIME),
        records.OctaveTuning,
        (MASK, OFFSETS_2),
        {"form": 2},
    ),
    Spec((4, 3), "master fine tuning", (REALTIME,), records.MasterFineTuning, (FINE,)),
)

_BY_SUB_IDS = {spec.sub_ids: spec for spec in SPECS}


def spec_of_sub_ids(sub_id_1: int, sub_id_2: int) -> Spec | None:
    """Return the row of two sub-IDs, or None if it is no tuning message."""
    return _BY_SUB_IDS.get((sub_id_1, sub_id_2))
