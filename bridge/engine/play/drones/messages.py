"""What the drones have in common: their messages, and doing one thing after the other, each when it is due.

Loudness is expression (controller 11) on channels of their own; a note off the table is bent by at most
`BEND_RANGE_SEMITONES`. Channels are 1 to 16, times in seconds.

Sources: MIDI 1.0 Detailed Specification (expression, controller 11; pitch bend).
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from bridge.engine.channel_state import EXPRESSION
from bridge.wire.rpn import bend_range

BEND_RANGE_SEMITONES = 2
STEP_S = 0.05
"""Time between two steps of a swell, a fade or of settling."""
DRONE_VELOCITY = 108
"""How hard notes are struck that sound on their own."""


def expression(channel: int, value: int) -> bytes:
    """Return the message that makes a channel so loud, 0 to 127."""
    return bytes((0xB0 | channel - 1, EXPRESSION, value))


def struck(channel: int, key: int, velocity: int = DRONE_VELOCITY) -> bytes:
    """Return a note-on."""
    return bytes((0x90 | channel - 1, key, velocity))


def let_go(channel: int, key: int) -> bytes:
    """Return a note-off."""
    return bytes((0x80 | channel - 1, key, 64))


def prepared(channels: Iterable[int], program: int | None) -> list[bytes]:
    """Return what channels are told before their first note: the sound (None: none), and how far they bend."""
    sent: list[bytes] = []
    for channel in channels:
        if program is not None:
            sent.append(bytes((0xC0 | channel - 1, program)))
        sent += bend_range(channel, BEND_RANGE_SEMITONES)
    return sent


def restored(channels: Iterable[int]) -> list[bytes]:
    """Return what puts back what a drone changed beside notes and bends: expression, on every channel given."""
    return [expression(channel, 127) for channel in channels]


def quieter(notes: int) -> float:
    """Return by what expression is divided for so many notes at a time: the power of their sum stays the same."""
    return math.sqrt(math.sqrt(max(notes, 1)))


class StepByStep:
    """A source of notes that does one thing after the other; `_do` does what is due, and sets `_next_s` anew."""

    _next_s: float | None = None

    @property
    def next_s(self) -> float | None:
        """When `due` wants to be called next, infinite while it is only held; None while nothing more comes."""
        return self._next_s

    def due(self, now_s: float) -> list[tuple[float, bytes]]:
        """Return what is due by now: the time at which it was due, and one whole message."""
        found: list[tuple[float, bytes]] = []
        while self._next_s is not None and self._next_s <= now_s:
            at_s = self._next_s
            found += [(at_s, data) for data in self._do(at_s)]
        return found

    def _do(self, at_s: float) -> list[bytes]:
        raise NotImplementedError
