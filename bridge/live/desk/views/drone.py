"""What is seen while a drone sounds: its notes, and the beats as they slow down.

In a terminal a picture, whose bar of beats grows shorter as they slow down; plain lines anywhere else. A display that
cannot write any more is quiet from then on.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from bridge.engine.play.drones.plan import Beat
from bridge.jobs.drone import STILL_HZ, rate_words
from bridge.live.desk.drawing import View, own_stream
from bridge.live.desk.views.playing import ALARMS, a_picture_suits
from bridge.live.desk.views.screen import Screen
from bridge.live.plan import LivePlan, StepsDrone
from bridge.live.snapshot import Snapshot
from bridge.live.state import Lesson
from bridge.tuning.notes import hz_to_key
from bridge.tuning.tables import Table

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

KEYS = "d off and on   , . softer, louder   + - trim   0 untrim   e equal/just   v engine   x or q ends it"
_LINE_S = 1.0
_BAR = 40
_SAID_LINES = 4


def make_drone_display(table: Table, plan: LivePlan, lines: bool, keys: bool) -> View[Snapshot]:
    """Return the view that suits where the output goes."""
    steps = len(plan.drone.plan.steps) * plan.drone.plan.rounds if isinstance(plan.drone, StepsDrone) else 0
    if lines or not a_picture_suits():
        return DroneLines(table, steps)
    return DroneScreen(table, steps, keys)


def plainly(text: str) -> str:
    """Say what the player says, as it is meant where there is no keyboard and perhaps no MIDI."""
    text = text.replace("ready: no keyboard -> ", "playing on ")
    return text.replace("the MIDI server is gone", "the sound or MIDI server is gone")


def heading(lesson: Lesson, steps: int) -> str:
    """Say which step it is."""
    return (f"step {lesson.number} of {steps}: " if steps > 1 else "") + lesson.name


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


class DroneLines:
    """One line for each thing worth saying; the beats once a second while they fall."""

    def __init__(self, table: Table, steps: int, clock: Callable[[], float] = time.monotonic) -> None:
        self._table = table
        self._steps = steps
        self._clock = clock
        self._out = own_stream()
        self._told = 0
        self._step: tuple[int, str] = (0, "")
        self._settings = ""
        self._level: int | None = None
        self._rates: tuple[float, ...] | None = None
        self._said_s = 0.0

    def _say(self, text: str) -> None:
        with contextlib.suppress(OSError, ValueError):
            print(text, file=self._out, flush=True)

    def show(self, shown: Snapshot) -> None:
        """Write lines where something has changed."""
        for message in shown.messages:
            if message.number > self._told:
                self._told = message.number
                self._say(plainly(message.text))
        lesson = shown.lesson
        if lesson is None:
            return
        step = (lesson.number, lesson.phase)
        if step != self._step:
            self._step = step
            if lesson.phase == "sound":
                self._say(heading(lesson, self._steps))
                self._rates = None
            elif lesson.phase == "rest":
                self._say("silence: sing")
            elif lesson.phase == "quiet":
                self._say("drone off: d lets it sound again")
        if self._level is None:
            self._level = shown.drone_volume
        changed = settings(shown, self._level)
        if changed != self._settings:
            self._settings = changed
            self._rates = None
            self._say(changed or "just, untrimmed")
        if lesson.phase == "sound":
            self._beats(lesson.beats)

    def _beats(self, beats: Sequence[Beat]) -> None:
        rates = tuple(beat.rate_hz if beat.rate_hz >= STILL_HZ else 0.0 for beat in beats)
        now_s = self._clock()
        still = not any(rates)
        if rates == self._rates or (self._rates is not None and not still and now_s - self._said_s < _LINE_S):
            return
        self._rates, self._said_s = rates, now_s
        for beat in beats:
            names = f"{self._table.note(beat.low_key)} - {self._table.note(beat.high_key)}"
            words = "no beats" if beat.rate_hz < STILL_HZ else rate_words(beat.rate_hz)
            self._say(f"  {names}: {words} ({beat.partial} : {beat.other_partial})")

    def close(self) -> None:
        """Nothing to give back."""


class DroneScreen(Screen[Snapshot]):
    """A picture that is drawn again as things change."""

    def __init__(self, table: Table, steps: int, keys: bool, console: Console | None = None) -> None:
        self._table = table
        self._steps = steps
        self._keys = keys
        super().__init__(console)

    def _left(self, seen: Snapshot) -> list[str]:
        return [plainly(message.text) for message in seen.messages[-_SAID_LINES:]]

    def _picture(self, seen: Snapshot) -> RenderableType:
        from rich.console import Group
        from rich.text import Text

        parts: list[RenderableType] = []
        lesson, note = seen.lesson, self._table.note
        if seen.link in ALARMS:
            parts.append(Text(f" {plainly(ALARMS[seen.link][1])} ", style="bold white on red"))
        if seen.bar:
            parts.append(Text(f" bar {seen.bar} ", style="bold reverse"))
        if lesson is not None:
            parts.append(Text(f" {heading(lesson, self._steps)} ", style="bold reverse"))
            if lesson.phase == "rest":
                parts.append(Text("silence: sing", style="bold"))
            if lesson.phase == "quiet":
                parts.append(Text("drone off: d lets it sound again", style="bold"))
            for key, hz in lesson.notes if lesson.phase == "sound" else ():
                cents = 100.0 * (hz_to_key(hz) - key)
                parts.append(Text(f"{note(key):>4}  {hz:9.3f} Hz  {cents:+7.1f} cents from equal"))
            for beat in lesson.beats if lesson.phase == "sound" else ():
                names, rate_hz = f"{note(beat.low_key)} - {note(beat.high_key)}", beat.rate_hz
                words = "still" if rate_hz < STILL_HZ else f"{rate_hz:5.2f} beats a second"
                parts.append(Text(f"{names:>12}  {words:22}  {'~' * min(round(4 * rate_hz), _BAR)}"))
            parts.append(Text(f"{seen.synth}  {settings(seen)}", style="dim"))
        parts += [Text(line, style="dim") for line in seen.addresses]
        if seen.engine:
            parts += [Text(line, style="dim") for line in seen.about_engine]
            parts += [Text(line) for line in seen.code]
        said = [message for message in seen.messages if message.kind != "engine"][-_SAID_LINES:]
        parts += [Text(plainly(message.text), style="yellow") for message in said]
        if self._keys:
            parts.append(Text(KEYS, style="dim"))
        return Group(*parts)
