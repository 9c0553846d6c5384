"""Instruments to be examined in virtual time: the built-in generator behind a filter of what it obeys, heard directly.

`ProbedSynth` is a port and a sound source at once: bytes go in, and every stretch of sound that is read lets that much
time go by. A filter makes of it a synth that obeys less, or otherwise.

Index: `ProbedSynth`, filters: `bends_only`.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from bridge.ports.base import OutPort
from bridge.sound.generator import Generator

RATE = 48_000
BLOCK = 480

Filter = Callable[[bytes], bytes | None]


class ProbedSynth(OutPort):
    """The generator, as a port that is played to and a source that is heard.

    Parameters
    ----------
    change : callable, optional
        Makes of each message what the generator is told; None: nothing.
    noise_rms : float
        White noise that is heard besides.
    late_s : float
        How long sound takes to arrive.
    program : int
        Sound: 19 is an organ.
    """

    name = "probed"
    sample_rate = RATE

    def __init__(
        self, change: Filter | None = None, noise_rms: float = 0.0, late_s: float = 0.0, program: int = 19
    ) -> None:
        self.generator = Generator(RATE)
        self.received: list[bytes] = []
        self.closed = False
        self.heard_s = 0.0
        self.fails_after: int | None = None
        self._change = change or (lambda data: data)
        self._random = np.random.default_rng(7)
        self._noise_rms = noise_rms
        self._late: list[NDArray[np.float64]] = [np.zeros(BLOCK)] * round(late_s * RATE / BLOCK)
        for channel in range(16):
            self.generator.feed(bytes((0xC0 | channel, program)))

    def emit(self, data: bytes) -> None:
        """Take a message."""
        if self.fails_after is not None and len(self.received) >= self.fails_after:
            self.fails_after = None
            raise KeyboardInterrupt
        self.received.append(data)
        told = self._change(data)
        if told is not None:
            self.generator.feed(told)

    def close(self) -> None:
        """Take no more."""
        self.closed = True

    def read(self, limit_s: float = 0.1) -> NDArray[np.float64]:
        """Return the next hundredth of a second; asked for what has come until now, nothing."""
        if limit_s == 0.0:
            return np.zeros(0)
        self.heard_s += BLOCK / RATE
        block = np.asarray(self.generator.block(BLOCK), dtype=np.float64).mean(axis=1)
        block = block + self._noise_rms * self._random.standard_normal(BLOCK)
        self._late.append(block)
        return self._late.pop(0)


def is_rpn(data: bytes) -> bool:
    """Whether a message belongs to a registered parameter."""
    return len(data) == 3 and data[0] & 0xF0 == 0xB0 and data[1] in (6, 38, 100, 101)


def bends_only(data: bytes) -> bytes | None:
    """A synth that obeys notes and bends, in a range of two semitones that cannot be set."""
    return None if is_rpn(data) or data[0] == 0xF0 else data
