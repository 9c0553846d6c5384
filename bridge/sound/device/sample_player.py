"""Sounds that are ready, played on a sound card beside the tone generator.

Threads: `play` and `cut` belong to one thread; the sound card's thread only takes what they leave.
"""

from __future__ import annotations

import threading

import numpy as np
from numpy.typing import NDArray

from bridge.sound.device.output import LiveSound

CUT_S = 0.03
"""So quickly a sound fades that is cut."""


class Playing:
    """A sound on its way out."""

    def __init__(self, samples: NDArray[np.floating]) -> None:
        self.samples = np.asarray(samples, dtype=np.float32)
        self.at = 0
        self.cut = False
        self.gain = 1.0
        self.over = threading.Event()
        """Set once its last sample was taken."""


class SamplePlayer(LiveSound):
    """A sound card that plays one prepared sound after the other; as `LiveSound` otherwise.

    Both sides play the same. What is given must stay below `mixer.CEILING` by itself.
    """

    _playing: Playing | None = None

    def play(self, samples: NDArray[np.floating]) -> Playing:
        """Begin a sound of shape (n,), in the place of one that may still sound."""
        self._playing = playing = Playing(samples)
        return playing

    def cut(self) -> None:
        """Fade out what sounds."""
        playing = self._playing
        if playing is not None:
            playing.cut = True

    def _fill(self, out: NDArray[np.float32]) -> None:
        before = self._fade_at
        super()._fill(out)
        playing = self._playing
        if playing is None:
            return
        part = playing.samples[playing.at : playing.at + len(out)]
        playing.at += len(part)
        gain = np.linspace(before, self._fade_at, len(part), dtype=np.float32) ** 2
        if playing.cut:
            left = playing.gain - np.arange(1, len(part) + 1) / (CUT_S * self.sample_rate)
            gain *= np.maximum(left, 0.0).astype(np.float32)
            playing.gain = float(left[-1]) if len(left) else 0.0
        out[: len(part), :2] += (part * gain)[:, None]
        if playing.at >= len(playing.samples) or playing.gain <= 0:
            self._playing = None
            playing.over.set()
