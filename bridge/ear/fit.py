"""A threshold out of right and wrong answers, with its uncertainty, and with lapses.

Everybody answers wrong now and then without having listened. One such lapse on an easy trial drags a plain fit, or a
mean of the staircase's reversals, by a quarter. So the share of lapses is fitted as well, and so is how often a lapse
happens to be right: half the time where it is a guess, never where the wrong key was struck.

The model. A mistuning of `x` cents makes an impression with noise of variance 1 (Green and Swets 1966); one who
hears nothing is right in half of all cases. An answer is right with probability

    p(x) = l · g + (1 − l) · Φ(Φ⁻¹(√½) · (x / t)^b)

`l` the share of lapses, `g` their luck (0 or ½, either as likely), `b` how suddenly hearing sets in, `t` the threshold:
where somebody who does not lapse is right in 70.7 %, what the staircase converges on. All combinations on a grid are
weighed by their likelihood and by what is known beforehand: nothing of the threshold but its order of magnitude;
nothing of the slope, of which so few answers near the threshold tell little (one that is thought to be known pulls the
threshold with it); few lapses. The estimate is the median of what follows for the threshold. All others are summed
over, not set to their likeliest values: an interval from the likelihood alone, at its likeliest slope, is true in 75 to
85 of 100. Since every slope counts, what follows is a little wider than need be: 88 % of it, from 6 % to 94 %, are true
in 90 of 100 on average over simulated listeners, and in 85 to 95 for each (`tests/bench/bench_ear.py`).

Conventions: cents above 0; natural logarithms inside.

Sources
-------
F. A. Wichmann and N. J. Hill, "The psychometric function: I. Fitting, sampling, and goodness of fit", Perception &
Psychophysics 63 (2001), 1293-1313 (why lapses have to be fitted); N. Prins, "The psychometric function: the lapse rate
revisited", Journal of Vision 12 (2012), 25 (trials near the threshold tell hardly anything of lapses: what is known
beforehand decides); L. L. Kontsevich and C. W. Tyler, "Bayesian adaptive estimation of psychometric slope and
threshold", Vision Research 39 (1999), 2729-2737 (the weights on a grid).
What people reach, to compare with (from memory): the direction of mistuned fifths and major thirds is told from 20 to
30 cents on (J. Vos, 1982); the size of an interval to about 10 cents by amateurs (T. J. Hill and I. R. Summers,
J. Acoust. Soc. Am., 2007); D. E. Hall and J. T. Hess on how mistuned intervals are judged (1984); J. Vos and B. G. van
Vianen on thresholds for telling pure from tempered intervals (J. Acoust. Soc. Am. 77, 1985).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from math import erf
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from bridge.ear.staircase import CONVERGES

Floats = NDArray[np.float64]

TOLD = 0.88
"""The share of what follows for the threshold that is told as the interval which is true in 90 of 100."""

LEAST_CENTS, MOST_CENTS = 0.05, 400.0
"""Thresholds are sought between these."""

FEWEST = 20
"""No threshold is told from fewer answers."""

_AT_THRESHOLD = NormalDist().inv_cdf(CONVERGES)
_GENTLEST, _STEEPEST = 0.5, 8.0
_MOST_LAPSES, _LAPSE_MEAN = 0.16, 0.08
_LUCKS = (0.5, 0.0)
_USUAL_CENTS, _CENTS_SPREAD = 8.0, 3.0  # of the threshold: so broad that only orders of magnitude count


@dataclass(frozen=True)
class Answered:
    """One answer."""

    cents: float  # how far the trial was off
    right: bool


@dataclass(frozen=True)
class Threshold:
    """What is just heard, and how sure that is."""

    cents: float
    # The truth lies between these in 90 of 100 cases.
    low_cents: float
    high_cents: float
    lapses: float  # share of answers that seem to have been given without listening
    trials: int


@cache
def _grid() -> tuple[Floats, Floats, Floats, Floats]:
    """Logarithms of thresholds (n), slopes (k), lapses (m), and how often each of these is right by luck (m)."""
    log_t = np.linspace(np.log(LEAST_CENTS), np.log(MOST_CENTS), 128)
    slopes = np.exp(np.linspace(np.log(_GENTLEST), np.log(_STEEPEST), 14))
    lapses = np.linspace(0.0, _MOST_LAPSES, 8)
    return log_t, slopes, np.tile(lapses, len(_LUCKS)), np.repeat(_LUCKS, lapses.size)


@cache
def _before() -> Floats:
    """Weights of the grid before any answer, as logarithms, shape (n, k, m)."""
    log_t, slopes, lapses, _ = _grid()
    of_t = -0.5 * ((log_t - np.log(_USUAL_CENTS)) / _CENTS_SPREAD) ** 2
    of_both = of_t[:, None, None] - (lapses / _LAPSE_MEAN)[None, None, :]
    return np.broadcast_to(of_both, (log_t.size, slopes.size, lapses.size))


_ERF = np.array([erf(at / 1000) for at in range(6001)])


def chance_right(cents: float, log_t: Floats, slopes: Floats, lapses: Floats, lucks: Floats) -> Floats:
    """Return how likely a right answer is, of any shapes that go together."""
    heard = _AT_THRESHOLD * np.exp(np.minimum(slopes * (np.log(cents) - log_t), 50.0))
    # Φ from a table of the error function, whose steps are far below what matters.
    hears = 0.5 + 0.5 * np.interp(heard / np.sqrt(2), np.arange(_ERF.size) / 1000, _ERF)
    return np.asarray(lapses * lucks + (1 - lapses) * hears)


@lru_cache(maxsize=64)
def _logs(cents: float) -> tuple[Floats, Floats]:
    """Logarithms of how likely a right and a wrong answer is, over the grid; runs come to the same steps again."""
    log_t, slopes, lapses, lucks = _grid()
    p = chance_right(cents, log_t[:, None, None], slopes[None, :, None], lapses, lucks)
    return np.log(p), np.log1p(-np.minimum(p, 1 - 1e-9))


def fit_threshold(answers: Sequence[Answered]) -> Threshold | None:
    """Return the threshold that answers tell; None for fewer than `FEWEST`."""
    if len(answers) < FEWEST:
        return None
    log_t, _, lapses, _ = _grid()
    weight = _before().copy()
    counts: dict[float, list[int]] = {}
    for one in answers:
        counts.setdefault(round(one.cents, 6), [0, 0])[not one.right] += 1
    for cents, (right, wrong) in counts.items():
        of_right, of_wrong = _logs(cents)
        weight += right * of_right
        weight += wrong * of_wrong
    weight = np.exp(weight - weight.max())
    weight /= weight.sum()
    of_t = weight.sum(axis=(1, 2))
    below = np.concatenate([[0.0], np.cumsum(of_t)])
    step = log_t[1] - log_t[0]
    edges = np.concatenate([[log_t[0] - step / 2], log_t + step / 2])
    low, middle, high = np.exp(np.interp((0.5 - TOLD / 2, 0.5, 0.5 + TOLD / 2), below, edges))
    return Threshold(
        cents=float(middle),
        low_cents=float(low),
        high_cents=float(high),
        lapses=float(weight.sum(axis=(0, 1)) @ lapses),
        trials=len(answers),
    )
