"""What was heard in a trial, and what it means: now, new, ignored, or unknown.

A verdict is given only where a hearing is clear: the note moved as far as was asked for, or did not move at all, both
within `TOLERANCE_CENTS`. Anything else is heard again, and where it stays unclear the verdict is *unknown*, with what
was heard. Nothing is filled in by guess.

Conventions: cents from the pitch at the trial's first step; None where no steady pitch was heard.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from bridge.engine.probe.trials import Trial
from bridge.wire.profile import Rounding

TOLERANCE_CENTS = 4.0
"""Whole-cent synths and slightly short bends lie well inside, and it is far from any shift that is asked for."""

Verdict = Literal["now", "new", "ignored", "unknown"]


@dataclass(frozen=True)
class Hearing:
    """What was heard in the steps of a trial."""

    cents: tuple[float | None, ...]  # one for each step
    trouble: str = ""  # why something was not heard; empty if all was


@dataclass(frozen=True)
class Finding:
    """What a trial has shown."""

    # As in `bridge.engine.probe.trials.Trial`.
    name: str
    label: str
    message: str
    # Sounding notes follow; only later notes do; none does; it is not known.
    verdict: Verdict
    # Shift asked for, and heard in the sounding note and in the one struck afterwards.
    wanted_cents: float = 0.0
    sounding_cents: float | None = None
    later_cents: float | None = None
    remark: str = ""  # a sentence where something has to be added

    @property
    def obeyed(self) -> bool:
        """Whether it is known to be obeyed."""
        return self.verdict in ("now", "new")


def near(value: float | None, wanted: float, tolerance: float = TOLERANCE_CENTS) -> bool:
    """Tell whether something was heard, about where it was wanted."""
    return value is not None and abs(value - wanted) <= tolerance


def judge(trial: Trial, hearing: Hearing) -> Finding:
    """Return what one hearing of a usual trial means."""
    _, sounding, later = hearing.cents
    wanted = trial.wanted_cents

    def found(verdict: Verdict, remark: str = "") -> Finding:
        return Finding(trial.name, trial.label, trial.message, verdict, wanted, sounding, later, remark)

    if hearing.trouble or sounding is None or later is None:
        return found("unknown", hearing.trouble or "no steady note was heard")
    if near(later, wanted):
        if near(sounding, wanted):
            return found("now")
        if near(sounding, 0.0):
            return found("new")
    elif near(sounding, 0.0) and near(later, 0.0):
        return found("ignored")
    return found(
        "unknown",
        f"asked for {wanted:+.0f} cents, heard {sounding:+.0f} while sounding and {later:+.0f} after",
    )


def unclear(findings: Sequence[Finding]) -> Finding:
    """Return what several hearings of one trial mean that were not clear at once: two must agree."""
    last = findings[-1]
    for one in findings:
        alike = sum(other.verdict == one.verdict for other in findings)
        if one.verdict != "unknown" and 2 * alike > len(findings):
            return one
    known = {one.verdict for one in findings} - {"unknown"}
    if not known:
        return last
    doubts = [one.remark for one in findings if one.verdict == "unknown"]
    remark = f"heard clearly only once: {doubts[-1]}" if len(known) == 1 else "heard differently each time"
    return replace(last, verdict="unknown", remark=remark)


EXACT_CENTS = 0.15
"""What is asked for and heard agree within this where the law is right."""
UNEVEN_CENTS = 0.8
SHORT_BY_128 = 127 / 128
_SNAP = 0.0015
_LEAST_POINTS = 4
LEAST_SCALE, MOST_SCALE = 0.5, 2.0
"""Bends that go less or more far than this are no flaw of the same range, but another range."""


@dataclass(frozen=True)
class Exactness:
    """How the pitches of a synth follow what is asked for."""

    scale: float | None  # what share of a shift sounds; None if unknown
    # Into whole cents, or not; None if unknown.
    rounding: Rounding | None
    worst_cents: float = 0.0  # farthest that a pitch lay from that law


def exactness(asked_cents: Sequence[float], heard_cents: Sequence[float | None], scaled: bool) -> Exactness:
    """Return the law that fits pitches which were asked for and heard, as many of both.

    `scaled` is whether shifts may be scaled, as bends are.
    """
    pairs = [(a, h) for a, h in zip(asked_cents, heard_cents, strict=True) if h is not None]
    if len(pairs) < _LEAST_POINTS:
        return Exactness(None, None)
    scale = sum(a * h for a, h in pairs) / sum(a * a for a, _ in pairs) if scaled else 1.0

    def worst(law: Callable[[float], float]) -> float:
        return max(abs(h - law(a)) for a, h in pairs)

    plain = worst(lambda a: scale * a)
    if not LEAST_SCALE <= scale <= MOST_SCALE:
        return Exactness(None, None, plain)
    if plain <= EXACT_CENTS:
        return Exactness(_snapped(scale), "none", plain)
    laws: list[tuple[float, float, Rounding]] = []
    for share in (1.0, SHORT_BY_128) if scaled else (1.0,):
        for rounding, rounded in _ROUNDINGS.items():
            laws.append((worst(lambda a, s=share, r=rounded: r(s * a)), share, rounding))  # type: ignore[misc]
    laws.sort(key=lambda law: law[0])
    if laws[0][0] <= EXACT_CENTS and (len(laws) == 1 or laws[1][0] > 2 * EXACT_CENTS):
        return Exactness(laws[0][1], laws[0][2], laws[0][0])
    if plain <= UNEVEN_CENTS:
        return Exactness(_snapped(scale, 0.004), None, plain)
    return Exactness(None, None, plain)


def _floored(cents: float) -> float:
    return float(math.floor(cents + 1e-6))


def _nearest(cents: float) -> float:
    return float(math.floor(cents + 0.5))


_ROUNDINGS: dict[Rounding, Callable[[float], float]] = {"floor": _floored, "nearest": _nearest}


def _snapped(scale: float, within: float = _SNAP) -> float:
    """Return a known scale where one is very near."""
    for known in (1.0, SHORT_BY_128):
        if abs(scale - known) <= within:
            return known
    return round(scale, 4)
