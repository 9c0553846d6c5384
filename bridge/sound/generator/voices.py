"""The voices: which partials a tone has, how they decay, and which voice a MIDI program number picks.

A voice is one or more *layers* that sound together at the same pitch: a plucked string is a mellow layer that
rings on and a bright one that dies away, a held organ pipe is one layer. All are plain additive tones without
chorus, vibrato, tremolo or detuning, so that the only beats to be heard are those of the tuning. Partials are
strong up to about the eighth, because it is the fourth, fifth and sixth that beat in thirds, fifths and sixths.

Conventions: amplitudes are relative (each layer is brought to unit loudness before its `gain`); decay and release are
times to fall by 60 dB, in seconds, the decay at middle C; MIDI programs are 0 to 127 as on the wire, in the families
of General MIDI.

Index: `Layer`, `Voice`, `voice_for`, `layer_amplitudes`, `decay_s`, `velocity_gain`.

Source: names and order of the families: *General MIDI System Level 1* (MIDI Manufacturers Association). Strengths
and times are our own choice, by ear and by the physics of a string plucked at a point (partial n in proportion to
sin(n·pi·point)).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from bridge.sound.generator.wavetables import MAX_PARTIALS, partial_count

Shape = Callable[[NDArray[np.float64]], NDArray[np.float64]]
"""From partial numbers (1, 2, 3, …) to relative amplitudes."""

MIDDLE_C_HZ = 440.0 * 2.0 ** (-9 / 12)


@dataclass(frozen=True, eq=False)
class Layer:
    """One part of a voice."""

    name: str  # unique among all layers
    shape: Shape  # relative amplitudes of the partials
    gain: float = 1.0  # share of the voice's loudness
    t60_s: float = math.inf  # decay by 60 dB while the key is held, at middle C; infinite for a held tone
    # Rise, and fall by 60 dB once the note is let go.
    attack_s: float = 0.02
    release_s: float = 0.25
    # Loudness goes with velocity to this power: brighter layers have a higher one.
    velocity_power: float = 1.4
    soft_hz: float = 3500.0  # partials well above this are weakened, as by the body of an instrument


@dataclass(frozen=True, eq=False)
class Voice:
    """What a program sounds like: its layers, and whether it holds as long as the key."""

    name: str
    layers: tuple[Layer, ...]


def _slope(power: float) -> Shape:
    def shape(n: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(n**-power)

    return shape


def _drawbars(*strengths: float) -> Shape:
    """Given strengths for the first partials, then a fall with the square of the number."""
    known = np.asarray(strengths, dtype=np.float64)

    def shape(n: NDArray[np.float64]) -> NDArray[np.float64]:
        beyond: NDArray[np.float64] = known[-1] * (len(known) / n) ** 2
        beyond[: len(known)] = known[: len(n)]
        return beyond

    return shape


def _pluck(point: float, power: float, above: float = 0.0) -> Shape:
    """A string plucked at `point` of its length; partials up to about number `above` left to another layer."""

    def shape(n: NDArray[np.float64]) -> NDArray[np.float64]:
        amplitudes: NDArray[np.float64] = np.abs(np.sin(np.pi * point * n)) * n**-power
        return amplitudes * (n / (n + above))

    return shape


def _odd(power: float, even: float) -> Shape:
    """Strong odd partials, as of a closed pipe; even ones by the factor `even`."""

    def shape(n: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(n**-power * np.where(n % 2 == 1, 1.0, even))

    return shape


# A pluck at 0.13 of the string has its first dead partial between the seventh and eighth: none is silenced that beats.
_PLUCK_POINT = 0.13

_GUITAR = Voice(
    "guitar",
    (
        Layer("guitar body", _pluck(_PLUCK_POINT, 1.9), 0.85, t60_s=7.0, attack_s=0.003, release_s=0.35),
        Layer(
            "guitar edge",
            _pluck(_PLUCK_POINT, 1.1, above=2.0),
            0.5,
            t60_s=1.8,
            attack_s=0.002,
            release_s=0.2,
            velocity_power=2.0,
            soft_hz=4500.0,
        ),
    ),
)
_PIANO = Voice(
    "struck string",
    (
        Layer("struck body", _pluck(_PLUCK_POINT, 1.8), 0.85, t60_s=11.0, attack_s=0.003, release_s=0.4),
        Layer(
            "struck edge",
            _pluck(_PLUCK_POINT, 1.1, above=3.0),
            0.45,
            t60_s=2.6,
            attack_s=0.002,
            release_s=0.3,
            velocity_power=2.2,
        ),
    ),
)
_BASS = Voice(
    "bass",
    (
        Layer(
            "bass body",
            _pluck(_PLUCK_POINT, 2.2),
            1.0,
            t60_s=5.0,
            attack_s=0.005,
            release_s=0.2,
            soft_hz=1200.0,
        ),
        Layer(
            "bass edge",
            _pluck(_PLUCK_POINT, 1.5, above=2.0),
            0.3,
            t60_s=0.9,
            attack_s=0.003,
            release_s=0.15,
            velocity_power=2.0,
            soft_hz=2000.0,
        ),
    ),
)
_MALLET = Voice(
    "mallet",
    (
        Layer("mallet body", _slope(2.2), 0.9, t60_s=2.2, attack_s=0.002, release_s=0.8),
        Layer("mallet edge", _drawbars(0.1, 0.2, 0.3, 1.0, 0.3, 0.2), 0.35, t60_s=0.5, attack_s=0.001),
    ),
)
_BELL = Voice(
    "bell",
    (
        Layer(
            "bell body",
            _drawbars(1.0, 0.6, 0.5, 0.5, 0.3, 0.3),
            0.8,
            t60_s=6.0,
            attack_s=0.002,
            release_s=1.5,
        ),
        Layer("bell edge", _slope(0.7), 0.35, t60_s=1.0, attack_s=0.001, release_s=0.5, velocity_power=2.0),
    ),
)
_SHORT = Voice(
    "short pluck",
    (
        Layer("short body", _pluck(_PLUCK_POINT, 1.8), 0.9, t60_s=2.4, attack_s=0.003, release_s=0.3),
        Layer(
            "short edge",
            _pluck(_PLUCK_POINT, 1.1, above=2.0),
            0.4,
            t60_s=0.8,
            attack_s=0.002,
            velocity_power=2.0,
        ),
    ),
)
_ORGAN = Voice(
    "organ",
    (Layer("organ", _drawbars(1.0, 0.8, 0.6, 0.6, 0.4, 0.4, 0.2, 0.3), attack_s=0.03, release_s=0.2),),
)
_STRINGS = Voice("strings", (Layer("strings", _slope(1.15), attack_s=0.08, release_s=0.45, soft_hz=3000.0),))
_CHOIR = Voice(
    "choir", (Layer("choir", _drawbars(1.0, 0.7, 0.5, 0.45, 0.3, 0.25), attack_s=0.12, release_s=0.6),)
)
_BRASS = Voice(
    "brass",
    (
        Layer("brass core", _slope(1.4), 0.9, attack_s=0.04, release_s=0.25),
        Layer(
            "brass edge", _pluck(0.05, 0.8, above=3.0), 0.3, attack_s=0.08, release_s=0.2, velocity_power=2.4
        ),
    ),
)
_REED = Voice("reed", (Layer("reed", _odd(1.1, 0.5), attack_s=0.04, release_s=0.2, soft_hz=2800.0),))
_PIPE = Voice(
    "pipe", (Layer("pipe", _drawbars(1.0, 0.35, 0.25, 0.2, 0.15, 0.12), attack_s=0.06, release_s=0.25),)
)
_LEAD = Voice("lead", (Layer("lead", _slope(1.0), attack_s=0.015, release_s=0.2),))
_PAD = Voice("pad", (Layer("pad", _slope(1.3), attack_s=0.35, release_s=1.6, soft_hz=2500.0),))

_FAMILIES = (
    _PIANO, _MALLET, _ORGAN, _GUITAR, _BASS, _STRINGS, _CHOIR, _BRASS,
    _REED, _PIPE, _LEAD, _PAD, _PAD, _GUITAR, _BELL, _SHORT,
)  # fmt: skip

_EXCEPTIONS = {
    6: _SHORT,  # harpsichord: plucked, no long ring
    7: _SHORT,  # clavinet
    8: _BELL,  # celesta
    9: _BELL,  # glockenspiel
    10: _BELL,  # music box
    11: _BELL,  # vibraphone (without its vibrato)
    14: _BELL,  # tubular bells
    15: _GUITAR,  # dulcimer
    38: _LEAD,  # synth basses hold
    39: _LEAD,
    45: _SHORT,  # pizzicato
    46: _GUITAR,  # harp
    47: _BASS,  # timpani
    48: _STRINGS,  # string ensembles
    49: _STRINGS,
    50: _STRINGS,
    51: _STRINGS,
    55: _SHORT,  # orchestra hit
    105: _SHORT,  # banjo
    106: _SHORT,  # shamisen
    108: _MALLET,  # kalimba
    109: _REED,  # bagpipe
    110: _STRINGS,  # fiddle
    111: _REED,  # shanai
    115: _MALLET,  # wood block
    116: _SHORT,  # drums among the programs
    117: _SHORT,
    118: _SHORT,
    119: _SHORT,
}


def voice_for(program: int) -> Voice:
    """Return the voice of a MIDI program (0 to 127)."""
    return _EXCEPTIONS.get(program) or _FAMILIES[program // 8]


@cache
def _strengths(layer: Layer, bin_key: int) -> NDArray[np.float64]:
    numbers = np.arange(1, MAX_PARTIALS + 1, dtype=np.float64)
    hz = numbers * 440.0 * 2.0 ** ((bin_key - 69) / 12)
    amplitudes = np.array(layer.shape(numbers)) / (1.0 + (hz / layer.soft_hz) ** 2)
    # The loudness of a tone is that of all the partials which it would have with no upper limit, so that leaving
    # some out while it bends does not change the others.
    return np.asarray(amplitudes * (layer.gain * math.sqrt(2.0) / math.sqrt(float(np.sum(amplitudes**2)))))


def layer_amplitudes(layer: Layer, bin_key: int, count: int) -> NDArray[np.float64]:
    """Return the sine amplitudes of the first `count` partials of a layer, at most `wavetables.MAX_PARTIALS`.

    A tone keeps the colour of `bin_key` in equal temperament while it is bent. The root mean square sum of
    all partials is the layer's `gain`.
    """
    return _strengths(layer, bin_key)[:count]


def decay_s(layer: Layer, hz: float) -> float:
    """Return the time in which a layer falls by 60 dB at a pitch: it halves every two octaves upward."""
    return layer.t60_s * math.sqrt(MIDDLE_C_HZ / hz)


def velocity_gain(layer: Layer, velocity: int) -> float:
    """Return the gain for a velocity of 1 to 127."""
    return float((velocity / 127.0) ** layer.velocity_power)


__all__ = [
    "Layer",
    "Voice",
    "decay_s",
    "layer_amplitudes",
    "partial_count",
    "velocity_gain",
    "voice_for",
]
