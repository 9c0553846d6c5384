"""One instrument on both sides, and loops: what would make a table sound wrong or never end.

A keyboard that is also the synth plays its own tempered sound beside the one that we tune, unless its local control
is off. A port whose other end is its own beginning, or a synth that sends on what it receives, makes a loop: every
note comes back and is sent again. The first shows in the ports' names; a loop is found by a message that can only be
ours.

Sources: MIDI 1.0 Detailed Specification, "Local Control" (controller 122), and SysEx ID 7D (non-commercial use, which
no instrument obeys).
"""

from __future__ import annotations

import os

from bridge.ports.pick import base_name, device_of

PANEL_HINT = (
    "if you still hear two sounds, switch Local Control off at the instrument's panel (often under MIDI or "
    "System), and on again afterwards"
)


def one_instrument(in_name: str, out_name: str) -> bool:
    """Tell whether two ports belong to the same device."""
    return device_of(in_name) == device_of(out_name)


def is_through(in_name: str, out_name: str) -> bool:
    """Tell whether what goes out of one port comes straight back at the other."""
    return base_name(in_name) == base_name(out_name) and "through" in in_name.lower()


def local_control(on: bool) -> list[bytes]:
    """Return what switches an instrument's own connection of keyboard and sound on or off, on all channels."""
    return [bytes((0xB0 | nibble, 122, 127 if on else 0)) for nibble in range(16)]


class LoopProbe:
    """A message that is sent out and must not come back: different for every process."""

    def __init__(self) -> None:
        self.message = b"\xf0\x7dstillbeat" + bytes(byte & 0x7F for byte in os.urandom(6)) + b"\xf7"
