"""Examines a synth: drives its port and listens, or asks the musician, through `bridge.engine.probe.course`.

Decisions are the engine's; here notes are struck and heard. Everything that is sent goes through a `Seat`, which puts
the synth back in the end.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import replace
from typing import TypeVar

from bridge.engine.probe.course import Findings, examination
from bridge.engine.probe.messages import Place
from bridge.engine.probe.trials import Step, Trial, control
from bridge.engine.probe.verdicts import Hearing, near
from bridge.errors import PortProblem
from bridge.live.probe.seat import Seat
from bridge.sound.listening.probe_ear import OTHER, Ear, Tone, shift_cents

QUICK_S = 0.2
PRECISE_S = 0.5
OTHER_KEY_CENTS = 200.0
"""Another key that is struck to see whether the note is pitched; a stretched piano lies within `STRETCH_CENTS`."""
STRETCH_CENTS = 25.0
DRUMS = 10
_SNARE = 38
EXPECTED_TRIALS = 42

Progress = Callable[[str, float], None]
_Result = TypeVar("_Result")


class Prober:
    """Holds trials on a synth and hears them."""

    def __init__(self, seat: Seat, ear: Ear, place: Place) -> None:
        self._seat = seat
        self._ear = ear
        self._place = place

    def hold(self, trial: Trial) -> Hearing:
        """Hold a trial, and take it back."""
        seat = self._seat
        seat.begin(trial.undo)
        tones: list[Tone] = []
        for step in trial.steps:
            tones.append(self._step(trial, step))
        seat.take_back()
        self._ear.quiet()
        first = tones[0]
        cents = [0.0 if first.hz.size else None, *(shift_cents(first, tone) for tone in tones[1:])]
        troubles = [tone.trouble for tone in tones if tone.trouble]
        if not troubles and None in cents:
            troubles = [OTHER]
        heard = [None if tone.trouble else each for tone, each in zip(tones, cents, strict=True)]
        return Hearing(tuple(heard), troubles[0] if troubles else "")

    def _step(self, trial: Trial, step: Step) -> Tone:
        seat, ear = self._seat, self._ear
        if step.strike:
            seat.let_go()
            ear.quiet()
            behind_s = seat.send(*step.messages)
            seat.strike(trial.channel, self._place.key)
        else:
            behind_s = seat.send(*step.messages)
        return ear.hear(step.strike, PRECISE_S if step.precise else QUICK_S, behind_s)

    # ---- before the first trial

    def prepare(self, progress: Progress) -> tuple[int, ...]:
        """Make sure that notes are heard, that their pitch is, and which channels sound; return these.

        PortProblem if the synth is not heard, does not fall silent, or has no pitch that can be followed.
        """
        seat, ear, place = self._seat, self._ear, self._place
        progress("listening to the room", 0.0)
        ear.room()
        progress("listening for the synth", 0.01)
        seat.strike(place.channel, place.key)
        if not ear.learn():
            raise PortProblem(
                f"the synth is not heard: a test note on channel {place.channel} brought nothing to the sound input",
                "turn it up, check the cable or --mic, try --channel, or answer by ear with --ask",
            )
        seat.let_go()
        if not ear.quiet(3.0):
            raise PortProblem(
                "the sound goes on after the test note has ended",
                "choose a sound without a long echo, and let everything else be silent",
            )
        self._check_pitch()
        progress("listening on every channel", 0.03)
        return self._channels()

    def _check_pitch(self) -> None:
        """Two keys must be heard to differ by what they do, and one key not at all."""
        seat, ear, place = self._seat, self._ear, self._place
        shifts: list[float | None] = []
        trouble = ""
        for _ in range(2):
            tones = []
            for key in (place.key, place.key - 2):
                seat.let_go()
                ear.quiet()
                seat.strike(place.channel, key)
                tones.append(ear.hear(True, QUICK_S))
            trouble = tones[0].trouble or tones[1].trouble
            shifts.append(None if trouble else shift_cents(*tones))
            if near(shifts[-1], -OTHER_KEY_CENTS, STRETCH_CENTS):
                break
        seat.let_go()
        again = self.hold(control(place))
        still = all(near(cents, 0.0) for cents in again.cents)
        if not near(shifts[-1], -OTHER_KEY_CENTS, STRETCH_CENTS) or not still:
            why = trouble or again.trouble or "two notes a whole tone apart were not heard as that"
            raise PortProblem(
                f"test notes are heard, but their pitch cannot be followed: {why}",
                "choose a steady sound such as an organ or a flute, without vibrato, chorus and echo; "
                "or answer by ear with --ask",
            )

    def _channels(self) -> tuple[int, ...]:
        """Channels on which a note is heard."""
        seat, ear, place = self._seat, self._ear, self._place
        heard = []
        for channel in range(1, 17):
            seat.strike(channel, _SNARE if channel == DRUMS else place.key)
            if ear.heard():
                heard.append(channel)
            seat.let_go()
            ear.quiet()
        return tuple(heard) or (place.channel,)


def examine(prober: Prober, place: Place, progress: Progress) -> Findings:
    """Examine a synth from start to end by listening.

    PortProblem if it is not heard, or a port or input goes away.
    """
    channels = prober.prepare(progress)
    others = [channel for channel in channels if channel not in (place.channel, DRUMS)]
    place = replace(place, other=others[0] if others else place.channel)
    return follow(examination(place, channels), prober.hold, progress)


def follow(
    course: Generator[Trial, Hearing, _Result],
    hold: Callable[[Trial], Hearing],
    progress: Progress,
) -> _Result:
    """Lead an examination to its end."""
    number = 0
    try:
        trial = next(course)
        while True:
            number += 1
            progress(trial.label, 0.05 + 0.95 * min(1.0, number / EXPECTED_TRIALS))
            trial = course.send(hold(trial))
    except StopIteration as end:
        result: _Result = end.value
        return result
