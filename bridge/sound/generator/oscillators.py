"""All sounding layers at once: exact phase, envelopes, and the mix to stereo.

A *row* is one layer of one sounding note. The rows live side by side in arrays, so that a block of samples costs
about twenty array operations however many notes sound.

Pitch. A row's phase is a 64-bit float in cycles; within a block it is ``phase + step · i``, and between blocks it
is carried on and wrapped to 0…1: over an hour its error stays below a millionth of a cycle. Where a sample is read, the
phase is a whole number of 2⁻³² cycles, which wraps by itself; the rounding never adds up. A change of pitch changes
`step` and leaves the phase alone, so none, however far, makes a jump.

Loudness. The envelope is exponential: ``exp(level + slope · i)``; a rise in the beginning is a smooth curve of
fixed length. Changes of channel volume, expression and pan are spread over `RAMP_S`.

Speed. Sample ``i`` is number ``b`` of stretch ``a``: phases and envelopes are worked out for the beginning of each
stretch and for the places within one, and only joined for every sample.

Conventions: `step` in cycles a sample, below 0.5; gains are pairs (left, right).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bridge.sound.generator.wavetables import STEPS, WaveBank

RAMP_S = 0.005
"""How long a change of loudness or place takes."""

FLOOR = 2e-5
"""A row that has fallen below this, relative to its beginning, has ended (−94 dB)."""

_LOG_FLOOR = math.log(FLOOR)
_LOG_1000 = math.log(1000.0)
_CHUNK = 65536
"""Samples, over all rows, that are worked on at a time: what fits near the processor."""
_STRETCH = 64
"""Samples in a stretch; a block that is shorter than four is one stretch."""
_UNITS = 2.0**32
"""Units of a phase in a cycle, where a sample is read."""
_WORK = (np.uint32, np.uint32, np.intp, np.float32, np.float32)
_BELOW = np.uint32(STEPS - 1)
_TO_PLACE = np.uint32(STEPS.bit_length() - 1)


def _slope(t60_s: float, sample_rate: int) -> float:
    return 0.0 if math.isinf(t60_s) else -_LOG_1000 / (max(t60_s, 1e-3) * sample_rate)


class Row:
    """Points at a row for as long as it sounds."""

    __slots__ = ("at",)

    def __init__(self, at: int) -> None:
        self.at = at  # where the row stands now (it moves when others end); −1 once it has ended


class Oscillators:
    """The rows that sound, and their mix."""

    def __init__(self, sample_rate: int, bank: WaveBank) -> None:
        self.sample_rate = sample_rate
        self.bank = bank
        self.count = 0
        self._rows: list[Row] = []
        self._ramp = max(1, round(RAMP_S * sample_rate))
        self._ramp_left = 0
        self._grow(16)
        self._index = np.arange(_CHUNK, dtype=np.float64)
        self._index32 = self._index.astype(np.float32)
        self._kept: list[NDArray[Any]] = [np.zeros(2 * _CHUNK, kind) for kind in _WORK]

    def _grow(self, room: int) -> None:
        old = self.count
        sizes: tuple[tuple[str, type, tuple[int, ...]], ...] = (
            ("_phase", np.float64, ()),
            ("_step", np.float64, ()),
            ("_place", np.uint32, ()),
            ("_level", np.float64, ()),
            ("_slope", np.float64, ()),
            ("_age", np.float64, ()),
            ("_attack", np.float64, ()),
            ("_gain", np.float64, (2,)),
            ("_target", np.float64, (2,)),
        )
        for name, kind, shape in sizes:
            array: NDArray[Any] = np.zeros((room, *shape), dtype=kind)
            if old:
                array[:old] = getattr(self, name)[:old]
            setattr(self, name, array)
        self._room = room

    _phase: NDArray[np.float64]
    _step: NDArray[np.float64]
    _place: NDArray[np.uint32]
    _level: NDArray[np.float64]
    _slope: NDArray[np.float64]
    _age: NDArray[np.float64]
    _attack: NDArray[np.float64]
    _gain: NDArray[np.float64]
    _target: NDArray[np.float64]

    def add(self, place: int, step: float, gain: tuple[float, float], attack_s: float, t60_s: float) -> Row:
        """Start a row at phase 0: a cycle of the bank by its place, at `step` cycles a sample, 0 to 0.5.

        Gains are left and right; it rises in `attack_s` and falls by 60 dB in `t60_s`, infinite for a held
        tone.
        """
        if self.count == self._room:
            self._grow(2 * self._room)
        at = self.count
        self.count += 1
        self._phase[at] = 0.0
        self._place[at] = place
        self._step[at] = step
        self._level[at] = 0.0
        self._slope[at] = _slope(t60_s, self.sample_rate)
        self._age[at] = 0.0
        self._attack[at] = max(1.0, attack_s * self.sample_rate)
        self._gain[at] = gain
        self._target[at] = gain
        row = Row(at)
        self._rows.append(row)
        return row

    def tune(self, row: Row, step: float, place: int) -> None:
        """Give a row another pitch (and the cycle that suits it) from here on; its phase goes on."""
        self._step[row.at] = step
        self._place[row.at] = place

    def fade(self, row: Row, t60_s: float) -> None:
        """Let a row fall by 60 dB in `t60_s` from here on, unless it falls faster already."""
        self._slope[row.at] = min(self._slope[row.at], _slope(t60_s, self.sample_rate))

    def discard_unheard(self, row: Row) -> bool:
        """Take a row back of which no sample has been made; False where one has."""
        at, last = row.at, self.count - 1
        if self._age[at] > 0.0:
            return False
        for array in self._arrays():
            array[at] = array[last]
        self._rows[at] = self._rows[last]
        self._rows[at].at = at
        self._rows.pop()
        self.count = last
        row.at = -1
        return True

    def _arrays(self) -> tuple[NDArray[Any], ...]:
        return (
            self._phase, self._step, self._place, self._level, self._slope,
            self._age, self._attack, self._gain, self._target,
        )  # fmt: skip

    def set_gain(self, row: Row, gain: tuple[float, float]) -> None:
        """Bring a row to another loudness or place, without a click."""
        self._target[row.at] = gain
        self._ramp_left = self._ramp

    def start_ramp(self) -> None:
        """Begin a change of loudness for others who follow `ramp_left`."""
        self._ramp_left = self._ramp

    @property
    def ramp_left(self) -> int:
        """Samples until the last change of loudness is complete."""
        return self._ramp_left

    def drop_silent(self) -> list[Row]:
        """Remove the rows that have ended, and return them."""
        if not self.count:
            return []
        alive = self._level[: self.count] > _LOG_FLOOR
        if alive.all():
            return []
        ended = [row for row, lives in zip(self._rows, alive, strict=True) if not lives]
        self._rows = [row for row, lives in zip(self._rows, alive, strict=True) if lives]
        left = len(self._rows)
        for array in self._arrays():
            array[:left] = array[: self.count][alive]
        self.count = left
        for at, row in enumerate(self._rows):
            row.at = at
        for row in ended:
            row.at = -1
        return ended

    def render(self, out: NDArray[np.float32]) -> None:
        """Add the next samples of all rows to `out`, shape (2, frames): left and right."""
        frames = out.shape[1]
        done = 0
        while done < frames:
            size = min(frames - done, len(self._index))
            if self.count:
                size = min(size, max(4 * _STRETCH, _CHUNK // self.count))
            if self._ramp_left:
                size = min(size, self._ramp_left)
            self._chunk(out[:, done : done + size])
            done += size

    def _chunk(self, out: NDArray[np.float32]) -> None:
        frames = out.shape[1]
        rows = self.count
        if rows:
            length = _STRETCH if frames >= 4 * _STRETCH else frames
            count = -(-frames // length)
            starts, within = self._index[: count * length : length], self._index[:length]
            values = self._tones(starts, within)
            level = self._loudness(values, starts, within)
            gain = self._gain[:rows]
            # einsum adds in one order, in this thread; a matrix product might use others.
            loud = gain.T.astype(np.float32)[:, :, None] * level
            out += np.einsum("sra,rab->sab", loud, values).reshape(2, -1)[:, :frames]
            if self._ramp_left:
                change = (self._target[:rows] - gain) * (frames / self._ramp_left)
                values *= level[:, :, None]
                line = self._index32[: count * length].reshape(count, length) / np.float32(frames)
                out += np.einsum("rs,rab,ab->sab", change.astype(np.float32), values, line).reshape(2, -1)[
                    :, :frames
                ]
                gain += change
            self._carry_on(frames)
        self._ramp_left -= min(frames, self._ramp_left)
        if not self._ramp_left:
            self._gain[:rows] = self._target[:rows]

    def _work(self, shape: tuple[int, ...]) -> list[NDArray[Any]]:
        """Return arrays to work in, kept from block to block: asking for memory costs more than the arithmetic."""
        size = math.prod(shape)
        if size > len(self._kept[0]):
            self._kept = [np.zeros(size, kind) for kind in _WORK]
        return [array[:size].reshape(shape) for array in self._kept]

    def _tones(self, starts: NDArray[np.float64], within: NDArray[np.float64]) -> NDArray[np.float32]:
        """Read the cycles: an array (rows, stretches, samples in a stretch)."""
        step = self._step[: self.count, None] * _UNITS
        first = step * starts
        first += self._phase[: self.count, None] * _UNITS
        at, place, where, values, rises = self._work((self.count, len(starts), len(within)))
        # By way of whole numbers of 64 bits, as what goes beyond 32 is to wrap.
        starting, beyond = (each.astype(np.int64).astype(np.uint32) for each in (first, step * within))
        np.add(starting[:, :, None], beyond[:, None, :], out=at)
        np.right_shift(at, _TO_PLACE, out=place)
        place += self._place[: self.count, None, None]
        where[...] = place
        at &= _BELOW
        values[...] = at.view(np.int32)
        self.bank.rises.take(where, out=rises, mode="wrap")
        values *= rises
        self.bank.samples.take(where, out=rises, mode="wrap")
        values += rises
        return values

    def _loudness(
        self, values: NDArray[np.float32], starts: NDArray[np.float64], within: NDArray[np.float64]
    ) -> NDArray[np.float32]:
        """Multiply samples by their envelope but for the level at which each stretch begins, which is returned."""
        slope = self._slope[: self.count, None]
        if slope.any():
            values *= np.exp(slope * within).astype(np.float32)[:, None, :]
        age, attack = self._age[: self.count], self._attack[: self.count]
        rising = np.flatnonzero(age < attack)
        if len(rising):
            part = age[rising, None, None] + starts[:, None] + within
            part /= attack[rising, None, None]
            np.minimum(part, 1.0, out=part)
            values[rising] *= (part * part * (3.0 - 2.0 * part)).astype(np.float32)
        return np.exp(self._level[: self.count, None] + slope * starts).astype(np.float32)

    def _carry_on(self, frames: int) -> None:
        rows = self.count
        phase, step = self._phase[:rows], self._step[:rows]
        phase += step * frames
        phase -= np.floor(phase)
        self._level[:rows] += self._slope[:rows] * frames
        self._age[:rows] += frames
