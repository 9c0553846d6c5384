"""What cannot be measured is refused, with the reason; nothing wrong is said with confidence."""

from __future__ import annotations

import math

import numpy as np
import pytest
import soundfile
from support.corpus import guitar_notes
from support.heard import notes_of
from support.plucks import Pluck, noisy, random_pluck

from bridge.errors import InputProblem
from bridge.sound.analysis.ceiling import clipped_at
from bridge.sound.listening import refuse
from bridge.sound.listening.listen import hear

pytestmark = pytest.mark.slow

RATE = 44100
STANDARD_HZ = [82.407, 110.0, 146.832, 195.998, 246.942, 329.628]  # E A D G B E, equal temperament at A440


def reasons(sound: np.ndarray) -> set[str]:
    """Why all of a sound was refused; fails where a note was reported."""
    heard = hear(sound, RATE)
    assert not heard.notes, heard.notes
    return {r.reason for r in heard.refusals}


def coloured_noise(seconds: float, slope: float, rng: np.random.Generator) -> np.ndarray:
    """Noise whose amplitude falls as frequency to the power of `slope` (0 white, 0.5 pink, 1 brown)."""
    n = round(seconds * RATE)
    spectrum = np.fft.rfft(rng.standard_normal(n))
    sound = np.fft.irfft(spectrum / (np.arange(spectrum.size) + 1.0) ** slope, n)
    return 0.3 * sound / np.abs(sound).max()


def strum(plucks: list[Pluck], gap_s: float, rng: np.random.Generator, snr_db: float = 30.0) -> np.ndarray:
    """Strings plucked one after the other, `gap_s` apart, all ringing for two seconds."""
    sound = np.zeros(round((2.2 + gap_s * len(plucks)) * RATE))
    for k, pluck in enumerate(plucks):
        start = round((0.1 + k * gap_s) * RATE)
        clean = pluck.samples((sound.size - start) / RATE, RATE)
        sound[start:] += rng.uniform(0.5, 1.0) * clean
    return noisy(sound, snr_db, rng)


@pytest.mark.parametrize("slope", [0.0, 0.5, 1.0, 1.5])
@pytest.mark.parametrize("seed", range(5))
def test_noise(slope: float, seed: int) -> None:
    rng = np.random.default_rng([seed, int(10 * slope)])
    assert reasons(coloured_noise(2.0, slope, rng)) <= {refuse.NOISE, refuse.TOO_SHORT}


@pytest.mark.parametrize("level", [0.0, 1e-9, 1e-6, 3e-6])
def test_silence(level: float) -> None:
    sound = level * np.random.default_rng(1).standard_normal(2 * RATE)
    assert reasons(sound) == {refuse.SILENCE}


def test_no_sound_at_all_is_silence() -> None:
    assert reasons(np.zeros(0)) == {refuse.SILENCE}


@pytest.mark.parametrize("seed", range(20))
def test_30_ms_clips(seed: int) -> None:
    rng = np.random.default_rng(seed)
    clip = noisy(random_pluck(rng).samples(0.03, RATE), 30.0, rng)
    assert reasons(clip) == {refuse.TOO_SHORT}
    # The same between stretches of a quiet room.
    room = [1e-4 * rng.standard_normal(RATE) for _ in range(2)]
    assert refuse.TOO_SHORT in reasons(np.concatenate([room[0], clip, room[1]]))


@pytest.mark.parametrize("seed", range(20))
def test_clipped(seed: int) -> None:
    rng = np.random.default_rng(seed)
    sound = noisy(random_pluck(rng).samples(2.0, RATE), rng.uniform(20, 40), rng)
    ceiling = np.abs(sound).max() * rng.uniform(0.3, 0.7)
    # Turned down again afterwards: the damage stays, though nothing touches full scale.
    assert reasons(np.clip(sound, -ceiling, ceiling) * rng.uniform(0.2, 1.0) / ceiling) == {refuse.CLIPPED}


@pytest.mark.parametrize("hz", [41.2, 82.4, 330.0])
@pytest.mark.parametrize("bits", [8, 16])
def test_a_loud_pure_tone_in_coarse_steps_is_not_clipped(hz: float, bits: int) -> None:
    steps = 2 ** (bits - 1) - 1
    sound = np.round(steps * np.sin(2 * np.pi * hz * np.arange(RATE) / RATE)) / steps
    assert clipped_at(sound).size == 0


@pytest.mark.parametrize("ratios", [(2, 3, 4, 5, 6, 8), (3, 4, 6, 8, 10, 12), (4, 5, 6), (10, 12, 15)])
@pytest.mark.parametrize("detune_cents", [0.0, 6.0])
@pytest.mark.parametrize("seed", range(3))
def test_strummed_chords(ratios: tuple[int, ...], detune_cents: float, seed: int) -> None:
    rng = np.random.default_rng([seed, *ratios])
    base = 73.416 / 2 if ratios[0] in (2, 3) else 150.0 / ratios[0]
    plucks = [
        Pluck(
            base * r * 2 ** (rng.uniform(-detune_cents, detune_cents) / 1200),
            rng.uniform(0, 2e-4),
            rng.uniform(1, 5),
            phases=tuple(rng.uniform(0, 2 * np.pi, 12)),
        )
        for r in ratios
    ]
    assert reasons(strum(plucks, rng.uniform(0.005, 0.03), rng)) <= {
        refuse.NO_STRING,
        refuse.TOGETHER,
        refuse.NOISE,
    }


@pytest.mark.parametrize("seed", range(4))
def test_strummed_standard_tuning(seed: int) -> None:
    rng = np.random.default_rng(seed)
    plucks = [Pluck(hz, 8e-5, 3.0, phases=tuple(rng.uniform(0, 2 * np.pi, 12))) for hz in STANDARD_HZ]
    assert reasons(strum(plucks, 0.02, rng)) <= {refuse.NO_STRING, refuse.TOGETHER}


def test_two_strings_50_ms_apart() -> None:
    rng = np.random.default_rng(3)
    sound = strum([Pluck(110.0, 5e-5, 3.0), Pluck(146.83, 5e-5, 3.0)], 0.05, rng)
    assert reasons(sound) <= {refuse.TOGETHER, refuse.NO_STRING}


@pytest.mark.fetched
@pytest.mark.parametrize("seed", range(25))
def test_strummed_recorded_strings_never_give_a_wrong_pitch_with_confidence(seed: int) -> None:
    """Two to five recorded strings within 35 ms each: refused, or one that drowns the others read right."""
    rng = np.random.default_rng(seed)
    files = rng.choice(np.array(guitar_notes()), rng.integers(2, 6), replace=False)
    sound = np.zeros(round(2.5 * RATE))
    own = []
    for k, path in enumerate(files):
        samples, rate = soundfile.read(path, always_2d=True)
        assert rate == RATE
        note = samples[: 2 * RATE].mean(axis=1)
        own.append(notes_of(note, RATE)[0].hz)
        start = round((0.05 + k * rng.uniform(0.005, 0.035)) * RATE)
        sound[start : start + note.size] += rng.uniform(0.5, 1.0) * note[: sound.size - start]
    heard = hear(0.5 * sound / np.abs(sound).max(), RATE)
    for note in heard.notes:
        off = min(abs(1200 * math.log2(note.hz / hz)) for hz in own)
        assert off < max(3.0, 3 * note.cents_sd), (note, own)
    # A string alone over all of two seconds is only reported where no other was as loud.
    assert len(heard.notes) <= 1


def test_one_clipped_channel_of_two_is_seen() -> None:
    sound = noisy(Pluck(146.83, 5e-5, 2.0).samples(2.0, RATE), 40.0, np.random.default_rng(4))
    both = np.column_stack([np.clip(2.5 * sound, -0.8, 0.8), sound])
    assert reasons(both) == {refuse.CLIPPED}


@pytest.mark.parametrize("second", [-1.0, -0.9, 0.0, 0.3, 1.0])
@pytest.mark.parametrize("offset", [0.0, 0.1])
def test_two_channels_are_one_sound_however_they_are_wired(second: float, offset: float) -> None:
    """The second channel inverted, silent, softer or the same, with or without a constant offset."""
    sound = noisy(Pluck(146.83, 5e-5, 2.0).samples(2.0, RATE), 40.0, np.random.default_rng(4))
    (note,) = hear(np.column_stack([sound, second * sound]) + offset, RATE).notes
    assert abs(1200 * math.log2(note.hz / (146.83 * math.sqrt(1 + 5e-5)))) < 0.05


def test_the_reason_says_what_to_do() -> None:
    (silence,) = hear(np.zeros(RATE), RATE).refusals
    assert "nothing to hear: check the microphone" in silence.reason
    (short,) = hear(np.sin(np.arange(1000.0)), RATE).refusals
    assert "too short to measure: let the string ring" in short.reason


def test_damaged_samples_are_named() -> None:
    sound = np.zeros(RATE)
    sound[5] = np.nan
    with pytest.raises(InputProblem, match="no numbers"):
        notes_of(sound, RATE)
    with pytest.raises(InputProblem, match=r"shape \(2, 2, 2\)"):
        notes_of(np.zeros((2, 2, 2)), RATE)
    with pytest.raises(InputProblem, match=r"shape \(9, 0\)"):
        notes_of(np.zeros((9, 0)), RATE)
