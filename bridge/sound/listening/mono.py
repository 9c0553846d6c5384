"""One channel from many: what the listeners measure.

Channels are averaged, unless they cancel (one of two microphones is often wired the other way round): then the
loudest speaks alone. Where one channel clips the average need not show it, so each is looked at by itself. A
converter's constant offset is taken off, and a sound above full scale is brought down to it.

A take is gone through twice, block by block, so that many channels need no more memory than one.

Conventions: samples of shape ``(n,)`` or ``(n, channels)``, full scale 1. The one channel is kept in single precision,
150 dB finer than full scale; stretches of it are measured in double precision.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.errors import InputProblem
from bridge.sound.analysis.ceiling import Ceiling
from bridge.sound.analysis.spectrum import Floats

#: Sample rates that can be listened to: below, a guitar's partials are lost; above, nothing is gained.
LEAST_RATE_HZ, MOST_RATE_HZ = 4000, 192_000
#: Channels cancel each other where their average holds less than this share of the loudest one's power, over the
#: number of channels squared: channels that are silent leave all of it.
CANCEL_POWER = 0.8
#: Files of floating-point numbers may go beyond full scale, by this much at most.
MOST_VALUE = 1e10
#: Samples in a block, over all channels.
BLOCK_SAMPLES = 1 << 18

#: Blocks of shape (n, channels), from the start each time it is called.
Blocks = Callable[[], Iterable[Floats]]


@dataclass(frozen=True, eq=False)
class Mono:
    """One channel."""

    sound: NDArray[np.float32]  # without constant offset; shape (n,)
    clipped: Floats  # sample numbers at which some channel clips; shape (times,)

    @property
    def peak(self) -> float:
        """Greatest distance from nought."""
        return peak(self.sound)

    def cut(self, first: int, last: int) -> Floats:
        """Samples `first` to `last` in double precision, to be measured."""
        return np.asarray(self.sound[max(0, first) : max(0, last)], dtype=np.float64)


def peak(samples: NDArray[np.floating]) -> float:
    """Greatest distance from nought; 0 where there are no samples."""
    return max(float(samples.max(initial=0.0)), -float(samples.min(initial=0.0)))


def check_rate(sample_rate: float) -> None:
    """Refuse a sample rate that no take has."""
    if not LEAST_RATE_HZ <= sample_rate <= MOST_RATE_HZ:
        raise InputProblem(
            f"the sound has {sample_rate:.15g} samples a second; {LEAST_RATE_HZ} to {MOST_RATE_HZ} are listened to",
            "was it recorded or converted with the wrong sample rate? 44100 and 48000 are usual",
        )


def mono(samples: NDArray[np.floating] | Mono, sample_rate: float) -> Mono:
    """Make one channel of a take, shape (n,) or (n, channels); what is one already stays as it is.

    InputProblem if it has another shape, samples that are no numbers, or a sample rate that no take has.
    """
    check_rate(sample_rate)
    if isinstance(samples, Mono):
        return samples
    given = np.asarray(samples)
    if given.ndim not in (1, 2) or (given.ndim == 2 and given.shape[1] == 0):
        raise InputProblem(f"sound has shape {given.shape}, expected (samples,) or (samples, channels)")
    table = given[:, None] if given.ndim == 1 else given
    step = max(1, BLOCK_SAMPLES // table.shape[1])

    def blocks() -> Iterator[Floats]:
        for first in range(0, table.shape[0], step):
            yield np.asarray(table[first : first + step], dtype=np.float64)

    return mono_of(blocks, sample_rate)


def mono_of(blocks: Blocks, sample_rate: float) -> Mono:
    """Make one channel of a take; problems as for `mono`.

    `blocks` is called twice, and returns the blocks from the start, shape (n, channels) each.
    """
    check_rate(sample_rate)
    survey = _survey(blocks())
    if survey is None:
        return Mono(np.zeros(0, dtype=np.float32), np.zeros(0))
    sound = np.empty(survey.count, dtype=np.float32)
    ceilings = [Ceiling(*ends) for ends in zip(survey.low.tolist(), survey.high.tolist(), strict=True)]
    alone = survey.alone
    # Whole numbers written as floating-point ones, and recordings that went over: 1 is the most that is heard.
    scale = 1.0 / max(1.0, float(max(survey.high.max(), -survey.low.min())))
    at = 0
    for block in blocks():
        block = block[: survey.count - at]
        one = block.mean(axis=1) if alone is None else block[:, alone]
        sound[at : at + one.size] = one * scale
        at += one.size
        for channel, ceiling in enumerate(ceilings):
            ceiling.feed(block[:, channel])
    sound = sound[:at]
    sound -= np.float32(_offset(sound, sample_rate))
    clipped = np.unique(np.concatenate([ceiling.clipped() for ceiling in ceilings]))
    return Mono(sound, clipped)


@dataclass(frozen=True, eq=False)
class _Survey:
    """What the first pass finds."""

    count: int  # samples in a channel
    # The least and the greatest sample of each channel; shape (channels,).
    low: Floats
    high: Floats
    alone: int | None  # the channel that speaks alone; None where they are averaged


def _survey(blocks: Iterable[Floats]) -> _Survey | None:
    """Go through all of a take once; None where it holds nothing."""
    count = 0
    low = high = first = sums = squares = np.zeros(0)
    for block in blocks:
        if not block.shape[0]:
            continue
        # An infinity or what is no number shows in the extremes.
        ends = block.min(axis=0), block.max(axis=0)
        if not (np.all(np.isfinite(ends[0])) and np.all(np.isfinite(ends[1]))):
            raise InputProblem("the sound holds values that are no numbers", "is the file damaged?")
        most = float(max(ends[1].max(), -ends[0].min()))
        if most > MOST_VALUE:
            raise InputProblem(
                f"the sound holds values of {most:.3g}, where 1 is full scale and {MOST_VALUE:g} the most "
                "that is taken",
                "is the file damaged?",
            )
        if not count:
            low, high = ends
            first = np.append(block[0], block[0].mean())
            sums, squares = np.zeros((2, first.size))
        low, high = np.minimum(low, ends[0]), np.maximum(high, ends[1])
        off = block - first[:-1]
        middle = off.mean(axis=1)
        sums = sums + np.append(off.sum(axis=0), middle.sum())
        squares = squares + np.append(np.einsum("ij,ij->j", off, off), middle @ middle)
        count += block.shape[0]
    if not count:
        return None
    power = squares / count - (sums / count) ** 2
    channels, average = power[:-1], float(power[-1])
    cancel = channels.size > 1 and average < CANCEL_POWER * float(channels.max()) / channels.size**2
    return _Survey(count, low, high, int(np.argmax(channels)) if cancel else None)


def _offset(sound: NDArray[np.float32], sample_rate: float) -> float:
    """A converter's constant offset: the mean of the quietest 50 ms, where that is quiet, else of everything."""
    size = min(sound.size, max(1, round(0.05 * sample_rate)))
    count = sound.size // size
    means, spreads = np.zeros((2, count))
    for first in range(0, count, 64):
        part = np.asarray(sound[first * size : min(first + 64, count) * size], dtype=np.float64)
        rows = part.reshape(-1, size)
        means[first : first + 64], spreads[first : first + 64] = rows.mean(axis=1), rows.std(axis=1)
    rest = np.asarray(sound[count * size :], dtype=np.float64)
    mean = (float(means.sum()) * size + float(rest.sum())) / sound.size
    power = float(np.sum(spreads**2 + (means - mean) ** 2)) * size + float(np.sum((rest - mean) ** 2))
    quietest = int(np.argmin(spreads))
    if spreads[quietest] < 0.1 * float(np.sqrt(power / sound.size)):
        return float(means[quietest])
    return mean
