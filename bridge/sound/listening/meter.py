"""The live meter's ear: blocks of sound in, readings of one string's pitch out.

From 40 ms after an onset on, the spectrum of all that has sounded is looked at every 10 ms until two looks agree (at
the latest at 80 ms): right to a cent or two of what the string sounds at that moment, which is often some cents above
where it will settle. From 160 ms on the partials are fitted together as for a recording (`partials`), over up to
0.6 s and every 60 ms: right to a fraction of a cent.

Pitches are looked for over all that a guitar can sound, not near the strings alone: a note above them would else be
taken for a string an octave below it.

No clock, thread or device is touched: time is counted in samples, so that tests feed what they like. Feeding costs at
most a few milliseconds at a time and may be done in an audio thread's consumer, not in its callback.

Conventions: blocks are float arrays of shape ``(n,)`` of any length, full scale 1; times in seconds since the first
sample fed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.errors import ValueProblem
from bridge.sound.analysis.comb import Comb, best_comb
from bridge.sound.analysis.partials import fit_string
from bridge.sound.analysis.spectrum import Floats, peaks, spectrum
from bridge.sound.listening.heard import name_string
from bridge.sound.listening.thinner import Thinner
from bridge.tuning.notes import hz_to_key, key_to_hz

#: The ear works at about this many samples a second.
INNER_RATE_HZ = 11000.0
#: Step of the quick look, its window's least length, and the length from which one look is enough, in seconds.
QUICK_STEP_S, QUICK_LEAST_S, QUICK_ENOUGH_S = 0.01, 0.036, 0.076
#: Once a reading was made, quick looks are further apart.
QUICK_AGAIN_S = 0.03
#: Step of the careful look, its window's least and greatest length.
CAREFUL_STEP_S, CAREFUL_LEAST_S, CAREFUL_MOST_S = 0.06, 0.16, 0.6
#: The noise of the pluck itself is left out.
SKIP_S = 0.004
#: A rise of the level by this factor within 30 ms is a new pluck.
ONSET_RISE = 1.8
#: … but not while the last one still swells.
ATTACK_S = 0.06
#: Softer than this (root mean square, full scale 1) is silence.
GATE = 1e-3
#: A quick look explains this much of the peaks …
QUICK_EXPLAINED = 0.7
#: … and two in a row agree within this.
QUICK_AGREE_CENTS = 1.5
#: In a careful look so short a drift of the pitch is easily mistaken: where the plain peaks differ so much, they hold.
SHORT_S, SHORT_OFF_CENTS = 0.3, 3.0
#: A jump like this between careful looks is another string, though its pluck was not noticed.
JUMP_CENTS = 60.0
#: Careful looks that agree so well, and are so sure, are steady.
STEADY_CENTS = 2.0


@dataclass(frozen=True)
class Reading:
    """What the meter shows."""

    time_s: float  # end of the sound it rests on
    hz: float  # first partial as it sounds
    # From the string's expected pitch; without strings, or where none is near, from the nearest equal
    # key.
    cents: float
    string: int | None
    confidence: float  # 0 to 1: below about 0.5 the reading is a first guess
    steady: bool  # True once readings agree; what is shown large
    pluck: int = 0  # counts the plucks: readings of different ones are never to be mixed


class Meter:
    """A pitch meter for one string at a time, of blocks at 8,000 to 192,000 samples a second.

    `strings` are numbers with the pitch in hertz that each is tuned to. ValueProblem where the sample rate
    makes no sense.
    """

    def __init__(self, sample_rate: float, strings: Sequence[tuple[int, float]] | None = None) -> None:
        if not 8000 <= sample_rate <= 192000:
            raise ValueProblem(f"sample rate {sample_rate:g}", "8000 to 192000 samples a second")
        self.strings = tuple(strings or ())
        self._thin = Thinner(sample_rate, INNER_RATE_HZ)
        self.rate = self._thin.rate
        self._kept = np.zeros(0)
        self._fed = 0  # inner samples seen so far
        self._looked = 0  # up to which inner sample the quick look has gone
        self._quick_at = self._careful_at = 0
        self._pluck = 0
        self._onset: int | None = None
        self._levels: list[float] = []
        self._recent: list[float] = []
        self._guess_hz = 0.0

    @property
    def time_s(self) -> float:
        """Seconds of sound fed so far."""
        return self._fed / self.rate

    def feed(self, block: NDArray[np.floating]) -> Reading | None:
        """Take in a block of sound, shape (n,); return the newest reading that it made possible, None if there is
        none.
        """
        thin = self._thin.feed(np.asarray(block, dtype=np.float64))
        self._kept = np.concatenate([self._kept, thin])
        self._fed += thin.size
        newest: Reading | None = None
        step = round(QUICK_STEP_S * self.rate)
        while self._looked + step <= self._fed:
            self._looked += step
            newest = self._look() or newest
        surplus = self._kept.size - round((CAREFUL_MOST_S + 0.1) * self.rate)
        if surplus > 0:
            self._kept = self._kept[surplus:]
        return newest

    def _since(self, first: int, last: int) -> Floats:
        """Inner samples `first` to `last`, as far as they are still kept."""
        base = self._fed - self._kept.size
        return self._kept[max(0, first - base) : max(0, last - base)]

    def _look(self) -> Reading | None:
        """One step of 10 ms."""
        step = round(QUICK_STEP_S * self.rate)
        level = float(np.sqrt(np.mean(self._since(self._looked - step, self._looked) ** 2)))
        before = max(self._levels[-3:], default=0.0)
        self._levels = [*self._levels[-5:], level]
        fresh = self._onset is not None and self._looked - self._onset < ATTACK_S * self.rate
        if level > max(GATE, ONSET_RISE * before) and not fresh:
            self._onset = self._looked - step
            self._quick_at = self._onset + round((SKIP_S + QUICK_LEAST_S) * self.rate)
            self._careful_at = self._onset + round(CAREFUL_LEAST_S * self.rate)
            self._begin_anew()
        if level < GATE:
            self._onset = None
        if self._onset is None:
            return None
        start = self._onset + round(SKIP_S * self.rate)
        if self._looked >= self._careful_at:
            self._careful_at = self._looked + round(CAREFUL_STEP_S * self.rate)
            return self._careful(max(start, self._looked - round(CAREFUL_MOST_S * self.rate)))
        if self._looked >= self._quick_at and not self._recent:
            return self._quick(start)
        return None

    def _begin_anew(self) -> None:
        self._pluck += 1
        self._recent = []
        self._guess_hz = 0.0

    def _quick(self, start: int) -> Reading | None:
        """All that has sounded since the pluck."""
        sound = self._since(start, self._looked)
        comb = self._guess(sound)
        if comb is None or comb.explained < QUICK_EXPLAINED:
            return None
        hz, before = comb.agreed_hz, self._guess_hz
        self._guess_hz = hz
        # One look may be taken in by the pick's noise; two that agree seldom are.
        agree = before > 0 and abs(1200 * np.log2(hz / before)) < QUICK_AGREE_CENTS
        if not agree and sound.size < QUICK_ENOUGH_S * self.rate:
            return None
        self._quick_at = self._looked + round(QUICK_AGAIN_S * self.rate)
        return self._reading(hz, 0.5 * min(1.0, comb.explained), False)

    def _guess(self, sound: Floats) -> Comb | None:
        return best_comb(peaks(spectrum(sound, self.rate, top_hz=0.42 * self.rate)))

    def _careful(self, start: int) -> Reading | None:
        sound = self._since(start, self._looked)
        comb = self._guess(sound)
        if comb is None or comb.explained < 0.6:
            return None
        fit = fit_string(sound, self.rate, comb.f0_hz, comb.stiffness, passes=1)
        if fit is None or fit.explained < 0.3:
            return None
        hz = fit.hz
        if sound.size < SHORT_S * self.rate and abs(1200 * np.log2(hz / comb.first_hz)) > SHORT_OFF_CENTS:
            hz = comb.first_hz
        if self._recent and abs(1200 * np.log2(hz / self._recent[-1])) > JUMP_CENTS:
            self._begin_anew()
        self._recent = [*self._recent[-2:], hz]
        spread = 1200 * float(np.log2(max(self._recent) / min(self._recent)))
        sure = float(np.clip(1.0 - fit.cents_sd / 20.0, 0.0, 1.0) * np.clip(comb.explained, 0.0, 1.0))
        steady = len(self._recent) >= 3 and spread < STEADY_CENTS and fit.cents_sd < 2 * STEADY_CENTS
        return self._reading(hz, max(0.5, sure), steady)

    def _reading(self, hz: float, confidence: float, steady: bool) -> Reading:
        string = name_string(hz, self.strings) if self.strings else None
        if string is not None:
            target = dict(self.strings)[string]
        else:
            target = float(key_to_hz(min(max(round(float(hz_to_key(hz))), 0), 127)))
        cents = float(1200 * np.log2(hz / target))
        return Reading(self._looked / self.rate, hz, cents, string, confidence, steady, self._pluck)
