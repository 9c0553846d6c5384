"""Takes of several synthetic strings, as a player records them: plucked one after the other, ringing on.

Imports nothing of the project; the strings are those of `support.plucks`. Frequencies are of the first partial.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import soundfile

from support.plucks import Pluck, noisy

RATE = 44100
STIFFNESS = 5e-5
#: Open D by harmonics from its fourth string, low to high 2 : 3 : 4 : 5 : 6 : 8 (common practice).
OPEN_D = {6: 1 / 2, 5: 3 / 4, 4: 1.0, 3: 5 / 4, 2: 3 / 2, 1: 2.0}
#: How far each string is off in the takes of these tests, in cents.
OFF_CENTS = {6: 2.0, 5: -1.0, 4: 0.0, 3: 4.5, 2: 0.5, 1: -2.0}


def open_d(d3_hz: float, off_cents: Mapping[int, float] | None = None) -> dict[int, float]:
    """What the strings of a guitar in open D sound, by number."""
    off = OFF_CENTS if off_cents is None else off_cents
    return {number: d3_hz * ratio * 2 ** (off.get(number, 0.0) / 1200) for number, ratio in OPEN_D.items()}


def pluck(hz: float, seconds: float, rng: np.random.Generator, **options: float) -> np.ndarray:
    """A string whose first partial sounds at `hz`."""
    string = Pluck(
        hz / np.sqrt(1 + STIFFNESS), STIFFNESS, phases=tuple(rng.uniform(0, 2 * np.pi, 12)), **options
    )
    return string.samples(seconds, RATE)


def take(strings_hz: Sequence[float], gap_s: float = 1.2, last_s: float = 2.0, seed: int = 1) -> np.ndarray:
    """Strings plucked one after the other after a fifth of a second, 35 dB above the noise."""
    rng = np.random.default_rng(seed)
    size = round((gap_s * (len(strings_hz) - 1) + last_s) * RATE)
    out = np.zeros(size)
    for number, hz in enumerate(strings_hz):
        first = round(number * gap_s * RATE)
        out[first:] += pluck(hz, (size - first) / RATE, rng)[: size - first]
    lead = 1e-4 * rng.standard_normal(RATE // 5)
    return np.concatenate([lead, noisy(out, 35, rng)])


def together(first_hz: float, second_hz: float, seconds: float = 4.0, seed: int = 2) -> np.ndarray:
    """Two strings plucked at once."""
    rng = np.random.default_rng(seed)
    sound = pluck(first_hz, seconds, rng, decay_s=2.5) + pluck(second_hz, seconds, rng, decay_s=2.5)
    return noisy(sound, 35, rng)


def resampled(samples: np.ndarray, rate: int, wanted: int) -> np.ndarray:
    """Band-limited change of the sample rate, by the Fourier transform of the whole."""
    size = round(samples.size * wanted / rate)
    spectrum = np.fft.rfft(samples)
    out = np.zeros(size // 2 + 1, dtype=complex)
    keep = min(spectrum.size, out.size)
    out[:keep] = spectrum[:keep]
    return np.fft.irfft(out, size) * size / samples.size


def at_rate(sound: np.ndarray, rate: int) -> np.ndarray:
    """A take at another sample rate."""
    return resampled(sound, RATE, rate)


def write(path: Path, samples: np.ndarray) -> Path:
    """Write a WAV or FLAC file."""
    soundfile.write(path, samples, RATE)
    return path
