"""Frequencies as the MIDI Tuning standard writes them: a semitone and a 14-bit fraction of it.

Conventions: `data21` is the whole 21-bit number ``xx << 14 | yy << 7 | zz``, so that one step is 100/16384 =
0.006104 cents, ``0`` is 8.1758 Hz (key 0 of equal temperament at A4 = 440 Hz) and a key's own equal-tempered
pitch is ``key << 14``. A residual is always *sent minus wanted*, in cents; rounding costs at most half a step,
0.003052 cents. ``7F 7F 7F`` is reserved ("no change") and is never produced here.

Source: MIDI 1.0 Detailed Specification, section "MIDI Tuning"; addendum CA-020.
"""

from __future__ import annotations

import math

from bridge.errors import ValueProblem, WireError

STEPS_PER_SEMITONE = 1 << 14
"""Steps of frequency data in 100 cents."""

STEP_CENTS = 100 / STEPS_PER_SEMITONE
"""One step of frequency data in cents (exact in binary)."""

NO_CHANGE = 0x1FFFFF
"""Data ``7F 7F 7F``: reserved; "no change" to some receivers, "clear" to others. Read, never sent."""

MAX_DATA = NO_CHANGE - 1
"""The highest frequency that can be said: data ``7F 7F 7E``, 13289.6566 Hz."""

_A4_HZ = 440.0
_A4_CENTS = 6900.0
_A4_LOG2 = math.log2(_A4_HZ)


def _cents_above_key_0(hz: float) -> float:
    if not (hz > 0 and math.isfinite(hz)):
        raise ValueProblem(
            f"a frequency of {hz:g} Hz cannot be sounded",
            "it must be a positive number of Hz",
        )
    return _A4_CENTS + 1200.0 * (math.log2(hz) - _A4_LOG2)


def cents_to_frequency_data(cents: float) -> tuple[int, float]:
    """Return the nearest frequency data for cents above key 0 of equal temperament at A4 = 440 Hz; 6900 is A4.

    Data go from 0 to 0x1FFFFE, clamped at both ends. With them comes sent minus wanted in cents; it is more
    than half a step (0.003052) only where it was clamped.
    """
    data = min(max(round(cents / STEP_CENTS), 0), MAX_DATA)
    return data, data * STEP_CENTS - cents


def frequency_data_to_cents(data21: int) -> float:
    """Return the pitch of frequency data in cents above key 0 (exact).

    ValueProblem if `data21` is not 0 to 0x1FFFFE.
    """
    if not 0 <= data21 <= MAX_DATA:
        what = "the reserved 'no change' value" if data21 == NO_CHANGE else f"{data21:#x}"
        raise ValueProblem(f"frequency data must be 0 to {MAX_DATA:#x}, not {what}")
    return data21 * STEP_CENTS


def hz_to_frequency_data(hz: float) -> tuple[int, float]:
    """Return the nearest frequency data for a frequency in Hz, and sent minus wanted in cents.

    Data go from 0 to 0x1FFFFE (8.1758 to 13289.6566 Hz); frequencies beyond are clamped, and then the cents
    tell by how much (see `in_reach`); else they are at most 0.003052. ValueProblem if `hz` is not a positive
    finite number.
    """
    return cents_to_frequency_data(_cents_above_key_0(hz))


def frequency_data_to_hz(data21: int) -> float:
    """Return the frequency in Hz that frequency data stands for.

    ValueProblem if `data21` is not 0 to 0x1FFFFE.
    """
    return _A4_HZ * math.exp2((frequency_data_to_cents(data21) - _A4_CENTS) / 1200.0)


def in_reach(hz: float) -> bool:
    """Tell whether a frequency can be said within half a step, that is, without clamping.

    ValueProblem if `hz` is not a positive finite number.
    """
    cents = _cents_above_key_0(hz)
    return -0.5 * STEP_CENTS <= cents <= (MAX_DATA + 0.5) * STEP_CENTS


def frequency_data_to_bytes(data21: int) -> bytes:
    """Return the three data bytes ``xx yy zz``.

    ValueProblem if `data21` is not 0 to 0x1FFFFE; so ``7F 7F 7F`` cannot come out.
    """
    if not 0 <= data21 <= MAX_DATA:
        frequency_data_to_cents(data21)
    return bytes((data21 >> 14, data21 >> 7 & 0x7F, data21 & 0x7F))


def bytes_to_frequency_data(data: bytes) -> int:
    """Return the 21-bit number of three data bytes; `NO_CHANGE` for ``7F 7F 7F``.

    WireError if there are not three bytes, or one is above 7F.
    """
    if len(data) != 3 or max(data) > 0x7F:
        raise WireError(f"frequency data is three bytes of 00 to 7F, not {data.hex(' ') or 'nothing'}")
    return data[0] << 14 | data[1] << 7 | data[2]
