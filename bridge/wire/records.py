"""The messages of the MIDI Tuning standard as frozen records.

Conventions: channels are 1 to 16; frequency data is a 21-bit number (`bridge.wire.frequency`); offsets of the
scale/octave messages are the raw numbers on the wire, twelve from C upward (`cents_to_offset`). A record checks
itself when it is made, so that only messages that can be sent exist; the one exception is frequency data
`NO_CHANGE`, which may be read but is never sent.

Bytes come from `bridge.wire.mts`, layouts stand in `bridge.wire.specs`.

Source: MIDI 1.0 Detailed Specification, "MIDI Tuning"; CA-020, CA-021 / RP-020; CA-025 (master fine tuning).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from bridge.errors import ValueProblem
from bridge.wire import rpn
from bridge.wire.frequency import NO_CHANGE

ALL_DEVICES = 0x7F
OFFSET_COUNT = 12
KEY_COUNT = 128
NAME_LENGTH = 16

OctaveForm: TypeAlias = Literal[1, 2]


def _seven_bits(what: str, value: int) -> None:
    if not isinstance(value, int) or not 0 <= value <= 127:
        raise ValueProblem(f"{what} {value!r} is out of range", "allowed: 0 to 127")


def _check_data(data: int, key: int) -> None:
    if not isinstance(data, int) or not 0 <= data <= NO_CHANGE:
        raise ValueProblem(
            f"frequency data {data!r} of key {key} is out of range", f"0 to {NO_CHANGE - 1:#x}"
        )


def _check_name(name: str) -> str:
    if len(name) > NAME_LENGTH or not name.isascii():
        raise ValueProblem(
            f"a tuning's name {name!r} does not fit", f"at most {NAME_LENGTH} plain (ASCII) characters"
        )
    return name.rstrip(" ")


def _check_offsets(offsets: tuple[int, ...], form: int) -> None:
    if form not in (1, 2):
        raise ValueProblem(f"scale/octave form {form!r} is impossible", "1 or 2 bytes for each offset")
    highest = 127 if form == 1 else 16383
    if len(offsets) != OFFSET_COUNT:
        raise ValueProblem(f"scale/octave tuning takes {OFFSET_COUNT} offsets, C to B, not {len(offsets)}")
    for offset in offsets:
        if not isinstance(offset, int) or not 0 <= offset <= highest:
            raise ValueProblem(f"offset {offset!r} is out of range", f"allowed: 0 to {highest} on the wire")


OFFSET_STEP_CENTS: dict[int, float] = {1: 1.0, 2: 100 / 8192}
"""One step of a scale/octave offset in cents, by form."""


def cents_to_offset(cents: float, form: int) -> tuple[int, float]:
    """Return the raw scale/octave offset nearest to an offset from equal temperament, and sent minus wanted in cents.

    In the 1-byte form whole cents, −64 to +63; in the 2-byte form steps of 0.0122 cents, −100 to +99.9878.
    ValueProblem if no value lies within half a step.
    """
    if form not in OFFSET_STEP_CENTS:
        raise ValueProblem(f"scale/octave form {form!r} is impossible", "1 or 2 bytes for each offset")
    step = OFFSET_STEP_CENTS[form]
    centre = 64 if form == 1 else 8192
    steps = cents / step if math.isfinite(cents) else math.inf
    if not -centre - 0.5 <= steps <= centre - 0.5:
        raise ValueProblem(
            f"an offset of {cents:+.3f} cents is beyond scale/octave tuning",
            f"the {form}-byte form holds {-centre * step:+g} to {(centre - 1) * step:+.4g} cents",
        )
    raw = min(max(centre + round(steps), 0), 2 * centre - 1)
    return raw, (raw - centre) * step - cents


def offset_to_cents(raw: int, form: int) -> float:
    """Return the offset in cents of a raw scale/octave offset (exact).

    ValueProblem if the number or the form is impossible.
    """
    if form not in OFFSET_STEP_CENTS:
        raise ValueProblem(f"scale/octave form {form!r} is impossible", "1 or 2 bytes for each offset")
    centre = 64 if form == 1 else 8192
    if not 0 <= raw < 2 * centre:
        raise ValueProblem(f"offset {raw} is out of range", f"allowed: 0 to {2 * centre - 1} on the wire")
    return (raw - centre) * OFFSET_STEP_CENTS[form]


@dataclass(frozen=True)
class DumpRequest:
    """Ask a synth for a tuning program; with `bank` None in the form without a bank."""

    device_id: int
    program: int
    bank: int | None = None

    def __post_init__(self) -> None:
        _seven_bits("device ID", self.device_id)
        _seven_bits("tuning program", self.program)
        if self.bank is not None:
            _seven_bits("tuning bank", self.bank)


@dataclass(frozen=True)
class NoteTuning:
    """Retune single keys: pairs of key and 21-bit frequency data, at most 127 of them.

    Without a bank the message exists only in its real-time form.
    """

    device_id: int
    program: int
    keys: tuple[tuple[int, int], ...]
    bank: int | None = None
    realtime: bool = True

    def __post_init__(self) -> None:
        object.__setattr__(self, "keys", tuple((key, data) for key, data in self.keys))
        _seven_bits("device ID", self.device_id)
        _seven_bits("tuning program", self.program)
        if self.bank is not None:
            _seven_bits("tuning bank", self.bank)
        elif not self.realtime:
            raise ValueProblem(
                "single note tuning without a bank exists in real time only", "give a bank, 0 for the first"
            )
        if len(self.keys) > 127:
            raise ValueProblem(f"{len(self.keys)} keys do not fit in one message", "at most 127; send two")
        for key, data in self.keys:
            _seven_bits("key", key)
            _check_data(data, key)


@dataclass(frozen=True)
class BulkDump:
    """A whole tuning program: 128 values of 21-bit frequency data."""

    device_id: int
    program: int
    name: str
    data: tuple[int, ...]
    bank: int | None = None
    checksum_ok: bool = field(default=True, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "data", tuple(self.data))
        object.__setattr__(self, "name", _check_name(self.name))
        _seven_bits("device ID", self.device_id)
        _seven_bits("tuning program", self.program)
        if self.bank is not None:
            _seven_bits("tuning bank", self.bank)
        if len(self.data) != KEY_COUNT:
            raise ValueProblem(f"a dump holds {KEY_COUNT} keys, not {len(self.data)}")
        for key, data in enumerate(self.data):
            _check_data(data, key)


@dataclass(frozen=True)
class OctaveDump:
    """A stored scale/octave tuning: twelve raw offsets, C to B, in the 1-byte or 2-byte form."""

    device_id: int
    bank: int
    program: int
    name: str
    offsets: tuple[int, ...]
    form: OctaveForm = 2
    checksum_ok: bool = field(default=True, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "offsets", tuple(self.offsets))
        object.__setattr__(self, "name", _check_name(self.name))
        _seven_bits("device ID", self.device_id)
        _seven_bits("tuning bank", self.bank)
        _seven_bits("tuning program", self.program)
        _check_offsets(self.offsets, self.form)

    @property
    def offsets_cents(self) -> tuple[float, ...]:
        """The offsets from equal temperament in cents, C to B."""
        return tuple(offset_to_cents(raw, self.form) for raw in self.offsets)


@dataclass(frozen=True)
class OctaveTuning:
    """Retune channels by pitch class: twelve raw offsets, C to B, in the 1-byte or 2-byte form."""

    device_id: int
    channels: tuple[int, ...]
    offsets: tuple[int, ...]
    form: OctaveForm = 2
    realtime: bool = True

    def __post_init__(self) -> None:
        for channel in self.channels:
            if not isinstance(channel, int) or not 1 <= channel <= 16:
                raise ValueProblem(f"channel {channel!r} is impossible", "MIDI channels are 1 to 16")
        object.__setattr__(self, "channels", tuple(sorted(set(self.channels))))
        object.__setattr__(self, "offsets", tuple(self.offsets))
        _seven_bits("device ID", self.device_id)
        _check_offsets(self.offsets, self.form)

    @property
    def offsets_cents(self) -> tuple[float, ...]:
        """The offsets from equal temperament in cents, C to B."""
        return tuple(offset_to_cents(raw, self.form) for raw in self.offsets)


@dataclass(frozen=True)
class MasterFineTuning:
    """Shift the whole synth by up to a semitone; `cents` is kept as given, the wire has steps of 0.0122 cents."""

    device_id: int
    cents: float

    def __post_init__(self) -> None:
        _seven_bits("device ID", self.device_id)
        rpn.fine_tuning_data(self.cents)

    @property
    def data(self) -> int:
        """The 14-bit number on the wire."""
        return rpn.fine_tuning_data(self.cents)[0]

    @property
    def residual_cents(self) -> float:
        """Sent minus wanted."""
        return rpn.fine_tuning_data(self.cents)[1]


Message: TypeAlias = DumpRequest | NoteTuning | BulkDump | OctaveDump | OctaveTuning | MasterFineTuning
