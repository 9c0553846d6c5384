"""A voice beside the drone that comes back from a loudspeaker: known notes, unknown level, room, delay and clock.

The room is a direct sound and noise that dies away by 60 dB in 0.4 s (the usual model of late reverberation: J. A.
Moorer, "About this reverberation business", Computer Music Journal 3, 1979).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from support.voices import VOWELS, Sung

from bridge.sound.listening.voice.drone import TOP_HZ, DroneOut
from bridge.sound.listening.voice.meter import VoiceMeter, VoiceReading

pytestmark = pytest.mark.slow

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


@pytest.mark.slow
@pytest.mark.parametrize("drone_db", [-20.0, -10.0, 0.0])
@pytest.mark.parametrize("off_ppm", [0.0, 60.0, -100.0])
def test_the_voice_is_heard_and_not_the_drone(drone_db: float, off_ppm: float) -> None:
    for k in range(5):
        rng = np.random.default_rng([k, int(-drone_db), int(abs(off_ppm))])
        note = singer(k, rng)
        got = [r for r in beside(note, drone_db, rng, off_ppm) if r.held_s >= 0.6]
        assert got
        for reading in got:
            assert abs(1200 * math.log2(reading.centre_hz / note.hz)) < 3.0


def test_a_drone_that_swells_is_taken_out_once_it_stands() -> None:
    """As ours does, over two seconds: until it stands nothing is heard, then no more than a hundredth of it is left."""
    rng = np.random.default_rng(6)
    heard = drone(4.0, rng, 60.0)
    heard *= np.minimum(np.arange(heard.size) / (2.0 * RATE), 1.0)
    out = DroneOut(RATE, DRONE_HZ)
    left, learnt_s = [], 0.0
    for first in range(0, heard.size, 441):
        left.append(out.feed(heard[first : first + 441]))
        learnt_s += 0.01 * out.learning
    assert 1.2 < learnt_s < 2.6
    last = np.concatenate(left)[-RATE:]
    assert np.mean(last**2) < 0.01 * np.mean(heard[-RATE:] ** 2)


@pytest.mark.parametrize("drone_db", [-10.0, 0.0])
def test_the_drone_alone_is_no_voice(drone_db: float) -> None:
    assert beside(None, drone_db, np.random.default_rng(3)) == []


@pytest.mark.parametrize("ratio", [1.0, 3 / 2])
@pytest.mark.parametrize("off_cents", [0.3, 3.0])
def test_a_drone_in_headphones_is_not_heard_after_the_voice_has_ended(ratio: float, off_cents: float) -> None:
    """A voice that meets a note of a drone which the microphone does not hear is partly taken for it."""
    rng = np.random.default_rng(5)
    hz = DRONE_HZ[0] * ratio * 2 ** (off_cents / 1200)
    quiet = np.zeros(2 * RATE)
    sound = np.concatenate([quiet, Sung(hz, "o", breath_db=35.0).samples(4.0, RATE, rng), quiet])
    sound += 1e-4 * rng.standard_normal(sound.size)
    meter = VoiceMeter(RATE, drone_hz=DRONE_HZ)
    got = [meter.feed(sound[first : first + 512]) for first in range(0, sound.size, 512)]
    heard = [reading for reading in got if reading is not None]
    assert heard
    assert {round(1200 * math.log2(reading.centre_hz / hz) / 100) for reading in heard} == {0}
    assert max(reading.time_s for reading in heard) < 6.25  # the voice ends at 6.0


def test_without_being_told_of_it_the_drone_would_be_heard() -> None:
    """So the tests above test something."""
    rng = np.random.default_rng(4)
    heard = 0.1 * drone(1.0, rng)
    meter = VoiceMeter(RATE)
    assert any(meter.feed(heard[first : first + 512]) is not None for first in range(0, heard.size, 512))


def test_a_drone_that_glides_keeps_what_was_learnt_of_it() -> None:
    """Two cents lower partial 41 of D3 comes below the limit of what is taken out: still the same drone."""
    d3 = (146.5, 219.75)
    lower = tuple(hz * 2 ** (-2 / 1200) for hz in d3)
    assert 41 * d3[0] > TOP_HZ > 41 * lower[0]
    out, t = DroneOut(RATE, d3), np.arange(2 * RATE) / RATE
    out.feed(sum(np.cos(2 * np.pi * hz * n * t) / n for hz in d3 for n in range(1, 10)))
    assert out.glide(lower)
    on = t[: RATE // 10]
    turns = [
        2 * np.pi * n * (2 * hz + low * on) for hz, low in zip(d3, lower, strict=True) for n in range(1, 10)
    ]
    held = sum(np.cos(turn) / (1 + k % 9) for k, turn in enumerate(turns))
    left = out.feed(held)
    assert np.mean(left**2) < 0.01 * np.mean(held**2)
    assert not out.glide(lower[:1])
    assert not out.glide([hz * 2 ** (6 / 1200) for hz in lower])


def test_a_loud_string_on_a_partial_of_the_drone_teaches_it_little() -> None:
    """Ten times as loud, and half a cent flat: when it is damped, the drone is still taken out."""
    out, t = DroneOut(RATE, (146.5,)), np.arange(round(6.5 * RATE)) / RATE
    held = sum(0.01 * np.cos(2 * np.pi * 146.5 * n * t) / n for n in range(1, 15))
    string = sum(0.1 * np.cos(2 * np.pi * 146.5 * 2 ** (-0.5 / 1200) * n * t) / n for n in range(1, 15))
    begin, end = 3 * RATE, round(5.8 * RATE)
    held[begin:end] += string[begin:end] * np.exp(-(t[begin:end] - 3) / 1.0)
    left = out.feed(held)
    after = slice(end + RATE // 20, end + RATE // 4)
    assert np.mean(left[after] ** 2) < 0.05 * np.mean(held[after] ** 2)
