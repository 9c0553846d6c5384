"""Notices that what we send comes back: a cable, a switch (Thru, Echo) or a patch that makes a loop during play.

What comes in is held against what went out before it, one for one: a message that went out once can come back once.
Much that comes back is no proof, for a keyboard may well say the same thing again and again (a hard aftertouch does),
so it is only a reason to ask. The question is three pressures of single keys at the ends of the keyboard, which nobody
holds, with values that only we know: nothing is heard of them, and only a loop brings all three back.
Whoever asks may ask by a SysEx message too, for a device may transpose what it sends on (`confirm`).

There is no clock in here: `turn` is called at regular intervals, and looks at what came since the last one.

Source: MIDI 1.0 Detailed Specification, "Polyphonic Key Pressure" (it concerns keys that are down).
"""

from __future__ import annotations

from collections.abc import Sequence

SUSPECT = 12
"""So many messages that come back between two turns are a reason to ask."""
CLEAR_TURNS = 4
"""So many questions in a row that nothing answers show that a loop is gone."""
_KEYS = (0, 127, 1)


class LoopWatch:
    """Follows what goes out and what comes in.

    Parameters
    ----------
    values : sequence of int
        Three values from 0 to 127 that nobody can guess.
    """

    def __init__(self, values: Sequence[int]) -> None:
        self.found = False  # whether what we send comes back
        self._values = tuple(value & 0x7F for value in values)
        self._nibble = 0
        self._out: dict[bytes, int] = {}
        self._before: dict[bytes, int] = {}
        self._returned = 0
        self._missing: set[bytes] = set()
        self._clear = 0

    def question(self) -> list[bytes]:
        """Return what only a loop brings back."""
        asked = zip(_KEYS, self._values, strict=True)
        return [bytes((0xA0 | self._nibble, key, value)) for key, value in asked]

    def sent(self, data: bytes) -> None:
        """Take notice of a message that goes out."""
        self._out[data] = self._out.get(data, 0) + 1

    def came(self, data: bytes) -> bool:
        """Take notice of a message that came in, before anything is sent for it; tell whether it is our question."""
        if data in self._missing:
            self._missing.discard(data)
            if not self._missing:
                self.confirm()
            return True
        for out in (self._before, self._out):
            count = out.get(data, 0)
            if count:
                out[data] = count - 1
                self._returned += 1
                if data[0] < 0xF0:
                    self._nibble = data[0] & 0x0F
                break
        return False

    def confirm(self) -> None:
        """Something else has shown that what we send comes back."""
        self.found, self._clear = True, 0

    def turn(self) -> list[bytes]:
        """Begin the next stretch of time; return a question where there is reason to ask."""
        returned, self._returned = self._returned, 0
        self._before, self._out = self._out, {}
        if self.found:
            self._clear += 1
            self.found = self._clear <= CLEAR_TURNS
        self._missing = set(self.question()) if self.found or returned >= SUSPECT else set()
        return sorted(self._missing)
