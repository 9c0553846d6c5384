"""Open strings are heard between phrases: plucked ones alone, beside a drone, among talk and a keyboard's notes.

Plucks are those of `support.plucks`: stiff strings with the decay of each partial (Fletcher 1964), known to the cent.
"""

from __future__ import annotations

import numpy as np
import pytest
from support import takes
from support.plucks import noisy
from support.voices import VOWELS, Sung

from bridge.sound.listening.string_ear import StringEar, StringHeard

pytestmark = pytest.mark.slow

RATE = 44100
D3 = 146.5
STRINGS = {6: D3 / 2, 5: D3 * 3 / 4, 4: D3, 3: D3 * 5 / 4, 2: D3 * 3 / 2, 1: D3 * 2}


def pluck(string: int, cents: float, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    sound = takes.pluck(STRINGS[string] * 2 ** (cents / 1200), 2.6, rng, decay_s=2.5)
    sound[-RATE // 50 :] *= np.linspace(1, 0, RATE // 50)  # a finger damps it
    return noisy(0.3 * sound / np.abs(sound).max(), 40, rng)


def listen(
    sound: np.ndarray,
    drone_hz: tuple[float, ...] = (),
    playing: tuple[tuple[float, bool], ...] = (),
) -> list[StringHeard]:
    ear = StringEar(RATE, list(STRINGS.items()))
    if drone_hz:
        ear.around(drone_hz, False)
    heard, turns = [], list(playing)
    for first in range(0, sound.size, 512):
        while turns and turns[0][0] <= first / RATE:
            ear.play(turns.pop(0)[1])
        heard += ear.feed(sound[first : first + 512])
    return heard


def off(heard: list[StringHeard]) -> list[tuple[int, float]]:
    return [(one.string, 1200 * float(np.log2(one.hz / STRINGS[one.string]))) for one in heard]


def drone(seconds: float, *hz: float, cents: float = 0.0) -> np.ndarray:
    t = np.arange(round(seconds * RATE)) / RATE
    return sum(np.cos(2 * np.pi * n * f * 2 ** (cents / 1200) * t + n) / n for f in hz for n in range(1, 20))


def silence(seconds: float) -> np.ndarray:
    return 1e-5 * np.random.default_rng(0).standard_normal(round(seconds * RATE))


def test_strings_are_read_where_they_have_settled() -> None:
    wanted = [(4, -3.2), (5, 1.5), (3, -8.0), (1, 0.4)]
    sound = np.concatenate([part for k, one in enumerate(wanted) for part in (pluck(*one, k), silence(0.5))])
    heard = off(listen(sound))
    assert [string for string, _ in heard] == [string for string, _ in wanted]
    assert [cents for _, cents in heard] == pytest.approx([cents for _, cents in wanted], abs=0.5)


@pytest.mark.parametrize("cents", [-6.0, -0.7, 0.0, 3.0])
def test_beside_our_own_drone_on_the_same_notes(cents: float) -> None:
    held = drone(9.0, D3, D3 * 3 / 2)
    strings = np.concatenate(
        [silence(3.0), pluck(4, cents, 1), silence(0.4), pluck(2, cents, 2), silence(0.4)]
    )
    held = held[: strings.size]
    level = 0.3 * np.sqrt(np.mean(strings**2) / np.mean(held**2))
    heard = off(listen(strings + level * held, (D3, D3 * 3 / 2)))
    assert [string for string, _ in heard] == [4, 2]
    assert [one for _, one in heard] == pytest.approx([cents, cents], abs=1.0)


def test_a_drone_that_glides_goes_on_being_taken_out_and_is_never_a_string() -> None:
    """It is bent by a quarter of a cent, going on in its cycle; a hand knocks on the guitar; nobody plucks."""
    hz, lower = (D3, D3 * 3 / 2), tuple(one * 2 ** (-0.25 / 1200) for one in (D3, D3 * 3 / 2))
    ear, rng, turns, heard = StringEar(RATE, list(STRINGS.items())), np.random.default_rng(3), [0.0, 0.0], []
    ear.around(hz, False)
    t = np.arange(512) / RATE
    for block in range(round(8 * RATE / 512)):
        now = hz if block * 512 / RATE < 4 else lower
        if now is lower:
            ear.around(lower, False)
        sound = 1e-4 * rng.standard_normal(512)
        for at, one in enumerate(now):
            sound += 0.02 * sum(np.cos(2 * np.pi * n * (turns[at] + one * t) + n) / n for n in range(1, 15))
            turns[at] = (turns[at] + one * 512 / RATE) % 1.0
        if block % 180 in (100, 101):
            sound += 0.2 * rng.standard_normal(512)
        heard += ear.feed(sound)
    assert heard == []
    assert ear._drone is not None
    assert not ear._drone.learning


@pytest.mark.parametrize("hz", [(D3,), (D3, D3 * 3 / 2)])
def test_what_a_drone_leaves_behind_is_no_string(hz: tuple[float, ...]) -> None:
    """Somebody turns its loudspeaker down, and knocks on the guitar: half of the drone is left, at its very pitch."""
    held = 0.02 * drone(7.0, *hz)
    held[3 * RATE :] *= 0.5
    held[round(3.2 * RATE) : round(3.22 * RATE)] += 0.2 * np.random.default_rng(2).standard_normal(RATE // 50)
    assert listen(held + 1e-4 * np.random.default_rng(3).standard_normal(held.size), hz) == []


def test_while_somebody_plays_nothing_counts() -> None:
    sound = np.concatenate([pluck(4, -5, 1), silence(0.5), pluck(4, -5, 2), silence(0.6)])
    assert len(listen(sound)) == 2
    assert len(listen(sound, playing=((0.1, True), (0.3, False)))) == 1
    assert listen(sound, playing=((0.1, True),)) == []


def test_talk_singing_chords_and_noise_are_no_strings() -> None:
    rng = np.random.default_rng(7)
    syllables = []
    for _ in range(40):
        hz = float(rng.uniform(90, 260))
        note = Sung(hz, str(rng.choice(list(VOWELS))), scoop_cents=float(rng.uniform(-300, 300)), scoop_s=0.2)
        syllables += [
            note.samples(float(rng.uniform(0.1, 0.4)), RATE, rng),
            silence(float(rng.uniform(0.02, 0.2))),
        ]
    assert listen(np.concatenate(syllables)) == []
    sung = Sung(D3, vibrato_cents=40.0).samples(3.0, RATE, rng)
    assert listen(np.concatenate([silence(0.3), sung, silence(0.5)])) == []
    chord = sum(pluck(string, 0.0, string) for string in (4, 3, 2))
    assert listen(np.concatenate([silence(0.3), chord, silence(0.5)])) == []
    assert listen(0.1 * rng.standard_normal(4 * RATE)) == []
