"""Spectral peaks of a stretch of sound, against its own noise floor.

Purpose: the first look at a stretch of sound, from which `comb` guesses a pitch and `ringing` the strings that are
still sounding.

Conventions: samples are float64 of shape ``(n,)``, full scale 1.0; frequencies in Hz; amplitudes are those of a
sinusoid (a full-scale sine has amplitude 1).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Peaks lower than this below the highest one are not looked at, in decibels.
RANGE_DB = 62.0
#: A peak stands at least this far above the noise floor, in decibels.
ABOVE_FLOOR_DB = 14.0


@lru_cache(maxsize=256)
def good_length(least: int) -> int:
    """Smallest length ``2**a * 3**b * 5**c`` that is at least `least`."""
    best = 1 << max(0, least - 1).bit_length()
    five = 1
    while five < best:
        three = five
        while three < best:
            rest = -(-least // three)
            best = min(best, three * (1 << max(0, rest - 1).bit_length()))
            three *= 3
        five *= 5
    return best


@lru_cache(maxsize=64)
def hann(length: int) -> Floats:
    """Periodic Hann window of `length` samples; read-only."""
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length)
    window.setflags(write=False)
    return window


@dataclass(frozen=True, eq=False)
class Spectrum:
    """Amplitude spectrum up to `top_hz`."""

    amplitude: Floats  # amplitude of the sinusoid that would give each bin; shape (bins,)
    floor: Floats  # amplitude of the noise round each bin (a running median of the amplitudes); shape (bins,)
    step_hz: float  # distance between bins
    width_hz: float  # half width of the main lobe that one sinusoid makes

    def at(self, hz: Floats) -> Floats:
        """Greatest amplitude within half a lobe of each of `hz`, shape of `hz`."""
        reach = max(1, round(0.5 * self.width_hz / self.step_hz))
        bins = np.round(hz / self.step_hz).astype(int)[:, None] + np.arange(-reach, reach + 1)
        return np.asarray(self.amplitude[np.clip(bins, 0, self.amplitude.size - 1)].max(axis=1))


def spectrum(samples: Floats, sample_rate: float, top_hz: float = 8000.0, pad: int = 2) -> Spectrum:
    """Hann-windowed amplitude spectrum of `samples`, zero-padded `pad` times."""
    n = samples.size
    size = good_length(pad * n)
    window = hann(n)
    bins = min(size // 2, int(top_hz * size / sample_rate))
    amplitude = np.abs(np.fft.rfft(samples * window, size)[:bins]) * (2.0 / window.sum())
    return Spectrum(amplitude, _floor(amplitude, pad), sample_rate / size, 2.0 * sample_rate / n)


def _floor(amplitude: Floats, pad: int) -> Floats:
    """Running lower quartile of the amplitudes, scaled to the median of noise, interpolated between blocks."""
    bins = amplitude.size
    width = max(16 * pad, bins // 48)
    count = bins // width
    if count < 2:
        return np.full(bins, float(np.quantile(amplitude, 0.25)) * 1.55 + 1e-12)
    blocks = amplitude[: count * width].reshape(count, width)
    # The lower quartile of Rayleigh-distributed noise stands at 0.759 sigma, its median at 1.177 sigma.
    low = np.partition(blocks, width // 4, axis=1)[:, width // 4] * 1.55 + 1e-12
    # Partials crowd the lowest blocks: let no block stand far above the ones further up.
    centres = (np.arange(count) + 0.5) * width
    return np.interp(np.arange(bins), centres, low)


@dataclass(frozen=True, eq=False)
class Peaks:
    """Sinusoids found in a spectrum, by rising frequency."""

    # Interpolated frequency and amplitude, and the noise floor there; shape (peaks,).
    hz: Floats
    amplitude: Floats
    floor: Floats
    width_hz: float  # half width of the main lobe: nearer sinusoids are not told apart

    def __len__(self) -> int:
        return int(self.hz.size)

    @property
    def power(self) -> float:
        """Sum of the peaks' squared amplitudes."""
        return float(np.sum(self.amplitude**2))

    def pick(self, keep: NDArray[np.bool_] | NDArray[np.intp]) -> Peaks:
        return Peaks(self.hz[keep], self.amplitude[keep], self.floor[keep], self.width_hz)


def peaks(
    spec: Spectrum,
    low_hz: float = 30.0,
    above_floor_db: float = ABOVE_FLOOR_DB,
    range_db: float = RANGE_DB,
    most: int = 64,
) -> Peaks:
    """Find the sinusoids of a spectrum: local maxima that stand out of the floor.

    Parameters
    ----------
    low_hz : float
        Nothing below this is looked at (rumble, mains hum's lowest).
    above_floor_db, range_db : float
        A peak stands this far above the floor, and at most `range_db` below the highest.
    most : int
        At most so many, the strongest.
    """
    level = spec.amplitude
    first = max(2, int(low_hz / spec.step_hz))
    middle = level[first:-1]
    if middle.size < 3:
        empty = np.zeros(0)
        return Peaks(empty, empty, empty, spec.width_hz)
    is_peak = (middle > level[first - 1 : -2]) & (middle >= level[first + 1 :])
    is_peak &= middle > spec.floor[first:-1] * 10 ** (above_floor_db / 20)
    is_peak &= middle > middle.max() * 10 ** (-range_db / 20)
    at = np.flatnonzero(is_peak) + first
    if at.size == 0:
        empty = np.zeros(0)
        return Peaks(empty, empty, empty, spec.width_hz)
    # Side lobes: lower than 29 dB below a stronger neighbour within three lobe widths.
    at = _without_side_lobes(at, level[at], 3.0 * spec.width_hz / spec.step_hz)
    if at.size > most:
        at = np.sort(at[np.argsort(level[at])[-most:]])
    left, here, right = (np.log(level[at + k] + 1e-300) for k in (-1, 0, 1))
    curve = left - 2 * here + right
    shift = np.where(curve < 0, 0.5 * (left - right) / np.where(curve < 0, curve, -1.0), 0.0)
    shift = np.clip(shift, -0.5, 0.5)
    amplitude = np.asarray(np.exp(here - 0.25 * (left - right) * shift), dtype=np.float64)
    hz = np.asarray((at + shift) * spec.step_hz, dtype=np.float64)
    return Peaks(hz, amplitude, spec.floor[at], spec.width_hz)


def _without_side_lobes(at: NDArray[np.intp], level: Floats, reach_bins: float) -> NDArray[np.intp]:
    distance = np.abs(at[:, None] - at[None, :])
    shadow = (distance > 0) & (distance < reach_bins) & (level[None, :] * 0.035 > level[:, None])
    return np.asarray(at[~np.any(shadow, axis=1)], dtype=np.intp)
