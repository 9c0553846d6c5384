"""Synthetic violin, clarinet, flute and oboe for tests, whose pitch is known. Imports nothing of the project.

Each is a series of harmonics as acoustics has it, with vibrato, a way in and noise (N. H. Fletcher and T. D. Rossing,
"The physics of musical instruments", 1998; figures from memory):

- a bowed string moves as a sawtooth: its harmonics fall by 6 dB an octave, and the body has resonances (chapter 10);
- a clarinet, a cylinder closed at the reed, has next to no even harmonics in its low register (chapter 15);
- an oboe, a cone, has all of them, and its second to fourth are louder than its first (chapter 15);
- a flute has few harmonics, breath noise, and its vibrato is of loudness as well as of pitch (chapter 16).

Conventions: frequencies in Hz, times in seconds, samples float64 of shape ``(n,)``, peaks at 0.5.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

#: Resonances of a violin's air, body and bridge.
BODY = ((280.0, 30.0), (460.0, 40.0), (550.0, 50.0), (2500.0, 900.0))

RANGES_HZ = {
    "violin": (196.0, 1400.0),  # G3 to F6
    "clarinet": (147.0, 1175.0),  # D3 to D6
    "oboe": (233.0, 1175.0),  # Bb3 to D6
    "flute": (262.0, 1480.0),  # C4 to F#6
}


@dataclass(frozen=True)
class Played:
    """One note of an instrument; `hz` is the centre of its vibrato, in cents."""

    instrument: str
    hz: float
    vibrato_hz: float = 5.5
    vibrato_cents: float = 0.0
    vibrato_phase: float = 0.0

    def samples(self, seconds: float, rate: int, rng: np.random.Generator) -> np.ndarray:
        t = np.arange(round(seconds * rate)) / rate
        wave = np.sin(2 * np.pi * self.vibrato_hz * t + self.vibrato_phase)
        hz = self.hz * 2 ** (self.vibrato_cents * wave / 1200)
        phase = 2 * np.pi * np.cumsum(hz) / rate
        out = np.zeros(t.size)
        for n in range(1, 41):
            if n * self.hz * 1.1 > min(0.45 * rate, 12000.0):
                break
            out += self._level(n, n * hz) * np.cos(n * phase + rng.uniform(0, 2 * np.pi))
        if self.instrument == "flute" and self.vibrato_cents:
            out *= 1 + 0.25 * wave
        way_in_s = {"violin": 0.08, "clarinet": 0.03, "oboe": 0.03, "flute": 0.06}[self.instrument]
        out *= 0.5 - 0.5 * np.cos(np.pi * np.clip(np.minimum(t / way_in_s, (seconds - t) / 0.05), 0.0, 1.0))
        noise_db = {"violin": 35.0, "clarinet": 45.0, "oboe": 45.0, "flute": 22.0}[self.instrument]
        out += np.sqrt(np.mean(out**2)) * 10 ** (-noise_db / 20) * rng.standard_normal(out.size)
        return np.asarray(0.5 * out / np.abs(out).max())

    def _level(self, n: int, hz: np.ndarray) -> np.ndarray:
        if self.instrument == "violin":
            # The body stands still while the pitch wavers: loudness follows where each harmonic is.
            gains = [width**2 / ((hz - middle) ** 2 + width**2) for middle, width in BODY]
            return (0.25 + sum(gains)) / n  # type: ignore[no-any-return]
        if self.instrument == "clarinet":
            return np.full(hz.shape, 1.0 / n if n % 2 else 0.03 / n)
        if self.instrument == "oboe":
            return np.full(hz.shape, {1: 0.5, 2: 1.0, 3: 0.9, 4: 0.7}.get(n, 3.0 / n**1.5))
        return np.full(hz.shape, {1: 1.0, 2: 0.4, 3: 0.15, 4: 0.05}.get(n, 0.0))


def random_played(instrument: str, rng: np.random.Generator) -> Played:
    """A note from the instrument's range, evenly in pitch, half of them without vibrato."""
    low_hz, high_hz = RANGES_HZ[instrument]
    return Played(
        instrument,
        hz=float(low_hz * (high_hz / low_hz) ** rng.random()),
        vibrato_hz=float(rng.uniform(4.0, 7.0)),
        vibrato_cents=float(rng.uniform(10.0, 45.0)) if rng.random() < 0.5 else 0.0,
        vibrato_phase=float(rng.uniform(0, 2 * np.pi)),
    )
