"""A port by part of its name.

A name given in full wins (capitals do not matter). Else every word of what was asked for must occur in a port's name;
one such port is it, several are listed, and for none the nearest names are suggested.

Systems add numbers to names that change when a device is plugged in again (``Keys:Keys MIDI 1 28:0``); `same_port`
sees through them.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from difflib import SequenceMatcher
from typing import Literal

from bridge.errors import PortProblem

Side = Literal["input", "output"]

_NUMBERS = re.compile(r"\s+\d+:\d+$|\s+\d+$")
_NEAR = 0.6


def pick_port(wanted: str, names: Sequence[str], side: Side, what: str = "") -> str:
    """Return the port that was meant, by its name or part of it; messages call it `what`, or an input or output port.

    PortProblem if no port has that name, or more than one; lists them.
    """
    what = what or f"{side} port"
    asked = wanted.strip().lower()
    whole = [name for name in names if name.lower() == asked]
    if len(whole) == 1:
        return whole[0]
    words = asked.split()
    fits = [name for name in names if words and all(word in base_name(name).lower() for word in words)]
    fits = fits or [name for name in names if words and all(word in name.lower() for word in words)]
    if len(fits) == 1:
        return fits[0]
    if fits:
        raise PortProblem(
            f"{wanted!r} could be any of {len(fits)} {what}s: {', '.join(fits)}", "give more of its name"
        )
    raise PortProblem(f"there is no {what} {wanted!r}", _instead(asked, names, what))


def _instead(asked: str, names: Sequence[str], what: str) -> str:
    if not names:
        return f"there are no {what}s at all; see: stillbeat ports"
    near = [name for name in names if _nearness(asked, name.lower()) >= _NEAR]
    near.sort(key=lambda name: -_nearness(asked, name.lower()))
    return f"did you mean {', '.join(near[:3])}?" if near else f"there are: {', '.join(names)}"


def _nearness(asked: str, name: str) -> float:
    """Compare with the whole name and with each of its parts, 0 to 1."""
    parts = [name, *name.split(":"), *re.split(r"[\s:]+", name)]
    return max(SequenceMatcher(None, asked, part).ratio() for part in parts if part)


def base_name(name: str) -> str:
    """Return a port's name without the numbers that a system puts behind it."""
    return _NUMBERS.sub("", name)


def same_port(name: str, names: Sequence[str]) -> str | None:
    """Return the port that is `name` come back, perhaps under another number; None if it is not there."""
    if name in names:
        return name
    found = [other for other in names if base_name(other) == base_name(name)]
    return found[0] if len(found) == 1 else None


def device_of(name: str) -> str:
    """Return the part of a port's name that names the device or program it belongs to."""
    return base_name(name).split(":")[0].strip().lower()
