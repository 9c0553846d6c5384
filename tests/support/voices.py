"""Synthetic singing for tests: vowels with formants, vibrato, slides, breath. Imports nothing of the project.

A vowel is a series of harmonics that falls by 6 dB an octave (glottal source and radiation together; G. Fant, "Acoustic
theory of speech production", 1960), each louder or softer by the resonances of the mouth. Formants of a man's vowels:
G. E. Peterson and H. L. Barney, "Control methods used in a study of the vowels" (J. Acoust. Soc. Am. 24, 1952),
table II; their bandwidths about a tenth, at least 60 Hz (common practice).

Conventions: frequencies in Hz, times in seconds, samples float64 of shape ``(n,)``, peaks at 0.5.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

#: First three formants.
VOWELS = {
    "a": (730.0, 1090.0, 2440.0),
    "i": (270.0, 2290.0, 3010.0),
    "u": (300.0, 870.0, 2240.0),
    "e": (530.0, 1840.0, 2480.0),
    "o": (570.0, 840.0, 2410.0),
}


@dataclass(frozen=True)
class Sung:
    """One sung note; `hz` is the centre of its vibrato, in cents."""

    hz: float
    vowel: str = "a"
    vibrato_hz: float = 5.5
    vibrato_cents: float = 0.0
    vibrato_phase: float = 0.0
    scoop_cents: float = 0.0
    scoop_s: float = 0.04
    breath_db: float = 40.0

    def samples(self, seconds: float, rate: int, rng: np.random.Generator) -> np.ndarray:
        t = np.arange(round(seconds * rate)) / rate
        cents = self.vibrato_cents * np.sin(2 * np.pi * self.vibrato_hz * t + self.vibrato_phase)
        cents += self.scoop_cents * np.exp(-t / self.scoop_s)
        hz = self.hz * 2 ** (cents / 1200)
        phase = 2 * np.pi * np.cumsum(hz) / rate
        out = np.zeros(t.size)
        for n in range(1, 60):
            if n * self.hz * 1.1 > min(0.45 * rate, 8000.0):
                break
            # The mouth stands still while the pitch wavers: loudness follows where each harmonic is.
            out += resonance(n * hz, VOWELS[self.vowel]) / n * np.cos(n * phase)
        edge = np.clip(np.minimum(t, seconds - t) / 0.03, 0.0, 1.0)
        out *= 0.5 - 0.5 * np.cos(np.pi * edge)
        sigma = np.sqrt(np.mean(out**2) * 10 ** (-self.breath_db / 10))
        out += sigma * rng.standard_normal(out.size)
        return 0.5 * out / np.abs(out).max()


def resonance(hz: np.ndarray, formants: tuple[float, ...]) -> np.ndarray:
    """Gain of resonators in a row, 1 at 0 Hz."""
    gain = np.ones_like(hz)
    for formant in formants:
        width = max(60.0, 0.1 * formant)
        gain = gain * formant**2 / np.sqrt((formant**2 - hz**2) ** 2 + (width * hz) ** 2)
    return gain


def random_sung(rng: np.random.Generator, low_hz: float = 90.0, high_hz: float = 800.0) -> Sung:
    """A note from the ranges that voices are measured for, evenly in pitch."""
    return Sung(
        hz=float(low_hz * (high_hz / low_hz) ** rng.random()),
        vowel=str(rng.choice(list(VOWELS))),
        vibrato_hz=float(rng.uniform(4.0, 7.0)),
        vibrato_cents=float(rng.uniform(20.0, 100.0)),
        vibrato_phase=float(rng.uniform(0, 2 * np.pi)),
        breath_db=float(rng.uniform(20.0, 40.0)),
    )


def phrase(
    notes: list[tuple[Sung, float]], rate: int, rng: np.random.Generator, rest_s: float = 0.15
) -> np.ndarray:
    """Notes one after the other, with breath between them."""
    parts = [1e-4 * rng.standard_normal(round(0.2 * rate))]
    for note, seconds in notes:
        parts += [note.samples(seconds, rate, rng), 1e-4 * rng.standard_normal(round(rest_s * rate))]
    return np.concatenate(parts)
