"""Follows a pitch that moves: sung, bowed, or played legato, frame by frame.

In each frame the normalised square difference tells how well the sound agrees with itself a lag later; the first lag
that agrees nearly as well as the best one is the period. Slower to settle and less exact than `partials`, but at
home where the pitch wavers.

Source: P. McLeod and G. Wyvill, "A smarter way to find pitch" (Proc. ICMC 2005).

Conventions: samples float64 of shape ``(n,)``; times in seconds, of the frames' middles.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.sound.analysis.spectrum import Floats, good_length

FRAME_S = 0.0464
STEP_S = 0.0116
#: Agreement (0 to 1) from which a frame counts as a tone.
CLEAR = 0.8
#: The first peak that reaches this share of the best one is the period.
NEARLY = 0.9
#: So many frames are worked on at once, so that a long take needs no more memory than a short one.
CHUNK_FRAMES = 512


@dataclass(frozen=True, eq=False)
class Contour:
    """Pitch over time."""

    t: Floats  # middle of each frame, seconds; shape (frames,)
    hz: Floats  # pitch; 0 where there is none; shape (frames,)
    clarity: Floats  # agreement with itself a period later, 0 to 1; shape (frames,)
    level: Floats  # root mean square; shape (frames,)


def frame_grid(
    sample_rate: float, low_hz: float, frame_s: float = FRAME_S, step_s: float = STEP_S
) -> tuple[int, int]:
    """Return how many samples a frame has, 2.5 periods of the lowest at least, and how many lie between two frames."""
    return round(max(frame_s, 2.5 / low_hz) * sample_rate), max(1, round(step_s * sample_rate))


def track_pitch(
    samples: NDArray[np.floating],
    sample_rate: float,
    low_hz: float = 60.0,
    high_hz: float = 1500.0,
    frame_s: float = FRAME_S,
    step_s: float = STEP_S,
    nearly: float = NEARLY,
) -> Contour:
    """Pitch of each frame.

    Parameters
    ----------
    samples : ndarray, shape (n,)
    low_hz, high_hz : float
        Range of the pitch; frames are lengthened to hold 2.5 periods of the lowest.
    frame_s, step_s : float
        Length of a frame and the step between frames, in seconds.
    nearly : float
        The first lag that agrees so well, relative to the best one, is the period.
    """
    length, step = frame_grid(sample_rate, low_hz, frame_s, step_s)
    if samples.size < length:
        return Contour(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0))
    frames = np.lib.stride_tricks.sliding_window_view(samples, length)[::step]
    longest = min(length - 2, round(sample_rate / low_hz) + 2)
    shortest = max(2, int(sample_rate / high_hz))
    hz, clarity, level = np.zeros((3, frames.shape[0]))
    for first in range(0, frames.shape[0], CHUNK_FRAMES):
        chunk = slice(first, first + CHUNK_FRAMES)
        some = np.asarray(frames[chunk], dtype=np.float64)
        same = agreement(some, longest)
        hz[chunk], clarity[chunk] = _first_good_peak(same, shortest, sample_rate, nearly)
        level[chunk] = np.sqrt(np.mean(some**2, axis=1))
    t = (np.arange(frames.shape[0]) * step + length / 2) / sample_rate
    hz = np.where((clarity >= 0.5) & (level > 1e-5), hz, 0.0)
    return Contour(np.asarray(t, dtype=np.float64), np.asarray(hz, dtype=np.float64), clarity, level)


def agreement(frames: Floats, longest: int) -> Floats:
    """Normalised square difference, as agreement: 1 where the frame repeats exactly; shape (frames, lags)."""
    length = frames.shape[1]
    size = good_length(length + longest)
    power = np.abs(np.fft.rfft(frames, size)) ** 2
    same = np.fft.irfft(power, size)[:, : longest + 1]
    squares = np.cumsum(frames**2, axis=1)
    total = squares[:, -1:]
    lags = np.arange(longest + 1)
    # Energy of both overlapping parts at each lag.
    head = squares[:, length - 1 - lags]
    tail = total - np.where(lags > 0, squares[:, np.maximum(lags - 1, 0)], 0.0)
    return np.asarray(2.0 * same / (head + tail + 1e-12), dtype=np.float64)


def _first_good_peak(
    agreement: Floats, shortest: int, sample_rate: float, nearly: float
) -> tuple[Floats, Floats]:
    here = agreement[:, 1:-1]
    is_peak = (here > agreement[:, :-2]) & (here >= agreement[:, 2:])
    is_peak[:, : max(0, shortest - 1)] = False
    # The shoulder of lag 0 does not count: only what comes after the first fall below nought.
    is_peak &= np.cumsum(here < 0.0, axis=1) > 0
    value = np.where(is_peak, here, 0.0)
    best = value.max(axis=1)
    good = value >= np.maximum(nearly * best, 1e-6)[:, None]
    at = np.argmax(good, axis=1)
    row = np.arange(at.size)
    left, mid, right = agreement[row, at], agreement[row, at + 1], agreement[row, at + 2]
    curve = left - 2 * mid + right
    shift = np.where(curve < 0, 0.5 * (left - right) / np.where(curve < 0, curve, -1.0), 0.0)
    lag = at + 1 + np.clip(shift, -0.5, 0.5)
    return sample_rate / lag, np.where(best > 0, mid - 0.25 * (left - right) * shift, 0.0)
