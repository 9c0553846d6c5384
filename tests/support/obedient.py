"""A synth on paper that obeys every tuning message, for checking output. Does not import the code under test.

Written from the MIDI Tuning standard (MIDI 1.0 Detailed Specification, "MIDI Tuning"; CA-020; CA-021): frequency data
is a semitone and 14 bits of 100 cents; scale/octave offsets run from C; a channel follows a tuning program once RPN
00 03 selects it. A reset (GM, GM2, GS, XG) wipes tunings and selections.
"""

from __future__ import annotations

RESETS = {
    bytes.fromhex("f07e7f0901f7"): "GM",
    bytes.fromhex("f07e7f0903f7"): "GM2",
    bytes.fromhex("f04110421240007f0041f7"): "GS",
    bytes.fromhex("f043104c00007e00f7"): "XG",
}


def _semitones(data: bytes) -> float:
    return data[0] + (data[1] << 7 | data[2]) / 16384


class ObedientSynth:
    """Feed it messages; ask `pitch` for semitones above C-1 (key 69 at A4 = 440 Hz is 69.0)."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        self.programs: dict[tuple[int, int], list[float]] = {}
        self.selected: dict[int, tuple[int, int]] = {}
        self.bank = [0] * 16
        self.offsets = [[0.0] * 12 for _ in range(16)]
        self.rpn = [(127, 127)] * 16
        self.bend = [8192] * 16
        self.range = [2.0] * 16
        self.fine = [[64, 0] for _ in range(16)]
        self.coarse = [0] * 16
        self.master_cents = 0.0
        self.resets_seen = 0

    def program(self, bank: int, number: int) -> list[float]:
        return self.programs.setdefault((bank, number), [float(key) for key in range(128)])

    def feed(self, data: bytes) -> None:
        status = data[0]
        if status == 0xF0:
            self._sysex(data)
        elif status & 0xF0 == 0xE0:
            self.bend[status & 15] = data[1] | data[2] << 7
        elif status & 0xF0 == 0xB0:
            self._control(status & 15, data[1], data[2])

    def _control(self, channel: int, number: int, value: int) -> None:
        msb, lsb = self.rpn[channel]
        if number == 121:  # reset all controllers (MMA RP-015)
            self.bend[channel], self.rpn[channel] = 8192, (127, 127)
        elif number == 101:
            self.rpn[channel] = (value, lsb)
        elif number == 100:
            self.rpn[channel] = (msb, value)
        elif number in (98, 99):
            self.rpn[channel] = (127, 127)
        elif number in (6, 38):
            coarse = number == 6
            if (msb, lsb) == (0, 0):
                self.range[channel] = (
                    value + self.range[channel] % 1 if coarse else int(self.range[channel]) + value / 100
                )
            elif (msb, lsb) == (0, 1):
                self.fine[channel][0 if coarse else 1] = value
            elif (msb, lsb) == (0, 2) and coarse:
                self.coarse[channel] = value - 64
            elif (msb, lsb) == (0, 3) and coarse:
                self.selected[channel] = (self.bank[channel], value)
            elif (msb, lsb) == (0, 4) and coarse:
                self.bank[channel] = value

    def _sysex(self, data: bytes) -> None:
        if data in RESETS:
            seen = self.resets_seen
            self.reset()
            self.resets_seen = seen + 1
            return
        if data[1] == 0x7F and data[3:5] == b"\x04\x03":
            self.master_cents = ((data[5] | data[6] << 7) - 8192) * 100 / 8192
        if data[1] not in (0x7E, 0x7F) or data[3] != 0x08:
            return
        kind, body = data[4], data[5:-1]
        if kind in (0x02, 0x07):
            bank, rest = (0, body) if kind == 0x02 else (body[0], body[1:])
            table = self.program(bank, rest[0])
            for index in range(rest[1]):
                key, *value = rest[2 + 4 * index : 6 + 4 * index]
                if bytes(value) != b"\x7f\x7f\x7f":
                    table[key] = _semitones(bytes(value))
        elif kind in (0x01, 0x04):
            bank, rest = (0, body) if kind == 0x01 else (body[0], body[1:])
            table = self.program(bank, rest[0])
            for key in range(128):
                table[key] = _semitones(rest[17 + 3 * key : 20 + 3 * key])
        elif kind in (0x08, 0x09):
            mask = {15 + bit for bit in range(2) if body[0] >> bit & 1}
            mask |= {8 + bit for bit in range(7) if body[1] >> bit & 1}
            mask |= {1 + bit for bit in range(7) if body[2] >> bit & 1}
            raw = body[3:]
            for channel in mask:
                self.offsets[channel - 1] = (
                    [value - 64.0 for value in raw[:12]]
                    if kind == 0x08
                    else [((raw[2 * i] << 7 | raw[2 * i + 1]) - 8192) * 100 / 8192 for i in range(12)]
                )

    def pitch(self, channel: int, key: int) -> float:
        """Semitones of a key on a channel (0-15) now, with bend, fine and coarse tuning."""
        place = self.selected.get(channel)
        base = self.program(*place)[key] if place is not None else float(key)
        base += self.offsets[channel][key % 12] / 100
        base += (self.bend[channel] - 8192) / 8192 * self.range[channel]
        base += ((self.fine[channel][0] << 7 | self.fine[channel][1]) - 8192) / 8192
        return base + self.coarse[channel] + self.master_cents / 100
