"""Measuring the frequency of sustained tones, for tests; it shares no code with what it judges.

Conventions: signals are float arrays, mono ``(frames,)`` or ``(frames, channels)`` (channels are averaged); rates and
frequencies in Hz; times in seconds; amplitudes in the units of the signal.

Method. A four-term Blackman-Harris window and a zero-padded Fourier transform give the peak nearest to where the tone
is expected, a parabola through its logarithm the first estimate. Then least squares with the same window as weight
refine all tones of a neighbourhood together: the model of each is ``(a + a't) cos 2πft + (b + b't) sin 2πft``, whose
slopes say how far ``f`` is off and how fast the tone decays; repeated until it stands still. For steady or slowly
decaying tones this is exact up to rounding, also for low tones (no bias from the mirror image at negative
frequency) and for tones near each other. Two seconds of 16-bit audio give better than 0.001 cents. Two tones are told
apart from 4 bins up (2 Hz for two seconds); nearer ones are for :func:`beats_per_s`, or for a longer window.

A tone that is not there raises :class:`NoTone`, so that no test passes on silence.

Index: :func:`cents`, :func:`window`, :func:`tone_hz`, :func:`tones_hz`, :func:`loudest_hz`, :func:`amplitude`,
:func:`beats_per_s`.

Sources: F. J. Harris, "On the use of windows for harmonic analysis with the discrete Fourier transform", Proc. IEEE
66 (1978), for the window; the linearised fit is Gauss-Newton on the usual sinusoidal least squares.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Signal = NDArray[np.float64]

_NEIGHBOUR_BINS = 16.0  # tones nearer than this are fitted together
_LOBE_BINS = 4.0  # half width of the window's main lobe
_ROUNDS = 30


class NoTone(AssertionError):
    """No tone where one was expected."""


def cents(a_hz: float, b_hz: float) -> float:
    """How far ``a_hz`` lies above ``b_hz``, in cents."""
    return float(1200.0 * np.log2(a_hz / b_hz))


def window(signal: NDArray[np.floating], rate_hz: float, start_s: float, length_s: float) -> Signal:
    """A stretch of a signal, mono, shape ``(round(length_s * rate_hz),)``.

    Raises
    ------
    NoTone
        The signal does not last that long.
    """
    mono = _mono(signal)
    start = round(start_s * rate_hz)
    end = start + round(length_s * rate_hz)
    if start < 0 or end > mono.size:
        raise NoTone(f"wanted {start_s} to {start_s + length_s} s of a sound of {mono.size / rate_hz:.3f} s")
    return mono[start:end]


def tone_hz(
    signal: NDArray[np.floating], rate_hz: float, near_hz: float, *, within_cents: float = 60.0
) -> float:
    """Frequency of the strongest tone within ``within_cents`` of ``near_hz``."""
    return float(tones_hz(signal, rate_hz, [near_hz], within_cents=within_cents)[0])


def tones_hz(
    signal: NDArray[np.floating],
    rate_hz: float,
    near_hz: Sequence[float],
    *,
    within_cents: float = 60.0,
    floor_db: float = -60.0,
) -> Signal:
    """Frequencies of several tones sounding together.

    Parameters
    ----------
    signal
        The stretch to look at; all tones should last through it.
    near_hz
        Where each tone is expected, in any order; the search for each ends half-way to its neighbours.
    within_cents
        How far from there it may lie.
    floor_db
        A tone weaker than this below the loudest in the signal counts as absent.

    Returns
    -------
    ndarray, shape (len(near_hz),)
        Frequencies in the order asked for.

    Raises
    ------
    NoTone
        One of them is missing, too weak, or not a peak inside its band.
    """
    mono = _mono(signal)
    wanted = np.asarray(near_hz, dtype=np.float64)
    if wanted.size == 0:
        raise ValueError("no tone asked for")
    weights = _blackman_harris(mono.size)
    order = np.argsort(wanted)
    bands = _bands(wanted[order], within_cents)
    first = _peaks(mono * weights, rate_hz, wanted[order], bands, floor_db)
    refined = np.empty_like(first)
    bin_hz = rate_hz / mono.size
    if np.any(np.diff(first) < _LOBE_BINS * bin_hz):
        raise NoTone(f"tones at {first} Hz lie too near each other for {_s(mono, rate_hz):.2f} s of sound")
    gap_hz = _NEIGHBOUR_BINS * bin_hz
    start = 0
    for end in range(1, first.size + 1):
        if end == first.size or first[end] - first[end - 1] > gap_hz:
            refined[start:end] = _refine(mono, weights, rate_hz, first[start:end])
            start = end
    for hz, begin, (low, high) in zip(refined, first, bands, strict=True):
        if not low <= hz <= high or abs(hz - begin) > bin_hz:
            raise NoTone(
                f"the tone at {begin:.3f} Hz is not steady enough to measure (fit went to {hz:.3f} Hz)"
            )
    result = np.empty_like(refined)
    result[order] = refined
    return result


def loudest_hz(
    signal: NDArray[np.floating], rate_hz: float, *, low_hz: float = 20.0, high_hz: float | None = None
) -> float:
    """Frequency of the loudest tone in a range, without a guess where it lies."""
    mono = _mono(signal)
    spectrum, step_hz = _spectrum(mono * _blackman_harris(mono.size), rate_hz)
    low = int(np.ceil(low_hz / step_hz))
    high = spectrum.size if high_hz is None else int(high_hz / step_hz)
    if spectrum[low:high].max(initial=0.0) < 1e-7:
        raise NoTone("silence")
    peak_hz = float((low + int(np.argmax(spectrum[low:high]))) * step_hz)
    return tone_hz(
        mono, rate_hz, peak_hz, within_cents=max(20.0, abs(cents(1 + 4 / (peak_hz * _s(mono, rate_hz)), 1)))
    )


def amplitude(signal: NDArray[np.floating], rate_hz: float, hz: float) -> float:
    """Amplitude of a steady tone at exactly ``hz`` (weighted mean over the signal)."""
    mono = _mono(signal)
    weights = _blackman_harris(mono.size)
    phase = 2.0 * np.pi * hz / rate_hz * np.arange(mono.size)
    return float(2.0 * np.abs(np.sum(mono * weights * np.exp(-1j * phase))) / np.sum(weights))


def beats_per_s(
    signal: NDArray[np.floating], rate_hz: float, near_hz: float, *, low: float = 0.2, high: float = 20.0
) -> float:
    """Rate at which the sound around ``near_hz`` swells and fades, in beats per second.

    The neighbourhood (twice the highest rate to either side) is shifted to zero frequency, and the strongest periodic
    component of its power between the rates ``low`` and ``high`` is measured. At least three beats should fit.

    Raises
    ------
    NoTone
        The loudness is steady: its swing stays below a hundredth.
    """
    mono = _mono(signal)
    count = mono.size
    shifted = np.fft.fft(mono * np.exp(-2j * np.pi * near_hz / rate_hz * np.arange(count)))
    shifted[np.abs(np.fft.fftfreq(count, 1.0 / rate_hz)) > 2.0 * high] = 0.0
    power = np.abs(np.fft.ifft(shifted)) ** 2
    edge = max(1, round(0.05 * count))  # the ends ring
    power = power[edge:-edge]
    mean = float(power.mean())
    if mean <= 0.0:
        raise NoTone(f"silence around {near_hz} Hz")
    swing = power / mean - 1.0
    spectrum, step_hz = _spectrum(swing * _blackman_harris(swing.size), rate_hz)
    first, last = int(np.ceil(low / step_hz)), int(high / step_hz)
    peak = first + int(np.argmax(spectrum[first:last]))
    if spectrum[peak] < 0.01:
        raise NoTone(f"no beats around {near_hz} Hz: the loudness is steady")
    return float(_parabola(spectrum, peak) * step_hz)


def _mono(signal: NDArray[np.floating]) -> Signal:
    data = np.asarray(signal, dtype=np.float64)
    return data if data.ndim == 1 else data.mean(axis=1)


def _s(mono: Signal, rate_hz: float) -> float:
    return mono.size / rate_hz


def _blackman_harris(count: int) -> Signal:
    angle = 2.0 * np.pi * np.arange(count) / count
    return (
        0.35875 - 0.48829 * np.cos(angle) + 0.14128 * np.cos(2 * angle) - 0.01168 * np.cos(3 * angle)
    ).astype(np.float64)


def _spectrum(weighted: Signal, rate_hz: float) -> tuple[Signal, float]:
    """Amplitudes of a windowed signal (as sine amplitudes) and the spacing of the bins in Hz."""
    size = 1 << int(np.ceil(np.log2(weighted.size * 4)))
    scale = 2.0 / (0.35875 * weighted.size)
    return np.abs(np.fft.rfft(weighted, size)) * scale, rate_hz / size


def _parabola(spectrum: Signal, peak: int) -> float:
    a, b, c = np.log(np.maximum(spectrum[peak - 1 : peak + 2], 1e-300))
    return float(peak + 0.5 * (a - c) / (a - 2.0 * b + c))


def _bands(wanted: Signal, within_cents: float) -> list[tuple[float, float]]:
    factor = 2.0 ** (within_cents / 1200.0)
    middles = np.sqrt(wanted[1:] * wanted[:-1])
    lows = np.maximum(wanted / factor, np.concatenate(([0.0], middles)))
    highs = np.minimum(wanted * factor, np.concatenate((middles, [np.inf])))
    return list(zip(lows.tolist(), highs.tolist(), strict=True))


def _peaks(
    weighted: Signal, rate_hz: float, wanted: Signal, bands: list[tuple[float, float]], floor_db: float
) -> Signal:
    spectrum, step_hz = _spectrum(weighted, rate_hz)
    floor = max(1e-7, float(spectrum.max()) * 10.0 ** (floor_db / 20.0))
    found = np.empty(wanted.size)
    for index, (low_hz, high_hz) in enumerate(bands):
        low = max(1, int(np.floor(low_hz / step_hz)))
        high = min(spectrum.size - 2, int(np.ceil(high_hz / step_hz)))
        peak = low + int(np.argmax(spectrum[low : high + 1]))
        where = f"{wanted[index]:.3f} Hz (looked from {low_hz:.3f} to {high_hz:.3f} Hz)"
        if spectrum[peak] < floor:
            raise NoTone(f"no tone near {where}")
        if not spectrum[peak - 1] <= spectrum[peak] >= spectrum[peak + 1]:
            raise NoTone(f"no peak near {where}: what sounds there lies outside")
        found[index] = _parabola(spectrum, peak) * step_hz
    return found


def _refine(mono: Signal, weights: Signal, rate_hz: float, first: Signal) -> Signal:
    """Fit all tones of one neighbourhood together; ``first`` is sorted, within a fraction of a bin of the truth."""
    count = mono.size
    time = (np.arange(count) - 0.5 * (count - 1)) / count  # in units of the window, centred: well conditioned
    target = mono * weights
    hz = first.copy()
    basis = np.empty((count, 4 * hz.size))
    for _ in range(_ROUNDS):
        for index, value in enumerate(hz):
            angle = 2.0 * np.pi * value * (count / rate_hz) * time
            basis[:, 4 * index] = np.cos(angle) * weights
            basis[:, 4 * index + 1] = np.sin(angle) * weights
            basis[:, 4 * index + 2] = basis[:, 4 * index] * time
            basis[:, 4 * index + 3] = basis[:, 4 * index + 1] * time
        gram = basis.T @ basis
        fit = np.linalg.lstsq(gram, basis.T @ target, rcond=1e-13)[0].reshape(-1, 4)
        a, b, a_slope, b_slope = fit.T
        cycles = (a_slope * b - b_slope * a) / (2.0 * np.pi * (a * a + b * b))
        hz += np.clip(cycles, -0.5, 0.5) * rate_hz / count
        if np.all(np.abs(cycles) * rate_hz / count < 1e-9 * hz):
            break
    return hz
