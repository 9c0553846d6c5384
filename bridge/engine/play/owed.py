"""What a synth was really sent: the notes that it owes us an end for, and the sounds that its channels were given.

A `Ledger` writes into a buffer handed to it. If that is a file in memory, it outlives any end of the process, and the
next start can still silence what hangs.

Layout of the buffer (`LEDGER_BYTES`)
-------------------------------------
=============  ==========================================================================================
bytes          meaning
=============  ==========================================================================================
0 to 7         ``stillbe1``, once something has been written
8              1 while the instrument's local control is switched off by us
16 to 2063     strikes that are owed an end, by channel and key; 255 stands for so many or more
2064 to 4127   for each channel: bank MSB, LSB and program (255: never sent), then controllers 0 to 125
=============  ==========================================================================================
"""

from __future__ import annotations

from typing import Protocol

from bridge.engine.lifetimes import PEDALS

LEDGER_BYTES = 4128
_MARK = b"stillbe1"
_LOCAL = 8
_NOTES = 16
_SOUNDS = 2064
_CHANNEL = 129
_CONTROLLERS = 3
_UNKNOWN = 255
_NEVER_SENT_AGAIN = frozenset((0, 32, 6, 38, *range(64, 70), *range(96, 102), *range(120, 128)))
"""Banks go with programs; parameters would set the wrong one; pedals and modes are not sounds."""


class Buffer(Protocol):
    """What a ledger writes into: a bytearray, or a file mapped into memory."""

    def __getitem__(self, index: slice, /) -> bytes | bytearray: ...
    def __setitem__(self, index: int, value: int, /) -> None: ...


class Ledger:
    """Follows what is sent to one synth in a buffer `LEDGER_BYTES` long.

    What that holds already is taken over if it is a ledger's, and wiped if it is not.
    """

    def __init__(self, buffer: Buffer) -> None:
        self._view = memoryview(buffer)  # type: ignore[arg-type]
        if bytes(self._view[:8]) != _MARK:
            self.clear()

    def clear(self) -> None:
        """Forget everything."""
        self._view[:LEDGER_BYTES] = _MARK + bytes(_SOUNDS - 8) + bytes((_UNKNOWN,)) * (LEDGER_BYTES - _SOUNDS)

    def close(self) -> None:
        """Let go of the buffer, so that it can be closed."""
        self._view.release()

    def note(self, data: bytes) -> None:
        """Write down a message just before it is sent."""
        status = data[0]
        if status < 0xA0:
            place = _NOTES + ((status & 0x0F) << 7 | data[1])
            count = self._view[place]
            if status >= 0x90 and data[2]:
                if count < 255:
                    self._view[place] = count + 1
            elif count:
                self._view[place] = count - 1
        elif status < 0xC0:
            if status >= 0xB0 and data[1] < 126:
                self._view[_SOUNDS + (status & 0x0F) * _CHANNEL + _CONTROLLERS + data[1]] = data[2]
        elif status < 0xD0:
            at = _SOUNDS + (status & 0x0F) * _CHANNEL
            self._view[at] = self._view[at + _CONTROLLERS]
            self._view[at + 1] = self._view[at + _CONTROLLERS + 32]
            self._view[at + 2] = data[1]

    @property
    def owed(self) -> int:
        """How many strikes are owed an end."""
        return sum(self._view[_NOTES:_SOUNDS])

    @property
    def local_off(self) -> bool:
        """Whether the instrument's local control was switched off by us."""
        return bool(self._view[_LOCAL])

    @local_off.setter
    def local_off(self, off: bool) -> None:
        self._view[_LOCAL] = off

    def offs(self) -> list[bytes]:
        """Return a note-off for every strike that is owed one."""
        return [
            bytes((0x80 | place >> 7, place & 0x7F, 64))
            for place, count in enumerate(self._view[_NOTES:_SOUNDS])
            for _ in range(count)
        ]

    def pedals_up(self) -> list[bytes]:
        """Return what lifts every pedal that is down as far as is known."""
        return [
            bytes((0xB0 | nibble, pedal, 0))
            for nibble in range(16)
            for pedal in PEDALS
            if self._view[_SOUNDS + nibble * _CHANNEL + _CONTROLLERS + pedal] not in (0, _UNKNOWN)
        ]

    def sounds(self) -> list[bytes]:
        """Return what gives every channel its sound again: banks, programs and controllers that were sent."""
        sent: list[bytes] = []
        for nibble in range(16):
            at = _SOUNDS + nibble * _CHANNEL
            msb, lsb, program = self._view[at : at + _CONTROLLERS]
            if program != _UNKNOWN:
                banks = [(0, msb), (32, lsb)]
                sent += [bytes((0xB0 | nibble, *bank)) for bank in banks if bank[1] != _UNKNOWN]
                sent.append(bytes((0xC0 | nibble, program)))
            values = self._view[at + _CONTROLLERS : at + _CHANNEL]
            sent += [
                bytes((0xB0 | nibble, controller, value))
                for controller, value in enumerate(values)
                if value != _UNKNOWN and controller not in _NEVER_SENT_AGAIN
            ]
        return sent
