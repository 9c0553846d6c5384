"""Takes a drone that we play ourselves out of what the microphone hears, so that the voice beside it is left.

What is known are the drone's notes; unknown are its loudness, the room and the delay. All these only change how loud
each of the drone's partials comes back and in which phase. So for every partial one complex amplitude is learnt, by
least mean squares, and that sine taken out: quickly at first, for as long as the drone swells, then slowly while only
the drone sounds, and hardly at all while somebody sings, so that a voice that meets a partial is not taken for it.

Sound cards whose clocks differ turn all phases in proportion. How much is fitted to what was heard while only the drone
sounded, by least squares over all partials at once; while somebody sings it stays.

Sources: B. Widrow and others, "Adaptive noise cancelling: principles and applications" (Proc. IEEE 63, 1975), the
notch by reference sines.

Conventions: blocks are float64 of shape ``(n,)``; frequencies in Hz.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from bridge.sound.analysis.blocks import Complex, powers
from bridge.sound.analysis.spectrum import Floats

#: Partials up to here are taken out.
TOP_HZ = 6000.0
#: Partials nearer to each other than this are one.
APART_HZ = 0.02
#: What is learnt at first is the mean so far; then a mean over `CLOCK_S`, for the clock; from `LEARNT_S` on a mean over
#: `QUIET_S`, or, while somebody sings, `SUNG_S`.
CLOCK_S, LEARNT_S, QUIET_S, SUNG_S = 0.25, 1.2, 1.5, 20.0
#: A drone that swells is learnt for longer, at most for so long: while more than `SWELLS` of its power is left, and at
#: least `OWN_SHARE` of that lies on its own partials.
SWELLS_S, SWELLS, OWN_SHARE = 4.0, 0.003, 0.5
#: The clock is fitted to means over so many blocks: at least so many, at most so many of them, all from after the time
#: in which a room fills with the drone.
MEAN_OF, LEAST_MEANS, MOST_MEANS, FILLED_S = 5, 6, 60, 0.3
#: Somebody sings where what is left holds more than this share of the drone's power.
SUNG_SHARE = 0.05
#: Clocks differ by no more than this.
MOST_OFF = 3e-4
#: What is left of the drone is no voice: below this share of the drone's power nothing is heard.
LEFT_SHARE = 0.06
#: What is left over so many times what came is our own doing: a drone taken out that is not there (headphones).
ADDED_TIMES = 4.0
#: A drone that is bent by no more than this share (five cents) at once is the same drone.
GLIDES = 0.003


class DroneOut:
    """Takes a drone out, block by block.

    Parameters
    ----------
    sample_rate : float
    notes_hz : sequence of float
        The drone's notes as they are played.
    """

    def __init__(self, sample_rate: float, notes_hz: Sequence[float]) -> None:
        self.rate = sample_rate
        self.notes_hz = np.asarray(notes_hz, dtype=np.float64)
        # Frequencies of the partials that are taken out, and the note of each.
        self._hz, self._of_note = _lines(notes_hz, min(TOP_HZ, 0.45 * sample_rate))
        self._heard = np.zeros(self._hz.size, dtype=np.complex128)
        self._step = max(32, round(0.01 * sample_rate))
        self._turns = self._turning()
        self.frozen = False
        """While this is so nothing is learnt: something else of ours sounds, maybe on the drone's own partials."""
        self.learning = True
        """Whether it still has to learn what the drone sounds like here."""
        self._off = 0.0
        self._onward = self._from_block_to_block()
        self._seconds = 0.0  # of learning
        self._time_s = 0.0
        self._waiting = np.zeros(0)
        self._left = 0.0
        # Where each partial of the drone has turned to; its amplitude is learnt in that frame.
        self._spin: Complex = np.ones(self._hz.size, dtype=np.complex128)
        # Sums over the blocks of a mean: what each partial was, how it would have to change, and what was left.
        self._sum, self._change, self._power, self._count = 0 * self._spin, 0 * self._spin, 0.0, 0
        self._quiet = True
        self._means: deque[tuple[float, Complex]] = deque(maxlen=MOST_MEANS)
        # Mean squares of the last blocks: what was left, and what came.
        self._left_now = self._came_now = 0.0

    def _turning(self) -> Complex:
        return powers(np.asarray(2j * np.pi * self._hz / self.rate, dtype=np.complex128), 0, self._step)

    def _from_block_to_block(self) -> Complex:
        """How far each partial turns in a block, at the drone's own clock."""
        step_s = self._step / self.rate
        return np.asarray(np.exp(2j * np.pi * self._hz * (1 + self._off) * step_s), dtype=np.complex128)

    def glide(self, notes_hz: Sequence[float]) -> bool:
        """Follow a drone that is bent a little: it stays as loud. Tell whether it can be the same drone."""
        if len(notes_hz) != self.notes_hz.size:
            return False
        now_hz = np.asarray(notes_hz, dtype=np.float64)
        bent = now_hz / self.notes_hz
        if np.max(np.abs(bent - 1), initial=0.0) > GLIDES:
            return False
        # The same partials, also where another one would now lie below `TOP_HZ`: what was learnt belongs to these.
        self.notes_hz, self._hz = now_hz, self._hz * bent[self._of_note]
        self._turns, self._onward = self._turning(), self._from_block_to_block()
        self._means.clear()
        return True

    @property
    def power(self) -> float:
        """Mean square of the drone as it comes back."""
        return 0.5 * float(np.sum(np.abs(self._heard) ** 2))

    @property
    def too_loud(self) -> bool:
        """Whether what is left now may be no more than what the drone leaves behind."""
        return self._left < LEFT_SHARE * self.power or self._adds

    @property
    def _adds(self) -> bool:
        """Whether taking out makes it louder."""
        return self._left_now > ADDED_TIMES * self._came_now

    def feed(self, block: Floats) -> Floats:
        """Take in a block of any length; return what is ready without the drone."""
        self._waiting = np.concatenate([self._waiting, block])
        out = []
        while self._waiting.size >= self._step:
            out.append(self._one(self._waiting[: self._step]))
            self._waiting = self._waiting[self._step :]
        return np.concatenate(out) if out else np.zeros(0)

    def _one(self, block: Floats) -> Floats:
        step_s = self._step / self.rate
        left = block - (self._turns @ (self._heard * self._spin)).real
        # How each partial would have to change for this block alone.
        change: Complex = np.asarray(
            (2.0 / self._step) * np.conj(self._spin) * (np.conj(self._turns).T @ left), dtype=np.complex128
        )
        self._seconds += 0.0 if self.frozen else step_s
        power = float(left @ left) / self._step
        self._left += 0.2 * (power - self._left)
        self._left_now += 0.5 * (power - self._left_now)
        self._came_now += 0.5 * (float(block @ block) / self._step - self._came_now)
        sung = power > SUNG_SHARE * self.power and not self.learning
        if self._adds:
            tau_s = CLOCK_S
        elif self.learning:
            tau_s = min(self._seconds, CLOCK_S)
        else:
            tau_s = SUNG_S if sung else QUIET_S
        share = 0.0 if self.frozen else min(0.5, step_s / tau_s)
        if not self.frozen:
            self._note(change, power, not sung, tau_s)
        if sung:
            # What is far louder than the drone's own partial, such as a string that is struck there, teaches no more
            # than what is as loud.
            change = change * np.minimum(1.0, np.abs(self._heard) / np.maximum(np.abs(change), 1e-12))
        self._heard = self._heard + share * change
        # On to the next block's start, at the drone's own clock.
        self._time_s += step_s
        self._spin = self._spin * self._onward
        return left

    def _note(self, change: Complex, power: float, quiet: bool, tau_s: float) -> None:
        """Take a block into the mean; fit the clock when one is full."""
        self._sum = self._sum + self._heard + change
        self._change, self._power = self._change + change, self._power + power
        self._count, self._quiet = self._count + 1, self._quiet and quiet
        if self._count < MEAN_OF:
            return
        own = 0.5 * float(np.sum(np.abs(self._change) ** 2)) > OWN_SHARE * MEAN_OF * self._power
        swells = own and self._power > MEAN_OF * SWELLS * self.power
        self.learning = self.learning and self._seconds < (SWELLS_S if swells else LEARNT_S)
        if self._quiet and self._seconds > FILLED_S:
            turned = self._sum / MEAN_OF * self._spin * np.exp(-2j * np.pi * self._hz * self._time_s)
            self._means.append((self._time_s, turned))
            if len(self._means) >= LEAST_MEANS:
                self._follow_clock(tau_s)
        self._sum, self._change, self._power, self._count = 0 * self._spin, 0 * self._spin, 0.0, 0
        self._quiet = True

    def _follow_clock(self, tau_s: float) -> None:
        """Fit one line to the phases of all partials, each in proportion to its frequency."""
        t = np.array([at for at, _ in self._means])[:, None]
        turned = np.array([mean for _, mean in self._means]) * np.exp(-2j * np.pi * self._hz * self._off * t)
        middle = np.sum(turned, axis=0)
        weight = np.abs(turned) * np.abs(middle)
        total = np.sum(weight, axis=0)
        apart = (t - np.sum(weight * t, axis=0) / np.where(total > 0, total, 1.0)) * self._hz * 2 * np.pi
        scale = float(np.sum(weight * apart**2))
        if scale <= 0:
            return
        more = float(np.sum(weight * apart * np.angle(turned * np.conj(middle)))) / scale
        more = float(np.clip(self._off + more, -MOST_OFF, MOST_OFF)) - self._off
        self._off += more
        self._onward = self._from_block_to_block()
        # What was learnt lags behind by about `tau_s`.
        self._heard = self._heard * np.exp(2j * np.pi * self._hz * more * tau_s)


def without_drone(
    sound: NDArray[np.floating], sample_rate: float, notes_hz: Sequence[float]
) -> NDArray[np.float32]:
    """A whole take without the drone; silent while the drone was still learnt, and where it left too much behind."""
    out = DroneOut(sample_rate, notes_hz)
    step, done = round(0.05 * sample_rate), 0
    left = np.zeros(sound.size, dtype=np.float32)
    for first in range(0, sound.size, step):
        part = out.feed(np.asarray(sound[first : first + step], dtype=np.float64))
        if not (out.learning or out.too_loud):
            left[done : done + part.size] = part
        done += part.size
    return left[:done]


def _lines(notes_hz: Sequence[float], top_hz: float) -> tuple[Floats, NDArray[np.intp]]:
    """All partials of the notes, those that coincide only once; and the number of the note of each."""
    found = sorted(
        (hz * n, note) for note, hz in enumerate(notes_hz) for n in range(1, max(1, int(top_hz / hz)) + 1)
    )
    kept: list[tuple[float, int]] = []
    for hz, note in found:
        if not kept or hz - kept[-1][0] > APART_HZ:
            kept.append((hz, note))
    return np.array([hz for hz, _ in kept]), np.array([note for _, note in kept], dtype=np.intp)
