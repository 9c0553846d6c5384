"""What was still sounding before a pluck, followed and taken out of what comes after.

Strings that ring on are sums of damped sinusoids. Every peak in the spectrum before the pluck is followed there
(frequency, decay, phase), carried on past it, and subtracted. Whether they really ring on is checked: a hand may
have stopped them.

Conventions: samples float64 of shape ``(n,)``; frequencies in Hz; amplitudes full scale 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.sound.analysis.blocks import Blocks, demodulate, synthesize
from bridge.sound.analysis.lines import Lines, fit_lines
from bridge.sound.analysis.spectrum import Floats, peaks, spectrum

#: At least so much sound before a pluck is needed to follow what rings.
LEAST_S = 0.12
#: At most so many tones are followed.
MOST_TONES = 40


@dataclass(frozen=True, eq=False)
class Tones:
    """Damped sinusoids as they stand at one moment."""

    # Frequency, nepers a second, and amplitude and phase at the moment; shape (tones,).
    hz: Floats
    decay_rate: Floats
    amplitude: Floats
    phase: Floats

    def __len__(self) -> int:
        return int(self.hz.size)

    def pick(self, keep: NDArray[np.bool_]) -> Tones:
        return Tones(self.hz[keep], self.decay_rate[keep], self.amplitude[keep], self.phase[keep])

    def and_also(self, more: Tones) -> Tones:
        """These tones and more, as at the same moment."""
        return Tones(
            np.concatenate([self.hz, more.hz]),
            np.concatenate([self.decay_rate, more.decay_rate]),
            np.concatenate([self.amplitude, more.amplitude]),
            np.concatenate([self.phase, more.phase]),
        )

    def later(self, seconds: float) -> Tones:
        """The same tones `seconds` later."""
        return Tones(
            self.hz,
            self.decay_rate,
            self.amplitude * np.exp(-self.decay_rate * seconds),
            self.phase + 2 * np.pi * self.hz * seconds,
        )


NO_TONES = Tones(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0))


def follow_tones(before: Floats, sample_rate: float) -> Tones:
    """Find the damped sinusoids in the stretch before a pluck (shape (n,)), as they stand at its end.

    Empty where the stretch is too short or nothing rings.
    """
    seconds = before.size / sample_rate
    if seconds < LEAST_S or not np.any(before):
        return NO_TONES
    found = peaks(
        spectrum(before, sample_rate, top_hz=6000.0), above_floor_db=16.0, range_db=55.0, most=MOST_TONES
    )
    if len(found) == 0:
        return NO_TONES
    hz, decay, lines, blocks = _damped(before, sample_rate, found.hz)
    # The smooth envelope's last block tells better than the exponential where a tone stands at the end.
    middle = float(blocks.t[-1])
    amplitude = lines.amplitude[-1] * np.exp(-decay * (seconds - middle))
    phase = lines.phase + 2 * np.pi * hz * seconds
    keep = np.isfinite(hz) & (amplitude > 0) & (np.abs(hz - found.hz) < 2.0 * found.width_hz)
    return Tones(hz, decay, amplitude, phase).pick(keep)


def follow_on(after: Floats, sample_rate: float, tones: Tones) -> Tones:
    """The same tones as they really went on after the pluck, as they stand at the stretch's start.

    `after` is without the new string, shape (n,). Tones that cannot be followed stay as they were carried on.
    """
    seconds = after.size / sample_rate
    if seconds < LEAST_S or len(tones) == 0:
        return tones
    hz, decay, lines, _ = _damped(after, sample_rate, tones.hz)
    amplitude = np.exp(lines.log_amplitude)
    width = 2.0 / seconds
    # No tone grows by itself; one that seems to is another string's.
    held = np.isfinite(hz) & np.isfinite(amplitude) & (np.abs(hz - tones.hz) < 2.0 * width)
    held &= amplitude < 1.5 * tones.amplitude
    return Tones(
        np.where(held, hz, tones.hz),
        np.where(held, decay, tones.decay_rate),
        np.where(held, amplitude, tones.amplitude),
        np.where(held, lines.phase, tones.phase),
    )


def _damped(sound: Floats, sample_rate: float, hz: Floats) -> tuple[Floats, Floats, Lines, Blocks]:
    """Follow damped sinusoids near `hz`: their frequencies, decays, and lines and blocks of the last pass."""
    seconds = sound.size / sample_rate
    # Blocks as long as tell neighbouring tones apart, but at least four in the stretch.
    gap = float(np.min(np.diff(np.sort(hz)), initial=200.0))
    length = round(np.clip(4.0 / max(gap, 1.0), 0.03, min(0.2, seconds / 2.5)) * sample_rate)
    none = np.zeros(hz.size)  # tones of several strings share no drift
    blocks = demodulate(sound, sample_rate, hz, length)
    lines = fit_lines(blocks, none, None, 0.0)
    for _ in range(2):
        hz = hz + np.clip(lines.slope / (2 * np.pi), -2.0 / seconds, 2.0 / seconds)
        decay = np.clip(lines.decay, 0.0, 60.0)
        start = np.exp(lines.log_amplitude) * np.exp(1j * lines.phase)
        left = sound - synthesize(sound.size, sample_rate, -decay + 2j * np.pi * hz, start, length)
        blocks = demodulate(left, sample_rate, hz, length)
        own = start * np.exp(-decay * blocks.t[:, None])
        lines = fit_lines(Blocks(blocks.t, blocks.y + own, length, blocks.hop_s), none, lines, 0.0)
    hz = hz + lines.slope / (2 * np.pi)
    return hz, np.clip(lines.decay, 0.0, 60.0), lines, blocks


def ring_on(tones: Tones, size: int, sample_rate: float) -> Floats:
    """Sound of the tones from their moment on, shape ``(size,)``."""
    if len(tones) == 0:
        return np.zeros(size)
    start = tones.amplitude * np.exp(1j * tones.phase)
    return synthesize(size, sample_rate, -tones.decay_rate + 2j * np.pi * tones.hz, start, 0)


def still_ringing(after: Floats, sample_rate: float, tones: Tones, taken: Floats) -> NDArray[np.bool_]:
    """Which tones go on in the stretch after the pluck, as far as can be told.

    A tone that stands clear of the new string's partials (`taken`, in Hz) is looked for where it should be; one that
    hides under a partial is believed to go on if most of the others do.

    Returns
    -------
    ndarray of bool, shape (tones,)
    """
    if len(tones) == 0:
        return np.zeros(0, dtype=bool)
    look = after[: round(0.4 * sample_rate)]
    width = 2.0 * sample_rate / max(look.size, 1)
    clear = (
        np.all(np.abs(tones.hz[:, None] - taken) > 1.5 * width, axis=1)
        if taken.size
        else np.ones(len(tones), bool)
    )
    if look.size < 0.08 * sample_rate:
        return np.ones(len(tones), dtype=bool)
    seen = demodulate(look, sample_rate, tones.hz, look.size).y[0]
    expected = tones.later(look.size / sample_rate / 2).amplitude
    goes_on = np.abs(seen) > 0.5 * expected
    if not clear.any():
        return np.ones(len(tones), dtype=bool)
    most = bool(np.sum(expected[clear & goes_on]) > 0.5 * np.sum(expected[clear]))
    return np.where(clear, goes_on, most)
