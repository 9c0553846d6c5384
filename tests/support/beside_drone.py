"""A voice beside the drone that comes back from a loudspeaker: known notes, unknown level, room, delay and clock.

The room is a direct sound and noise that dies away by 60 dB in 0.4 s (the usual model of late reverberation: J. A.
Moorer, "About this reverberation business", Computer Music Journal 3, 1979).
"""

from __future__ import annotations

import numpy as np

from bridge.sound.listening.voice.meter import VoiceMeter, VoiceReading
from support.voices import VOWELS, Sung

RATE = 44100
DRONE_HZ = (146.83, 220.245)  # a pure fifth on D3
LEAD_S, SUNG_S = 1.8, 1.5


def drone(seconds: float, rng: np.random.Generator, off_ppm: float = 0.0) -> np.ndarray:
    """The drone as the microphone hears it, mean square 1."""
    t = np.arange(round(seconds * RATE)) / RATE
    dry = np.zeros(t.size)
    for hz in DRONE_HZ:
        for n in range(1, 25):
            dry += np.cos(2 * np.pi * n * hz * (1 + 1e-6 * off_ppm) * t + rng.uniform(0, 6)) / n
    room = rng.standard_normal(round(0.4 * RATE)) * 10 ** (-3 * np.arange(round(0.4 * RATE)) / (0.4 * RATE))
    room[0] += 10.0
    size = 1 << (dry.size + room.size).bit_length()
    wet = np.fft.irfft(np.fft.rfft(dry, size) * np.fft.rfft(room, size))[: dry.size]
    wet = np.concatenate([np.zeros(1300), wet])[: dry.size]
    return wet / np.sqrt(np.mean(wet**2))


def beside(
    note: Sung | None, drone_db: float, rng: np.random.Generator, off_ppm: float = 0.0
) -> list[VoiceReading]:
    """Readings of a note that comes in after the drone has sounded alone."""
    heard = drone(LEAD_S + SUNG_S, rng, off_ppm)
    voice = (note or Sung(200.0)).samples(SUNG_S, RATE, rng)
    heard *= 10 ** (drone_db / 20) * np.sqrt(np.mean(voice**2))
    if note is not None:
        heard[round(LEAD_S * RATE) :][: voice.size] += voice
    heard += 1e-4 * rng.standard_normal(heard.size)
    meter = VoiceMeter(RATE, drone_hz=DRONE_HZ)
    readings = [meter.feed(heard[first : first + 512]) for first in range(0, heard.size, 512)]
    return [reading for reading in readings if reading is not None]


def singer(k: int, rng: np.random.Generator) -> Sung:
    """Unison, third, fifth, octave, second above the tonic, up to 20 cents off, still or with vibrato."""
    ratio = (1, 5 / 4, 3 / 2, 2, 9 / 8)[k % 5]
    hz = DRONE_HZ[0] * ratio * 2 ** (rng.uniform(-20, 20) / 1200)
    return Sung(
        hz, str(rng.choice(list(VOWELS))), float(rng.uniform(4, 7)), (0.0, 30.0, 60.0)[k % 3], breath_db=30.0
    )
