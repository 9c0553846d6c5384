"""What cannot be measured, and why, in words that a player understands.

Index
-----
reasons                     one constant each
`clipped_at`                where a sound hits a ceiling
`is_silent`                 nothing to hear
"""

from __future__ import annotations

import numpy as np

from bridge.sound.listening.spectrum import Floats

TOO_SHORT = "the sound is too short to measure: let the string ring for at least a quarter of a second"
SILENCE = "there is nothing to hear: check the microphone, or move it nearer"
CLIPPED = "the sound is clipped: turn the input level down, or move the microphone away"
NOISE = "no note stands out of the noise: find a quieter place, or pluck harder"
TOGETHER = "two strings were plucked within 80 ms of each other: pluck one at a time"
NO_STRING = "several strings sound at once and none stands out: pluck one at a time and damp the others"
UNSTEADY = "the pitch does not settle long enough to measure: let the note ring"

#: Below this peak (full scale 1) there is nothing to hear: 80 dB down.
SILENT_PEAK = 1e-4
#: A ceiling is touched at least so often before a sound is called clipped.
CEILING_TOUCHES = 3


def is_silent(samples: Floats) -> bool:
    return samples.size == 0 or float(np.max(np.abs(samples))) < SILENT_PEAK


def clipped_at(samples: Floats) -> Floats:
    """Sample numbers at which the sound runs into a ceiling and stays there; empty where it never does.

    A wave's own crest is round: where it stays within a hair of its highest for three samples it arrives there
    slowly. A clipped one arrives at full slope and stops dead. So a plateau of three samples or more, at the
    sound's own extreme, counts where the step before it or after it is many times larger than any step on it.
    """
    out: list[int] = []
    for sign in (1.0, -1.0):
        top = float(samples.max(initial=0.0) if sign > 0 else -samples.min(initial=0.0))
        if top < 1e-3:
            continue
        ceiling = top * (1 - 1.5e-4)
        at = samples > ceiling if sign > 0 else samples < -ceiling
        if at.sum() < 3 * CEILING_TOUCHES:
            continue
        edges = np.diff(np.concatenate([[0], at.astype(np.int8), [0]]))
        starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
        long = (ends - starts >= 3) & (starts > 0) & (ends < samples.size)
        starts, ends = starts[long], ends[long]
        if starts.size < CEILING_TOUCHES:
            continue
        step = top - np.minimum(sign * samples[starts - 1], sign * samples[ends])
        # In eight bits every step is large: a step that counts is many of the smallest.
        hard = step > max(4e-3 * top, 4.0 * _smallest_step(samples))
        if int(hard.sum()) >= CEILING_TOUCHES:
            out += starts[hard].tolist()
    return np.sort(np.asarray(out, dtype=np.float64))


def _smallest_step(samples: Floats) -> float:
    """Smallest step other than nought between neighbouring samples."""
    steps = np.abs(np.diff(samples))
    return float(np.min(steps, where=steps > 0, initial=np.inf)) if steps.any() else 0.0
