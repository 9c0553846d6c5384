"""Takes at any sample rate: heard right, or refused with the limit."""

from __future__ import annotations

import math

import numpy as np
import pytest
from support.plucks import Pluck, noisy

from bridge.errors import InputProblem
from bridge.sound.listening.listen import hear
from bridge.sound.listening.mono import LEAST_RATE_HZ, MOST_RATE_HZ

#: What sound cards, telephones, old computers and converters use, and what broke once: rates whose bands ended beyond
#: half the rate.
KNOWN = (
    *(4000, 5512, 6000, 7350, 8000, 11025, 12000, 14700, 16000, 17640, 18900, 20000, 21000, 22050, 24000),
    *(32000, 37800, 44056, 44100, 47952, 48000, 50000, 64000, 88200, 96000, 176400, 192000, 352800, 384000),
    *(705600, 768000),
)
#: 499 rates in all: the known ones, and others spread evenly in pitch from 1 to a million.
RATES = sorted({*KNOWN, *(round(10 ** (6 * k / 600)) for k in range(601))})[-499:]
QUICK = (1, 8, 1000, 3999, *KNOWN[:20], 96000, 192000, 192_001)


def listen_at(rate: int) -> None:
    seconds = 0.6
    if not LEAST_RATE_HZ <= rate <= MOST_RATE_HZ:
        with pytest.raises(
            InputProblem, match=rf"{rate} samples a second; 4000 to 192000 .*wrong sample rate"
        ):
            hear(0.1 * np.ones(max(1, round(seconds * rate))), rate)
        return
    pluck = Pluck(146.83, 5e-5, 1.5)
    heard = hear(noisy(pluck.samples(seconds, rate), 40, np.random.default_rng(rate)), rate)
    assert len(heard.notes) == 1, (rate, heard)
    # At 4000 samples a second thirteen of its partials are left.
    assert abs(1200 * math.log2(heard.notes[0].hz / pluck.first_hz)) < 0.1, rate


@pytest.mark.parametrize("rate", QUICK)
def test_the_usual_rates(rate: int) -> None:
    listen_at(rate)


@pytest.mark.slow
def test_499_rates() -> None:
    assert len(RATES) == 499
    for rate in RATES:
        listen_at(rate)
