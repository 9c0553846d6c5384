"""Fewer samples a second, block by block, for what is listened to live."""

from __future__ import annotations

import numpy as np

from bridge.sound.analysis.spectrum import Floats


class Thinner:
    """Low-pass filter and decimation to `inner_rate_hz` or a little above; what is slower already stays as it is."""

    def __init__(self, sample_rate: float, inner_rate_hz: float) -> None:
        self.by = max(1, int(sample_rate // inner_rate_hz))  # one sample in so many is left
        self.rate = sample_rate / self.by  # samples a second that come out
        # A windowed sinc, passing to 0.42 of the inner rate; its delay is under a millisecond.
        half = 6 * self.by
        t = np.arange(-half, half + 1) / self.by
        kernel = np.sinc(0.86 * t) * (0.5 + 0.5 * np.cos(np.pi * t / 6.2))
        self._kernel = kernel / kernel.sum() if self.by > 1 else np.ones(1)
        self._tail = np.zeros(self._kernel.size - 1)
        self._phase = 0

    def feed(self, block: Floats) -> Floats:
        """Take in a block of any length; return what is ready."""
        if self.by == 1:
            return block
        whole = np.concatenate([self._tail, block])
        self._tail = whole[whole.size - (self._kernel.size - 1) :]
        if block.size == 0:
            return block
        windows = np.lib.stride_tricks.sliding_window_view(whole, self._kernel.size)[self._phase :: self.by]
        self._phase = (self._phase - block.size) % self.by
        return np.asarray(windows @ self._kernel, dtype=np.float64)
