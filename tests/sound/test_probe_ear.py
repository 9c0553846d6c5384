"""How far a note has moved is heard for any steady sound, and nothing is heard where there is none."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.sound.analysis.spectrum import peaks, spectrum
from bridge.sound.listening.probe_ear import CLIPPED, SILENT, WAVERS, shift_cents, tone_of

RATE = 48_000
AT_S = np.arange(round(0.2 * RATE)) / RATE


def sound(hz: float, partials: tuple[float, ...] = (1.0, 0.5, 0.3, 0.2), phase: float = 0.3) -> np.ndarray:
    return 0.05 * sum(
        level * np.sin(2 * np.pi * n * hz * AT_S + phase * n) for n, level in enumerate(partials, start=1)
    )


@settings(max_examples=60)
@given(
    key=st.floats(45.0, 84.0),
    cents=st.floats(-250.0, 250.0),
    partials=st.sampled_from([(1.0,), (1.0, 0.5, 0.3), (0.0, 1.0, 0.0, 0.6), (0.2, 0.3, 1.0, 0.8, 0.5)]),
    phase=st.floats(0.0, 6.0),
)
def test_shifts_of_clean_sounds(key: float, cents: float, partials: tuple[float, ...], phase: float) -> None:
    hz = 440 * 2 ** ((key - 69) / 12)
    first = tone_of(sound(hz, partials), RATE)
    other = tone_of(sound(hz * 2 ** (cents / 1200), partials, phase), RATE)
    assert (first.trouble, other.trouble) == ("", "")
    assert shift_cents(first, other) == pytest.approx(cents, abs=0.12)


def test_a_note_that_dies_away_and_changes_its_colour_is_still_followed() -> None:
    first = tone_of(sound(440.0) * np.exp(-2 * AT_S), RATE)
    other = tone_of(sound(440.0 * 2 ** (-60 / 1200), (1.0, 0.3, 0.1)) * np.exp(-4 * AT_S) * 0.3, RATE)
    assert shift_cents(first, other) == pytest.approx(-60.0, abs=0.1)


def test_hum_of_the_room_is_not_taken_for_the_note() -> None:
    hum = 0.02 * np.sin(2 * np.pi * 100 * AT_S) + 0.01 * np.sin(2 * np.pi * 300 * AT_S)
    room = peaks(spectrum(hum, RATE, 6000.0), low_hz=50.0)
    first = tone_of(hum + 0.2 * sound(440.0), RATE, room)
    other = tone_of(hum + 0.2 * sound(425.0), RATE, room)
    assert shift_cents(first, other) == pytest.approx(1200 * np.log2(425 / 440), abs=0.5)
    assert tone_of(hum, RATE, room).trouble == SILENT


def test_noise_at_thirty_decibels_below_costs_little() -> None:
    random = np.random.default_rng(1)
    off = []
    for _ in range(40):
        first, other = (
            tone_of(sound(hz) + 0.0013 * random.standard_normal(AT_S.size), RATE) for hz in (440.0, 425.0)
        )
        shift = shift_cents(first, other)
        assert shift is not None
        off.append(shift - 1200 * np.log2(425 / 440))
    assert float(np.max(np.abs(off))) < 0.5


def test_what_is_not_a_steady_note_is_said() -> None:
    assert tone_of(np.zeros(AT_S.size), RATE).trouble == SILENT
    assert tone_of(np.zeros(0), RATE).trouble == SILENT
    assert tone_of(np.clip(sound(440.0), -0.03, 0.03), RATE).trouble == CLIPPED
    glide = np.cumsum(2 * np.pi * 440 * 2 ** (np.linspace(0, 60, AT_S.size) / 1200) / RATE)
    assert tone_of(0.1 * np.sin(glide), RATE).trouble == WAVERS


def test_two_different_sounds_have_no_shift() -> None:
    first = tone_of(sound(440.0, (1.0, 0.8, 0.7, 0.6)), RATE)
    other = tone_of(sound(233.0, (0.0, 0.0, 0.0, 0.9)) + sound(391.0, (1.0,)) + sound(1117.0, (1.0,)), RATE)
    assert shift_cents(first, other) is None
    assert shift_cents(first, tone_of(np.zeros(AT_S.size), RATE)) is None


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=30)
def test_white_noise_is_never_two_notes_that_agree(seed: int) -> None:
    random = np.random.default_rng(seed)
    one, two = (tone_of(0.05 * random.standard_normal(AT_S.size), RATE) for _ in range(2))
    shift = shift_cents(one, two)
    assert one.trouble or two.trouble or shift is None or abs(shift) > 4.0 or len(one.hz) < 3
