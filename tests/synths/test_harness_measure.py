"""The ruler itself: frequencies that are known by construction come back to far below a cent."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support import measure

RATE_HZ = 48_000
SECONDS = 2.0
TIME = np.arange(int(RATE_HZ * SECONDS)) / RATE_HZ


def tone(hz: float, amplitude: float = 0.3, phase: float = 0.7, decay_per_s: float = 0.0) -> np.ndarray:
    return amplitude * np.exp(-decay_per_s * TIME) * np.sin(2 * np.pi * hz * TIME + phase)


def sixteen_bit(signal: np.ndarray) -> np.ndarray:
    return np.round(signal * 32_767) / 32_768


@pytest.mark.parametrize(
    ("a_hz", "b_hz", "expected_cents"),
    [
        (440.0, 220.0, 1200.0),
        (3.0, 2.0, 701.955),  # a pure fifth; Ellis's table has 702
        (80.0, 81.0, -21.506),  # the syntonic comma, downwards
        (440.0, 440.0, 0.0),
    ],
)
def test_cents(a_hz: float, b_hz: float, expected_cents: float) -> None:
    assert measure.cents(a_hz, b_hz) == pytest.approx(expected_cents, abs=5e-4)


@settings(max_examples=40)
@given(
    hz=st.floats(28.0, 12_500.0),
    miss_cents=st.floats(-45.0, 45.0),
    phase=st.floats(0.0, 2 * math.pi),
    amplitude=st.floats(0.02, 0.9),
)
def test_one_tone_to_a_thousandth_of_a_cent(
    hz: float, miss_cents: float, phase: float, amplitude: float
) -> None:
    signal = sixteen_bit(tone(hz, amplitude, phase))
    found = measure.tone_hz(signal, RATE_HZ, hz * 2 ** (miss_cents / 1200))
    assert abs(measure.cents(found, hz)) < 0.001


def test_a_chord_of_an_open_tuning_is_told_apart_in_any_order() -> None:
    truth = [293.4, 73.4, 183.1, 110.2, 220.0, 146.9]
    signal = sixteen_bit(sum((tone(hz, 0.1, hz) for hz in truth), np.zeros(TIME.size)))
    found = measure.tones_hz(signal, RATE_HZ, [hz * 1.005 for hz in truth])
    for hz, expected in zip(found, truth, strict=True):
        assert abs(measure.cents(hz, expected)) < 0.001


def test_twelve_neighbouring_semitones_do_not_disturb_each_other() -> None:
    truth = [110.0 * 2 ** (step / 12) for step in range(12)]
    signal = sum((tone(hz, 0.05, 3 * hz) for hz in truth), np.zeros(TIME.size))
    found = measure.tones_hz(signal, RATE_HZ, truth)
    assert max(abs(measure.cents(hz, expected)) for hz, expected in zip(found, truth, strict=True)) < 0.001


def test_a_decaying_tone_keeps_its_pitch() -> None:
    signal = tone(146.8, 0.4, decay_per_s=2.0) + tone(184.0, 0.3, decay_per_s=3.0)
    found = measure.tones_hz(signal, RATE_HZ, [146.0, 185.0])
    assert abs(measure.cents(found[0], 146.8)) < 0.001
    assert abs(measure.cents(found[1], 184.0)) < 0.001


def test_noise_costs_what_theory_says() -> None:
    # Variance bound for one tone in white noise: var(f) >= 6 s^2 / (pi^2 A^2 N T^2) Hz^2, with s the noise's deviation
    # (Rife and Boorstyn 1974); the window costs less than a factor of two in deviation.
    noise = np.random.default_rng(5).normal(0.0, 0.03, TIME.size)
    found = measure.tone_hz(tone(440.0, 0.3) + noise, RATE_HZ, 441.0)
    bound_hz = math.sqrt(6 * 0.03**2 / (math.pi**2 * 0.3**2 * TIME.size * SECONDS**2))
    assert abs(found - 440.0) < 8 * bound_hz


def test_stereo_is_averaged_and_windows_are_cut() -> None:
    stereo = np.stack([tone(440.0), np.zeros(TIME.size)], axis=1)
    stretch = measure.window(stereo, RATE_HZ, 0.5, 1.0)
    assert stretch.shape == (RATE_HZ,)
    assert measure.amplitude(stretch, RATE_HZ, 440.0) == pytest.approx(0.15, rel=1e-6)
    with pytest.raises(measure.NoTone, match=r"of a sound of 2\.000 s"):
        measure.window(stereo, RATE_HZ, 1.5, 1.0)


@pytest.mark.parametrize(
    "signal",
    [np.zeros(TIME.size), tone(320.0), tone(440.0, 0.3) + tone(300.0, 0.0001)],
    ids=["silence", "another tone", "far too weak"],
)
def test_a_missing_tone_is_not_found(signal: np.ndarray) -> None:
    with pytest.raises(measure.NoTone, match="near 300"):
        measure.tone_hz(signal, RATE_HZ, 300.0)


def test_tones_too_near_for_the_window_are_refused() -> None:
    with pytest.raises(measure.NoTone, match=r"no peak|too near"):
        measure.tones_hz(tone(220.0) + tone(220.6), RATE_HZ, [220.0, 220.6])


def test_the_loudest_tone_needs_no_guess() -> None:
    signal = tone(441.7, 0.2) + tone(97.3, 0.3)
    assert abs(measure.cents(measure.loudest_hz(signal, RATE_HZ), 97.3)) < 0.001
    assert abs(measure.cents(measure.loudest_hz(signal, RATE_HZ, low_hz=200.0), 441.7)) < 0.001
    with pytest.raises(measure.NoTone, match="silence"):
        measure.loudest_hz(np.zeros(TIME.size), RATE_HZ)


@pytest.mark.parametrize("rate", [1.7, 2.7, 5.83, 11.0])
def test_beats_of_two_near_tones(rate: float) -> None:
    signal = tone(440.0, 0.3) + tone(440.0 + rate, 0.2)
    assert measure.beats_per_s(signal, RATE_HZ, 440.0) == pytest.approx(rate, abs=0.01)


def test_a_steady_tone_does_not_beat() -> None:
    with pytest.raises(measure.NoTone, match="steady"):
        measure.beats_per_s(tone(440.0), RATE_HZ, 440.0)
