"""The sounds of an exercise: steady or plucked, all equally loud and equally long, so that neither tells anything.

The built-in tone generator plays the notes. A note that begins a part of its cycle later (never more than one cycle)
has another phase, so a beat begins anywhere. Then the whole is made a little brighter or duller as the trial asks, gets
its fades, and the same root mean square over all of it, whatever its notes do to each other.

Conventions: samples float64, mono, full scale 1; cents and phases as in `bridge.ear.trials`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from bridge.ear.asked import LEAST_S, MOST_S, check_timbre
from bridge.ear.trials import Played
from bridge.errors import ValueProblem
from bridge.sound.generator.synth import Generator
from bridge.tuning.notes import hz_to_key
from bridge.wire.bend import CENTRE, bend_message, bend_value
from bridge.wire.rpn import bend_range

Floats = NDArray[np.float64]

TIMBRES = {"steady": 19, "plucked": 25}
"""MIDI programs (from 0): a church organ, a steel guitar. The General MIDI names stand for any such sound."""

LOUD = 0.09
"""Root mean square of a steady sound at full level, full scale being 1: that of one note of the tone generator."""

PLUCKED = 0.45
"""A plucked second is so much softer on the whole: most of it is loud in its beginning alone."""

BEND_SEMITONES = 2
VELOCITY = 90

_IN_S = {"steady": 0.05, "plucked": 0.004}
_OUT_S = 0.12
_COLOUR_FROM_HZ, _COLOUR_OCTAVES = 400.0, 3.0


def trial_sound(played: Played, timbre: str, seconds: float, sample_rate: int, level: float = 1.0) -> Floats:
    """Return one sound of a trial.

    Parameters
    ----------
    timbre : str
        One of `TIMBRES`.
    seconds : float
        `LEAST_S` to `MOST_S`; exactly so long it is.
    level : float
        0 to 1; its root mean square is `loudness` times that.

    Returns
    -------
    ndarray, shape (n,)
    """
    check_timbre(timbre)
    if not LEAST_S <= seconds <= MOST_S:
        raise ValueProblem(f"a sound of {seconds:g} seconds", f"{LEAST_S:g} to {MOST_S:g} seconds")
    frames = round(seconds * sample_rate)
    generator = Generator(sample_rate)
    # A cycle ahead: by then every note has begun.
    lead = math.ceil(sample_rate / min(played.hz)) if timbre == "steady" else 0
    for channel, (hz, phase) in enumerate(zip(played.hz, played.phases, strict=True), 1):
        generator.feed(b"".join(prepare(channel, timbre)), 0)
        generator.feed(b"".join(strike(channel, hz)), round(phase / hz * sample_rate))
    sound = np.asarray(generator.block(lead + frames)[lead:, 0], dtype=np.float64)
    sound = _coloured(sound, played.colour_db, sample_rate)
    sound *= _fades(frames, _IN_S[timbre], sample_rate)
    sound *= level * loudness(timbre, seconds) / math.sqrt(float(np.mean(sound**2)))
    return sound


def loudness(timbre: str, seconds: float) -> float:
    """Return the root mean square that all sounds of a timbre and length have at full level."""
    return LOUD if timbre == "steady" else LOUD * PLUCKED / math.sqrt(seconds)


def _coloured(sound: Floats, db: float, sample_rate: int) -> Floats:
    """Make a sound brighter by so many dB an octave, around 400 Hz and within three octaves of it."""
    size = 1 << (2 * sound.size - 1).bit_length()
    spectrum = np.fft.rfft(sound, size)
    hz = np.fft.rfftfreq(size, 1 / sample_rate)
    octaves = np.clip(np.log2(np.maximum(hz, 1.0) / _COLOUR_FROM_HZ), -_COLOUR_OCTAVES, _COLOUR_OCTAVES)
    return np.asarray(np.fft.irfft(spectrum * 10 ** (db * octaves / 20), size)[: sound.size])


def _fades(frames: int, in_s: float, sample_rate: int) -> Floats:
    line = np.ones(frames)
    up, down = round(in_s * sample_rate), round(_OUT_S * sample_rate)
    line[:up] = 0.5 - 0.5 * np.cos(np.pi * np.arange(up) / up)
    line[frames - down :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(down) / down)
    return line


# -- the same notes as MIDI, for a synth


def prepare(channel: int, timbre: str) -> list[bytes]:
    """Return what a channel is told before its first note: its sound, and a bend range of two semitones."""
    return [bytes((0xC0 | channel - 1, TIMBRES[timbre])), *bend_range(channel, BEND_SEMITONES)]


def strike(channel: int, hz: float, velocity: int = VELOCITY) -> list[bytes]:
    """Return the messages that begin a note of any frequency, bent from the nearest key."""
    key = nearest_key(hz)
    return [bend(channel, hz, key), bytes((0x90 | channel - 1, key, velocity))]


def bend(channel: int, hz: float, key: int) -> bytes:
    """Return the message that brings a key's note to a frequency, within 0.02 cents."""
    return bend_message(channel, bend_value(100 * (hz_to_key(hz) - key), BEND_SEMITONES)[0])


def release(channels: Sequence[int]) -> list[bytes]:
    """Return what ends everything on channels, and sets their bends back."""
    return [
        message
        for channel in channels
        for message in (
            bytes((0xB0 | channel - 1, 123, 0)),
            bytes((0xB0 | channel - 1, 120, 0)),
            bend_message(channel, CENTRE),
            bytes((0xB0 | channel - 1, 11, 127)),
        )
    ]


def nearest_key(hz: float) -> int:
    """Return the MIDI key that is nearest to a frequency."""
    return min(max(round(float(hz_to_key(hz))), 0), 127)
