"""Recorded strings plucked one after another, none damped: each is found, named and measured, or honestly refused."""

from __future__ import annotations

import json
import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile
from support.corpus import guitar_notes

from bridge.sound.listening.listen import Heard, hear

pytestmark = pytest.mark.fetched

RATE = 44100
#: What several independent estimators read of each recording.
MEASURED_HZ = {
    row["file"].removesuffix(".mp3"): row["measured_hz"]
    for row in json.loads((Path(__file__).parent / "recordings_reference.json").read_text())[
        "guitar_acoustic"
    ]
}
STANDARD = {6: "E2", 5: "A2", 4: "D3", 3: "G3", 2: "B3", 1: "E4"}
OPEN_D = {6: "D2", 5: "A2", 4: "D3", 3: "Fs3", 2: "A3", 1: "D4"}
#: The estimators measured a window of their own; over a note these recordings glide by some cents.
GLIDES_CENTS = 7.0


@cache
def recorded(name: str) -> np.ndarray:
    path = next(p for p in guitar_notes() if p.name == f"{name}.mp3")
    samples, rate = soundfile.read(path, always_2d=True)
    assert rate == RATE
    sound = samples.mean(axis=1)
    return sound / np.abs(sound).max()


def take(names: list[str], times: np.ndarray, levels: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Recordings that begin at `times` and ring on, over a quiet room."""
    out = 1e-4 * rng.standard_normal(round((times[-1] + 2.0) * RATE))
    for name, time, level in zip(names, times, levels, strict=True):
        first = round(time * RATE)
        sound = recorded(name)[: out.size - first]
        out[first : first + sound.size] += level * sound
    return 0.5 * out / np.abs(out).max()


def off_cents(hz: float, name: str) -> float:
    return 1200 * math.log2(hz / MEASURED_HZ[name])


def plucked(heard: Heard, time: float) -> list:
    """Notes that begin at a pluck; a recording begins with up to 80 ms of quiet."""
    return [note for note in heard.notes if -0.03 < note.start_s - time < 0.12]


@pytest.mark.parametrize(("tuning", "least"), [(STANDARD, 6), (OPEN_D, 5)], ids=["standard", "open-d"])
@pytest.mark.parametrize("order", ["654321", "123456", "463512"])
@pytest.mark.parametrize("gap_s", [0.8, 1.3, 2.0])
def test_six_recorded_strings_are_each_named_while_the_others_ring(
    tuning: dict[int, str], least: int, order: str, gap_s: float
) -> None:
    """In open D the second string's own pitch wavers in its recording, so that it may be refused."""
    rng = np.random.default_rng(int(order))
    numbers = [int(digit) for digit in order]
    times = 0.3 + gap_s * np.arange(6) + rng.uniform(-0.1, 0.1, 6)
    sound = take([tuning[n] for n in numbers], times, rng.uniform(0.6, 1.0, 6), rng)
    strings = [(number, MEASURED_HZ[name]) for number, name in tuning.items()]
    heard = hear(sound, RATE, strings)
    named = 0
    for number, time in zip(numbers, times, strict=True):
        for note in plucked(heard, time):
            assert note.string == number
            assert abs(off_cents(note.hz, tuning[number])) < GLIDES_CENTS
            named += 1
    assert named >= least
    assert len(heard.notes) == named


@pytest.mark.parametrize("seed", range(12))
def test_any_recorded_notes_of_the_neck_one_after_another(seed: int) -> None:
    """Three to six of 37 notes, soft over loud and loud over soft: no other note is reported than was plucked."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(3, 7))
    names = rng.choice(sorted(MEASURED_HZ), count, replace=False).tolist()
    gap_s = rng.uniform(0.5, 2.0)
    times = 0.3 + gap_s * np.arange(count)
    heard = hear(take(names, times, rng.uniform(0.2, 1.0, count), rng), RATE)
    found = 0
    for name, time in zip(names, times, strict=True):
        for note in plucked(heard, time):
            assert abs(off_cents(note.hz, name)) < max(GLIDES_CENTS, 3 * note.cents_sd)
            found += 1
    assert found >= count - 1
    assert len(heard.notes) == found


@pytest.mark.parametrize(
    ("low", "high"), [("D3", "D4"), ("D2", "D3"), ("E2", "B3"), ("A2", "A3"), ("A2", "E4")]
)
def test_a_partial_of_a_ringing_string_is_never_read_as_that_string(low: str, high: str) -> None:
    """All partials of the new string lie on partials of the old one: an octave, or an octave and a fifth, higher."""
    rng = np.random.default_rng(1)
    for gap_s in (0.7, 1.5):
        times = 0.3 + np.array([0.0, gap_s])
        heard = hear(take([low, high], times, np.array([1.0, 0.6]), rng), RATE)
        for note in plucked(heard, float(times[1])):
            assert abs(off_cents(note.hz, high)) < max(GLIDES_CENTS, 3 * note.cents_sd)


@pytest.mark.parametrize("name", ["E2", "D3", "E4"])
@pytest.mark.parametrize("gap_s", [0.6, 1.5])
def test_a_recorded_string_plucked_again_is_not_read_an_octave_off(name: str, gap_s: float) -> None:
    sound = 1e-4 * np.random.default_rng(2).standard_normal(round((0.3 + 3 * gap_s) * RATE))
    for k, level in enumerate((1.0, 0.5, 1.0)):
        first = round((0.3 + k * gap_s) * RATE)
        touch = round(0.02 * RATE)
        sound[first : first + touch] *= np.linspace(1.0, 0.0, touch)  # the finger takes 20 ms to stop it
        sound[first + touch :] *= 1e-4
        sound[first:] += level * recorded(name)[: sound.size - first]
    heard = hear(0.5 * sound / np.abs(sound).max(), RATE)
    assert len(heard.notes) == 3
    for note in heard.notes:
        assert abs(off_cents(note.hz, name)) < GLIDES_CENTS
