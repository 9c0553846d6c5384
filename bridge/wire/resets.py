"""SysEx messages after which a tuning must be sent again, and those that turn a part into drums.

Conventions: whole messages, F0 to F7; channels are 1 to 16. Nothing here raises: bytes that are something else give
None. Reset messages are recognised for any device ID and whatever their checksum, since taking one too many for a
reset only sends the tuning twice; a part is called drums only where the checksum is right, as receivers demand.

===========================================  ==========
message                                      kind
===========================================  ==========
F0 7E dd 09 01 F7, GM on; 09 02, GM off      ``gm``
F0 7E dd 09 03 F7, GM2 on                    ``gm2``
F0 41 dd 42 12 40 00 7F vv ck F7             ``gs``
F0 41 dd 42 12 00 00 7F vv ck F7             ``gs`` (system mode)
F0 43 1n 4C 00 00 7E 00 F7                   ``xg``
F0 43 1n 4C 00 00 7F 00 F7                   ``xg`` (all parameters)
===========================================  ==========

Sources: *General MIDI System Level 1* and *General MIDI 2* (RP-024) for the first two; for GS and XG the MIDI
implementation charts of their instruments (from memory; the GS checksum rule is checked by its own definition:
address, data and checksum add up to a multiple of 128).
"""

from __future__ import annotations

from typing import Literal, TypeAlias

ResetKind: TypeAlias = Literal["gm", "gm2", "gs", "xg"]

_GM_KINDS: dict[int, ResetKind] = {1: "gm", 2: "gm", 3: "gm2"}
_RHYTHM_PARAMETER = 0x15  # "use for rhythm part" of a GS part block, 40 1p 15
_XG_PART_MODE = 0x07  # "part mode" of an XG part, 08 pp 07


def reset_kind(sysex: bytes) -> ResetKind | None:
    """Return which reset a SysEx message is, or None."""
    if len(sysex) < 6 or sysex[0] != 0xF0 or sysex[-1] != 0xF7:
        return None
    if sysex[1] == 0x7E:
        return _GM_KINDS.get(sysex[4]) if len(sysex) == 6 and sysex[3] == 0x09 else None
    if sysex[1] == 0x41:
        whole = len(sysex) == 11 and sysex[3:5] == b"\x42\x12"
        return "gs" if whole and sysex[5:8] in (b"\x40\x00\x7f", b"\x00\x00\x7f") else None
    if sysex[1] == 0x43:
        whole = len(sysex) == 9 and sysex[2] & 0xF0 == 0x10 and sysex[3] == 0x4C
        return "xg" if whole and sysex[4:8] in (b"\x00\x00\x7e\x00", b"\x00\x00\x7f\x00") else None
    return None


def rhythm_part(sysex: bytes) -> tuple[int, bool] | None:
    """Return the channel that a message makes a drum part (True) or an ordinary one (False), or None.

    The channel is the one that the part receives by default: GS part blocks 1 to 9 and A to F are channels 1 to 9
    and 11 to 16, block 0 is channel 10; XG parts are in channel order.
    """
    if len(sysex) < 9 or sysex[0] != 0xF0 or sysex[-1] != 0xF7:
        return None
    if sysex[1] == 0x41 and sysex[3:5] == b"\x42\x12" and len(sysex) >= 11:
        body, data = sysex[5:-1], sysex[8:-2]
        if body[0] != 0x40 or body[1] & 0xF0 != 0x10 or sum(body) & 0x7F:
            return None
        at = _RHYTHM_PARAMETER - body[2]
        if not 0 <= at < len(data):
            return None
        block = body[1] & 0x0F
        channel = 10 if block == 0 else block if block <= 9 else block + 1
        return channel, data[at] != 0
    if sysex[1] == 0x43 and sysex[2] & 0xF0 == 0x10 and sysex[3:5] == b"\x4c\x08" and sysex[5] < 16:
        data = sysex[7:-1]
        at = _XG_PART_MODE - sysex[6]
        return (sysex[5] + 1, data[at] != 0) if 0 <= at < len(data) else None
    return None
