"""Simulated listeners for the exercises of the ear, whose thresholds are known.

A listener of `Hears` is one of signal detection theory: a mistuning of `x` cents makes an impression of
`(x / scale) ** power`, to which noise of variance 1 is added for each sound. Between two sounds the larger impression
is taken for the one that beats, so that p = Φ((x / scale)^power / √2); a direction is told from one impression,
p = Φ((x / scale)^power) (D. M. Green and J. A. Swets, *Signal Detection Theory and Psychophysics*, 1966). In a share of
trials it lapses, and guesses. The threshold where p = √½ follows from that: no fit is asked.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

import numpy as np

from bridge.ear.fit import Answered
from bridge.ear.staircase import Staircase

NORMAL = NormalDist()
AT_70_7 = NORMAL.inv_cdf(math.sqrt(0.5))
"""Φ⁻¹(√½) = 0.5450."""


@dataclass(frozen=True)
class Hears:
    """Hears mistunings, with noise."""

    threshold_cents: float
    power: float = 1.0
    lapses: float = 0.0
    lapsed_right: float = 0.5
    """How often a lapse is right by luck: a guess, or 0 where the wrong key is struck."""
    shape: Literal["normal", "weibull", "logistic"] = "normal"
    """How it sets in: by signal detection, or as other theories have it (Weibull 1951; Luce's choice rule)."""

    def chance_right(self, cents: float) -> float:
        """How likely a right answer is; the noise is such that it is √½ at the threshold without lapses."""
        impression = (cents / self.threshold_cents) ** self.power
        above = 2 * math.sqrt(0.5) - 1  # of chance, at the threshold
        if self.shape == "weibull":
            p = 1 - 0.5 * (1 - above) ** impression
        elif self.shape == "logistic":
            odds = above / (1 - above) * impression
            p = 0.5 + 0.5 * odds / (1 + odds)
        else:
            p = NORMAL.cdf(AT_70_7 * impression)
        return self.lapses * self.lapsed_right + (1 - self.lapses) * p

    def right(self, cents: float, random: np.random.Generator) -> bool:
        return bool(random.random() < self.chance_right(cents))


def answered(listener: Hears, stairs: Staircase, seed: int, trials: int) -> list[Answered]:
    """What a listener answers on a staircase."""
    random = np.random.default_rng(seed)
    answers = []
    for _ in range(trials):
        answers.append(Answered(stairs.cents, listener.right(stairs.cents, random)))
        stairs.answer(answers[-1].right)
    return answers
