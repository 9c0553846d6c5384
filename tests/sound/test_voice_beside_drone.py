"""A voice beside the drone that comes back from a loudspeaker: known notes, unknown level, room, delay and clock.

The room is that of `support.beside_drone`.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from support.beside_drone import DRONE_HZ, RATE, beside, drone, singer
from support.voices import Sung

from bridge.sound.listening.voice.drone import TOP_HZ, DroneOut
from bridge.sound.listening.voice.meter import VoiceMeter

pytestmark = pytest.mark.slow


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
