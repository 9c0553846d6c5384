"""Beats between two strings that sound together: how fast, in which partials, and which way to turn the peg.

Where partials of the two nearly coincide, the sound near them is a sum of two damped tones: both are resolved, also
when they are nearer than a Fourier transform tells apart, and their difference is the beat. Partials that stand alone
tell which of the two tones belongs to which string, and so which string is the sharp one. Two strings in unison have
no partial that stands alone: then the beat is known but not its direction.

Source: Y. Hua and T. K. Sarkar, "Matrix pencil method for estimating parameters of exponentially damped/undamped
sinusoids in noise" (IEEE Trans. Acoust. Speech Signal Process. 38, 1990).

Conventions: the *first* string is the one that stays (the reference), the *second* the one to move; cents positive
where the second must go up. Samples float64 of shape ``(n,)``.

Index
-----
`PairBeat`      the beat of one pair of partials
`BeatsHeard`    all pairs, and what to do
`hear_beats`    the measurement
`two_tones`     two damped tones in a band that holds nothing else
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.errors import InputProblem
from bridge.sound.analysis.blocks import demodulate
from bridge.sound.analysis.onsets import find_onsets
from bridge.sound.analysis.partials import CENTS, StringFit, fit_string
from bridge.sound.analysis.spectrum import Floats, peaks, spectrum
from bridge.sound.listening import refuse
from bridge.sound.listening.mono import Mono, mono

#: Strings are expected within so many cents of their pitch.
EXPECTED_WITHIN_CENTS = 70.0
#: Pairs of partials up to these numbers.
MOST_PARTIALS = 12
#: An interval whose first common partials lie higher than this is no consonance: nobody hears it beat.
SIMPLEST = 8
#: At most so much of the sound is used, and at least.
MOST_S, LEAST_S = 5.0, 0.6
#: A partial stands alone if the other string has none within so many Hz.
ALONE_HZ = 15.0
#: A beat with an uncertainty above this, a second, says nothing.
UNSURE_HZ = 0.25
#: What neighbouring partials leak into a band may shift a beat by so much.
LEAK_HZ = 0.003

Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class PairBeat:
    """The beat between partial `first` of the first string and partial `second` of the second."""

    # Partial numbers.
    first: int
    second: int
    hz: float  # where it is heard
    # Beats a second, and the standard deviation of that.
    rate_hz: float
    sd_hz: float
    # True where both tones were resolved; False where the rate follows from the strings' other partials.
    direct: bool


@dataclass(frozen=True)
class BeatsHeard:
    """Two strings as heard together."""

    pairs: tuple[PairBeat, ...]  # by rising pitch; the first is the one to tune by
    # By how much the second string must move to still the first pair; positive is up. Without `sure`,
    # only its size is meant.
    move_cents: float
    sd_cents: float
    sure: bool  # whether the direction is known

    @property
    def direction(self) -> str:
        """``"up"``, ``"down"``, ``"still"`` (nothing left to hear) or ``"try"`` (direction unknown)."""
        if self.pairs[0].rate_hz < max(0.05, 2.0 * self.pairs[0].sd_hz):
            return "still"
        if not self.sure:
            return "try"
        return "up" if self.move_cents > 0 else "down"


def hear_beats(
    samples: NDArray[np.floating] | Mono, sample_rate: float, first_hz: float, second_hz: float
) -> BeatsHeard:
    """Measure the beats of two strings plucked together.

    InputProblem where the sound is too short, silent, clipped, or the two have no partials in common that can
    be heard.

    Parameters
    ----------
    samples : ndarray, shape (n,) or (n, channels), or Mono
    first_hz, second_hz : float
        Pitch expected of each, right to 70 cents; the second is the string to move.
    """
    body = _body(mono(samples, sample_rate), sample_rate)
    pairs = coinciding(first_hz, second_hz)
    if not pairs:
        raise InputProblem(
            f"strings at {first_hz:.1f} and {second_hz:.1f} Hz have no partials in common to beat",
            "beats are heard where partials of both nearly coincide",
        )
    first, second = _strings(body, sample_rate, first_hz, second_hz)
    low = [_Pair(body, sample_rate, p, q, first, second, first_hz, second_hz) for p, q in pairs]
    heard = [pair for pair in low if pair.known]
    if not heard:
        raise InputProblem("no beats can be made out between these strings", "pluck both firmly, and at once")
    return _advise(heard)


def coinciding(first_hz: float, second_hz: float) -> list[tuple[int, int]]:
    """Pairs of partial numbers (of the first, of the second) that belong together, by rising pitch."""
    out = []
    for p in range(1, MOST_PARTIALS + 1):
        q = round(p * first_hz / second_hz)
        if 1 <= q <= MOST_PARTIALS and abs(np.log2(p * first_hz / (q * second_hz))) * 1200 < 45.0:
            out.append((p, q))
    if not out or max(out[0]) > SIMPLEST:
        return []
    base = out[0]
    return [(p, q) for p, q in out if p * base[1] == q * base[0]]


def _body(one: Mono, rate: float) -> Floats:
    """The sound from the pluck on."""
    if refuse.is_silent(one.peak):
        raise InputProblem(refuse.SILENCE)
    if one.clipped.size:
        raise InputProblem(refuse.CLIPPED)
    onsets = find_onsets(one.sound, rate)
    # The two may be plucked one after the other: what counts is where both sound.
    start = round((onsets[-1].time_s + 0.03) * rate) if onsets else 0
    body = one.cut(start, start + round(MOST_S * rate))
    if body.size < LEAST_S * rate:
        raise InputProblem("the two strings must sound together for at least a second")
    return body


def _strings(
    body: Floats, rate: float, first_hz: float, second_hz: float
) -> tuple[StringFit | None, StringFit | None]:
    """Fit each string by the partials that stand alone, the other taken out of the sound meanwhile."""
    found = peaks(spectrum(body[: round(2.0 * rate)], rate), above_floor_db=16.0)
    guesses = [_near(found.hz, found.amplitude, hz) for hz in (first_hz, second_hz)]
    fits: list[StringFit | None] = [None, None]
    for _ in range(2):
        for own in (0, 1):
            other = 1 - own
            alone = _alone(guesses[own], guesses[other])
            if alone.size == 0:
                continue
            before = fits[other]
            # The residual of the other's fit is the sound without it.
            sound = body if before is None else before.residual
            fit = fit_string(sound, rate, guesses[own], 5e-5, only=alone, block_s=4.0 / ALONE_HZ / 2)
            if fit is not None and abs(CENTS * np.log(fit.hz / guesses[own])) < EXPECTED_WITHIN_CENTS:
                fits[own] = fit
    return fits[0], fits[1]


def _near(hz: Floats, amplitude: Floats, expected_hz: float) -> float:
    """The pitch near the expected one that the peaks agree on best."""
    tries = expected_hz * 2 ** (np.linspace(-EXPECTED_WITHIN_CENTS, EXPECTED_WITHIN_CENTS, 141) / 1200)
    numbers = np.arange(1, MOST_PARTIALS + 1)
    places = tries[:, None] * numbers * np.sqrt(1 + 5e-5 * numbers**2)
    if hz.size == 0:
        return expected_hz
    off = np.abs(np.log2(hz / places[:, :, None])) * 1200
    score = np.max(np.sqrt(amplitude) * np.exp(-0.5 * (off / 6.0) ** 2), axis=2).sum(axis=1)
    return float(tries[int(np.argmax(score))])


def _alone(own_hz: float, other_hz: float) -> NDArray[np.int_]:
    numbers = np.arange(1, MOST_PARTIALS + 1)
    others = other_hz * np.arange(1, 33)
    gap = np.min(np.abs(own_hz * numbers[:, None] - others), axis=1)
    return np.asarray(numbers[gap > ALONE_HZ])


class _Pair:
    """One pair of partials: what was measured of its beat."""

    def __init__(
        self,
        body: Floats,
        rate: float,
        p: int,
        q: int,
        first: StringFit | None,
        second: StringFit | None,
        first_hz: float,
        second_hz: float,
    ) -> None:
        self.p, self.q = p, q
        law = [_law_hz(fit, n) for fit, n in ((first, p), (second, q))]
        middle = _middle(law, p * first_hz, q * second_hz, body, rate)
        spacing = min(first_hz, second_hz)
        tones = two_tones(body, rate, middle, min(spacing, 60.0))
        self.direct = tones is not None
        #: The second string's partial less the first's, in Hz.
        self.difference, self.sd, self.sure = 0.0, np.inf, False
        self.hz = middle
        if tones is not None:
            low, high, sd = tones
            self.hz, self.difference, self.sd = 0.5 * (low + high), high - low, max(sd, LEAK_HZ)
            self._sign(law, low, high)
        elif law[0] is not None and law[1] is not None:
            self.difference = law[1][0] - law[0][0]
            self.sd = float(np.hypot(law[0][1], law[1][1]))
            self.sure = abs(self.difference) > 2.0 * self.sd

    @property
    def known(self) -> bool:
        return bool(self.sd < UNSURE_HZ)

    def _sign(self, law: list[tuple[float, float] | None], low: float, high: float) -> None:
        """Give the tones to the strings as their other partials say."""
        votes = 0.0
        for side, expected in zip((1.0, -1.0), law, strict=True):
            if expected is not None:
                # Positive: the first string is the lower tone, or the second the higher.
                votes += side * (abs(expected[0] - high) - abs(expected[0] - low)) / (expected[1] + 0.02)
        if votes < 0:
            self.difference = -self.difference
        self.sure = abs(votes) > 2.0


def _law_hz(fit: StringFit | None, n: int) -> tuple[float, float] | None:
    """Partial n by the law of the string's other partials, with its uncertainty in Hz."""
    if fit is None:
        return None
    hz = n * fit.f0_hz * np.sqrt(1 + fit.stiffness * n * n)
    return float(hz), float(hz * np.hypot(fit.cents_sd, fit.scatter_cents) / CENTS)


def _middle(
    law: list[tuple[float, float] | None], first: float, second: float, body: Floats, rate: float
) -> float:
    """Where the pair is heard: at its strongest peak near where it should be."""
    known = [entry[0] for entry in law if entry is not None]
    aim = float(np.mean(known)) if known else 0.5 * (first + second)
    within = 15.0 if known else EXPECTED_WITHIN_CENTS
    found = peaks(spectrum(body, rate), above_floor_db=14.0, range_db=80.0, most=200)
    near = np.abs(np.log2(found.hz / aim)) * 1200 < within
    return float(found.hz[near][np.argmax(found.amplitude[near])]) if near.any() else aim


def two_tones(
    body: Floats, rate: float, middle_hz: float, width_hz: float
) -> tuple[float, float, float] | None:
    """Frequencies of the two damped tones in a band, and the standard deviation of their difference, all in Hz.

    None where there is but one. Other sounds are at least `width_hz` from the band's middle.
    """
    length = round(4.0 / width_hz * rate)
    if body.size < 6 * length:
        length = body.size // 6
    blocks = demodulate(body, rate, np.array([middle_hz]), length)
    y = blocks.y[:, 0]
    # The tail that has sunk into the noise tells nothing.
    level = np.abs(y)
    if not level.any():
        return None
    last = int(np.flatnonzero(level > 0.01 * level.max())[-1]) + 1
    y = y[: max(last, 8)]
    if y.size < 8:
        return None
    poles = _pencil(y)
    if poles is None:
        return None
    rates, sd = _polish(y, poles)
    hz = np.sort(rates.imag) / (2 * np.pi * blocks.hop_s)
    beat = float(hz[1] - hz[0])
    sd_hz = sd / (2 * np.pi * blocks.hop_s)
    if not np.isfinite(sd_hz) or beat < 2.0 * sd_hz or beat > 0.6 * width_hz:
        return None
    return middle_hz + float(hz[0]), middle_hz + float(hz[1]), sd_hz


def _pencil(y: Complex) -> Complex | None:
    """Logarithms of the two poles by the matrix pencil; None where one is enough."""
    half = y.size // 2
    hankel = np.lib.stride_tricks.sliding_window_view(y, half)
    _, singular, rows = np.linalg.svd(hankel, full_matrices=False)
    noise = float(np.sqrt(np.mean(singular[3:] ** 2))) if singular.size > 4 else 0.0
    if singular[1] < max(4.0 * noise, 0.01 * singular[0]):
        return None
    basis = rows[:2].T
    step, *_ = np.linalg.lstsq(basis[:-1], basis[1:], rcond=None)
    poles = np.linalg.eigvals(step)
    return np.asarray(np.log(np.where(np.abs(poles) > 0, poles, 1e-9)), dtype=np.complex128)


def _polish(y: Complex, rates: Complex) -> tuple[Complex, float]:
    """Least squares over both tones (amplitudes, phases, decays, frequencies); sd of the difference per step."""
    k = np.arange(y.size)
    rates = rates.copy()
    covariance = np.full((4, 4), np.inf)
    for _ in range(12):
        waves = np.exp(np.outer(k, rates))
        amplitudes, *_ = np.linalg.lstsq(waves, y, rcond=None)
        off = y - waves @ amplitudes
        slopes = k[:, None] * waves * amplitudes
        # Complex least squares is analytic in amplitudes and rates: one complex system holds everything.
        system = np.hstack([waves, slopes])
        change, *_ = np.linalg.lstsq(system, off, rcond=None)
        rates = rates + np.clip(change[2:].real, -0.2, 0.2) + 1j * np.clip(change[2:].imag, -0.2, 0.2)
        rates = np.minimum(rates.real, 0.01) + 1j * rates.imag
        noise = float(np.sum(np.abs(off) ** 2)) / max(1, 2 * (y.size - 4))
        gram = system.conj().T @ system
        covariance = np.abs(np.linalg.pinv(gram)) * noise
        if np.max(np.abs(change[2:])) < 1e-9:
            break
    # The neighbouring blocks' noise is correlated by a sixth, either side.
    return rates, float(np.sqrt(1.33 * (covariance[2, 2] + covariance[3, 3] + 2 * covariance[2, 3])))


def _advise(pairs: list[_Pair]) -> BeatsHeard:
    """Every pair's beat; the lowest one's is to be stilled.

    Its direction is its own where that is sure, else that of the lowest pair that is: stiffness can turn the
    direction of high pairs round.
    """
    lowest = pairs[0]
    difference = lowest.difference
    sure = [pair for pair in pairs if pair.sure]
    if sure and np.sign(sure[0].difference) != np.sign(difference):
        difference = -difference
    out = tuple(
        PairBeat(pair.p, pair.q, float(pair.hz), float(abs(pair.difference)), float(pair.sd), pair.direct)
        for pair in pairs
    )
    return BeatsHeard(
        pairs=out,
        move_cents=float(-CENTS * difference / lowest.hz),
        sd_cents=float(CENTS * lowest.sd / lowest.hz),
        sure=bool(sure),
    )
