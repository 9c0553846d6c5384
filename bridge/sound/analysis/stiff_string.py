"""Fits the law of a stiff string, ``n * f0 * sqrt(1 + B * n**2)``, to measured partials that scatter round it.

A computed string keeps the law exactly; a real one does not: the body pulls single partials by some cents, and each
partial swings in two planes with slightly different pitch. So every partial counts by its own uncertainty plus a
scatter that is estimated from how well they agree. Partials that hold little of the sound are let scatter more.

Sources: H. Fletcher (J. Acoust. Soc. Am. 36, 1964) for the law; R. C. Paule and J. Mandel, "Consensus values and
weighting factors" (J. Res. Natl. Bur. Stand. 87, 1982) for the scatter.

Conventions: everything here is in logarithms of frequency (nepers); 1 neper is 1200 / ln 2 cents.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.sound.analysis.spectrum import Floats

#: Stiffness expected before the partials are heard (mean, spread): matters where only two or three are heard.
STIFFNESS_BELIEF = (8e-5, 3e-4)
#: How much of a real string's scatter stays with a partial for good, so that the first one sounds with it.
LASTING = 0.35
#: A partial further off than so many standard deviations, judged without it, is left out.
STRANGE = 4.5
#: … unless it carries so much of the sound, relative to the loudest, that leaving it out would miss what is heard.
CARRIES = 0.1


@dataclass(frozen=True, eq=False)
class Law:
    """A stiff string's law as fitted."""

    log_f0: float
    stiffness: float
    # The first partial as it sounds, and the variance of that.
    log_first: float
    variance: float
    scatter: float  # standard deviation of the strongest partial round the law, beyond its own uncertainty
    off: Floats  # distance of each partial from the law; shape (partials,)
    used: NDArray[np.bool_]  # shape (partials,)


def fit_law(numbers: NDArray[np.int_], log_hz: Floats, own_variance: Floats, energy: Floats) -> Law:
    """Fit the law to partials `numbers` at ``exp(log_hz)``.

    Parameters
    ----------
    numbers, log_hz, own_variance : ndarray, shape (partials,)
        Partial numbers, logarithms of their frequencies, and the variances of those.
    energy : ndarray, shape (partials,)
        Squared amplitude of each, any unit.
    """
    n2 = numbers.astype(np.float64) ** 2
    value = log_hz - np.log(numbers)
    loud = energy * n2
    # The ear and the law both hang on the partials that carry the sound: the others may scatter more.
    loose = 1.0 / np.sqrt(np.clip(loud / loud.max(), 1e-3, 1.0))
    may_go = loud < CARRIES * loud.max()
    used = np.ones(numbers.size, dtype=bool)
    for _ in range(numbers.size):
        fit = _scattered(n2[used], value[used], own_variance[used], loose[used])
        off = value - fit.log_f0 - 0.5 * np.log1p(fit.b * n2)
        if used.sum() <= 3 or used.sum() <= 0.6 * numbers.size:
            break
        strange = np.where(used & may_go, np.abs(off) / np.sqrt(own_variance + fit.scatter * loose), 0.0)
        worst = int(np.argmax(strange))
        if strange[worst] < 2.0:
            break
        alone = used.copy()
        alone[worst] = False
        again = _scattered(n2[alone], value[alone], own_variance[alone], loose[alone])
        off_again = value[worst] - again.log_f0 - 0.5 * np.log1p(again.b * n2[worst])
        if abs(off_again) < STRANGE * np.sqrt(own_variance[worst] + again.scatter * loose[worst]):
            break
        used = alone
    gradient = np.array([1.0, 0.5 / (1 + fit.b)])
    variance = float(gradient @ fit.covariance @ gradient)
    log_first = fit.log_f0 + 0.5 * np.log1p(fit.b)
    if numbers[0] == 1 and used[0]:
        spread = fit.scatter * loose[0]
        share = LASTING * spread / (spread + own_variance[0])
        log_first += share * off[0]
        variance += LASTING * spread * (1.0 - share)
    else:
        variance += LASTING * fit.scatter
    return Law(
        fit.log_f0, fit.b, float(log_first), variance, float(np.sqrt(fit.scatter)), np.asarray(off), used
    )


@dataclass(frozen=True, eq=False)
class _Fit:
    log_f0: float
    b: float
    scatter: float
    covariance: Floats


def _scattered(n2: Floats, value: Floats, own: Floats, loose: Floats) -> _Fit:
    """Find the scatter with which the weighted squares come out as they should (Paule and Mandel 1982)."""
    fit, squares, freedom = _weighted(n2, value, own, 0.0)
    if freedom < 1 or squares <= freedom:
        return fit
    plain, _, _ = _weighted(n2, value, np.full(n2.size, float(own.mean())) * loose, 0.0)
    off = value - plain.log_f0 - 0.5 * np.log1p(plain.b * n2)
    scatter = float(np.mean(off**2 / loose)) + 1e-18
    # Newton's steps in logarithms: the sum falls between as the scatter's inverse and not at all.
    for _ in range(10):
        variance = own + scatter * loose
        fit, squares, freedom = _weighted(n2, value, variance, scatter)
        off = value - fit.log_f0 - 0.5 * np.log1p(fit.b * n2)
        slope = scatter * float(np.sum(loose * (off / variance) ** 2)) / squares
        step = float(np.clip(np.log(squares / freedom) / max(slope, 1e-6), -5.0, 5.0))
        scatter *= float(np.exp(step))
        if abs(step) < 1e-3:
            break
        if scatter < 1e-6 * float(np.median(own)):
            scatter = 0.0
            break
    fit, _, _ = _weighted(n2, value, own + scatter * loose, scatter)
    return fit


def _weighted(n2: Floats, value: Floats, variance: Floats, scatter: float) -> tuple[_Fit, float, int]:
    weight = 1.0 / variance
    belief, doubt = STIFFNESS_BELIEF
    b = belief
    free = True
    sum_w = float(np.sum(weight))
    for _ in range(4):
        slope = 0.5 * n2 / (1 + b * n2)
        target = value - 0.5 * np.log1p(b * n2) + slope * b
        cross = float(np.sum(weight * slope))
        square = float(np.sum(weight * slope * slope)) + 1.0 / doubt**2
        right0 = float(np.sum(weight * target))
        right1 = float(np.sum(weight * slope * target)) + belief / doubt**2
        determinant = sum_w * square - cross * cross
        log_f0 = (square * right0 - cross * right1) / determinant
        before, b = b, (sum_w * right1 - cross * right0) / determinant
        if b < 0.0:
            b, free = 0.0, False
            log_f0 = float(np.sum(weight * value)) / sum_w
            break
        b = min(b, 5e-3)
        if abs(b - before) < 1e-12:
            break
    covariance = np.array([[square, -cross], [-cross, sum_w]]) / determinant
    off = value - log_f0 - 0.5 * np.log1p(b * n2)
    freedom = n2.size - (2 if free and n2.size > 2 else 1)
    return _Fit(float(log_f0), float(b), scatter, covariance), float(np.sum(weight * off * off)), freedom
