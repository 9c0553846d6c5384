"""Synthetic plucked strings for tests, and the Cramér–Rao bound on their pitch.

The sum that a stiff, damped string makes after a pluck, with everything known: partial n sounds at
``n * f0_hz * sqrt(1 + stiffness * n**2)`` (Fletcher, J. Acoust. Soc. Am. 36, 1964), starts at amplitude 1/n and
falls by a factor e in ``decay_s / n**decay_power`` seconds. White Gaussian noise is added a given number of
decibels below the mean power of the whole clip. Imports nothing of the project.

The bound is that of D. C. Rife and R. R. Boorstyn, "Single-tone parameter estimation from discrete-time
observations" (IEEE Trans. Inform. Theory 20, 1974), generalised from one steady tone to damped partials that share
f0 and stiffness while each keeps an amplitude, a phase and a decay of its own: the inverse of the full Fisher matrix
of the samples. With one undamped partial it is their formula, which a test checks.

Conventions: frequencies in Hz, times in seconds, samples float64 of shape ``(n,)``.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np


@dataclass(frozen=True)
class Pluck:
    """One synthetic string and how it is plucked; `first_hz` is what a listener should read."""

    f0_hz: float
    stiffness: float = 0.0
    decay_s: float = 2.0
    decay_power: float = 0.5
    partials: int = 12
    amplitudes: tuple[float, ...] = ()
    phases: tuple[float, ...] = ()
    glide_cents: float = 0.0
    glide_s: float = 0.15
    vibrato_cents: float = 0.0
    vibrato_hz: float = 5.5
    steady: bool = False
    extra: dict[int, float] = field(default_factory=dict)

    @property
    def first_hz(self) -> float:
        return self.f0_hz * np.sqrt(1.0 + self.stiffness)

    def frequency(self, n: int) -> float:
        return n * self.f0_hz * np.sqrt(1.0 + self.stiffness * n * n)

    def amplitude(self, n: int) -> float:
        return self.amplitudes[n - 1] if self.amplitudes else 1.0 / n

    def decay_rate(self, n: int) -> float:
        return 0.0 if self.steady else n**self.decay_power / self.decay_s

    def samples(self, seconds: float, sample_rate: int) -> np.ndarray:
        """The clean sound from the moment of the pluck, shape ``(round(seconds * sample_rate),)``."""
        t = np.arange(round(seconds * sample_rate)) / sample_rate
        # Phase of a partial at 1 Hz: time, bent by the glide and the vibrato.
        bend = self.glide_cents * np.log(2) / 1200
        warped = t + bend * self.glide_s * (1 - np.exp(-t / self.glide_s))
        if self.vibrato_cents:
            depth = self.vibrato_cents * np.log(2) / 1200
            warped = warped + depth * (1 - np.cos(2 * np.pi * self.vibrato_hz * t)) / (
                2 * np.pi * self.vibrato_hz
            )
        out = np.zeros(t.size)
        for n in range(1, self.partials + 1):
            hz = self.frequency(n)
            if hz >= 0.48 * sample_rate:
                break
            phase = self.phases[n - 1] if self.phases else 0.0
            out += (
                self.amplitude(n) * np.exp(-self.decay_rate(n) * t) * np.cos(2 * np.pi * hz * warped + phase)
            )
        return out


def random_pluck(rng: np.random.Generator, low_hz: float = 40.0, high_hz: float = 1200.0) -> Pluck:
    """Draw a string from the ranges that the measuring is specified for, evenly in pitch."""
    return Pluck(
        f0_hz=float(low_hz * (high_hz / low_hz) ** rng.random()),
        stiffness=float(rng.uniform(0, 2e-4)),
        decay_s=float(rng.uniform(0.5, 6.0)),
        phases=tuple(rng.uniform(0, 2 * np.pi, 12)),
    )


def noisy(clean: np.ndarray, snr_db: float, rng: np.random.Generator) -> np.ndarray:
    """Add white noise `snr_db` below the mean power of `clean`; peaks are scaled to 0.5."""
    sigma = noise_sigma(clean, snr_db)
    out = clean + sigma * rng.standard_normal(clean.size)
    return 0.5 * out / np.max(np.abs(out))


def noise_sigma(clean: np.ndarray, snr_db: float) -> float:
    return float(np.sqrt(np.mean(clean**2) * 10 ** (-snr_db / 10)))


def crb_cents(pluck: Pluck, seconds: float, sample_rate: int, sigma: float) -> float:
    """Cramér–Rao bound on the first partial's pitch as it sounds, as a standard deviation in cents.

    Parameters
    ----------
    pluck : Pluck
        The string; its partials are damped, stiff, and without glide.
    seconds, sample_rate : float, int
        Length and rate of the clip.
    sigma : float
        Standard deviation of the white noise in a sample.

    Returns
    -------
    float
        ``1200 / ln 2`` times the bound on the relative error of ``f0 * sqrt(1 + B)``. Unknown are ln f0, B and each
        partial's ln amplitude, phase and decay rate.
    """
    t = np.arange(round(seconds * sample_rate)) / sample_rate
    shared = np.zeros((2, t.size))
    own = []
    for n in range(1, pluck.partials + 1):
        hz = pluck.frequency(n)
        if hz >= 0.48 * sample_rate:
            break
        phase = 2 * np.pi * hz * t + (pluck.phases[n - 1] if pluck.phases else 0.0)
        envelope = pluck.amplitude(n) * np.exp(-pluck.decay_rate(n) * t)
        inphase, quadrature = envelope * np.cos(phase), -envelope * np.sin(phase)
        shared[0] += quadrature * 2 * np.pi * hz * t
        if pluck.partials > 1:
            shared[1] += quadrature * 2 * np.pi * hz * t * n * n / (2 * (1 + pluck.stiffness * n * n))
        own += [inphase, quadrature, -t * inphase]
    if pluck.partials == 1:
        shared = shared[:1]
    jacobian = np.vstack([shared, *own])
    scale = np.sqrt(np.sum(jacobian**2, axis=1))
    jacobian /= scale[:, None]
    covariance = np.linalg.inv(jacobian @ jacobian.T) * sigma**2
    gradient = np.zeros(jacobian.shape[0])
    gradient[0] = 1.0 / scale[0]
    if pluck.partials > 1:
        gradient[1] = 0.5 / (1 + pluck.stiffness) / scale[1]
    return float(1200 / np.log(2) * np.sqrt(gradient @ covariance @ gradient))
