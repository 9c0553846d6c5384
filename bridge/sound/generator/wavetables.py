"""Single cycles of a voice's partials, band-limited for the pitch that they are played at.

Every partial is an exact whole multiple of the fundamental: the beats between two notes are then those that their
frequencies make, and no others. A cycle is `CYCLE` samples long and is read at a fractional place by straight
lines between neighbours; at the highest partial that is ever stored (`MAX_PARTIALS`) a line misses the curve by
about one percent of that partial, and it is the weakest one.

Phases of the partials are spread (quadratically in the partial number, after Schroeder), which lowers the peak
that the same loudness needs. They are the same for every layer and pitch, so layers add up and a cycle can be
swapped for another with fewer partials while it sounds.

Conventions: phases in cycles (0 to 1); a place in the bank is the index of a cycle's first sample.

Source: M. R. Schroeder, "Synthesis of low-peak-factor signals and binary sequences with low autocorrelation",
IEEE Trans. Inf. Theory 16 (1970), for the phases.
"""

from __future__ import annotations

from collections.abc import Hashable

import numpy as np
from numpy.typing import NDArray

CYCLE = 2048
"""Samples in a stored cycle."""

STEPS = 2**32 // CYCLE
"""Steps between two samples of a cycle: a place in it is a number of 32 bits, so that it wraps by itself."""

MAX_PARTIALS = 96
"""The most partials that a cycle holds."""

HIGHEST_PARTIAL_HZ = 15000.0
"""No partial is stored that would sound above this at the pitch that the cycle is made for."""

BEND_HEADROOM = 2.0 ** (3 / 12)
"""A cycle may be played this much above the pitch that it is made for before it has to be swapped."""

_NUMBERS = np.arange(1, MAX_PARTIALS + 1, dtype=np.float64)
_PHASES = np.exp(1j * (np.pi * _NUMBERS**2 / 13.0 - np.pi / 2))


def partial_count(hz: float, sample_rate: int) -> int:
    """Return how many partials a tone of `hz` may have, so that none folds back even with `BEND_HEADROOM`.

    From 0 (the fundamental itself is out of reach) to `MAX_PARTIALS`.
    """
    ceiling = min(HIGHEST_PARTIAL_HZ, 0.5 * sample_rate / BEND_HEADROOM)
    if hz <= ceiling:
        return min(MAX_PARTIALS, int(ceiling / hz))
    return 1 if hz < 0.5 * sample_rate else 0


class WaveBank:
    """All cycles in one array, so that every sounding voice can be read in one go."""

    SILENT = 0

    def __init__(self) -> None:
        # The cycles, `CYCLE` samples each, and what each of the `STEPS` from a sample to the next adds. The first
        # one is silent. The arrays are replaced as they grow: take them anew for every block.
        self.samples: NDArray[np.float32] = np.zeros(16 * CYCLE, dtype=np.float32)
        self.rises = np.zeros_like(self.samples)
        self._used = 1
        self._places: dict[Hashable, int] = {}

    def __len__(self) -> int:
        """Return the number of cycles stored, the silent one included."""
        return self._used

    def place(self, name: Hashable) -> int | None:
        """Return where the cycle called `name` begins, or None if it is not stored yet."""
        return self._places.get(name)

    def store(self, name: Hashable, amplitudes: NDArray[np.float64]) -> int:
        """Store a cycle that `place` finds by its name, and return where it begins.

        It has amplitudes of partials 1 to n, n at most `MAX_PARTIALS`; none at all gives the silent cycle.
        """
        count = len(amplitudes)
        if not count:
            self._places[name] = self.SILENT
            return self.SILENT
        start = self._used * CYCLE
        if start + CYCLE > len(self.samples):
            self.samples = np.concatenate((self.samples, np.zeros_like(self.samples)))
            self.rises = np.concatenate((self.rises, np.zeros_like(self.rises)))
        spectrum = np.zeros(CYCLE // 2 + 1, dtype=np.complex128)
        spectrum[1 : count + 1] = amplitudes * _PHASES[:count] * (CYCLE / 2)
        cycle = np.fft.irfft(spectrum, CYCLE).astype(np.float32)
        self.samples[start : start + CYCLE] = cycle
        self.rises[start : start + CYCLE] = (np.roll(cycle, -1) - cycle) / np.float32(STEPS)
        self._used += 1
        self._places[name] = start
        return start
