"""Tuning programs: what MIDI Tuning messages store, and what a dump request answers.

A tuning program is a list of 128 pitches. There are 128 banks of 128 programs; all begin in equal temperament.
Messages without a bank mean bank 0. Bytes are read and written by `bridge.wire.mts`.

Conventions: pitches are in semitones above key 0 of equal temperament at A4 = 440 Hz, so that ``69.0`` is A4;
frequency data ``7F 7F 7F`` leaves a key as it is.

Source: MIDI 1.0 Detailed Specification, "MIDI Tuning"; addenda CA-020 and CA-021.
"""

from __future__ import annotations

from collections.abc import Sequence

from bridge.wire.frequency import MAX_DATA, NO_CHANGE, STEPS_PER_SEMITONE
from bridge.wire.records import BulkDump, DumpRequest, NoteTuning, OctaveDump

Address = tuple[int, int]
"""Tuning bank and tuning program, 0 to 127 each."""


_EQUAL = tuple(float(key) for key in range(128))


def equal_pitches() -> list[float]:
    """Return equal temperament: 0.0 to 127.0."""
    return list(_EQUAL)


def octave_pitches(offsets_cents: Sequence[float]) -> list[float]:
    """Return the 128 pitches of twelve offsets from equal temperament, C to B."""
    return [key + offsets_cents[key % 12] / 100.0 for key in range(128)]


class TuningMemory:
    """All tuning programs of a receiver.

    The list that `program` returns stays the same object for as long as the memory is not cleared, so whoever holds
    it sees every later change.
    """

    def __init__(self) -> None:
        self._programs: dict[Address, list[float]] = {}
        self._names: dict[Address, str] = {}

    def program(self, bank: int, program: int) -> list[float]:
        """Return the 128 pitches of a tuning program (the list itself, not a copy)."""
        address = (bank, program)
        pitches = self._programs.get(address)
        if pitches is None:
            pitches = self._programs[address] = equal_pitches()
        return pitches

    def clear(self) -> None:
        """Bring every program back to equal temperament, keeping the list objects."""
        for pitches in self._programs.values():
            pitches[:] = equal_pitches()
        self._names.clear()

    def store(self, message: NoteTuning | BulkDump | OctaveDump) -> tuple[list[float], tuple[int, ...]]:
        """Store what a message says; return the 128 pitches of the program that changed, and the keys that were set."""
        address = (message.bank or 0, message.program)
        pitches = self.program(*address)
        if isinstance(message, OctaveDump):
            pitches[:] = octave_pitches(message.offsets_cents)
            self._names[address] = message.name
            return pitches, tuple(range(128))
        if isinstance(message, BulkDump):
            pairs = list(enumerate(message.data))
            self._names[address] = message.name
        else:
            pairs = list(message.keys)
        keys = []
        for key, data in pairs:
            if data != NO_CHANGE:
                pitches[key] = data / STEPS_PER_SEMITONE
                keys.append(key)
        return pitches, tuple(keys)

    def answer(self, request: DumpRequest, device_id: int) -> BulkDump:
        """Return the dump that answers a request, in the same form (with or without bank).

        Pitches are rounded to the nearest step of frequency data, 0.0061 cents, and kept within its range.
        """
        bank = request.bank or 0
        pitches = self.program(bank, request.program)
        data = tuple(min(max(round(pitch * STEPS_PER_SEMITONE), 0), MAX_DATA) for pitch in pitches)
        name = self._names.get((bank, request.program), f"Tuning {bank}-{request.program}")
        return BulkDump(device_id, request.program, name, data, bank=request.bank)
