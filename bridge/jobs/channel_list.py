"""Lists of MIDI channels as a person writes them: ``1-8,11-16``."""

from __future__ import annotations

from bridge.errors import ValueProblem

_MOST_DIGITS = 9
_HINT = "channels are 1 to 16, such as 1-8,11-16"


def parse_channels(text: str) -> tuple[int, ...]:
    """Read channels 1 to 16 as numbers and spans, separated by commas; return each once, ascending.

    ValueProblem if a part is no channel or span, or nothing is named.
    """
    found: set[int] = set()
    for part in text.replace(" ", "").split(","):
        low, dash, high = part.partition("-")
        if not (low.isdecimal() and (high.isdecimal() if dash else not high)):
            raise ValueProblem(f"{part!r} in {text!r} is no channel", _HINT)
        if max(len(low), len(high)) > _MOST_DIGITS:
            raise ValueProblem(f"a channel of {max(len(low), len(high))} digits is out of range", _HINT)
        first, last = int(low), int(high or low)
        if not 1 <= first <= 16 or not 1 <= last <= 16:
            raise ValueProblem(f"channel {part} in {text!r} is out of range", _HINT)
        if first > last:
            raise ValueProblem(f"{part} in {text!r} runs backwards", f"did you mean {last}-{first}?")
        found.update(range(first, last + 1))
    return tuple(sorted(found))
