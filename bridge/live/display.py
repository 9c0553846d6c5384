"""What the player sees: a steady picture in a terminal, plain lines anywhere else.

A display that cannot write any more (a terminal that was closed) is quiet from then on; it never stops the music.

Index: `Display`, `LinesDisplay`, `ScreenDisplay`, `Labels`, `make_display`.
"""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from bridge.live.screen import Screen
from bridge.live.typed import KEYS_SHOWN
from bridge.tuning.beats import main_pair
from bridge.tuning.notes import key_to_hz, note_name

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from bridge.engine.live_slots import Choice

_SAID_LINES = 5
_MOST_SLOTS = 12


@dataclass(frozen=True)
class Labels:
    """What stays the same on the display.

    Attributes
    ----------
    slots, tonics : tuple of Choice
        The tables, for their names.
    method, synth : str
        How they reach the synth, and what it is.
    """

    slots: tuple[Choice, ...]
    tonics: tuple[Choice, ...]
    method: str
    synth: str

    def table(self, state: Mapping[str, Any]) -> tuple[str, str]:
        """Return the name of the table that holds, and its tonic for spelling."""
        slot, tonic, equal, trim_cents = state["kept"]
        choice = self.slots[slot - 1] if tonic is None else self.tonics[tonic]
        name = choice.name if tonic is not None else f"{slot}  {choice.name}"
        if equal:
            name += "  EQUAL (through the same reference)"
        if trim_cents:
            name += f"  trim {trim_cents:+g} cents"
        return name, note_name(60 + choice.tonic)[:-1]


class Display(Protocol):
    """Shows what happens. None of its methods raises."""

    def say(self, text: str) -> None:
        """Show something that the player should know."""
        ...

    def show(self, state: Mapping[str, Any]) -> None:
        """Show the state of things (`bridge.live.player.Player.status`)."""
        ...

    def close(self) -> None:
        """Leave the terminal as it was."""
        ...


def make_display(labels: Labels, lines: bool, keys: bool) -> Display:
    """Return the display that suits where the output goes."""
    if not lines and sys.stdout.isatty():
        return ScreenDisplay(labels, keys)
    return LinesDisplay(labels)


class LinesDisplay:
    """One line for each thing worth saying."""

    def __init__(self, labels: Labels) -> None:
        self._labels = labels
        self._table = ""
        self._counts = (0, 0, 0)

    def say(self, text: str) -> None:
        """Write a line."""
        with contextlib.suppress(OSError, ValueError):  # if nobody reads any more, the music goes on
            print(text, flush=True)

    def show(self, state: Mapping[str, Any]) -> None:
        """Write a line where the table has changed, or something was lost."""
        table = self._labels.table(state)[0]
        if table != self._table:
            self._table = table
            self.say(f"table {table}")
        counts = state["late"], state["dropped"], state["lost"]
        doubled = (now >= 2 * max(was, 1) for now, was in zip(counts, self._counts, strict=True))
        if counts != self._counts and any(doubled):
            self._counts = counts
            self.say("so far {} late, {} not MIDI, {} not sent".format(*counts))

    def close(self) -> None:
        """Nothing to give back."""


def sounding_lines(state: Mapping[str, Any], tonic: str) -> list[tuple[str, str, str]]:
    """Return for each sounding note its name, cents from equal, and channel."""
    return [
        (note_name(key, tonic), f"{cents:+.1f}", str(channel)) for channel, key, cents in state["sounding"]
    ]


def beat_line(state: Mapping[str, Any], tonic: str) -> str:
    """Say how fast the lowest and the highest sounding note beat; empty if they do not come near a pure interval."""
    notes = sorted({(key + cents / 100.0, key) for _, key, cents in state["sounding"]})
    if len(notes) < 2:
        return ""
    low, high = notes[0], notes[-1]
    pair = main_pair(key_to_hz(low[0]), key_to_hz(high[0]))
    if pair is None:
        return ""
    beats = pair.beats_hz
    how = "no beats" if beats < 0.005 else f"{beats:.2f} beats a second"
    ratio = f"{pair.partial} : {pair.other_partial}"
    return f"{note_name(low[1], tonic)} - {note_name(high[1], tonic)}: {how} (near {ratio})"


class ScreenDisplay(Screen):
    """A picture that is drawn again as things change.

    Parameters
    ----------
    labels : Labels
        What stays the same.
    keys : bool
        Whether keys are read, and so shown.
    console : Console, optional
        Where it is drawn; the standard output where left out.
    """

    def __init__(self, labels: Labels, keys: bool, console: Console | None = None) -> None:
        self._labels = labels
        self._keys = keys
        self._state: Mapping[str, Any] | None = None
        super().__init__(console, _SAID_LINES)

    def show(self, state: Mapping[str, Any]) -> None:
        """Draw the picture anew."""
        self._state = state
        self._draw()

    def _picture(self) -> RenderableType:
        from rich.console import Group
        from rich.table import Table
        from rich.text import Text

        parts: list[RenderableType] = []
        state = self._state
        if state is not None:
            table, tonic = self._labels.table(state)
            parts.append(Text(f" {table} ", style="bold reverse"))
            parts.append(Text(self._ports(state), style="dim"))
            if len(self._labels.slots) > 1:
                parts.append(self._slots(state))
            notes = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0), header_style="dim")
            notes.add_column("sounding")
            notes.add_column("cents from equal", justify="right")
            notes.add_column("channel", justify="right")
            for row in sounding_lines(state, tonic) or [("-", "", "")]:
                notes.add_row(*row)
            parts += [Text(""), notes]
            beats = beat_line(state, tonic)
            if beats:
                parts.append(Text(beats, style="bold"))
            if state.get("bar") is not None:
                parts.append(Text(f"track: bar {state['bar']}"))
            parts += [Text(""), Text(self._counts(state), style="dim")]
        parts += [Text(text, style="yellow") for text in self._said]
        if self._keys:
            parts.append(Text(KEYS_SHOWN, style="dim"))
        return Group(*parts)

    def _ports(self, state: Mapping[str, Any]) -> str:
        keyboard = state["in"] or "no keyboard"
        keyboard += "" if state["in_open"] or not state["in"] else " (GONE)"
        synth = state["out"] + ("" if state["out_open"] else " (GONE)")
        return f"{keyboard}  ->  {synth}   by {self._labels.method}, {self._labels.synth}"

    def _slots(self, state: Mapping[str, Any]) -> RenderableType:
        from rich.text import Text

        slot, tonic = state["kept"][0], state["kept"][1]
        line = Text()
        for number, choice in enumerate(self._labels.slots[:_MOST_SLOTS], 1):
            here = number == slot and tonic is None
            line.append(f" {number} {choice.name} ", style="reverse" if here else "")
            line.append(" ")
        if len(self._labels.slots) > _MOST_SLOTS:
            line.append(f"and {len(self._labels.slots) - _MOST_SLOTS} more")
        return line

    def _counts(self, state: Mapping[str, Any]) -> str:
        said = f"in {state['received']}  out {state['sent']}  late {state['late']}"
        for name, words in (
            ("dropped", "not MIDI"),
            ("lost", "not sent"),
            ("crowded", "crowded"),
            ("clipped", "bends cut"),
        ):
            if state[name]:
                said += f"  {words} {state[name]}"
        return said
