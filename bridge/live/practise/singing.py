"""*Sing it*: holds the tonic, hears the voice beside it, and tells after every note how near it was.

The drone is ours, so it is taken out of what the microphone hears (`bridge.sound.listening.voice.drone`). A note counts
once it was held for `HELD_S`, and is told when it has ended, or has lasted `LONG_S`: nobody corrects by the screen.
A voice that meets the drone's partials is partly learnt as if it were the drone, and what was learnt goes on sounding
for a while when the voice has ended; so its end is told by the level of the input as well.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager

import numpy as np

from bridge.ear.sung import Sung, Target
from bridge.jobs.practise import Assignment
from bridge.live.practise.keys import DONE
from bridge.live.practise.run import AFTER_S, Practice, silent, target_words, told_note
from bridge.live.practise.sounders import Sounder
from bridge.sound.device.microphone import Input
from bridge.sound.listening.voice.meter import VoiceMeter, VoiceReading

HELD_S, LONG_S = 1.0, 4.0
GAP_S = 0.35
"""Without a reading for so long, a note has ended."""

QUIET_SHARE, LEAST_RISE = 0.03, 1.5
"""A voice raises the level of the input at least so much where its end is told by it; silence is a share of that."""

DRONE_LEVEL = 0.6
"""The drone is softer than what is listened to: a voice is to be heard beside it."""


class NoteEar:
    """Readings in, whole notes out.

    Parameters
    ----------
    target : Target
        What is to be sung.
    told : int
        Number of the note that was told last: if it still sounds, it is not told again.
    """

    def __init__(self, target: Target, told: int = 0) -> None:
        self._target = target
        self.told = told
        """The number of the newest note that was told or is too old."""
        self._last: VoiceReading | None = None
        self._sung_s = self._with = self._without = 0.0
        self._before: deque[float] = deque(maxlen=15)

    def take(self, reading: VoiceReading | None, time_s: float, level: float) -> Sung | None:
        """Take what the meter says at a time, and how loud the input is; return a note once it is over."""
        last = self._last
        if reading is not None and reading.note <= self.told:
            reading = None  # the note before still sounds
        if last is None and reading is None:
            # The first sound of a voice comes before its first reading.
            self._before.append(level)
            self._without = statistics.median(self._before)
        if last is not None and reading is not None and self._has_fallen(level):
            reading = None  # what a drone that was learnt leaves behind
        if reading is not None and (last is None or reading.note == last.note):
            self._last, self._sung_s = reading, time_s
            self._with = level if last is None else max(self._with, level)
            return self._over() if reading.held_s >= LONG_S else None
        if last is None or (reading is None and time_s - self._sung_s < GAP_S):
            return None
        sung = self._over()
        self._last, self._sung_s, self._with = reading, time_s, level
        return sung

    def _has_fallen(self, level: float) -> bool:
        """Whether it is nearer, by its logarithm, to how loud it was without the voice than with it."""
        without = max(self._without, QUIET_SHARE * self._with)
        return self._with > LEAST_RISE * without and level < math.sqrt(without * self._with)

    def _over(self) -> Sung | None:
        last, self._last = self._last, None
        if last is None or last.held_s < HELD_S:
            return None
        self.told = last.note
        steadiness = last.steadiness_cents if math.isfinite(last.steadiness_cents) else 0.0
        return Sung(self._target, last.centre_hz, steadiness, last.held_s)


def run_singing(
    practice: Practice,
    sounder: Sounder,
    microphone: Input,
    assignment: Assignment,
    sung: list[Sung],
    level: float,
) -> None:
    """Have every note sung in turn; what was sung is appended to `sung`.

    Raises
    ------
    Leaving, Enough
        It ends before that.
    """
    practice.begin(assignment)
    drone_hz = _drone(assignment.targets)
    sounder.hold(drone_hz, DRONE_LEVEL * level)

    def resting() -> AbstractContextManager[None]:
        return silent(sounder, drone_hz, DRONE_LEVEL * level)

    try:
        meter = VoiceMeter(microphone.sample_rate, drone_hz=drone_hz)
        told = 0
        for number, target in enumerate(assignment.targets, 1):
            if practice.breathe(resting):
                microphone.read()  # what came meanwhile
                meter, told = VoiceMeter(microphone.sample_rate, drone_hz=drone_hz), 0
            practice.forget()
            place = f"note {number} of {len(assignment.targets)}"
            practice.show(place=place, ask=target_words(target), waits=(DONE, "pause"))
            ear = NoteEar(target, told)
            heard = _listen(practice, microphone, meter, ear, resting)
            practice.show(ask="", waits=())
            told = ear.told
            if heard is None:
                practice.say(f"{target.name} {target.note}: left out")
                continue
            sung.append(heard)
            practice.say(told_note(heard))
            practice.wait(AFTER_S)
    finally:
        sounder.let_go()


def _drone(targets: Sequence[Target]) -> tuple[float, ...]:
    return (targets[0].drone_hz,)


def _listen(
    practice: Practice,
    microphone: Input,
    meter: VoiceMeter,
    ear: NoteEar,
    resting: Callable[[], AbstractContextManager[None]],
) -> Sung | None:
    """Wait for a note; None where somebody wants the next one."""
    while True:
        command = practice.waiting_command(resting)
        if command == DONE:
            return None
        block = microphone.read()
        if not block.size:
            continue
        reading = meter.feed(block)
        level = float(np.sqrt(np.mean(block**2)))
        heard = ear.take(reading, meter.time_s, level)
        if heard is not None:
            return heard
