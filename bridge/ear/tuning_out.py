"""*Tune out the beats*: one note is off, the player moves it until it stands still; then it is told how near that is.

Each round begins somewhere else, wide or narrow by turns at random; the note that moves is one or the other, the whole
is shifted as in `bridge.ear.trials`, so that neither the number of keys pressed nor a pitch kept in mind leads home.

Conventions: cents of the interval, wide positive: the upper note high, or the lower one low.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bridge.ear.sounds import Sound
from bridge.ear.trials import SHIFT_CENTS
from bridge.errors import ValueProblem

ROUNDS = 10
NEAREST_CENTS, FURTHEST_CENTS = 6.0, 26.0
"""A round begins this far off."""

COARSE_CENTS, FINE_CENTS = 1.0, 0.2
"""What a key moves the note by."""

REACH_CENTS = 60.0


@dataclass(frozen=True)
class Settled:
    """A round that is over."""

    began_cents: float
    error_cents: float  # what is left, wide positive


@dataclass
class Round:
    """One round under way."""

    sound: Sound
    shift_cents: float
    moves: int  # which note, 0 the lower
    began_cents: float
    cents: float  # how wide it is now

    @property
    def hz(self) -> tuple[float, float]:
        """What sounds now."""
        off = [0.0, 0.0]
        off[self.moves] = self.cents if self.moves else -self.cents
        low, high = (
            hz * 2 ** ((self.shift_cents + cents) / 1200)
            for hz, cents in zip(self.sound.hz, off, strict=True)
        )
        return low, high

    def move(self, cents: float) -> None:
        """Move the note that moves up (or down) in pitch."""
        wider = cents if self.moves else -cents
        self.cents = min(max(self.cents + wider, -REACH_CENTS), REACH_CENTS)

    def settle(self) -> Settled:
        """Leave it as it is."""
        return Settled(self.began_cents, self.cents)


class TuningOut:
    """The rounds of a run.

    Parameters
    ----------
    sound : Sound
        Two notes.
    """

    def __init__(self, sound: Sound, rounds: int = ROUNDS, seed: int = 0) -> None:
        if len(sound.hz) != 2:
            raise ValueProblem(
                f"{sound.name} has {len(sound.hz)} notes", "two notes are tuned, such as: fifth, or D3 A3"
            )
        self.sound = sound
        self.rounds = rounds
        self.settled: list[Settled] = []
        random = np.random.default_rng(seed)
        sides = np.resize([1, -1], rounds)
        notes = np.resize([0, 0, 1, 1], rounds)
        order = random.permutation(rounds)
        self._begins = [
            (
                float(random.uniform(-SHIFT_CENTS, SHIFT_CENTS)),
                int(notes[at]),
                float(sides[at] * random.uniform(NEAREST_CENTS, FURTHEST_CENTS)),
            )
            for at in order
        ]
        self._round: Round | None = None

    @property
    def over(self) -> bool:
        """Whether all rounds are over."""
        return len(self.settled) == self.rounds

    @property
    def round(self) -> Round:
        """The round under way."""
        if self._round is None:
            shift, moves, began = self._begins[len(self.settled)]
            self._round = Round(self.sound, shift, moves, began, began)
        return self._round

    def settle(self) -> Settled:
        """End the round under way."""
        self.settled.append(self.round.settle())
        self._round = None
        return self.settled[-1]


@dataclass(frozen=True)
class Settling:
    """What all rounds come to."""

    mean_cents: float  # signed: a leaning to wide or to narrow
    spread_cents: float | None  # standard deviation; None for fewer than two rounds
    rounds: int


def settling(rounds: Sequence[Settled]) -> Settling | None:
    """Return what rounds come to; None for none."""
    errors = [one.error_cents for one in rounds]
    if not errors:
        return None
    spread = statistics.stdev(errors) if len(errors) > 1 else None
    return Settling(statistics.fmean(errors), spread, len(errors))
