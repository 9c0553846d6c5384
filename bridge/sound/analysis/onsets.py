"""Finds where strings are plucked in a take, also over others that go on ringing.

Strings that ring on are predictable: from two earlier frames, each bin of the spectrum tells where it will stand
next. A pluck breaks the prediction, whether the power rises or the new string shares its partials with an old one.
The moment is then placed by the steepest rise of the short-time power of the differentiated sound. Whether two
strings were plucked within 80 ms is seen from shorter frames, in which many bands rise twice.

Sources: J. P. Bello, C. Duxbury, M. Davies and M. Sandler, "On the use of phase and energy for musical onset
detection in the complex domain" (IEEE Signal Processing Letters 11, 2004), here over a longer horizon and relative
to the sound's level; S. Böck and G. Widmer, "Maximum filter vibrato suppression for onset detection" (DAFx 2013) for
the bands' rise.

Conventions: samples of shape ``(n,)``, of which single precision will do; times in seconds from the first sample.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from bridge.sound.analysis.spectrum import Floats, good_length, hann

#: Frame, step, and the prediction's horizon in steps: long enough to tell a low string's partials apart.
FRAME_S, STEP_S, LAG = 0.09, 0.01, 3
#: What part of a frame comes unforeseen at an onset. Over ringing strings onsets were measured at 0.53 and more,
#: stretches without one at 0.47 and less.
UNFORESEEN = 0.5
#: … and so many times what is usual around it (a singer's vibrato is never well foreseen).
ABOVE_USUAL = 1.6
#: What part of a frame must be louder than before.
RISES = 0.12
#: A stretch this far below the take's loudest is not listened to, as a ratio of amplitudes.
QUIET = 0.003
#: Onsets nearer than this are told apart only by `together`.
APART_S = 0.08
TOP_HZ = 5000.0
#: So many frames are worked on at once.
CHUNK_FRAMES = 500


@dataclass(frozen=True)
class Onset:
    """One pluck."""

    time_s: float
    strength: float  # what part of the sound comes unforeseen (0 to about 1.5)
    together: bool  # True where a second rise follows within 80 ms: a strum, or two strings at once


def find_onsets(samples: NDArray[np.floating], sample_rate: float) -> list[Onset]:
    """Find the plucks of a take, shape (n,), in order, at least 80 ms apart; a sound that swells up slowly has none."""
    padded, low, low_rate = _thinned(samples, sample_rate)
    if low.size < round((FRAME_S + 2 * LAG * STEP_S) * low_rate):
        return []
    surprise, times, listened = _unforeseen(padded, low_rate)
    out: list[Onset] = []
    for m in _pick(surprise, listened):
        at = _place(low, low_rate, _rough_s(surprise, times, m))
        if out and at - out[-1].time_s < APART_S:
            continue
        out.append(Onset(at, float(surprise[m]), _second_rise(samples, sample_rate, at)))
    return out


def _thinned(
    samples: NDArray[np.floating], sample_rate: float
) -> tuple[NDArray[np.float32], NDArray[np.float32], float]:
    """Average neighbouring samples down to about twice `TOP_HZ`: what folds over does no harm here.

    Returns them with a frame's length of silence in front, and without; and their rate.
    """
    by = max(1, int(sample_rate / (2.0 * TOP_HZ)))
    count = samples.size // by
    rate = sample_rate / by
    silence = round(FRAME_S * rate)
    padded = np.zeros(silence + count, dtype=np.float32)
    np.mean(samples[: count * by].reshape(count, by), axis=1, out=padded[silence:])
    return padded, padded[silence:], rate


def _unforeseen(padded: NDArray[np.float32], rate: float) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """What part of each frame the two frames before it did not foretell; the frames' middles; which may hold a pluck.

    A string that is stopped is not foreseen either: only where something rises may there be a pluck. Silence stands
    in front, so that a take that begins with a pluck has its onset.
    """
    length, step = round(FRAME_S * rate), max(1, round(STEP_S * rate))
    frames = np.lib.stride_tricks.sliding_window_view(padded, length)[::step]
    count = frames.shape[0]
    noise = _noise(np.abs(_spectra(frames[:: max(1, count // 100)])))
    total: Floats = np.zeros(count)
    off: Floats = np.zeros(count)
    up: Floats = np.zeros(count)
    # Chunk by chunk, so that a long take needs no more memory than a short one; each looks back 2 * LAG frames.
    for first in range(0, count, CHUNK_FRAMES):
        back = min(first, 2 * LAG)
        spectra = _spectra(frames[first - back : first + CHUNK_FRAMES])
        level = np.abs(spectra)
        heard = level > 4.0 * noise  # bins that hold no more than noise are never foreseen: they do not count
        chunk = slice(first, first + level.shape[0] - back)
        total[chunk] = (level * heard).sum(axis=1)[back:]
        if level.shape[0] <= 2 * LAG:
            continue
        turn = spectra / (level + 1e-12)
        expected = level[LAG:-LAG] * turn[LAG:-LAG] ** 2 * np.conj(turn[: -2 * LAG])
        missed = np.abs(spectra[2 * LAG :] - expected) * (heard[2 * LAG :] | heard[LAG:-LAG])
        off[first - back + 2 * LAG : chunk.stop] = missed.sum(axis=1)
        rising = np.clip(level[LAG:] - level[:-LAG], 0.0, None) * heard[LAG:]
        up[first - back + LAG : chunk.stop] = rising.sum(axis=1)
    held = np.maximum(total[2 * LAG :], total[LAG:-LAG])
    surprise: Floats = np.zeros(count)
    surprise[2 * LAG :] = off[2 * LAG :] / (held + 0.02 * total.max() + 1e-12)
    times = (np.arange(count) * step - length / 2) / rate
    rise: Floats = np.zeros(count)
    rise[LAG:] = up[LAG:] / (np.maximum(total[LAG:], total[:-LAG]) + 1e-12)
    around = np.maximum.reduce([np.roll(rise, k) for k in (-2, -1, 0, 1, 2)])
    listened = (total > QUIET * total.max()) & (around > RISES)
    return surprise, np.asarray(times, dtype=np.float64), np.asarray(listened, dtype=np.bool_)


def _spectra(frames: NDArray[np.float32]) -> NDArray[np.complex64]:
    length = frames.shape[1]
    window = hann(length).astype(np.float32)
    return np.asarray(np.fft.rfft(frames * window, good_length(length))[:, 2:], dtype=np.complex64)


def _noise(level: NDArray[np.float32]) -> NDArray[np.float32]:
    """Level of the noise in each bin: the lower quartile over the frames given and some 40 bins around."""
    bins = level.shape[1]
    edges = np.linspace(0, bins, max(2, bins // 40) + 1).astype(int)
    blocks = []
    for a, b in pairwise(edges):
        values = level[:, a:b].ravel()
        blocks.append(float(np.partition(values, values.size // 4)[values.size // 4]))
    return np.repeat(np.array(blocks, dtype=np.float32), np.diff(edges))


def _pick(surprise: Floats, loud: NDArray[np.bool_]) -> list[int]:
    """Frames with the greatest surprise within a frame's length of each other."""
    reach = round(FRAME_S / STEP_S)
    out: list[int] = []
    for m in np.flatnonzero((surprise > UNFORESEEN) & loud):
        if surprise[m] < surprise[max(0, m - reach) : m + reach + 1].max() or (out and m - out[-1] < reach):
            continue
        usual = float(np.median(surprise[max(0, m - 4 * reach) : m + 4 * reach + 1]))
        if surprise[m] > ABOVE_USUAL * usual:
            out.append(int(m))
    return out


def _rough_s(surprise: Floats, times: Floats, m: int) -> float:
    """About when the pluck behind the surprise at frame m was.

    It surprises twice: as it enters the frames, and once more as the frames that foretell are caught half way
    through it. So its time is told from where the surprise begins.
    """
    reach = round(FRAME_S / STEP_S)
    first = max(0, m - reach)
    early = first + int(np.argmax(surprise[first : m + 1] > 0.7 * surprise[m]))
    return float(times[early]) + 1.5 * STEP_S


def _place(samples: NDArray[np.float32], sample_rate: float, rough_s: float) -> float:
    """Place an onset at the steepest relative rise of short-time power near `rough_s`."""
    step = max(1, round(0.0015 * sample_rate))
    first = max(0, round((rough_s - 0.035) * sample_rate))
    stretch = np.asarray(samples[first : round((rough_s + 0.035) * sample_rate)], dtype=np.float64)
    count = stretch.size // step
    if count < 8:
        return max(0.0, rough_s)
    bright = np.diff(stretch, prepend=stretch[0] if first else 0.0)
    power = np.sum(bright[: count * step].reshape(count, step) ** 2, axis=1)
    power = np.concatenate([np.full(4, power[:4].mean() if first else 0.0), power])
    running = np.cumsum(np.concatenate([[0.0], power]))
    before = (running[4:-2] - running[:-6]) / 4.0
    after = (running[6:] - running[4:-2]) / 2.0
    at = int(np.argmax(after / (before + 0.02 * float(power.max()) + 1e-18)))
    return (first + at * step) / sample_rate


#: For `_second_rise`: frames, step, lag in steps, and the mean rise over bands in decibels that counts.
_SHORT_S, _SHORT_STEP_S, _SHORT_LAG, _RISE_DB = 0.024, 0.006, 3, 2.6


def _second_rise(samples: NDArray[np.floating], sample_rate: float, at_s: float) -> bool:
    """Do many bands rise once more within 80 ms of the onset at `at_s`, before it or after?"""
    step = max(1, round(_SHORT_STEP_S * sample_rate))
    length = 4 * step
    first = round((at_s - 0.16) * sample_rate)
    stretch = samples[max(0, first) : round((at_s + 0.16) * sample_rate)]
    stretch = np.concatenate([np.zeros(max(0, -first)), stretch])
    if stretch.size < 8 * length:
        return False
    level = _bands(stretch, sample_rate, length, step)
    before = np.pad(level[:-_SHORT_LAG], ((0, 0), (1, 1)), mode="edge")
    around = np.maximum(np.maximum(before[:, :-2], before[:, 2:]), before[:, 1:-1])
    rise = np.clip(level[_SHORT_LAG:] - around, 0.0, 30.0).mean(axis=1)
    times = (np.arange(rise.size) + _SHORT_LAG) * step / sample_rate + length / 2 / sample_rate - 0.16
    near = np.abs(times) < 0.03
    if not near.any():
        return False
    main = int(np.flatnonzero(near)[np.argmax(rise[near])])
    reach = round(APART_S / _SHORT_STEP_S)
    for sign in (1, -1):
        valley = rise[main]
        for k in range(1, reach + 1):
            j = main + sign * k
            if not 0 <= j < rise.size:
                break
            valley = min(valley, rise[j])
            enough = rise[j] > max(_RISE_DB, 0.35 * rise[main])
            if k > _SHORT_LAG and enough and rise[j] > 2.0 * valley + 0.5:
                return True
    return False


def _bands(stretch: NDArray[np.floating], sample_rate: float, length: int, step: int) -> Floats:
    """Level of each band in each frame, in decibels, shape (frames, bands): quarter octaves or wider."""
    frames = np.lib.stride_tricks.sliding_window_view(stretch, length)[::step]
    size = good_length(length)
    power = np.abs(np.fft.rfft(frames * hann(length), size)) ** 2
    hz = np.arange(power.shape[1]) * sample_rate / size
    edges = [60.0]
    while edges[-1] < min(10000.0, 0.45 * sample_rate):
        edges.append(max(edges[-1] * 2**0.25, edges[-1] + 3.0 * sample_rate / length))
    # At a low rate the last band would end beyond half the rate.
    at = np.unique(np.searchsorted(hz, edges))
    sums = np.add.reduceat(power[:, : at[-1]], at[:-1], axis=1) / np.diff(at)
    floor = 4.0 * np.quantile(sums, 0.1, axis=0)
    floor = np.minimum(floor, 0.03 * sums.max(axis=0)) + 1e-6 * float(sums.max()) + 1e-14
    return np.asarray(10.0 * np.log10(sums + floor), dtype=np.float64)
