"""Hears single open strings between the phrases of a performance, and nothing else.

A pluck counts where it rang alone from half a second after its stroke: then a string has settled, and what a strong
stroke sharpens is over. What Stillbeat's own drone leaves in the microphone is taken out (`voice.drone`); while
somebody plays a keyboard, and shortly before and after, nothing counts; nor does what is no single string, such as
talk, a chord, or two strings that ring together.

No clock, thread or device is touched: time is counted in samples.

Conventions: blocks are float arrays of shape ``(n,)``, full scale 1; seconds since the first sample fed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.sound.analysis.comb import best_comb
from bridge.sound.analysis.partials import fit_string
from bridge.sound.analysis.spectrum import Floats, peaks, spectrum
from bridge.sound.listening.meter import INNER_RATE_HZ, Meter
from bridge.sound.listening.thinner import Thinner
from bridge.sound.listening.voice.drone import DroneOut

FROM_S, LEAST_S, MOST_S = 0.5, 0.7, 1.6
"""A string is measured from so long after its stroke, over at least and at most so long."""

AROUND_S = 0.4
"""So long before a stroke, and after what is measured, nobody may play."""

EXPLAINED, FITTED = 0.85, 0.6
"""Shares of the sound that one string accounts for: of its spectrum's peaks, and of its power."""

LEFT_SHARE = 0.15
"""A string that is weaker than this share of our own drone's power is not told from what the drone leaves behind."""

OWN_CENTS, OWN_SHARE = 0.2, 0.4
"""So near to a note of our own drone a string weaker than this share of it says nothing: it may be the drone."""

SURE_CENTS, WAVERS_CENTS = 0.4, 2.0
NEAR_CENTS = 60.0
_FIRST_READING_S = 0.05
_ROOTS = (1, 2, 3, 4)


@dataclass(frozen=True)
class StringHeard:
    """An open string that rang alone."""

    string: int
    hz: float
    stroke_s: float


class StringEar:
    """Sound in, strings out.

    Parameters
    ----------
    sample_rate : float
    strings : sequence of (int, float)
        Numbers of the open strings, and about what each sounds, in Hz.
    """

    def __init__(self, sample_rate: float, strings: Sequence[tuple[int, float]]) -> None:
        self._rate = sample_rate
        self._strings = tuple(strings)
        self._drone: DroneOut | None = None
        self._meter = Meter(sample_rate, self._strings)
        self._thin = Thinner(sample_rate, INNER_RATE_HZ)
        self._kept = np.zeros(0)
        self._fed = 0
        self._pluck = 0
        self._stroke_s: float | None = None
        # When somebody played last; and what was measured, waiting for whether somebody plays just after it.
        self._played_s = -1e9
        self._playing = False
        self._waiting: StringHeard | None = None

    @property
    def time_s(self) -> float:
        """Seconds of sound fed so far."""
        return self._fed / self._thin.rate

    def around(self, drone_hz: Sequence[float], playing: bool) -> None:
        """Say what else sounds from now on: the notes of our own drone, and whether somebody plays."""
        if not (drone_hz and self._drone is not None and self._drone.glide(drone_hz)):
            self._drone = DroneOut(self._rate, drone_hz) if drone_hz else None
            self._stroke_s = None  # what was heard until now held another drone
        self.play(playing)

    def play(self, playing: bool) -> None:
        """Say whether somebody plays from now on."""
        self._playing = playing
        if self._drone is not None:
            self._drone.frozen = playing  # a chord on the drone's own partials is not taken for the drone

    def feed(self, block: NDArray[np.floating]) -> list[StringHeard]:
        """Take in a block; return the strings that are sure by now."""
        sound = np.asarray(block, dtype=np.float64)
        if self._drone is not None:
            sound = self._drone.feed(sound)
            if self._drone.learning:
                sound = np.zeros_like(sound)
        thin = self._thin.feed(sound)
        self._kept = np.concatenate([self._kept, thin])[-round(4.0 * self._thin.rate) :]
        self._fed += thin.size
        if self._playing:
            self._played_s = self.time_s
        reading = self._meter.feed(sound)
        if reading is not None and reading.pluck != self._pluck:
            self._end()
            self._pluck = reading.pluck
            self._stroke_s = reading.time_s - _FIRST_READING_S
        if self._stroke_s is not None and self.time_s >= self._stroke_s + FROM_S + MOST_S:
            self._end()
        waiting = self._waiting
        if waiting is None:
            return []
        if self._played_s >= waiting.stroke_s - AROUND_S:
            self._waiting = None
            return []
        if self.time_s < waiting.stroke_s + FROM_S + LEAST_S + AROUND_S:
            return []
        self._waiting = None
        return [waiting]

    def _end(self) -> None:
        """Measure the pluck that has just ended, or rung for long enough."""
        stroke_s, self._stroke_s = self._stroke_s, None
        if stroke_s is None:
            return
        end_s = self.time_s
        if end_s - stroke_s < FROM_S + LEAST_S or self._played_s >= stroke_s - AROUND_S:
            return
        rate = self._thin.rate
        base_s = self.time_s - self._kept.size / rate
        first = round((stroke_s + FROM_S - base_s) * rate)
        # The next stroke, which ended it, is left out.
        last = round((end_s - 0.1 - base_s) * rate)
        rang = self._kept[max(0, first) : last]
        if self._drone is not None and rang.size and np.mean(rang**2) < LEFT_SHARE * self._drone.power:
            return  # it may be what the drone leaves behind
        hz = single_string(rang, rate)
        if hz is None or self._is_left_over(hz, rang):
            return
        string, wanted_hz = min(self._strings, key=lambda one: abs(np.log2(hz / one[1])))
        if abs(1200 * np.log2(hz / wanted_hz)) <= NEAR_CENTS:
            self._waiting = StringHeard(string, hz, stroke_s)

    def _is_left_over(self, hz: float, rang: Floats) -> bool:
        """Whether it may be our own drone, learnt badly while somebody talked: weak, and at its pitch or its root."""
        if self._drone is None or np.mean(rang**2) > OWN_SHARE * self._drone.power:
            return False
        times = np.outer(_ROOTS, hz / self._drone.notes_hz)
        return bool(np.min(np.abs(np.log2(times))) < OWN_CENTS / 1200)


def single_string(sound: Floats, rate: float) -> float | None:
    """Return the pitch of a stretch in which one string rings alone, in Hz; None where that is not so."""
    if sound.size < round(0.5 * rate) or float(np.sqrt(np.mean(sound**2))) < 5e-4:
        return None
    comb = best_comb(peaks(spectrum(sound, rate, top_hz=0.42 * rate), range_db=40.0))
    if comb is None or comb.explained < EXPLAINED:
        return None
    fit = fit_string(sound, rate, comb.f0_hz, comb.stiffness)
    if fit is None or fit.explained < FITTED or fit.cents_sd > SURE_CENTS or fit.wobble_cents > WAVERS_CENTS:
        return None
    return fit.hz
