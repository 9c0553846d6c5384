"""What is seen while a drone sounds: its notes, and the beats as they slow down.

In a terminal a picture, whose bar of beats grows shorter as they slow down; plain lines anywhere else. A display that
cannot write any more is quiet from then on.

Index: `DroneLines`, `DroneScreen`, `make_drone_display`.
"""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from bridge.jobs.drone import STILL_HZ, rate_words
from bridge.live.desk.display import Display
from bridge.live.desk.screen import Screen
from bridge.live.plan import LivePlan
from bridge.tuning.notes import hz_to_key
from bridge.tuning.tables import Table

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

KEYS = "+ - trim   0 untrim   e equal/just   x or q ends it"
_LINE_S = 1.0
_BAR = 40
_SAID_LINES = 4


def make_drone_display(table: Table, plan: LivePlan, lines: bool, keys: bool) -> Display:
    """Return the display that suits where the output goes."""
    steps = 0 if plan.drone is None else len(plan.drone.steps) * plan.drone.rounds
    if not lines and sys.stdout.isatty():
        return DroneScreen(table, steps, keys)
    return DroneLines(table, steps)


def plainly(text: str) -> str:
    """Say what the player says, as it is meant where there is no keyboard and perhaps no MIDI."""
    text = text.replace("ready: no keyboard -> ", "playing on ")
    return text.replace("the MIDI server is gone", "the sound or MIDI server is gone")


def heading(drone: Mapping[str, Any], steps: int) -> str:
    """Say which step it is."""
    number = f"step {drone['number']} of {steps}: " if steps > 1 else ""
    return f"{number}{drone['name']}"


def settings(state: Mapping[str, Any]) -> str:
    """Say how the table was changed while playing; empty if not at all."""
    _, _, equal, trim_cents = state["kept"]
    said = "equal (through the same reference)" if equal else ""
    trim = f"trim {trim_cents:+g} cents" if trim_cents else ""
    return ", ".join(filter(None, (said, trim)))


class DroneLines:
    """One line for each thing worth saying; the beats once a second while they fall.

    Parameters
    ----------
    table : Table
        For the names of notes.
    steps : int
        Steps of all rounds.
    clock : callable
        Seconds, rising.
    """

    def __init__(self, table: Table, steps: int, clock: Callable[[], float] = time.monotonic) -> None:
        self._table = table
        self._steps = steps
        self._clock = clock
        self._step: tuple[int, str] = (0, "")
        self._settings = ""
        self._rates: tuple[float, ...] | None = None
        self._said_s = 0.0

    def say(self, text: str) -> None:
        """Write a line."""
        with contextlib.suppress(OSError, ValueError):
            print(plainly(text), flush=True)

    def show(self, state: Mapping[str, Any]) -> None:
        """Write lines where something has changed."""
        drone = state.get("drone")
        if drone is None:
            return
        step = (drone["number"], drone["phase"])
        if step != self._step:
            self._step = step
            if step[1] == "sound":
                self.say(heading(drone, self._steps))
                self._rates = None
            elif step[1] == "rest":
                self.say("silence: sing")
        changed = settings(state)
        if changed != self._settings:
            self._settings = changed
            self._rates = None
            self.say(changed or "just, untrimmed")
        if drone["phase"] == "sound":
            self._beats(drone)

    def _beats(self, drone: Mapping[str, Any]) -> None:
        rates = tuple(beat[4] if beat[4] >= STILL_HZ else 0.0 for beat in drone["beats"])
        now_s = self._clock()
        still = not any(rates)
        if rates == self._rates or (self._rates is not None and not still and now_s - self._said_s < _LINE_S):
            return
        self._rates, self._said_s = rates, now_s
        for low, high, partial, other, rate in drone["beats"]:
            names = f"{self._table.note(low)} - {self._table.note(high)}"
            words = "no beats" if rate < STILL_HZ else rate_words(rate)
            self.say(f"  {names}: {words} ({partial} : {other})")

    def close(self) -> None:
        """Nothing to give back."""


class DroneScreen(Screen):
    """A picture that is drawn again as things change.

    Parameters
    ----------
    table, steps
        As in `DroneLines`.
    keys : bool
        Whether keys are read, and so shown.
    console : Console, optional
        Where it is drawn; the standard output where left out.
    """

    def __init__(self, table: Table, steps: int, keys: bool, console: Console | None = None) -> None:
        self._table = table
        self._steps = steps
        self._keys = keys
        self._state: Mapping[str, Any] | None = None
        super().__init__(console, _SAID_LINES)

    def say(self, text: str) -> None:
        """Show a line under the picture."""
        super().say(plainly(text))

    def show(self, state: Mapping[str, Any]) -> None:
        """Draw the picture anew."""
        self._state = state
        self._draw()

    def _picture(self) -> RenderableType:
        from rich.console import Group
        from rich.text import Text

        parts: list[RenderableType] = []
        state = self._state
        drone = state.get("drone") if state is not None else None
        if state is not None and state.get("bar"):
            parts.append(Text(f" bar {state['bar']} ", style="bold reverse"))
        if state is not None and drone is not None:
            parts.append(Text(f" {heading(drone, self._steps)} ", style="bold reverse"))
            if drone["phase"] == "rest":
                parts.append(Text("silence: sing", style="bold"))
            for key, hz in drone["notes"] if drone["phase"] == "sound" else ():
                cents = 100.0 * (hz_to_key(hz) - key)
                parts.append(
                    Text(f"{self._table.note(key):>4}  {hz:9.3f} Hz  {cents:+7.1f} cents from equal")
                )
            for low, high, _, _, rate in drone["beats"] if drone["phase"] == "sound" else ():
                names = f"{self._table.note(low)} - {self._table.note(high)}"
                words = "still" if rate < STILL_HZ else f"{rate:5.2f} beats a second"
                parts.append(Text(f"{names:>12}  {words:22}  {'~' * min(round(4 * rate), _BAR)}"))
            parts.append(
                Text(
                    f"{state['out']}{'' if state['out_open'] else ' (GONE)'}  {settings(state)}", style="dim"
                )
            )
        parts += [Text(text, style="yellow") for text in self._said]
        if self._keys:
            parts.append(Text(KEYS, style="dim"))
        return Group(*parts)
