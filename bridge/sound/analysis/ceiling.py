"""Where a sound hits a ceiling and stays there: clipping, found block by block.

A wave's own crest is round: where it stays within a hair of its highest for three samples it arrives there slowly. A
clipped one arrives at full slope and stops dead. So a plateau of three samples or more, at the sound's own extreme,
counts where the step before it or after it is many times larger than any step on it.

Conventions: samples float64 of one channel; sample numbers from the sound's first.
"""

from __future__ import annotations

import numpy as np

from bridge.sound.analysis.spectrum import Floats

#: A ceiling is touched at least so often before a sound is called clipped.
CEILING_TOUCHES = 3
#: Lower extremes than this (full scale 1) are no ceiling.
LOWEST = 1e-3
#: More plateaus than this are thinned to one in `THIN_SAMPLES`: the sound is clipped all over.
MOST_PLATEAUS, THIN_SAMPLES = 50_000, 480


class Ceiling:
    """Looks for plateaus at the extremes of one channel, `low` and `high`."""

    def __init__(self, low: float, high: float) -> None:
        self._sides = [_Side(sign, top) for sign, top in ((1.0, high), (-1.0, -low)) if top >= LOWEST]
        self._smallest = np.inf
        self._last = 0.0
        self._fed = 0

    def feed(self, samples: Floats) -> None:
        """Take in the next samples."""
        if not samples.size:
            return
        if self._sides:
            steps = np.abs(np.diff(samples, prepend=self._last if self._fed else samples[0]))
            self._smallest = min(self._smallest, float(np.min(steps, where=steps > 0, initial=np.inf)))
        for side in self._sides:
            side.feed(samples, self._last, self._fed)
        self._last = float(samples[-1])
        self._fed += samples.size

    def clipped(self) -> Floats:
        """Sample numbers at which it clips; empty where it never does."""
        # In eight bits every step is large: a step that counts is many of the smallest.
        smallest = self._smallest if np.isfinite(self._smallest) else 0.0
        return np.sort(np.concatenate([np.zeros(0), *(side.clipped(smallest) for side in self._sides)]))


class _Side:
    """Plateaus at one extreme; `sign` is -1 for the lower one, `top` its distance from nought."""

    def __init__(self, sign: float, top: float) -> None:
        self._sign, self._top = sign, top
        self._touches = 0
        self._open: tuple[int, float] | None = (
            None  # a plateau that goes on: its start, and the sample before
        )
        self._starts, self._steps = np.zeros(0, dtype=np.int64), np.zeros(0)

    def feed(self, samples: Floats, last: float, first: int) -> None:
        ceiling = self._top * (1 - 1.5e-4)
        at = samples > ceiling if self._sign > 0 else samples < -ceiling
        touches = int(np.count_nonzero(at))
        if not touches and self._open is None:
            return
        self._touches += touches
        edges = np.diff(at.astype(np.int8), prepend=np.int8(self._open is not None))
        starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
        before = np.where(starts > 0, samples[starts - 1], last)
        starts = starts + first
        if self._open is not None:
            starts = np.concatenate([[self._open[0]], starts])
            before = np.concatenate([[self._open[1]], before])
        self._open = (int(starts[-1]), float(before[-1])) if at[-1] else None
        starts, before = starts[: ends.size], before[: ends.size]
        long = (ends + first - starts >= 3) & (starts > 0)
        if not long.any():
            return
        step = self._top - np.minimum(self._sign * before[long], self._sign * samples[ends[long]])
        self._starts = np.concatenate([self._starts, starts[long]])
        self._steps = np.concatenate([self._steps, step])
        if self._starts.size > MOST_PLATEAUS:
            self._thin()

    def _thin(self) -> None:
        order = np.lexsort((-self._steps, self._starts // THIN_SAMPLES))
        _, largest = np.unique(self._starts[order] // THIN_SAMPLES, return_index=True)
        self._starts, self._steps = self._starts[order][largest], self._steps[order][largest]

    def clipped(self, smallest_step: float) -> Floats:
        if self._touches < 3 * CEILING_TOUCHES or self._starts.size < CEILING_TOUCHES:
            return np.zeros(0)
        hard = self._steps > max(4e-3 * self._top, 4.0 * smallest_step)
        enough = int(hard.sum()) >= CEILING_TOUCHES
        return np.asarray(self._starts[hard] if enough else [], dtype=np.float64)


def clipped_at(samples: Floats) -> Floats:
    """Sample numbers at which a sound runs into a ceiling and stays there; empty where it never does."""
    if not samples.size:
        return np.zeros(0)
    ceiling = Ceiling(float(samples.min()), float(samples.max()))
    ceiling.feed(samples)
    return ceiling.clipped()
