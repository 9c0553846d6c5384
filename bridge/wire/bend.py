"""Pitch-bend arithmetic: cents to the 14-bit value, for any bend range.

Conventions: values are 0 to 16383 with the centre at 8192; a step is ``range_semitones * 100 / 8192`` cents
(0.0244 at ±2 semitones, 0.586 at ±48). The scale is not symmetric: the full range downward is value 0, the
full range upward would be 16384, one step beyond what the wire holds. Values are rounded to nearest, never
truncated. A residual is *sent minus wanted*, in cents. Channels are 1 to 16.

Source: MIDI 1.0 Detailed Specification, "Pitch Bend Change" and "Pitch Bend Sensitivity".
"""

from __future__ import annotations

import math

from bridge.errors import ValueProblem

CENTRE = 8192
"""The value that does not bend."""

MAX_VALUE = 16383
"""The highest value on the wire: one step short of the full range."""

MAX_RANGE_SEMITONES = 128
"""Bend ranges end below this: RPN 00 00 holds at most 127 semitones and 127 cents."""


def bend_value(cents: float, range_semitones: float) -> tuple[int, float]:
    """Return the bend value (0 to 16383) nearest to an offset in cents, and sent minus wanted, at most half a step.

    `range_semitones` is the receiver's bend range, each way. ValueProblem if no value lies within half a
    step. The full range upward itself is such a case: it would be 16384, and the highest value falls one
    whole step short of it.
    """
    if not 0 < range_semitones <= MAX_RANGE_SEMITONES:
        raise ValueProblem(
            f"a bend range of {range_semitones:g} semitones is impossible",
            f"it must be more than 0 and at most {MAX_RANGE_SEMITONES}",
        )
    per_cent = CENTRE / (range_semitones * 100)
    steps = cents * per_cent
    if not -CENTRE - 0.5 <= steps <= MAX_VALUE - CENTRE + 0.5:
        highest = (MAX_VALUE - CENTRE) / per_cent
        if not math.isfinite(cents):
            raise ValueProblem(f"an offset of {cents} cents cannot be bent to")
        raise ValueProblem(
            f"an offset of {cents:+.3f} cents is beyond a bend range of ±{range_semitones:g} semitones",
            f"allowed: {-range_semitones * 100:+.3f} to {highest:+.3f}; a wider range is needed",
        )
    value = min(max(CENTRE + round(steps), 0), MAX_VALUE)
    return value, (value - CENTRE) / per_cent - cents


def bend_message(channel: int, value: int) -> bytes:
    """Return the three bytes of a pitch-bend message on a channel from 1 to 16.

    ValueProblem if the channel is not 1 to 16 or the value not 0 to 16383.
    """
    if not 1 <= channel <= 16:
        raise ValueProblem(f"channel {channel} is impossible", "MIDI channels are 1 to 16")
    if not 0 <= value <= MAX_VALUE:
        raise ValueProblem(f"a pitch-bend value of {value} is impossible", f"allowed: 0 to {MAX_VALUE}")
    return bytes((0xE0 | channel - 1, value & 0x7F, value >> 7))
