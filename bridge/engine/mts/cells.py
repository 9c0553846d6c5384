"""What a synth's tuning consists of, cell by cell, and the messages that bring it to what it should be.

A *cell* is what one number of a tuning message moves: a MIDI key (methods `note` and `dump`, 128 cells) or a pitch
class (method `octave`, 12 cells). Values of cells lie on a straight line of cents, so that a glide can be worked out
between two of them. A synth that was told nothing holds None.

Index: `KeyCells`, `ClassCells`, `Cells`.

Source: MIDI 1.0 Detailed Specification, "MIDI Tuning"; addenda CA-020 and CA-021 (The MIDI Association).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from typing import Protocol

from bridge.engine.mts.octave import OctaveFit, class_deviations_cents, fit_classes
from bridge.engine.remembered import ByKey, Remembered
from bridge.errors import MethodProblem
from bridge.tuning.notes import key_to_hz
from bridge.wire.frequency import hz_to_frequency_data
from bridge.wire.mts import BulkDump, MasterFineTuning, NoteTuning, OctaveTuning, encode
from bridge.wire.profile import SynthProfile

DUMP_BYTES = 408
NOTE_BYTES = 8
"""Bytes of a single note tuning change around its keys (one more with a bank)."""
KEY_BYTES = 4
_MIDDLE_KEY = 60
_EQUAL_CENTS = 1e-6


class Cells(Protocol):
    """The cells of one method at one synth."""

    count: int
    shift_cents: float
    """What the values have in common and is left to a fine tuning (`octave` only)."""

    def of_key(self, key: int) -> int:
        """Return the cell that moves a key."""
        ...

    def values(self, hz: Sequence[float]) -> list[float]:
        """Return what the cells should hold for a table; MethodProblem if the method cannot express it."""
        ...

    def residuals_cents(self, hz: Sequence[float]) -> list[float]:
        """Return for each key by how many cents what is sent for a table lies above what is wanted."""
        ...

    def equal(self) -> list[float]:
        """Return what they hold in equal temperament at A4 = 440 Hz."""
        ...

    def cents(self, values: Sequence[float], key: int) -> float:
        """Return how far a key lies from equal temperament at A4 = 440 Hz."""
        ...

    def between(self, before: float, after: float, part: float) -> float:
        """Return the value on the way from one to another, `part` from 0 to 1 in a straight line of cents."""
        ...

    def pending(self, wanted: Sequence[float]) -> bool:
        """Tell whether the synth holds something else than `wanted`."""
        ...

    def next(self, wanted: Sequence[float], sounding: Collection[int], most_bytes: int) -> list[bytes]:
        """Return the next SysEx message, and what belongs to it, on the way to the values `wanted` of all cells.

        MethodProblem if the values go together in no message.

        Parameters
        ----------
        sounding : collection of int
            Cells that come first; where the method is one that leaves sounding notes alone, they are not moved.
        most_bytes : int
            How long a SysEx message may be, if its method lets it be divided.
        """
        ...

    def forget(self) -> None:
        """Take it that the synth holds nothing any more."""
        ...


class KeyCells:
    """128 keys in a tuning program, by single note changes (`note`) or whole dumps (`dump`).

    Values are frequency data (`bridge.wire.frequency`), whole numbers.
    """

    count = 128
    shift_cents = 0.0

    def __init__(self, profile: SynthProfile, method: str, name: str = "stillbeat") -> None:
        self._profile = profile
        self._dumps = method == "dump"
        if self._dumps and profile.sysex_max_bytes < DUMP_BYTES:
            raise MethodProblem(
                f"a dump has {DUMP_BYTES} bytes, but {profile.title} takes SysEx up to {profile.sysex_max_bytes}",
                "use --method note",
            )
        self._notes = method == "note" or "note" in profile.methods
        self._name = name[:16]
        self._held: list[int | None] = [None] * 128
        stretch = profile.key_stretch_cents or (0.0,) * 128
        self._factors = [2.0 ** (-cents / 1200.0) for cents in stretch]
        self._lift = 2.0 ** (profile.lift_cents / 1200.0)
        self._known: ByKey[int] = ByKey(lambda key, hz: self._data(key, hz)[0])

    def of_key(self, key: int) -> int:
        """Return the key itself."""
        return key

    def values(self, hz: Sequence[float]) -> list[float]:
        """Return frequency data for a table, less the synth's own stretch, and higher where it rounds down."""
        return list(self._known.of(hz))

    def residuals_cents(self, hz: Sequence[float]) -> list[float]:
        """Return what rounding leaves, and the ends of what a message reaches (see `Cells.residuals_cents`)."""
        return [self._data(key, value)[1] for key, value in enumerate(hz)]

    def _data(self, key: int, hz: float) -> tuple[int, float]:
        """Return frequency data for a key and what rounding leaves; equal temperament itself needs no lift."""
        sent_hz = hz * self._factors[key]
        untuned = abs(1200.0 * math.log2(sent_hz / key_to_hz(key))) < _EQUAL_CENTS
        return hz_to_frequency_data(sent_hz if untuned else sent_hz * self._lift)

    def equal(self) -> list[float]:
        """Return the keys as they are untuned."""
        return [key << 14 for key in range(128)]

    def cents(self, values: Sequence[float], key: int) -> float:
        """Return how far a key lies from equal temperament."""
        return (values[key] - (key << 14)) * 100.0 / 16384.0

    def between(self, before: float, after: float, part: float) -> float:
        """Return the nearest whole number on the way."""
        return round(before + (after - before) * part)

    def pending(self, wanted: Sequence[float]) -> bool:
        """Tell whether a key differs."""
        return self._held != wanted

    def next(self, wanted: Sequence[float], sounding: Collection[int], most_bytes: int) -> list[bytes]:
        """Return a dump, or a single note change for as many keys as fit (see `Cells.next`)."""
        data = [int(value) for value in wanted]
        held = self._held
        changed = [key for key in range(128) if held[key] != data[key]]
        if not changed:
            return []
        profile = self._profile
        if self._dumps:
            small = NOTE_BYTES + KEY_BYTES * len(changed) < DUMP_BYTES and None not in held
            if not (small and self._notes and not any(key in sounding for key in changed)):
                self._held = list(data)
                return [self._dump(data)]
        around = NOTE_BYTES + (profile.note_form == "bank")
        most = min(profile.keys_per_message, (min(most_bytes, profile.sysex_max_bytes) - around) // KEY_BYTES)
        most = max(1, min(most, 127))
        if len(changed) > most:
            changed.sort(key=lambda key: (key not in sounding, abs(key - _MIDDLE_KEY)))
            changed = sorted(changed[:most])
        for key in changed:
            held[key] = data[key]
        return [self._notes_message(changed, data)]

    def forget(self) -> None:
        """Take it that the synth holds nothing any more."""
        self._held = [None] * 128

    def _dump(self, data: Sequence[int]) -> bytes:
        profile = self._profile
        bank = profile.bank if profile.dump_form == "bank" else None
        return encode(BulkDump(profile.device_id, profile.program, self._name, tuple(data), bank))

    def _notes_message(self, keys: Sequence[int], data: Sequence[int]) -> bytes:
        profile = self._profile
        bank = profile.bank if profile.note_form == "bank" else None
        pairs = tuple((key, data[key]) for key in keys)
        return encode(NoteTuning(profile.device_id, profile.program, pairs, bank, profile.note_realtime))


class ClassCells:
    """Twelve pitch classes, C upward, by scale/octave messages (`octave`); values in cents from equal temperament.

    What the offsets have in common may go into a fine tuning, where the synth obeys one: by a message for the whole
    synth, which comes from here, or channel by channel, which is left to the caller (`shift_cents`).
    """

    count = 12

    def __init__(self, profile: SynthProfile, channels: Iterable[int]) -> None:
        self._profile = profile
        self._held: OctaveFit | None = None
        self._wanted: list[float] | None = None
        self.channels = tuple(sorted(channels))
        self.shift_cents = 0.0
        self._known: Remembered[list[float]] = Remembered()
        self._fits: Remembered[OctaveFit] = Remembered()

    def of_key(self, key: int) -> int:
        """Return the pitch class of a key."""
        return key % 12

    def values(self, hz: Sequence[float]) -> list[float]:
        """Return the deviations of the twelve classes."""
        cells = self._deviations(hz)
        self._fit(cells)
        return cells

    def residuals_cents(self, hz: Sequence[float]) -> list[float]:
        """Return what rounding leaves (see `Cells.residuals_cents`)."""
        fit = self._fit(self._deviations(hz))
        return [fit.residuals_cents[key % 12] for key in range(128)]

    def _deviations(self, hz: Sequence[float]) -> list[float]:
        return list(self._known.get(tuple(hz), lambda: self._worked_out(hz)))

    def _worked_out(self, hz: Sequence[float]) -> list[float]:
        found = class_deviations_cents(hz)
        if all(abs(cents) < _EQUAL_CENTS for cents in found):
            return found
        return [cents + self._profile.lift_cents for cents in found]

    def equal(self) -> list[float]:
        """Return no deviation at all."""
        return [0.0] * 12

    def cents(self, values: Sequence[float], key: int) -> float:
        """Return the deviation of a key's class."""
        return values[key % 12]

    def between(self, before: float, after: float, part: float) -> float:
        """Return the deviation on the way."""
        return before + (after - before) * part if part < 1.0 else after

    def pending(self, wanted: Sequence[float]) -> bool:
        """Tell whether a class differs."""
        return self._wanted != wanted

    def next(self, wanted: Sequence[float], sounding: Collection[int], most_bytes: int) -> list[bytes]:
        """Return one scale/octave message, and a master fine tuning where that has to move (see `Cells.next`)."""
        held, profile = self._held, self._profile
        fit = self._fit(wanted, None if held is None else held.shift_cents)
        sent: list[bytes] = []
        if held is None or held.offsets != fit.offsets:
            sent.append(self._message(self.channels, fit.offsets))
        if profile.fine_tuning == "master" and not math.isclose(
            self.shift_cents, fit.shift_cents, abs_tol=1e-9
        ):
            sent.append(encode(MasterFineTuning(profile.device_id, fit.shift_cents)))
        self._held, self._wanted, self.shift_cents = fit, list(wanted), fit.shift_cents
        return sent

    def _message(self, channels: Sequence[int], offsets: Sequence[int]) -> bytes:
        """Return a scale/octave message with raw offsets for some channels."""
        profile = self._profile
        return encode(
            OctaveTuning(
                profile.device_id,
                tuple(channels),
                tuple(offsets),
                profile.octave_form,
                profile.octave_realtime,
            )
        )

    def for_channels(self, channels: Sequence[int], tuned: bool) -> list[bytes]:
        """Return the message that gives some channels what the others hold, or no offsets at all."""
        if self._held is None or not channels:
            return []
        flat = (0x40 if self._profile.octave_form == 1 else 0x2000,) * 12
        return [self._message(channels, self._held.offsets if tuned else flat)]

    def forget(self) -> None:
        """Take it that the synth holds nothing any more."""
        self._held = self._wanted = None
        self.shift_cents = 0.0

    def _fit(self, cells: Sequence[float], held_cents: float | None = None) -> OctaveFit:
        profile = self._profile
        return self._fits.get(
            (tuple(cells), held_cents),
            lambda: fit_classes(cells, profile.octave_form, profile.fine_tuning is not None, held_cents),
        )
