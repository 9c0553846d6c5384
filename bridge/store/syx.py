"""SysEx files (.syx): messages one after another, nothing else.

Conventions: a message is `bytes` from ``F0`` through ``F7``; offsets count bytes from the start of the file.

Source: *MIDI 1.0 Detailed Specification* (MIDI Manufacturers Association), system exclusive messages. The file
itself is common practice: the plain concatenation of messages.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from bridge.errors import InputProblem, ValueProblem

_MESSAGE = re.compile(rb"\xf0[\x00-\x7f]*\xf7")
_HEX_TEXT = re.compile(rb"\s*(0x)?F0[\s,]*(0x)?[0-7][0-9A-F][\s,0-9A-FX]*", re.IGNORECASE)


def parse_syx(data: bytes, name: str = "the SysEx file") -> list[bytes]:
    """Split the bytes of a SysEx file into its messages, at least one, each ``F0`` … ``F7``.

    InputProblem, which calls the file `name`, if it is empty, something else than SysEx, cut off, or holds
    anything between the messages; the offset of the first wrong byte is named.
    """
    if not data:
        raise InputProblem(f"{name} is empty", "fetch or export the file again")
    if data[0] != 0xF0:
        raise InputProblem(f"{name} is not a SysEx file: it does not start with F0", _what_instead(data))
    messages: list[bytes] = []
    pos = 0
    while pos < len(data):
        match = _MESSAGE.match(data, pos)
        if match:
            messages.append(match[0])
            pos = match.end()
        elif data[pos] != 0xF0:
            raise InputProblem(
                f"{name} holds {data[pos]:02X} at byte {pos}, between messages {len(messages)} and "
                f"{len(messages) + 1}, where F0 must stand",
                "only SysEx messages belong in such a file",
            )
        else:
            number = len(messages) + 1
            for at in range(pos + 1, len(data)):
                if data[at] > 0x7F:
                    raise InputProblem(
                        f"{name} holds {data[at]:02X} at byte {at}, inside message {number}: "
                        "only 00 to 7F may stand before its F7",
                        "the file is damaged or was joined from pieces; fetch or export it again",
                    )
            raise InputProblem(
                f"{name} is cut off: message {number}, from byte {pos} on, has no F7 at its end",
                "fetch or export the file again",
            )
    return messages


def syx_bytes(messages: Iterable[bytes]) -> bytes:
    """Return the bytes of a SysEx file.

    ValueProblem if one of the messages is not whole: ``F0``, data below 80, ``F7``.
    """
    parts = list(messages)
    for number, message in enumerate(parts, 1):
        if not _MESSAGE.fullmatch(message):
            raise ValueProblem(
                f"message {number} is no whole SysEx message: {message[:8].hex(' ')} … ({len(message)} bytes)",
                "F0 first, then 00 to 7F, then F7",
            )
    return b"".join(parts)


def _what_instead(data: bytes) -> str:
    """Guess what the file is, and what to do."""
    if data.startswith((b"MThd", b"RIFF")):
        return "it is a MIDI file or a recording: give it a name that ends in .mid, or export SysEx"
    if _HEX_TEXT.match(data):
        return "it is a list of numbers as text: save it as binary SysEx"
    return "a SysEx file is binary, messages from F0 to F7"
