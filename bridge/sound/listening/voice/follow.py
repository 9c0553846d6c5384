"""The pitch of a voice, frame by frame, in frames short enough for its vibrato.

In a long frame the loud part of a vibrato's cycle outweighs the soft one, and the mouth makes one side louder: the mean
is then no centre. So the pitch is found in long frames first (`contour`), and read again in the middle of each over a
few periods only. Even there the louder end counts for more: what is read is the pitch at the moment where the energy of
the slope lies, and is carried from there to the frame's middle. Breath, which lies above the voice, is filtered away
first.

A wind that begins to speak, or several voices in unison, may for a few frames sound an octave away, and truly so: what
is over so soon is read again as the note that follows or goes before, or not at all.

Conventions: samples of shape ``(n,)``; times in seconds, of the frames' middles.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from bridge.sound.analysis.contour import CLEAR, FRAME_S, Contour, agreement, frame_grid, track_pitch
from bridge.sound.analysis.spectrum import Floats

#: Periods in a short frame: enough to tell the pitch in breath, too few to hear the vibrato move.
PERIODS = 3.0
#: The short frames' lengths, as shares of the long one.
SHARES = (1.0, 0.85, 0.72, 0.6, 0.5, 0.4, 0.3, 0.22, 0.15, 0.1)
#: A short frame's pitch within this of the long one's is the same note, read better.
SAME_CENTS = 150.0
#: Agreement (0 to 1) that a short frame needs.
CLEAR_ENOUGH = 0.6
#: Above this a voice has little, breath much.
BREATH_HZ = 4000.0
#: Half the length of the filter that takes it away.
FILTER_S = 0.0012
#: A pitch that moves faster than this (an octave in 0.15 s) is no vibrato, but a leap.
LEAPS_CENTS_S = 8000.0
#: A jump of more than this between frames begins another stretch …
JUMP_CENTS = 300.0
#: … which is a slip if it is no longer than this, and the pitch of a longer one beside it so many times, or one so many
#: times lower, within `SAME_CENTS`.
SLIP_S, SLIP_TIMES = 0.08, (2, 3, 4, 5, 6)
#: The middle of a long stretch beside it is that of so many of its frames.
RECENT = 12
#: The first lag that agrees so nearly as well as the best one is the period: a strong octave is not the note.
NEARLY = 0.94
CHUNK_FRAMES = 512
#: Long takes are followed in pieces of so many seconds, each with so much of what is around it.
PIECE_S, AROUND_S = 60.0, 1.0


def frame_s(hz: float) -> float:
    """Length of the short frames that a voice of this pitch is read in."""
    return FRAME_S * next((share for share in reversed(SHARES) if share * FRAME_S * hz >= PERIODS), 1.0)


def follow_voice(
    samples: NDArray[np.floating], sample_rate: float, low_hz: float = 60.0, high_hz: float = 2100.0
) -> Contour:
    """Follow one voice, in pieces: a long take wants no more room than a short one.

    Parameters
    ----------
    samples : ndarray, shape (n,)
    low_hz, high_hz : float
        Range of the pitch.
    """
    length, step = frame_grid(sample_rate, low_hz)
    count = max(0, 1 + (samples.size - length) // step)
    whole, around = (round(seconds * sample_rate / step) for seconds in (PIECE_S, AROUND_S))
    if count <= whole + around:
        return _followed(samples, sample_rate, low_hz, high_hz)
    parts = []
    for first in range(0, count, whole):
        begin, end = max(0, first - around), min(count, first + whole + around)
        piece = _followed(samples[begin * step : (end - 1) * step + length], sample_rate, low_hz, high_hz)
        own = slice(first - begin, first - begin + whole)
        parts.append(
            (piece.t[own] + begin * step / sample_rate, piece.hz[own], piece.clarity[own], piece.level[own])
        )
    return Contour(*map(np.concatenate, zip(*parts, strict=True)))


def _followed(samples: NDArray[np.floating], sample_rate: float, low_hz: float, high_hz: float) -> Contour:
    samples = _without_breath(samples, sample_rate)
    # What lies above the range is found as well: else it would be taken for its lower octave.
    found = track_pitch(samples, sample_rate, low_hz, min(2 * high_hz, 0.4 * sample_rate), nearly=NEARLY)
    found = replace(found, hz=np.where(found.hz <= high_hz, found.hz, 0.0))
    meant_hz = _without_slips(found)
    track, slips = replace(found, hz=meant_hz), meant_hz != found.hz
    hz, late_s = track.hz.copy(), np.zeros(track.hz.size)
    for k, share in enumerate(SHARES):
        shorter = SHARES[k + 1] if k + 1 < len(SHARES) else 0.0
        periods = track.hz * FRAME_S
        here = np.flatnonzero((periods * share >= PERIODS) & (periods * shorter < PERIODS))
        for first in range(0, here.size, CHUNK_FRAMES):
            some = here[first : first + CHUNK_FRAMES]
            read_hz, late_s[some] = _again(samples, sample_rate, track, some, share)
            hz[some] = np.where((read_hz > 0) | slips[some], read_hz, track.hz[some])
    return Contour(track.t, _carried(track.t, hz, late_s), track.clarity, track.level)


def _without_slips(track: Contour) -> Floats:
    """The pitches, where a slip is replaced by the middle of the stretch beside it."""
    hz = track.hz.copy()
    clear = np.flatnonzero((track.clarity >= CLEAR) & (hz > 0))
    if clear.size < 3:
        return hz
    step_s = float(track.t[1] - track.t[0])
    cents = 1200 * np.log2(hz[clear])
    jumps = (np.abs(np.diff(cents)) > JUMP_CENTS) | (np.diff(clear) * step_s > SLIP_S)
    stretches = np.split(clear, np.flatnonzero(jumps) + 1)
    for k, stretch in enumerate(stretches):
        if stretch.size * step_s > SLIP_S:
            continue
        beside = [one for one in stretches[max(0, k - 1) : k + 2] if one.size > 2 * stretch.size]
        for other in sorted(beside, key=len, reverse=True):
            gap = max(other[0] - stretch[-1], stretch[0] - other[-1])
            near = other[:RECENT] if other[0] > stretch[0] else other[-RECENT:]
            middle_hz = float(np.median(track.hz[near]))
            away = abs(1200 * np.log2(float(np.median(track.hz[stretch])) / middle_hz))
            if gap * step_s <= SLIP_S and any(
                abs(away - 1200 * np.log2(times)) <= SAME_CENTS for times in SLIP_TIMES
            ):
                hz[stretch] = middle_hz
                break
    return hz


def _without_breath(samples: NDArray[np.floating], rate: float) -> Floats:
    half = round(FILTER_S * rate)
    at = np.arange(-half, half + 1)
    low_pass = np.sinc(2 * min(BREATH_HZ / rate, 0.5) * at) * np.hanning(2 * half + 3)[1:-1]
    if samples.size < low_pass.size:
        return np.asarray(samples, dtype=np.float64)
    return np.convolve(np.asarray(samples, dtype=np.float64), low_pass / low_pass.sum(), "same")


def _again(
    samples: Floats, rate: float, track: Contour, at: NDArray[np.intp], share: float
) -> tuple[Floats, Floats]:
    """Pitch of the frames `at`, read over a share of their length, 0 where unclear; and how late in them it is true."""
    length = round(share * FRAME_S * rate)
    first = np.round(track.t[at] * rate - 0.5 * length).astype(int)
    first = np.clip(first, 0, samples.size - length)
    frames = samples[first[:, None] + np.arange(length)]
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
    hz = np.where(is_peak, rate / (best + shift), 0.0)
    return hz, np.where(is_peak, _weighed(frames, best) / rate, 0.0)


def _weighed(frames: Floats, lag: NDArray[np.intp]) -> Floats:
    """Samples from each frame's middle to where its slopes, a lag apart, agree most: there its pitch is read."""
    slope = np.diff(frames, axis=1)
    length = slope.shape[1]
    at = np.arange(length)
    after = at + lag[:, None]
    pairs = slope * np.take_along_axis(slope, np.minimum(after, length - 1), axis=1) * (after < length)
    total = pairs.sum(axis=1)
    middle = (pairs @ at) / np.where(total > 0, total, 1.0) + 0.5 * lag - 0.5 * (length - 1)
    return np.where(total > 0, np.clip(middle, -0.3 * length, 0.3 * length), 0.0)


def _carried(t: Floats, hz: Floats, late_s: Floats) -> Floats:
    """Pitches that are true so long after their times, as they are at their times."""
    if t.size < 2:
        return hz
    sounds = hz > 0
    cents = 1200 * np.log2(np.where(sounds, hz, 1.0))
    before, after = np.maximum(np.arange(t.size) - 1, 0), np.minimum(np.arange(t.size) + 1, t.size - 1)
    apart_s = (t + late_s)[after] - (t + late_s)[before]
    pace = (cents[after] - cents[before]) / np.maximum(apart_s, 0.2 * (t[1] - t[0]))
    follows = sounds & sounds[before] & sounds[after] & (np.abs(pace) <= LEAPS_CENTS_S)
    return np.asarray(hz * 2 ** (np.where(follows, -pace * late_s, 0.0) / 1200), dtype=np.float64)
