"""All sounding layers at once: exact phase, envelopes, and the mix to stereo.

A *row* is one layer of one sounding note. The rows live side by side in arrays, so that a block of samples costs
about twenty array operations however many notes sound.

Pitch. A row's phase is a 64-bit float in cycles; within a block it is ``phase + step · i``, and between blocks it
is carried on and wrapped to 0…1. Nothing is rounded to a grid: over an hour the error stays below a millionth of a
cycle. A change of pitch changes `step` and leaves the phase alone, so none, however far, makes a jump.

Loudness. The envelope is exponential: ``exp(level + slope · i)``; a rise in the beginning is a smooth curve of
fixed length. Changes of channel volume, expression and pan are spread over `RAMP_S`.

Conventions: `step` in cycles a sample, below 0.5; gains are pairs (left, right).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bridge.sound.generator.wavetables import CYCLE, WaveBank

RAMP_S = 0.005
"""How long a change of loudness or place takes."""

FLOOR = 2e-5
"""A row that has fallen below this, relative to its beginning, has ended (−94 dB)."""

_LOG_FLOOR = math.log(FLOOR)
_LOG_1000 = math.log(1000.0)
_CHUNK = 16384
"""Samples, over all rows, that are worked on at a time: what fits near the processor."""


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
        self._index = np.arange(4096, dtype=np.float64)
        self._index32 = self._index.astype(np.float32)

    def _grow(self, room: int) -> None:
        old = self.count
        sizes: tuple[tuple[str, type, tuple[int, ...]], ...] = (
            ("_phase", np.float64, ()),
            ("_step", np.float64, ()),
            ("_place", np.int64, ()),
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
    _place: NDArray[np.int64]
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
                size = min(size, max(64, _CHUNK // self.count))
            if self._ramp_left:
                size = min(size, self._ramp_left)
            self._chunk(out[:, done : done + size])
            done += size

    def _chunk(self, out: NDArray[np.float32]) -> None:
        frames = out.shape[1]
        rows = self.count
        if rows:
            values = self._tones(frames)
            values *= self._envelopes(frames)
            gain = self._gain[:rows]
            # einsum adds in one order, in this thread; a matrix product might use others.
            out += np.einsum("rs,rf->sf", gain.astype(np.float32), values)
            if self._ramp_left:
                change = (self._target[:rows] - gain) * (frames / self._ramp_left)
                values *= self._index32[:frames] / np.float32(frames)
                out += np.einsum("rs,rf->sf", change.astype(np.float32), values)
                gain += change
        self._ramp_left -= min(frames, self._ramp_left)
        if not self._ramp_left:
            self._gain[:rows] = self._target[:rows]

    def _tones(self, frames: int) -> NDArray[np.float32]:
        """Read the cycles, and carry the phases on."""
        rows = self.count
        phase = self._phase[:rows]
        step = self._step[:rows]
        at = step[:, None] * self._index[:frames]
        at += phase[:, None]
        at *= CYCLE
        whole = at.astype(np.int64)
        at -= whole
        between = at.astype(np.float32)
        whole &= CYCLE - 1
        whole += self._place[:rows, None]
        samples = self.bank.samples
        values = np.take(samples, whole, mode="clip")
        whole += 1
        following = np.take(samples, whole, mode="clip")
        following -= values
        following *= between
        values += following
        phase += step * frames
        phase -= np.floor(phase)
        return values

    def _envelopes(self, frames: int) -> NDArray[np.float32]:
        """Return the loudness of each row over the block, and carry it on."""
        rows = self.count
        level = self._level[:rows]
        slope = self._slope[:rows]
        index = self._index32[:frames]
        envelope = slope[:, None].astype(np.float32) * index
        envelope += level[:, None].astype(np.float32)
        np.exp(envelope, out=envelope)
        level += slope * frames
        age = self._age[:rows]
        rising = np.flatnonzero(age < self._attack[:rows])
        if len(rising):
            part = age[rising, None] + self._index[:frames]
            part /= self._attack[rising, None]
            np.minimum(part, 1.0, out=part)
            envelope[rising] *= (part * part * (3.0 - 2.0 * part)).astype(np.float32)
        age += frames
        return envelope
