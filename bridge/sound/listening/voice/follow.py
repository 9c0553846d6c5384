"""The pitch of a voice, frame by frame, in frames short enough for its vibrato.

In a long frame the loud part of a vibrato's cycle outweighs the soft one, and the mouth makes one side louder: the mean
is then no centre. So the pitch is found in long frames first (`contour`), and read again in the middle of each over a
few periods only.

Conventions: samples of shape ``(n,)``; times in seconds, of the frames' middles.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bridge.sound.analysis.contour import FRAME_S, Contour, agreement, track_pitch
from bridge.sound.analysis.spectrum import Floats

#: Periods in a short frame: enough to tell the pitch in breath, too few to hear the vibrato move.
PERIODS = 3.0
#: The short frames' lengths, as shares of the long one.
SHARES = (1.0, 0.85, 0.72, 0.6, 0.5, 0.4, 0.3, 0.22, 0.15, 0.1)
#: A short frame's pitch within this of the long one's is the same note, read better.
SAME_CENTS = 150.0
#: Agreement (0 to 1) that a short frame needs.
CLEAR_ENOUGH = 0.6
CHUNK_FRAMES = 512


def frame_s(hz: float) -> float:
    """Length of the short frames that a voice of this pitch is read in."""
    return FRAME_S * next((share for share in reversed(SHARES) if share * FRAME_S * hz >= PERIODS), 1.0)


def follow_voice(
    samples: NDArray[np.floating], sample_rate: float, low_hz: float = 60.0, high_hz: float = 1500.0
) -> Contour:
    """Follow one voice.

    Parameters
    ----------
    samples : ndarray, shape (n,)
    low_hz, high_hz : float
        Range of the pitch.
    """
    track = track_pitch(samples, sample_rate, low_hz, high_hz)
    hz = track.hz.copy()
    for k, share in enumerate(SHARES[1:], 1):
        shorter = SHARES[k + 1] if k + 1 < len(SHARES) else 0.0
        periods = track.hz * FRAME_S
        here = np.flatnonzero((periods * share >= PERIODS) & (periods * shorter < PERIODS))
        for first in range(0, here.size, CHUNK_FRAMES):
            some = here[first : first + CHUNK_FRAMES]
            hz[some] = _again(samples, sample_rate, track, some, share)
    return Contour(track.t, hz, track.clarity, track.level)


def _again(
    samples: NDArray[np.floating], rate: float, track: Contour, at: NDArray[np.intp], share: float
) -> Floats:
    """Pitch of the frames `at`, read over a share of their length."""
    length = round(share * FRAME_S * rate)
    first = np.round(track.t[at] * rate - 0.5 * length).astype(int)
    first = np.clip(first, 0, samples.size - length)
    frames = np.asarray(samples[first[:, None] + np.arange(length)], dtype=np.float64)
    lag = rate / track.hz[at]
    longest = min(length - 2, int(1.12 * float(lag.max())) + 3)
    same = agreement(frames, longest)
    near = np.abs(1200 * np.log2(np.maximum(np.arange(longest + 1), 1) / lag[:, None])) <= SAME_CENTS
    best = np.argmax(np.where(near, same, -2.0), axis=1)
    best = np.clip(best, 1, longest - 1)
    row = np.arange(at.size)
    left, mid, right = same[row, best - 1], same[row, best], same[row, best + 1]
    curve = left - 2 * mid + right
    is_peak = (curve < 0) & (mid >= left) & (mid >= right) & (mid >= CLEAR_ENOUGH)
    shift = np.where(is_peak, 0.5 * (left - right) / np.where(curve < 0, curve, -1.0), 0.0)
    return np.asarray(np.where(is_peak, rate / (best + shift), track.hz[at]), dtype=np.float64)
