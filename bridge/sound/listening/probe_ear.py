"""Hears how far a held note has moved: short stretches of sound, each compared with the first.

A synth that is examined may play any sound, so nothing is assumed of it but that it is steady: the sinusoids of a
stretch are found (`bridge.sound.analysis.spectrum`), measured by the phase that they gain, and matched with those of
the first stretch. The shift on which most of the sound agrees is the note's. Whether the pitch stands still is
measured as well.

Conventions: samples float64, full scale 1, shape ``(n,)``; cents.

Threads: one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from bridge.errors import PortProblem
from bridge.sound.analysis.ceiling import clipped_at
from bridge.sound.analysis.spectrum import Floats, Peaks, hann, peaks, spectrum

SILENT_RMS = 3e-5
"""Ninety decibels below full scale: nothing to hear."""
ABOVE_ROOM = 4.0
"""So many times a sinusoid must stand above what the room has at its place."""
WAVERS_CENTS = 3.0
"""Farther apart than this two halves of a stretch make no steady note."""
FARTHEST_CENTS = 1350.0
MATCH_CENTS = 8.0
AGREEMENT = 0.4
_MOST = 8
_TOP_HZ = 6000.0
_ROOM_S = 0.4
_LEARN_S = 1.5
_LOOK_S = 0.02

WAVERS = "the pitch wavers"
SILENT = "nothing was heard"
CLIPPED = "the sound was clipped"
OTHER = "what was heard is another sound"


@dataclass(frozen=True, eq=False)
class Tone:
    """The strongest sinusoids of a stretch of sound, by rising frequency."""

    # Of each sinusoid; shape (n,).
    hz: Floats
    amplitude: Floats
    trouble: str = ""  # why its pitch must not be trusted; empty if it may


def tone_of(samples: Floats, sample_rate: float, room: Peaks | None = None) -> Tone:
    """Return the sinusoids of a stretch, without those that the room has anyway."""
    empty = np.zeros(0)
    if samples.size == 0 or float(np.sqrt(np.mean(samples**2))) < SILENT_RMS:
        return Tone(empty, empty, SILENT)
    if clipped_at(samples).size:
        return Tone(empty, empty, CLIPPED)
    found = peaks(spectrum(samples, sample_rate, _TOP_HZ), low_hz=50.0, most=3 * _MOST)
    if room is not None and len(room) and len(found):
        near = np.abs(found.hz[:, None] - room.hz[None, :]) < found.width_hz + room.width_hz
        hidden = np.any(near & (found.amplitude[:, None] < ABOVE_ROOM * room.amplitude[None, :]), axis=1)
        found = found.pick(~hidden)
    if not len(found):
        return Tone(empty, empty, SILENT)
    strongest = np.sort(np.argsort(found.amplitude)[-_MOST:])
    found = found.pick(strongest)
    hz, unsteady_cents = _by_phase(samples, sample_rate, found.hz)
    wavers = float(unsteady_cents[int(np.argmax(found.amplitude))]) > WAVERS_CENTS
    return Tone(hz, found.amplitude, WAVERS if wavers else "")


def _by_phase(samples: Floats, sample_rate: float, near_hz: Floats) -> tuple[Floats, Floats]:
    """Measure sinusoids by the phase gained from the first half to the second; return hertz, and cents between
    halves.
    """
    quarter = samples.size // 4
    window = hann(2 * quarter)
    at_s = np.arange(4 * quarter) / sample_rate
    turned = samples[: 4 * quarter] * np.exp(-2j * np.pi * near_hz[:, None] * at_s)
    parts = [np.sum(turned[:, k * quarter : (k + 2) * quarter] * window, axis=1) for k in range(3)]
    step_s = quarter / sample_rate
    early = np.angle(parts[1] * np.conj(parts[0])) / (2 * np.pi * step_s)
    late = np.angle(parts[2] * np.conj(parts[1])) / (2 * np.pi * step_s)
    hz = near_hz + 0.5 * (early + late)
    unsteady = np.abs(late - early) / np.maximum(hz, 1.0) * (1200 / np.log(2))
    return np.asarray(hz, dtype=np.float64), np.asarray(unsteady, dtype=np.float64)


def shift_cents(first: Tone, other: Tone) -> float | None:
    """Return how far one tone lies above another; None where no shift makes most of them agree."""
    if not first.hz.size or not other.hz.size:
        return None
    between = 1200 * np.log2(other.hz[None, :] / first.hz[:, None])
    weight_first = first.amplitude / first.amplitude.sum()
    weight_other = other.amplitude / other.amplitude.sum()
    shared = np.minimum(weight_first[:, None], weight_other[None, :])
    best, best_score = None, 0.0
    candidates = between[np.abs(between) <= FARTHEST_CENTS]
    for candidate in candidates[np.argsort(np.abs(candidates), kind="stable")]:
        close = np.abs(between - candidate) <= MATCH_CENTS
        score = float(np.sum(close * shared))
        if score > best_score + 0.02:
            best, best_score = float(candidate), score
    if best is None or best_score < AGREEMENT:
        return None
    close = np.abs(between - best) <= MATCH_CENTS
    weight = close * np.sqrt(weight_first[:, None] * weight_other[None, :])
    return float(np.sum(weight * between) / np.sum(weight))


class Source(Protocol):
    """Where sound comes from, as `bridge.sound.device.microphone.Microphone`."""

    sample_rate: int

    def read(self, limit_s: float = ...) -> Floats:
        """Return what has come since the last time."""


class Ear:
    """Takes stretches of sound from an open source."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._room: Peaks | None = None
        self._room_rms = 0.0
        self._note_rms = 0.0
        # After `learn`: how long after something is sent it begins to be heard, and until a struck
        # note is there.
        self.began_s = 0.0
        self.full_s = 0.0

    def take(self, delay_s: float, length_s: float) -> Floats:
        """Return a stretch that begins `delay_s` from now."""
        rate = self._source.sample_rate
        self._source.read(0.0)  # what has come until now
        skip, wanted = round(delay_s * rate), round(length_s * rate)
        blocks: list[Floats] = []
        got = 0
        while got < skip + wanted:
            block = self._source.read(_LOOK_S)
            blocks.append(block)
            got += block.size
        return np.concatenate(blocks)[skip : skip + wanted] if blocks else np.zeros(0)

    def skip(self, seconds: float) -> None:
        """Let so much sound go by."""
        self.take(seconds, 0.0)

    def hear(self, struck: bool, length_s: float, extra_s: float = 0.0) -> Tone:
        """Return the tone after something was sent a moment ago: a struck note, or a message to a sounding one."""
        delay_s = (self.full_s if struck else self.began_s) + extra_s
        return tone_of(self.take(delay_s, length_s), self._source.sample_rate, self._room)

    def room(self) -> None:
        """Learn what sounds anyway; PortProblem if it is as loud as a note."""
        sound = self.take(0.0, _ROOM_S)
        self._room_rms = _rms(sound)
        if self._room_rms > 0.1:
            raise PortProblem(
                "there is sound already before anything is played", "let it end, then start again"
            )
        if self._room_rms > SILENT_RMS:
            self._room = peaks(spectrum(sound, self._source.sample_rate, _TOP_HZ), low_hz=50.0)

    def learn(self) -> bool:
        """Learn how long a note takes to be heard; call it right after striking one. Tell whether it was heard."""
        rate = self._source.sample_rate
        sound = self.take(0.0, _LEARN_S)
        size = max(1, rate // 100)
        blocks = sound[: sound.size // size * size].reshape(-1, size)
        levels = np.sqrt(np.mean(blocks**2, axis=1))
        top = float(levels.max())
        if top < max(ABOVE_ROOM * self._room_rms, SILENT_RMS):
            return False
        step_s = size / rate
        self.began_s = (int(np.argmax(levels > max(0.1 * top, 2 * self._room_rms))) + 1) * step_s + 0.05
        self.full_s = (int(np.argmax(levels > 0.5 * top)) + 1) * step_s + 0.08
        self._note_rms = float(levels[round(self.full_s / step_s) :].max(initial=0.0)) or top
        return True

    def heard(self) -> bool:
        """Tell whether something that was struck a moment ago is heard at all, be it ever so short."""
        sound = self.take(0.0, self.full_s + 0.1)
        size = self._source.sample_rate // 50
        blocks = sound[: sound.size // size * size].reshape(-1, size)
        loudest = float(np.sqrt(np.mean(blocks**2, axis=1)).max(initial=0.0))
        return loudest > max(ABOVE_ROOM * self._room_rms, 0.03 * self._note_rms, SILENT_RMS)

    def quiet(self, limit_s: float = 2.0) -> bool:
        """Wait until the last note has died away; tell whether it has."""
        passed_s = 0.0
        while passed_s < limit_s:
            level = _rms(self.take(0.0, 0.05))
            passed_s += 0.05
            if level < max(2.0 * self._room_rms, 0.05 * self._note_rms):
                return True
        return False


def _rms(samples: Floats) -> float:
    return float(np.sqrt(np.mean(samples**2))) if samples.size else 0.0
