"""Exact frequency ratios, cents and Hz: parsing, printing and conversion.

Conventions
-----------
A ratio is a positive `fractions.Fraction`; an interval upward is greater than 1. Cents are hundredths of an
equal-tempered semitone, 1200 to the octave.

Sources
-------
A. J. Ellis, appendix XX to his translation of H. Helmholtz, *On the Sensations of Tone*, 2nd ed., 1885
(the cent: 1200 · log2 of the ratio).
"""

from __future__ import annotations

import math
import re
from fractions import Fraction

from bridge.errors import ValueProblem

MAX_RATIO = 1024
"""Widest ratio accepted, up or down: ten octaves, the whole range of MIDI keys."""

MAX_TERM = 10**15
"""Largest whole number accepted above or below the line of a ratio."""

_RATIO = re.compile(r"(\d+)(?:\s*[/:]\s*(\d+))?", re.ASCII)
_RANGE = "a ratio is two whole numbers like 5/4, between 1/1024 and 1024/1"


def parse_ratio(text: str) -> Fraction:
    """Read a ratio such as ``5/4``, ``5:4`` or ``2``, in lowest terms, between 1/1024 and 1024.

    ValueProblem if the text is no ratio, is zero or negative, or spans more than ten octaves.
    """
    body = text.strip()
    match = _RATIO.fullmatch(body)
    if match is None:
        raise ValueProblem(f"{body!r} is not a ratio", _ratio_hint(body))
    if max(len(part) for part in match.groups("1")) > len(str(MAX_TERM)):
        raise ValueProblem("ratio with a number of more than 15 digits", _RANGE)
    over, under = int(match[1]), int(match[2] or "1")
    if over == 0 or under == 0:
        raise ValueProblem(f"ratio {body!r} contains a zero", _RANGE)
    ratio = Fraction(over, under)
    if not Fraction(1, MAX_RATIO) <= ratio <= MAX_RATIO or max(over, under) > MAX_TERM:
        raise ValueProblem(f"ratio {body!r} is out of range", _RANGE)
    return ratio


def _ratio_hint(body: str) -> str:
    """Say what was probably meant by a text that is not a ratio."""
    if re.search(r"[/:]\s*[/:]", body):
        single = re.sub(r"[/:][/:\s]*", "/", body)
        return f"two division signs; did you mean {single}?"
    if body.startswith("-"):
        return f"ratios are positive, a step downward is less than 1; {_RANGE}"
    if re.fullmatch(r"\d*[.,]\d+", body) or re.fullmatch(r"\d+[.,]\d*", body):
        try:
            near = Fraction(body.replace(",", ".")).limit_denominator(64)
        except ValueError:
            return _RANGE
        guess = f"did you mean {format_ratio(near)}?" if near > 0 else _RANGE
        return f"write a ratio as whole numbers; {guess}"
    return _RANGE


def format_ratio(ratio: Fraction) -> str:
    """Write a ratio as ``"5/4"``; the unison is ``"1/1"`` and an octave ``"2/1"``."""
    return f"{ratio.numerator}/{ratio.denominator}"


def ratio_to_cents(ratio: Fraction | float) -> float:
    """Return the size in cents of a positive ratio.

    ValueProblem if the ratio is zero, negative or not finite.
    """
    factor = float(ratio)
    if not 0 < factor < math.inf:
        raise ValueProblem(f"ratio {factor:g} has no size in cents", "ratios are greater than zero")
    return 1200.0 * math.log2(factor)


def cents_to_ratio(cents: float) -> float:
    """Return the frequency ratio of an interval in cents."""
    return float(2.0 ** (cents / 1200.0))


def hz_to_cents(hz: float, ref_hz: float) -> float:
    """Return how far `hz` lies above `ref_hz`, in cents (negative below).

    ValueProblem if either frequency is zero, negative or not finite.
    """
    if not (0 < hz < math.inf and 0 < ref_hz < math.inf):
        raise ValueProblem(f"frequencies {hz:g} Hz and {ref_hz:g} Hz", "frequencies are greater than zero")
    return 1200.0 * math.log2(hz / ref_hz)
