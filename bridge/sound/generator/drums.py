"""A small drum kit, synthesised: thumps, rattles and hisses by key, in the places of the General MIDI kit.

Each drum is computed once, when it is first struck, from fixed noise (the same on every run), and then played as it
is: drums are never retuned, so their pitch is a matter of taste. A struck drum rings out by itself; note-offs
do not concern it. A closed or pedalled hi-hat stops an open one, as on a real kit.

Conventions: a stroke is mono float32 with a peak of 1 or less; `gain` in the rows below makes up for how loud the ear
takes it to be.

Source: places of the drums on the keys: *General MIDI System Level 1*, percussion key map; the sounds are our own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Drum:
    """How a drum is made."""

    # The thump falls from one frequency to the other; 0 for none.
    start_hz: float = 0.0
    hz: float = 0.0
    # Decay by 60 dB of the thump and of the noise.
    thump_s: float = 0.3
    noise: float = 0.0  # loudness of the noise against the thump's 1
    noise_s: float = 0.1
    # Band of the noise.
    low_hz: float = 500.0
    high_hz: float = 8000.0
    gain: float = 0.5  # loudness of the whole


def _tom(hz: float) -> Drum:
    return Drum(1.5 * hz, hz, 0.5, noise=0.08, noise_s=0.08, low_hz=200.0, high_hz=3000.0, gain=0.6)


def _cymbal(seconds: float, gain: float) -> Drum:
    return Drum(noise=1.0, noise_s=seconds, low_hz=3500.0, high_hz=13000.0, gain=gain)


def _block(hz: float, seconds: float) -> Drum:
    return Drum(1.05 * hz, hz, seconds, noise=0.05, noise_s=0.02, gain=0.35)


_SHAKEN = Drum(noise=1.0, noise_s=0.12, low_hz=4000.0, high_hz=12000.0, gain=0.2)
_CLOSED_HAT = Drum(noise=1.0, noise_s=0.09, low_hz=6000.0, high_hz=14000.0, gain=0.3)
_OPEN_HAT = Drum(noise=1.0, noise_s=0.7, low_hz=5500.0, high_hz=14000.0, gain=0.28)
_BASS_DRUM = Drum(140.0, 52.0, 0.35, noise=0.06, noise_s=0.02, low_hz=800.0, high_hz=4000.0, gain=0.9)
_SNARE = Drum(260.0, 185.0, 0.16, noise=0.9, noise_s=0.2, low_hz=1000.0, high_hz=9000.0, gain=0.5)

_KIT: dict[int, Drum] = {
    35: _BASS_DRUM,
    36: _BASS_DRUM,
    37: Drum(900.0, 800.0, 0.04, noise=0.6, noise_s=0.04, low_hz=1500.0, gain=0.4),  # side stick
    38: _SNARE,
    39: Drum(noise=1.0, noise_s=0.18, low_hz=900.0, high_hz=5000.0, gain=0.4),  # hand clap
    40: _SNARE,
    41: _tom(75.0),
    43: _tom(90.0),
    45: _tom(110.0),
    47: _tom(130.0),
    48: _tom(155.0),
    50: _tom(180.0),
    42: _CLOSED_HAT,
    44: _CLOSED_HAT,
    46: _OPEN_HAT,
    49: _cymbal(1.8, 0.35),
    51: _cymbal(1.1, 0.22),
    52: _cymbal(1.4, 0.35),
    53: _cymbal(0.8, 0.25),
    54: _SHAKEN,  # tambourine
    55: _cymbal(0.9, 0.3),
    56: _block(560.0, 0.25),  # cowbell
    57: _cymbal(1.8, 0.35),
    59: _cymbal(1.2, 0.22),
    60: _block(420.0, 0.15),  # bongos, congas, timbales
    61: _block(310.0, 0.18),
    62: _block(300.0, 0.08),
    63: _block(260.0, 0.25),
    64: _block(195.0, 0.3),
    65: _block(380.0, 0.25),
    66: _block(280.0, 0.3),
    67: _block(900.0, 0.2),  # agogos
    68: _block(680.0, 0.2),
    69: _SHAKEN,
    70: _SHAKEN,
    75: _block(2500.0, 0.06),  # claves, wood blocks
    76: _block(1100.0, 0.07),
    77: _block(800.0, 0.08),
    80: _block(2900.0, 0.08),  # triangles
    81: _block(2900.0, 0.9),
    82: _SHAKEN,
}
_OTHER = Drum(400.0, 380.0, 0.05, noise=0.4, noise_s=0.05, gain=0.2)

_HI_HATS = frozenset({42, 44, 46})
_OPEN = 46


def chokes(key: int, sounding: int) -> bool:
    """Tell whether striking the drum on `key` stops the one that sounds on key `sounding`."""
    return key in _HI_HATS and sounding == _OPEN


@lru_cache(maxsize=256)
def stroke(key: int, sample_rate: int) -> NDArray[np.float32]:
    """Return the sound of the drum on a key, read-only, shape (samples,); a key without a drum gives a quiet click.

    It lasts until it has died away (−60 dB), faded to nothing at the end.
    """
    drum = _KIT.get(key, _OTHER)
    thump_s = drum.thump_s if drum.hz else 0.0
    noise_s = drum.noise_s if drum.noise else 0.0
    length = max(int(max(thump_s, noise_s) * sample_rate), 64)
    t = np.arange(length) / sample_rate
    sound = np.zeros(length)
    if drum.hz:
        # The frequency falls exponentially towards `hz`; its integral is the phase.
        settle_s = 0.035
        turns = drum.hz * t + (drum.start_hz - drum.hz) * settle_s * (1.0 - np.exp(-t / settle_s))
        sound += np.sin(2 * np.pi * turns) * np.exp(-math.log(1000.0) * t / thump_s)
    if drum.noise:
        noise = _noise(key, length, sample_rate, drum.low_hz, drum.high_hz)
        sound += drum.noise * noise * np.exp(-math.log(1000.0) * t / noise_s)
    attack = min(length, max(2, int(0.0007 * sample_rate)))
    sound[:attack] *= np.arange(attack) / attack
    fade = min(length, max(2, int(0.005 * sample_rate)))
    sound[-fade:] *= np.arange(fade - 1, -1, -1) / fade
    sound *= drum.gain / max(1.0, float(np.max(np.abs(sound))))
    result = sound.astype(np.float32)
    result.setflags(write=False)
    return result


def _noise(key: int, length: int, sample_rate: int, low_hz: float, high_hz: float) -> NDArray[np.float64]:
    """Return noise between two frequencies, with a peak of 1."""
    spectrum = np.fft.rfft(np.random.default_rng(key).standard_normal(length))
    hz = np.fft.rfftfreq(length, 1 / sample_rate)
    spectrum *= 1.0 / (1.0 + (low_hz / np.maximum(hz, 1.0)) ** 6) / (1.0 + (hz / high_hz) ** 6)
    sound = np.fft.irfft(spectrum, length)
    return np.asarray(sound / max(float(np.max(np.abs(sound))), 1e-9))
