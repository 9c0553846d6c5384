"""The ear for a voice, live: blocks of sound in, readings of the note that is sung out.

The voice is followed as in a take (`follow`), in frames that come every 12 ms. As long as a note lasts, its centre is
read anew from all of it, over whole cycles of its vibrato; a new note begins after a gap, or where the pitch leaves.

No clock, thread or device is touched: time is counted in samples.

Conventions: blocks are float arrays of shape ``(n,)`` of any length, full scale 1; times in seconds since the first
sample fed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.errors import ValueProblem
from bridge.sound.analysis.contour import CLEAR, STEP_S, frame_grid
from bridge.sound.listening.thinner import Thinner
from bridge.sound.listening.voice.drone import DroneOut
from bridge.sound.listening.voice.follow import JUMP_CENTS, SLIP_S, follow_voice, frame_s
from bridge.sound.listening.voice.notes import GAP_S, LEAVES_CENTS, SMOOTH_S
from bridge.sound.listening.voice.vibrato import centre_of

#: The ear works at about this many samples a second.
INNER_RATE_HZ = 44100.0
#: Readings come this often.
UPDATE_S = 2 * STEP_S
#: Softer than this (root mean square, full scale 1) is silence.
GATE = 1e-3
#: A first reading rests on so many frames that lie within `FIRST_CENTS` of each other.
FIRST_FRAMES, FIRST_CENTS = 3, 120.0
#: … and waits, for at most so many frames, while the sound still grows by so many times from one frame to the next but
#: one: a wind that begins to speak may sound an octave away.
ATTACK_FRAMES, GROWS_TIMES = 5, 1.5
#: A note so young has not shown a whole cycle of a slow vibrato: only a pitch this far off is another note.
YOUNG_S, YOUNG_LEAVES_CENTS = 0.35, 170.0
#: The centre is that of the last so many seconds of a note: a singer who corrects is followed.
CENTRE_S = 1.5
#: The way into a note is left out once it is longer than this.
SCOOP_S = 0.09


@dataclass(frozen=True)
class VoiceReading:
    """The note that is sung."""

    time_s: float  # end of the sound it rests on
    hz: float  # where the pitch is now
    # Where the note lies, over whole cycles of its vibrato, and the standard deviation of that.
    centre_hz: float
    sd_cents: float
    # As in `notes.SungNote`.
    steadiness_cents: float
    vibrato_hz: float
    vibrato_cents: float
    held_s: float  # how long the note has lasted
    note: int  # counts the notes


class VoiceMeter:
    """A pitch meter for one voice.

    Parameters
    ----------
    sample_rate : float
        Of the blocks fed, 8,000 to 192,000.
    low_hz, high_hz : float
        Range of the voice.
    drone_hz : sequence of float
        Notes of a drone that we play ourselves and that the microphone may hear: it is taken out (`drone`). While
        only the drone is heard, in its first second, and until it swells no more, there are no readings.

    Raises
    ------
    ValueProblem
        Where the sample rate or the range makes no sense.
    """

    def __init__(
        self,
        sample_rate: float,
        low_hz: float = 60.0,
        high_hz: float = 2100.0,
        drone_hz: Sequence[float] = (),
    ) -> None:
        if not 8000 <= sample_rate <= 192000:
            raise ValueProblem(f"sample rate {sample_rate:g}", "8000 to 192000 samples a second")
        if not 40 <= low_hz < high_hz <= 2500:
            raise ValueProblem(f"range {low_hz:g} to {high_hz:g} Hz", "within 40 to 2500 Hz")
        self._low_hz, self._high_hz = low_hz, high_hz
        self._drone = DroneOut(sample_rate, drone_hz) if drone_hz else None
        self._thin = Thinner(sample_rate, INNER_RATE_HZ)
        self.rate = self._thin.rate
        self._length, self._step = frame_grid(self.rate, low_hz)
        self._kept = np.zeros(0)
        self._fed = 0
        self._number = 0
        self._began_s = 0.0
        self._t: list[float] = []
        self._cents: list[float] = []
        self._levels: list[float] = []

    @property
    def time_s(self) -> float:
        """Seconds of sound fed so far."""
        return self._fed / self.rate

    @property
    def learning(self) -> bool:
        """Whether it learns how the drone sounds here, and hears no voice yet."""
        return self._drone is not None and self._drone.learning

    def feed(self, block: NDArray[np.floating]) -> VoiceReading | None:
        """Take in a block of sound.

        Parameters
        ----------
        block : ndarray, shape (n,)

        Returns
        -------
        VoiceReading or None
            The newest reading that this block made possible, or None where there is no new one.
        """
        sound = np.asarray(block, dtype=np.float64)
        if self._drone is not None:
            sound = self._drone.feed(sound)
        thin = self._thin.feed(sound)
        self._kept = np.concatenate([self._kept, thin])
        self._fed += thin.size
        count = 1 + (self._kept.size - self._length) // self._step
        if count < round(UPDATE_S / STEP_S):
            return None
        first_s = (self._fed - self._kept.size) / self.rate
        used = self._kept[: self._length + (count - 1) * self._step]
        track = follow_voice(used, self.rate, self._low_hz, self._high_hz)
        self._kept = self._kept[count * self._step :]
        before = len(self._t)
        hidden = self._drone is not None and (self._drone.learning or self._drone.too_loud)
        for t, hz, clarity, level in zip(track.t, track.hz, track.clarity, track.level, strict=True):
            if clarity >= CLEAR and level >= GATE and hz > 0 and not hidden:
                self._take(first_s + float(t), 1200 * float(np.log2(hz)), float(level))
        if len(self._t) == before or self._t[-1] < first_s:
            return None
        return self._reading()

    def _take(self, t: float, cents: float, level: float) -> None:
        """One frame of a voice."""
        if self._t and t - self._t[-1] > GAP_S:
            self._begin(0)
        elif self._t and self._t[-1] - self._began_s < SLIP_S and abs(cents - self._cents[-1]) > JUMP_CENTS:
            self._begin(0)  # what was over so soon was no note
            self._number -= 1
        recent = round(SMOOTH_S / STEP_S)
        if len(self._t) > recent:
            middle = float(np.median(self._cents[: -recent // 2]))
            leaves_cents = LEAVES_CENTS if t - self._began_s > YOUNG_S else YOUNG_LEAVES_CENTS
            if abs(float(np.mean([*self._cents[1 - recent :], cents])) - middle) > leaves_cents:
                # What came since the pitch left belongs to the new note.
                left = 0
                while left < recent and abs(self._cents[-1 - left] - cents) < LEAVES_CENTS:
                    left += 1
                self._begin(left)
        if not self._t:
            self._number += 1
            self._began_s = t
        self._t.append(t)
        self._cents.append(cents)
        self._levels = [*self._levels[-2:], level]

    def _begin(self, keep: int) -> None:
        """A new note, which the last `keep` frames belong to."""
        first = len(self._t) - keep
        self._t, self._cents = self._t[first:], self._cents[first:]
        self._levels = self._levels[max(0, len(self._levels) - keep) :]
        if keep:
            self._number += 1
            self._began_s = self._t[0]

    def _reading(self) -> VoiceReading | None:
        surplus = len(self._t) - round((CENTRE_S + SCOOP_S) / STEP_S)
        if surplus > 0:
            self._t, self._cents = self._t[surplus:], self._cents[surplus:]
        if len(self._t) < FIRST_FRAMES or np.ptp(self._cents[-FIRST_FRAMES:]) > FIRST_CENTS:
            return None
        if len(self._t) < ATTACK_FRAMES and self._levels[-1] > GROWS_TIMES * self._levels[0]:
            return None
        t, cents = np.asarray(self._t), np.asarray(self._cents)
        inside = t >= t[0] + SCOOP_S
        if int(inside.sum()) >= 2 * round(SCOOP_S / STEP_S):
            t, cents = t[inside], cents[inside]
        now_hz = float(2 ** (self._cents[-1] / 1200))
        centre = centre_of(t, cents, frame_s(now_hz))
        return VoiceReading(
            time_s=self.time_s,
            hz=now_hz,
            centre_hz=float(2 ** (centre.cents / 1200)),
            sd_cents=centre.sd_cents,
            steadiness_cents=centre.steadiness_cents,
            vibrato_hz=centre.vibrato_hz,
            vibrato_cents=centre.vibrato_cents,
            held_s=self._t[-1] - self._began_s,
            note=self._number,
        )
