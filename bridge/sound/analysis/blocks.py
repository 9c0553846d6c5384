"""Short overlapping blocks of a sound against carriers, and the sound of damped partials back from a model.

Conventions: samples float64 of shape ``(n,)``; a block's time is its middle, in seconds from the first sample; phases
are against ``exp(2j * pi * carrier * t)`` with t from the first sample, so a partial that is exactly at its carrier
keeps one phase in all blocks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.sound.analysis.spectrum import Floats, hann

Complex = NDArray[np.complex128]


@dataclass(frozen=True, eq=False)
class Blocks:
    """Partials in blocks that overlap by half."""

    t: Floats  # middle of each block, in seconds; shape (blocks,)
    y: Complex  # amplitude and phase of each partial; shape (blocks, partials)
    length: int  # samples in a block
    hop_s: float  # seconds from block to block


def demodulate(samples: Floats, sample_rate: float, carriers_hz: Floats, length: int) -> Blocks:
    """Complex amplitude of each carrier in half-overlapping Hann blocks of `length` samples."""
    hop = max(1, length // 2)
    frames = np.lib.stride_tricks.sliding_window_view(samples, length)[::hop]
    window = hann(length)
    middle = length // 2
    omega = 2 * np.pi * carriers_hz / sample_rate
    kernel = _turns(omega, np.arange(length) - middle)  # (length, partials)
    scaled = window[:, None] * (2.0 / window.sum())
    # One real product for both parts; frames are real.
    basis = np.hstack([kernel.real * scaled, -kernel.imag * scaled])
    both = np.ascontiguousarray(frames) @ basis
    k = carriers_hz.size
    y = both[:, :k] + 1j * both[:, k:]
    start = np.arange(frames.shape[0]) * hop + middle
    y *= np.exp(-1j * start[:, None] * omega)
    return Blocks(start / sample_rate, y, length, hop / sample_rate)


def _turns(omega: Floats, at: NDArray[np.int_]) -> Complex:
    """``exp(1j * omega * at)`` for evenly spaced `at`, by products of a short and a long table (quick)."""
    return powers(np.asarray(1j * omega, dtype=np.complex128), int(at[0]), at.size)


def powers(rate: Complex, first: int, count: int) -> Complex:
    """``exp(rate * k)`` for k from `first` on, shape (count, rates)."""
    short = 64
    fine = np.exp(np.arange(short)[:, None] * rate)
    coarse = np.exp((first + np.arange(0, count, short))[:, None] * rate)
    return np.asarray((coarse[:, None, :] * fine[None, :, :]).reshape(-1, rate.size)[:count])


def synthesize(
    size: int,
    sample_rate: float,
    rate: Complex,
    start: Complex,
    length: int,
    bend: tuple[Floats, Callable[[Floats], Floats]] | None = None,
) -> Floats:
    """Sound of partials ``Re(start * exp(rate * t))`` whose `start` is as `demodulate` sees it.

    Parameters
    ----------
    size : int
        Samples wanted.
    rate : ndarray of complex, shape (partials,)
        ``-decay + 2j * pi * hz``, per second.
    start : ndarray of complex, shape (partials,)
        Amplitude and phase at time 0 as blocks of `length` samples show it: a block shows a decaying partial louder
        than it is in the block's middle, which is undone here.
    length : int
        Samples in those blocks; 0 where `start` is meant as it stands.
    bend : (ndarray, callable), optional
        Each partial's factor, and the phase at factor 1 that a drift common to all adds at times t.

    Returns
    -------
    ndarray, shape (size,)
    """
    per_sample = rate / sample_rate
    gain = np.ones(rate.size)
    if length:
        window = hann(length)
        tau = (np.arange(length) - length // 2) / sample_rate
        gain = (window @ np.exp(rate.real * tau[:, None])) / window.sum()
    chunk = max(32, length // 2) if length else 1024
    count = -(-size // chunk)
    inner = powers(per_sample, 0, chunk)
    outer = np.exp(np.arange(count)[:, None] * chunk * per_sample) * (start / gain)
    if bend is not None:
        factor, phase = bend
        middle = (np.arange(count) + 0.5) * chunk / sample_rate
        outer = outer * np.exp(1j * np.outer(phase(np.asarray(middle, dtype=np.float64)), factor))
    sound = np.hstack([outer.real, -outer.imag]) @ np.vstack([inner.real.T, inner.imag.T])
    return np.asarray(sound.reshape(-1)[:size])
