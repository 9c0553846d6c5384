"""What is seen while a drone sounds: its notes, and the beats as they slow down.

In the picture a bar of beats grows shorter as they slow down; plain lines say them once a second.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from bridge.engine.play.drones.plan import Beat
from bridge.jobs.drone import STILL_HZ, rate_words
from bridge.live.desk.views.lines import Lines
from bridge.live.snapshot import Snapshot
from bridge.live.state import Lesson
from bridge.tuning.notes import hz_to_key, note_name

PHASES = {"rest": "silence: sing", "quiet": "drone off: d lets it sound again"}
"""What there is to say while nothing sounds."""
FAR = {"rest": "SING", "quiet": "OFF"}
"""The same in large letters."""
_LINE_S = 1.0
_BAR = 40


def heading(lesson: Lesson) -> str:
    """Say which step it is."""
    return (f"step {lesson.number} of {lesson.steps}: " if lesson.steps > 1 else "") + lesson.name


def settings(shown: Snapshot, level: int | None = None) -> str:
    """Say how table and volume were changed while playing; empty if not at all.

    Parameters
    ----------
    level : int, optional
        The volume as it was planned, in hundredths.
    """
    said = "equal (through the same reference)" if shown.equal else ""
    trim = f"trim {shown.trim_cents:+g} cents" if shown.trim_cents else ""
    volume = "" if shown.drone_volume in (None, level) else f"volume {shown.drone_volume}"
    return ", ".join(filter(None, (said, trim, volume)))


def sounding_words(lesson: Lesson, tonic: str) -> tuple[list[str], list[str]]:
    """Say how the notes that sound beat, with a bar as long as the beats are fast, and what each sounds."""
    if lesson.phase != "sound":
        return [], []
    rates = []
    for beat in lesson.beats:
        names = f"{note_name(beat.low_key, tonic)} - {note_name(beat.high_key, tonic)}"
        words = "still" if beat.rate_hz < STILL_HZ else f"{beat.rate_hz:5.2f} beats a second"
        rates.append(f"{names:>10}  {words:19}  {'~' * min(round(4 * beat.rate_hz), _BAR)}")
    notes = [
        f"{note_name(key, tonic):>4}  {hz:9.3f} Hz  {100.0 * (hz_to_key(hz) - key):+7.1f} cents from equal"
        for key, hz in lesson.notes
    ]
    return rates, notes


class DroneLines(Lines):
    """One line for each thing worth saying; the beats once a second while they fall."""

    def __init__(self, keys: bool = False, clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__(keys)
        self._clock = clock
        self._step: tuple[int, str] = (0, "")
        self._settings = ""
        self._level: int | None = None
        self._rates: tuple[float, ...] | None = None
        self._said_s = 0.0

    def show(self, shown: Snapshot) -> None:
        """Write lines where something has changed."""
        self._tell(shown)
        lesson = shown.lesson
        if lesson is None:
            return
        step = (lesson.number, lesson.phase)
        if step != self._step:
            self._step = step
            if lesson.phase == "sound":
                self._say_when(heading(lesson), shown.at_s)
                self._rates = None
            elif lesson.phase in PHASES:
                self._say(PHASES[lesson.phase])
        if self._level is None:
            self._level = shown.drone_volume
        changed = settings(shown, self._level)
        if changed != self._settings:
            self._settings = changed
            self._rates = None
            self._say(changed or "just, untrimmed")
        if lesson.phase == "sound":
            self._beats(lesson.beats, shown.tonic)

    def _beats(self, beats: Sequence[Beat], tonic: str) -> None:
        rates = tuple(beat.rate_hz if beat.rate_hz >= STILL_HZ else 0.0 for beat in beats)
        now_s = self._clock()
        still = not any(rates)
        if rates == self._rates or (self._rates is not None and not still and now_s - self._said_s < _LINE_S):
            return
        self._rates, self._said_s = rates, now_s
        for beat in beats:
            names = f"{note_name(beat.low_key, tonic)} - {note_name(beat.high_key, tonic)}"
            words = "no beats" if beat.rate_hz < STILL_HZ else rate_words(beat.rate_hz)
            partials = f" ({beat.partial} : {beat.other_partial})" if self._engine else ""
            self._say(f"  {names}: {words}{partials}")
