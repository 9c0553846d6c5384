"""*Sing it*: which notes are sung over a drone, in what order, and how far from pure one was.

The order is that in which teachers have it: unison, octave, fifth and fourth first, then thirds and sixths
(*common practice*). A voice an octave away is folded: what counts is the degree.

Conventions: cents from pure, sharp positive.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bridge.ear.sounds import INTERVALS, Sound, notes_sound
from bridge.errors import ValueProblem
from bridge.tuning.beats import beat_rate_hz, main_pair
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.tables import Table

IN_TUNE_CENTS = 5.0
"""So near the drone hardly beats against a voice, which is never quite steady itself."""

ANOTHER_CENTS = 70.0
"""Further off than this, another note was sung."""


@dataclass(frozen=True)
class Target:
    """A note to be sung over the drone."""

    name: str  # ``fifth``
    note: str  # ``A3``
    hz: float
    drone_hz: float


@dataclass(frozen=True)
class Sung:
    """A note that was sung."""

    target: Target
    hz: float
    steadiness_cents: float
    held_s: float

    @property
    def octaves(self) -> int:
        """How many octaves higher it was sung than written."""
        return round(math.log2(self.hz / self.target.hz))

    @property
    def cents(self) -> float:
        """How far it lies above pure, octaves folded."""
        return hz_to_cents(self.hz, self.target.hz) - 1200 * self.octaves

    @property
    def beats_hz(self) -> float:
        """How fast it beats against the drone, where it was sung."""
        pure = main_pair(self.target.drone_hz, self.target.hz * 2.0**self.octaves)
        if pure is None:
            return 0.0
        return beat_rate_hz(self.target.drone_hz, self.hz, pure.partial, pure.other_partial)

    @property
    def verdict(self) -> str:
        """What a teacher would say."""
        if abs(self.cents) > ANOTHER_CENTS:
            return "that was another note"
        if abs(self.cents) <= IN_TUNE_CENTS:
            return "in tune"
        return "a little sharp" if self.cents > 0 else "a little flat"


def targets(table: Table, drone_key: int, names: tuple[str, ...] = ()) -> tuple[Target, ...]:
    """Return what is sung over a key of a table, in order.

    Parameters
    ----------
    names : tuple of str
        Some of `INTERVALS`; none: all that are pure in this table.

    Raises
    ------
    ValueProblem
        There is no such step, or one that was asked for is not pure here.
    """
    found = []
    for name in names or INTERVALS:
        key = drone_key + INTERVALS[name]
        sound: Sound = notes_sound(table, (drone_key, key) if key != drone_key else (key, key))
        found.append(Target(name, sound.notes[1], sound.hz[1], sound.hz[0]))
    return tuple(found)


def step_names(words: tuple[str, ...]) -> tuple[str, ...]:
    """Read what is to be sung: words of `INTERVALS`.

    Raises
    ------
    ValueProblem
        A word is none.
    """
    text = " ".join(words).lower().replace(",", " ").replace("major ", "").replace("perfect ", "")
    names, rest = [], text.split()
    while rest:
        pair = " ".join(rest[:2])
        name = pair if pair in INTERVALS else rest[0]
        if name not in INTERVALS:
            raise ValueProblem(f"{name!r} is not sung here", f"some of: {', '.join(INTERVALS)}")
        names.append(name)
        rest = rest[len(name.split()) :]
    return tuple(names)
