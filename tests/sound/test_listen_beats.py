"""Beats of two strings plucked together: rate, direction, distance; against the strings' own partials."""

from __future__ import annotations

import math

import numpy as np
import pytest
import soundfile
from support.corpus import guitar_notes
from support.plucks import Pluck, noisy

from bridge.errors import InputProblem
from bridge.sound.listening.beating import coinciding, hear_beats

pytestmark = pytest.mark.slow

RATE = 44100

# (first Hz, p, q): the second string is tuned near first * p / q.
INTERVALS = {
    "fourth": (110.0, 4, 3),
    "fifth": (146.83, 3, 2),
    "third": (146.83, 5, 4),
    "octave": (73.416, 2, 1),
    "octave below": (146.83, 1, 2),
    "twelfth": (73.416, 3, 1),
    "two octaves": (73.416, 4, 1),
}


def two_strings(
    first_hz: float, ratio: float, off_cents: float, rng: np.random.Generator
) -> tuple[Pluck, Pluck, np.ndarray]:
    def string(hz: float) -> Pluck:
        phases = tuple(rng.uniform(0, 2 * np.pi, 12))
        return Pluck(hz, rng.uniform(0, 1e-4), rng.uniform(1.5, 4.0), phases=phases)

    first, second = string(first_hz), string(first_hz * ratio * 2 ** (off_cents / 1200))
    sound = first.samples(3.5, RATE) + rng.uniform(0.4, 1.0) * second.samples(3.5, RATE)
    return first, second, noisy(sound, rng.uniform(25, 40), rng)


@pytest.mark.parametrize("name", INTERVALS)
@pytest.mark.parametrize("off_cents", [-9.0, -3.0, 2.5, 8.0])
def test_rate_direction_and_distance(name: str, off_cents: float) -> None:
    first_hz, p, q = INTERVALS[name]
    rng = np.random.default_rng([p, q, round(off_cents + 100)])
    first, second, sound = two_strings(first_hz, p / q, off_cents, rng)
    heard = hear_beats(sound, RATE, first_hz, first_hz * p / q)
    assert (heard.pairs[0].first, heard.pairs[0].second) == (p, q)
    for pair in heard.pairs[:3]:
        # What beats is the difference of the two partials, stiffness and all.
        true = abs(second.frequency(pair.second) - first.frequency(pair.first))
        assert pair.rate_hz == pytest.approx(true, abs=max(0.01, 4 * pair.sd_hz))
    needed = 1200 * math.log2(first.frequency(p) / second.frequency(q))
    assert heard.sure
    assert heard.move_cents == pytest.approx(needed, abs=max(0.1, 4 * heard.sd_cents))
    assert heard.direction == ("up" if needed > 0 else "down")


def test_unison_beats_but_does_not_tell_which_string_is_sharp() -> None:
    rng = np.random.default_rng(4)
    first, second, sound = two_strings(146.83, 1.0, 5.0, rng)
    heard = hear_beats(sound, RATE, 146.83, 146.83)
    assert heard.pairs[0].rate_hz == pytest.approx(second.frequency(1) - first.frequency(1), abs=0.01)
    assert not heard.sure
    assert heard.direction == "try"


def test_equal_temperaments_fourth_beats_as_published() -> None:
    # A2 = 110 Hz against D3 = 146.8324 Hz (ISO 16): |4 * 110 - 3 * 146.8324| = 0.497 beats a second.
    sound = Pluck(110.0, 0.0, 4.0).samples(4.0, RATE) + Pluck(146.8324, 0.0, 4.0).samples(4.0, RATE)
    heard = hear_beats(noisy(sound, 35, np.random.default_rng(5)), RATE, 110.0, 146.8324)
    assert heard.pairs[0].rate_hz == pytest.approx(0.497, abs=0.003)
    assert heard.direction == "down"


def test_a_pure_interval_is_still() -> None:
    # Ideal strings; nothing to be heard beating within the sound's length.
    sound = Pluck(110.0, 0.0, 4.0).samples(4.0, RATE) + Pluck(146.0 + 2 / 3, 0.0, 3.0).samples(4.0, RATE)
    heard = hear_beats(noisy(sound, 35, np.random.default_rng(6)), RATE, 110.0, 146.67)
    assert heard.pairs[0].rate_hz < 0.05
    assert heard.direction == "still"


@pytest.mark.fetched
def test_recorded_strings_a_third_apart() -> None:
    """F#3 and D3 as recorded: the rate follows from each one's own partials, measured alone."""
    sounds = {}
    for name in ("D3.mp3", "Fs3.mp3"):
        samples, rate = soundfile.read(next(p for p in guitar_notes() if p.name == name), always_2d=True)
        assert rate == RATE
        sounds[name] = samples[: 4 * RATE].mean(axis=1)
    heard = hear_beats(0.5 * (sounds["D3.mp3"] + sounds["Fs3.mp3"]), RATE, 146.8, 184.9)
    assert (heard.pairs[0].first, heard.pairs[0].second) == (5, 4)
    # Equal temperament: 5.8 beats a second (ISO 16 pitches); these strings lie within 3 cents of it.
    assert heard.pairs[0].rate_hz == pytest.approx(5.0, abs=1.5)
    assert heard.direction == "down"


def test_which_partials_belong_together() -> None:
    assert coinciding(146.83, 220.2)[:2] == [(3, 2), (6, 4)]
    assert coinciding(146.83, 184.0)[:2] == [(5, 4), (10, 8)]
    assert coinciding(100.0, 134.0) == [(4, 3), (8, 6), (12, 9)]


def test_strings_that_share_no_partials() -> None:
    with pytest.raises(InputProblem, match="no partials in common"):
        hear_beats(np.sin(np.arange(2 * RATE) / 10.0), RATE, 100.0, 146.0)


def test_too_short_or_silent() -> None:
    with pytest.raises(InputProblem, match="nothing to hear"):
        hear_beats(np.zeros(RATE), RATE, 110.0, 146.8)
    with pytest.raises(InputProblem, match="sound together for at least a second"):
        hear_beats(Pluck(110.0).samples(0.4, RATE), RATE, 110.0, 146.8)
