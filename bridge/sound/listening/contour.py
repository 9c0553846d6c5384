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

from bridge.sound.listening.spectrum import Floats, good_length

FRAME_S = 0.0464
STEP_S = 0.0116
#: Agreement (0 to 1) from which a frame counts as a tone.
CLEAR = 0.8
#: The first peak that reaches this share of the best one is the period.
NEARLY = 0.9
#: A run ends where the pitch leaves its middle by so many cents for longer than `GAP_S`.
LEAVES_CENTS = 70.0
GAP_S = 0.05
LEAST_RUN_S = 0.12
#: So many frames are worked on at once, so that a long take needs no more memory than a short one.
CHUNK_FRAMES = 512


@dataclass(frozen=True, eq=False)
class Track:
    """Pitch over time."""

    t: Floats  # middle of each frame, seconds; shape (frames,)
    hz: Floats  # pitch; 0 where there is none; shape (frames,)
    clarity: Floats  # agreement with itself a period later, 0 to 1; shape (frames,)
    level: Floats  # root mean square; shape (frames,)


def track_pitch(
    samples: NDArray[np.floating],
    sample_rate: float,
    low_hz: float = 60.0,
    high_hz: float = 1500.0,
    frame_s: float = FRAME_S,
    step_s: float = STEP_S,
    nearly: float = NEARLY,
) -> Track:
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
    length = round(max(frame_s, 2.5 / low_hz) * sample_rate)
    step = max(1, round(step_s * sample_rate))
    if samples.size < length:
        return Track(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0))
    frames = np.lib.stride_tricks.sliding_window_view(samples, length)[::step]
    longest = min(length - 2, round(sample_rate / low_hz) + 2)
    shortest = max(2, int(sample_rate / high_hz))
    hz, clarity, level = np.zeros((3, frames.shape[0]))
    for first in range(0, frames.shape[0], CHUNK_FRAMES):
        chunk = slice(first, first + CHUNK_FRAMES)
        some = np.asarray(frames[chunk], dtype=np.float64)
        agreement = _agreement(some, longest)
        hz[chunk], clarity[chunk] = _first_good_peak(agreement, shortest, sample_rate, nearly)
        level[chunk] = np.sqrt(np.mean(some**2, axis=1))
    t = (np.arange(frames.shape[0]) * step + length / 2) / sample_rate
    hz = np.where((clarity >= 0.5) & (level > 1e-5), hz, 0.0)
    return Track(np.asarray(t, dtype=np.float64), np.asarray(hz, dtype=np.float64), clarity, level)


def _agreement(frames: Floats, longest: int) -> Floats:
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


@dataclass(frozen=True)
class Run:
    """A stretch that holds one note."""

    start_s: float
    end_s: float
    # Mean pitch (of the logarithm) and the standard deviation of that mean.
    hz: float
    cents_sd: float
    spread_cents: float  # how far the pitch moves about its mean, root mean square
    first_hz: float  # mean over the first 80 ms


def runs(track: Track) -> list[Run]:
    """Stretches of a track in which the pitch stays with one note, in order."""
    if track.t.size < 3:
        return []
    loud = track.level > 0.01 * float(track.level.max())
    voiced = (track.clarity >= CLEAR) & (track.hz > 0) & loud
    cents = 1200 * np.log2(np.maximum(track.hz, 1e-3))
    step = float(track.t[1] - track.t[0])
    gap = max(1, round(GAP_S / step))
    out: list[Run] = []
    members: list[int] = []
    for k in map(int, np.flatnonzero(voiced)):
        if members:
            middle = float(np.median(cents[members[-24:]]))
            if k - members[-1] > gap:
                out += _run(track, cents, members)
                members = []
            elif abs(cents[k] - middle) > LEAVES_CENTS:
                ahead = [j for j in range(k, min(k + gap + 1, cents.size)) if voiced[j]]
                if len(ahead) > gap // 2 and abs(float(np.median(cents[ahead])) - middle) > LEAVES_CENTS:
                    out += _run(track, cents, members)
                    members = []
                else:
                    continue  # a slip of a frame or two
        members.append(k)
    out += _run(track, cents, members)
    return out


def _run(track: Track, cents: Floats, members: list[int]) -> list[Run]:
    if len(members) < 3:
        return []
    t = track.t[members]
    seconds = float(t[-1] - t[0])
    if seconds < LEAST_RUN_S:
        return []
    values = cents[members]
    # Scoops into a note and falls out of it are no part of its pitch.
    trim = max(1, round(0.1 * len(members)))
    body = values[trim:-trim] if len(members) > 12 else values
    middle = np.median(body)
    body = body[np.abs(body - middle) < 120.0]
    mean, spread = float(np.mean(body)), float(np.std(body))
    quarters = np.array([part.mean() for part in np.array_split(body, 4) if part.size])
    # Of n cycles of a vibrato a part of one remains in the mean; 5.5 a second are usual.
    cycles = max(0.5, 5.5 * seconds)
    sd = float(np.sqrt(np.var(quarters) / max(1, quarters.size - 1) + (spread / (2 * cycles)) ** 2 + 0.25))
    early = values[t <= t[0] + 0.08]
    return [
        Run(
            start_s=float(t[0]),
            end_s=float(t[-1]),
            hz=float(2 ** (mean / 1200)),
            cents_sd=sd,
            spread_cents=spread,
            first_hz=float(2 ** (np.mean(early) / 1200)),
        )
    ]
