"""One channel from many: what the listeners measure.

Channels are averaged, unless they cancel (one of two microphones is often wired the other way round): then the
loudest speaks alone. Where one channel clips the average need not show it, so each is looked at by itself. A
converter's constant offset is taken off.

Conventions: samples of shape ``(n,)`` or ``(n, channels)``, full scale 1.

Index
-----
`Mono`      the sound, and where any channel clips
`mono`      make one
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.errors import InputProblem
from bridge.sound.listening import refuse
from bridge.sound.listening.spectrum import Floats

#: Channels cancel each other where their average holds less than this share of the loudest one's power, over the
#: number of channels squared: channels that are silent leave all of it.
CANCEL_POWER = 0.8


@dataclass(frozen=True, eq=False)
class Mono:
    """One channel.

    Attributes
    ----------
    sound : ndarray, shape (n,)
        Without constant offset.
    clipped : ndarray, shape (times,)
        Sample numbers at which some channel clips.
    """

    sound: Floats
    clipped: Floats


def mono(samples: NDArray[np.floating], sample_rate: float) -> Mono:
    """Make one channel of a take.

    Parameters
    ----------
    samples : ndarray, shape (n,) or (n, channels)
    sample_rate : float

    Raises
    ------
    InputProblem
        Another shape, or samples that are no numbers.
    """
    given = np.asarray(samples, dtype=np.float64)
    if given.ndim not in (1, 2) or (given.ndim == 2 and given.shape[1] == 0):
        raise InputProblem(f"sound has shape {given.shape}, expected (samples,) or (samples, channels)")
    if not np.all(np.isfinite(given)):
        raise InputProblem("the sound holds values that are no numbers", "is the file damaged?")
    channels = [given] if given.ndim == 1 else [given[:, k] for k in range(given.shape[1])]
    if given.shape[0] == 0:
        return Mono(np.zeros(0), np.zeros(0))
    sound = channels[0] if len(channels) == 1 else given.mean(axis=1)
    if len(channels) > 1:
        powers = [float(np.var(channel)) for channel in channels]
        if float(np.var(sound)) < CANCEL_POWER * max(powers) / len(channels) ** 2:
            sound = channels[int(np.argmax(powers))]
    clipped = np.unique(np.concatenate([refuse.clipped_at(channel) for channel in channels]))
    return Mono(sound - _offset(sound, sample_rate), clipped)


def _offset(sound: Floats, sample_rate: float) -> float:
    """A converter's constant offset: the mean of the quietest 50 ms, where that is quiet, else of everything."""
    size = min(sound.size, max(1, round(0.05 * sample_rate)))
    count = sound.size // size
    blocks = sound[: count * size].reshape(count, size)
    spread = blocks.std(axis=1)
    quietest = int(np.argmin(spread))
    if spread[quietest] < 0.1 * float(sound.std()):
        return float(blocks[quietest].mean())
    return float(sound.mean())
