"""The messages of the MIDI Tuning standard as bytes: `encode` and `decode`.

Conventions: `encode` returns the whole message, F0 to F7, and `decode` takes one. The records are made in
`bridge.wire.records`, their layouts stand in `bridge.wire.specs`, one row a message; both directions walk that row.

=====================  ===================================  =======================================
record                 messages (sub-ID#1 08 if not said)   header
=====================  ===================================  =======================================
`DumpRequest`          00; 03 with bank                     7E
`BulkDump`             01; 04 with bank                     7E
`OctaveDump`           05 (1-byte form); 06 (2-byte)        7E
`NoteTuning`           02; 07 with bank                     7F; 7F or 7E
`OctaveTuning`         08 (1-byte form); 09 (2-byte)        7F or 7E
`MasterFineTuning`     sub-IDs 04 03                        7F
=====================  ===================================  =======================================

Where decoding is more tolerant than the specification, and why:

- A wrong checksum is read and flagged (`checksum_ok`): no synthesizer tried verifies them. Two shorter sums
  that FluidSynth 2.3.1 sends (without device ID and name; with a bank, without the 7E) count as right.
- Its dump with a bank (04) FluidSynth 2.3.1 calls 01: one byte too long for that, it is read as 04.
- Reserved bits of the channel mask are ignored.
- Frequency data ``7F 7F 7F`` is read as `NO_CHANGE`; `encode` refuses to send it.
- A name may hold any 7-bit characters; spaces at its end are dropped.

`decode` raises `WireError` and nothing else, whatever the bytes.

Source: MIDI 1.0 Detailed Specification, "MIDI Tuning"; CA-020, CA-021 / RP-020; CA-025 (master fine tuning).
"""

from __future__ import annotations

from collections.abc import Sequence

from bridge.errors import StillbeatError, ValueProblem, WireError
from bridge.wire.records import (
    ALL_DEVICES,
    BulkDump,
    DumpRequest,
    MasterFineTuning,
    Message,
    NoteTuning,
    OctaveDump,
    OctaveTuning,
    cents_to_offset,
    offset_to_cents,
)
from bridge.wire.specs import SPECS, Spec, spec_of_sub_ids

__all__ = [
    "ALL_DEVICES",
    "BulkDump",
    "DumpRequest",
    "MasterFineTuning",
    "Message",
    "NoteTuning",
    "OctaveDump",
    "OctaveTuning",
    "cents_to_offset",
    "checksum",
    "decode",
    "encode",
    "offset_to_cents",
]

_SYSEX, _END = 0xF0, 0xF7


_DUMP_WITH_BANK = next(spec for spec in SPECS if spec.sub_ids == (8, 4))


def checksum(data: bytes | bytearray) -> int:
    """Return the XOR of bytes, seven bits: for a dump, of everything between F0 and the checksum."""
    total = 0
    for byte in data:
        total ^= byte
    return total & 0x7F


def _spec_of(message: Message) -> Spec:
    for spec in SPECS:
        if type(message) is spec.record and all(
            getattr(message, name) == value for name, value in spec.fixed.items()
        ):
            return spec
    raise ValueProblem(f"{message!r} is no tuning message")


def encode(message: Message) -> bytes:
    """Return the bytes of a tuning message, F0 to F7.

    ValueProblem if it holds frequency data ``7F 7F 7F`` (`NO_CHANGE`), which is never sent.
    """
    spec = _spec_of(message)
    header = (0x7F if message.realtime else 0x7E) if spec.two_headers else spec.headers[0]  # type: ignore[union-attr]
    body = bytearray((header, message.device_id, *spec.sub_ids))
    for part in spec.parts:
        body += part.write(getattr(message, part.name))
    if spec.checksum:
        body.append(checksum(body))
    return bytes((_SYSEX, *body, _END))


def decode(sysex: bytes | bytearray | Sequence[int]) -> Message:
    """Return the record of a tuning message, F0 to F7.

    WireError if the bytes are not one whole tuning message. Nothing else is raised, whatever the bytes.
    """
    try:
        data = bytes(sysex)
    except (ValueError, TypeError):
        raise WireError("a MIDI message is made of bytes, 0 to 255 each") from None
    if len(data) < 7 or data[0] != _SYSEX or data[-1] != _END:
        raise WireError("not a whole SysEx message: it must begin with F0 and end with F7")
    body = data[1:-1]
    if max(body) > 0x7F:
        raise WireError(
            "a SysEx message holds a byte above 7F", "it was cut off, or another message runs into it"
        )
    misnamed = body[2:4] == b"\x08\x01" and len(data) == _DUMP_WITH_BANK.length()
    spec = _DUMP_WITH_BANK if misnamed else spec_of_sub_ids(body[2], body[3])
    if spec is None or body[0] not in (0x7E, 0x7F):
        raise WireError(f"not a tuning message: it begins {data[:5].hex(' ').upper()}")
    if body[0] not in spec.headers:
        kind = "a real-time" if body[0] == 0x7F else "a non-real-time"
        raise WireError(f"a {spec.title} cannot be {kind} message")
    values: dict[str, object] = {**spec.fixed, "device_id": body[1]}
    if spec.two_headers:
        values["realtime"] = body[0] == 0x7F
    at = 4
    end = len(body) - spec.checksum
    for part in spec.parts:
        size = part.size(body[at:end])
        if size < 0 or at + size > end:
            raise WireError(f"a {spec.title} is cut short in its {part.title}: {len(data)} bytes")
        values[part.name] = part.read(body[at : at + size])
        at += size
    if at != end:
        raise WireError(f"a {spec.title} is {end - at} bytes too long: {len(data)} bytes")
    if spec.checksum:
        values["checksum_ok"] = body[-1] in (checksum(body[:-1]), *_short_sums(spec, body))
    try:
        message: Message = spec.record(**values)
    except StillbeatError as problem:
        raise WireError(f"a {spec.title} that cannot be: {problem.message}", problem.hint) from None
    return message


def _short_sums(spec: Spec, body: bytes) -> tuple[int, ...]:
    """Return the shorter checksums that FluidSynth 2.3.1 puts under its replies to a dump request."""
    if spec.sub_ids == (8, 1):  # without device ID and name
        return (checksum(body[:1] + body[2:5] + body[21:-1]),)
    if spec.sub_ids == (8, 4):  # without the 7E
        return (checksum(body[1:-1]),)
    return ()
