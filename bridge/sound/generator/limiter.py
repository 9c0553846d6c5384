"""Keeps live sound below a ceiling without bending the waveform.

The limiter looks ahead: sound is held back by `Limiter.delay` samples, cut into pieces of `PIECE`, and the gain at
each border is low enough for the pieces on both sides. Between borders the gain runs in a straight line, so it
has always come down when a peak arrives, and no sample is clipped. It stays down for `HOLD_S` and then recovers
slowly, slower than the lowest note swings, so that it does not ride on single waves.

Sound that stays below the ceiling passes unchanged, bit for bit, only later.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np
from numpy.typing import NDArray

PIECE = 64
"""Samples over which the gain may change."""

HOLD_S = 0.08
RECOVERY_S = 0.5
"""Time to recover by a factor of e."""


class Limiter:
    """A look-ahead limiter for stereo sound in blocks of any size; no sample goes beyond `ceiling`."""

    def __init__(self, sample_rate: int, ceiling: float) -> None:
        # The nearest 32-bit number that is not above it.
        self.ceiling = float(np.nextafter(np.float32(ceiling), np.float32(0)))
        self._growth = math.exp(PIECE / (RECOVERY_S * sample_rate))
        self._allowed: deque[float] = deque([1.0], maxlen=2 + math.ceil(HOLD_S * sample_rate / PIECE))
        self._gain = 1.0
        self._held: NDArray[np.float32] = np.zeros((PIECE, 2), dtype=np.float32)
        self._input: NDArray[np.float32] = np.zeros((0, 2), dtype=np.float32)
        self._ready: NDArray[np.float32] = np.zeros((PIECE, 2), dtype=np.float32)

    delay = 2 * PIECE
    """Samples by which the sound comes out later."""

    @property
    def reduction(self) -> float:
        """The gain now: 1 when nothing is limited."""
        return self._gain

    def process(self, sound: NDArray[np.float32]) -> NDArray[np.float32]:
        """Take a block of shape (frames, 2), and return one of the same shape from `delay` samples earlier."""
        frames = len(sound)
        pending = np.concatenate((self._input, sound))
        pieces = len(pending) // PIECE
        parts = [self._ready]
        for number in range(pieces):
            parts.append(self._piece(pending[number * PIECE : (number + 1) * PIECE]))
        self._input = pending[pieces * PIECE :].copy()
        ready = np.concatenate(parts)
        self._ready = ready[frames:].copy()
        return np.ascontiguousarray(ready[:frames])

    def _piece(self, incoming: NDArray[np.float32]) -> NDArray[np.float32]:
        """Take the next piece; return the one before it, at its gain."""
        peak = float(np.max(np.abs(incoming)))
        self._allowed.append(1.0 if peak <= self.ceiling else self.ceiling / peak)
        least = min(self._allowed)
        begin = self._gain
        end = min(least, begin * self._growth, 1.0)
        outgoing, self._held = self._held, incoming.copy()
        self._gain = end
        if begin == end == 1.0:
            return outgoing
        line = np.linspace(begin, end, PIECE + 1)[1:].astype(np.float32)
        result = outgoing * line[:, None]
        np.clip(result, -self.ceiling, self.ceiling, out=result)  # rounding of the last bit only
        return result
