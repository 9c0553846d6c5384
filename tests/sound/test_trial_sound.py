"""The sounds of the exercises, measured: pitch, beats, loudness; and listeners to whom they must tell nothing.

Frequencies and beats come from the trial itself and from physics (partials 3 and 2 of a fifth meet at three times the
lower note); they are measured with `support.measure`, which shares no code with the generator.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from support import measure

from bridge.ear.course import Course
from bridge.ear.sounds import Sound, find_sounds
from bridge.ear.trials import Played
from bridge.errors import ValueProblem
from bridge.jobs.choose import TableRequest, choose_table
from bridge.sound.device.mixer import CEILING
from bridge.sound.trial import TIMBRES, bend, loudness, nearest_key, strike, trial_sound
from bridge.tuning.tables import build_table

RATE = 44100
D3 = 146.5


def find(words: str) -> tuple[Sound, ...]:
    spec = choose_table(TableRequest(guitar="open-d", reference=f"D3={D3}"))
    return find_sounds(words.split(), build_table(spec))


@pytest.mark.parametrize("timbre", TIMBRES)
def test_both_notes_sound_what_the_trial_says(timbre: str) -> None:
    """Within the bend's own step: 400 cents over 16384, so 0.0122 cents either way (MIDI 1.0)."""
    hz = (D3 * 2 ** (17 / 1200), D3 * 1.5 * 2 ** (-9 / 1200))
    sound = trial_sound(Played(hz, (0.3, 0.8), 1.0), timbre, 2.0, RATE)
    heard = measure.tones_hz(sound[int(0.3 * RATE) : int(1.7 * RATE)], RATE, list(hz))
    for found, wanted in zip(heard, hz, strict=True):
        assert abs(measure.cents(found, wanted)) < 0.03


@pytest.mark.parametrize("cents", [5.0, 12.0])
def test_it_beats_as_fast_as_theory_says(cents: float) -> None:
    (fifth,) = find("fifth")
    hz = (fifth.hz[0], fifth.hz[1] * 2 ** (cents / 1200))
    sound = trial_sound(Played(hz, (0.1, 0.6), 0.0), "steady", 4.0, RATE)
    wanted = 3 * D3 * (2 ** (cents / 1200) - 1)
    assert fifth.beats_hz(cents) == pytest.approx(wanted)
    assert measure.beats_per_s(sound[2205:-8820], RATE, 3 * D3) == pytest.approx(wanted, rel=0.03)


def test_a_pure_one_stands_still_and_begins_anywhere_in_its_beat() -> None:
    (fifth,) = find("fifth")
    depths, levels = [], []
    random = np.random.default_rng(1)
    for _ in range(12):
        sound = trial_sound(Played(fifth.hz, tuple(random.random(2)), 0.0), "steady", 2.0, RATE)
        parts = [measure.amplitude(sound[at : at + 11025], RATE, 3 * D3) for at in range(8820, 66150, 11025)]
        depths.append(max(parts) / min(parts) - 1)
        levels.append(np.mean(parts))
    assert max(depths) < 0.08
    assert max(levels) > 2 * min(levels)


@pytest.mark.parametrize("timbre", TIMBRES)
def test_all_are_equally_loud_and_long_and_have_room_above(timbre: str) -> None:
    course = Course("still", find("1 3 5"), seed=3)
    for _ in range(6):
        for played in course.trial.played:
            sound = trial_sound(played, timbre, 1.5, RATE, level=0.5)
            assert sound.size == round(1.5 * RATE)
            assert math.sqrt(np.mean(sound**2)) == pytest.approx(0.5 * loudness(timbre, 1.5))
            assert np.abs(sound).max() < 0.5 * CEILING
            assert abs(sound[0]) < 1e-6
            assert abs(sound[-1]) < 1e-4
        course.answer("first")


def test_the_same_trial_sounds_the_same() -> None:
    one, two = (Course("still", find("fifth"), seed=9).trial.played[0] for _ in range(2))
    assert np.array_equal(trial_sound(one, "plucked", 1.0, RATE), trial_sound(two, "plucked", 1.0, RATE))


def test_what_cannot_be_is_refused() -> None:
    played = Played((D3, 1.5 * D3), (0.0, 0.0), 0.0)
    with pytest.raises(ValueProblem, match=r"did you mean plucked"):
        trial_sound(played, "pluckd", 1.0, RATE)
    with pytest.raises(ValueProblem, match=r"0\.5 to 8 seconds"):
        trial_sound(played, "steady", 20.0, RATE)


def test_the_same_notes_as_midi() -> None:
    """MIDI 1.0: 14 bits, the lower seven first, 8192 in the middle, over two semitones either way."""
    bent, struck = strike(3, 150.0)
    assert struck[:2] == bytes((0x92, nearest_key(150.0)))
    sent = 440.0 * 2 ** ((struck[1] - 69) / 12 + 200 * ((bent[1] | bent[2] << 7) - 8192) / 8192 / 1200)
    assert abs(measure.cents(sent, 150.0)) < 0.0123
    assert bend(3, 150.0, struck[1]) == bent


def _loudness(sound: np.ndarray) -> float:
    return float(np.mean(sound**2))


def _brightness(sound: np.ndarray) -> float:
    """Centre of the spectrum, in octaves."""
    power = np.abs(np.fft.rfft(sound)) ** 2
    hz = np.fft.rfftfreq(sound.size, 1 / RATE)
    return float(np.sum(power[1:] * np.log2(hz[1:])) / np.sum(power[1:]))


def _duration(sound: np.ndarray) -> float:
    return float(np.flatnonzero(np.abs(sound) > 1e-3)[-1])


@pytest.mark.slow
@pytest.mark.parametrize("timbre", TIMBRES)
def test_who_hears_only_loudness_timbre_or_duration_is_right_by_chance(timbre: str) -> None:
    """The largest mistunings, where most could be told: each property is taken as higher means this one, and as
    further from what is usual means this one.

    (The highest sample of a whole sound does tell: it is that of the loudest moment of a beat, so beating itself.)
    """
    random = np.random.default_rng(8)
    trials = []
    for seed in range(4):
        course = Course("still", find("fifth"), seed=seed)
        while not course.over:
            trials.append(course.trial)
            course.answer(("first", "second")[int(random.integers(2))])
    sounds = [[trial_sound(one, timbre, 0.8, RATE) for one in trial.played] for trial in trials]
    first = np.array([trial.answer == "first" for trial in trials])
    for of in (_loudness, _brightness, _duration):
        values = np.array([[of(sound) for sound in pair] for pair in sounds])
        unusual = np.abs(values - np.median(values))
        for one in (values, unusual):
            taken = one[:, 0] > one[:, 1]
            hits = int(np.sum(taken == first))
            count = len(trials)  # of which one by chance hits half, with a standard error of half the root
            assert abs(hits - count / 2) < 3.2 * count**0.5 / 2, f"{of.__name__}: {hits} of {count}"


@pytest.mark.slow
def test_who_hears_only_loudness_or_timbre_does_not_tell_wide_from_narrow() -> None:
    """Each property above its usual value is taken for wide; at the mistuning where runs begin, 40 cents."""
    random = np.random.default_rng(5)
    trials = []
    for seed in range(6):
        course = Course("wide", find("fifth"), seed=seed)
        while not course.over:
            trials.append(course.trial)
            course.answer(("wide", "narrow")[int(random.integers(2))])
    sounds = [trial_sound(trial.played[0], "steady", 0.6, RATE) for trial in trials]
    wide = np.array([trial.answer == "wide" for trial in trials])
    for of in (_loudness, _brightness, _duration):
        values = np.array([of(sound) for sound in sounds])
        hits = int(np.sum((values > np.median(values)) == wide))
        # 300 trials: the standard error is 8.7.
        assert abs(hits - 150) < 3.2 * 8.7, f"{of.__name__}: {hits} of 300"
