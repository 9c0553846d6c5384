"""What the player sees: a steady picture in a terminal, plain lines anywhere else.

A display that cannot write any more (a terminal that was closed) is quiet from then on; it never stops the music.

Index: `Display`, `LinesDisplay`, `ScreenDisplay`, `Labels`, `StepShown`, `make_display`.
"""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from bridge.live.desk.screen import Screen
from bridge.live.desk.typed import KEYS_SHOWN
from bridge.tuning.beats import main_pair
from bridge.tuning.notes import key_to_hz, note_name

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from bridge.engine.play.tables import Choice

_SAID_LINES = 5
_MOST_SLOTS = 12


@dataclass(frozen=True)
class StepShown:
    """A slot that is a section of a piece.

    Attributes
    ----------
    piece, pieces : int
        Which piece, from 1, and of how many.
    title : str
        The piece.
    place : str
        The section: ``from the start``, ``bar 9, Turnaround``.
    table : str
        Its table in a few words: ``in D``, ``in A, b7=7/4``.
    drone : str
        Notes of its drone; empty: it has none.
    notes : str
        For the players.
    """

    piece: int
    pieces: int
    title: str
    place: str
    table: str
    drone: str = ""
    notes: str = ""

    @property
    def head(self) -> str:
        """The piece and its number."""
        return f"{self.piece}/{self.pieces}  {self.title}"


@dataclass(frozen=True)
class Labels:
    """What stays the same on the display.

    Attributes
    ----------
    slots, tonics : tuple of Choice
        The tables, for their names.
    method, synth : str
        How they reach the synth, and what it is.
    programme : tuple of StepShown
        What each slot is part of; empty where there are no pieces.
    keys : str
        What can be typed.
    """

    slots: tuple[Choice, ...]
    tonics: tuple[Choice, ...]
    method: str
    synth: str
    programme: tuple[StepShown, ...] = ()
    keys: str = KEYS_SHOWN

    def table(self, state: Mapping[str, Any]) -> tuple[str, str]:
        """Return the name of the table that holds, and its tonic for spelling."""
        slot, tonic, equal, trim_cents = state["kept"]
        choice = self.slots[slot - 1] if tonic is None else self.tonics[tonic]
        name = choice.name if tonic is not None else f"{slot}  {choice.name}"
        if self.programme:
            step = self.programme[slot - 1]
            name = f"{step.head}, {step.place}: {step.table}"
        if equal:
            name += "  EQUAL (through the same reference)"
        if trim_cents:
            name += f"  trim {trim_cents:+g} cents"
        return name, note_name(60 + choice.tonic)[:-1]

    def ahead(self, state: Mapping[str, Any]) -> list[str]:
        """Say what comes next: the next section, and the next piece with its drone."""
        if not self.programme:
            return []
        at = state["kept"][0]
        now = self.programme[at - 1]
        later = self.programme[at:]
        said = []
        if later and later[0].piece == now.piece:
            said.append(f"next: {later[0].place}: {later[0].table}")
        piece = next((step for step in later if step.piece != now.piece), None)
        if piece is None:
            return [*said, "the last piece"]
        drone = f", drone {piece.drone}" if piece.drone else ""
        return [
            *said,
            f"then: {piece.head}: {piece.table}{drone}"
            if said
            else f"next: {piece.head}: {piece.table}{drone}",
        ]

    def drone(self, state: Mapping[str, Any], tonic: str) -> str:
        """Say what the drone holds, or would hold."""
        if "held" not in state:
            return ""
        keys = state["held"][1]
        if keys:
            cents = {key: cents for channel, key, cents in state["sounding"] if channel == state["held"][0]}
            notes = "   ".join(
                note_name(key, tonic) + (f" {cents[key]:+.1f}" if key in cents else "")
                for key in sorted(keys)
            )
            return f"drone: {notes}"
        step = self.programme[state["kept"][0] - 1] if self.programme else None
        if step is not None and not step.drone:
            return "no drone here"
        return "drone: off" + (f" (d: {step.drone})" if step is not None else " (d)")


class Display(Protocol):
    """Shows what happens. None of its methods raises."""

    def say(self, text: str) -> None:
        """Show something that the player should know."""
        ...

    def show(self, state: Mapping[str, Any]) -> None:
        """Show the state of things (`bridge.live.player.player.Player.status`)."""
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
        self._table = self._drone = ""
        self._counts = (0, 0, 0)

    def say(self, text: str) -> None:
        """Write a line."""
        with contextlib.suppress(OSError, ValueError):  # if nobody reads any more, the music goes on
            print(text, flush=True)

    def show(self, state: Mapping[str, Any]) -> None:
        """Write a line where the table has changed, or something was lost."""
        table, tonic = self._labels.table(state)
        if table != self._table:
            self._table = table
            self.say(f"piece {table}" if self._labels.programme else f"table {table}")
            for line in self._labels.ahead(state):
                self.say(f"  {line}")
        drone = " ".join(note_name(key, tonic) for key in sorted(state["held"][1])) if "held" in state else ""
        if drone != self._drone:
            self._drone = drone
            self.say(f"drone {drone}" if drone else "drone off")
        counts = state["late"], state["dropped"], state["lost"]
        doubled = (now >= 2 * max(was, 1) for now, was in zip(counts, self._counts, strict=True))
        if counts != self._counts and any(doubled):
            self._counts = counts
            self.say("so far {} late, {} not MIDI, {} not sent".format(*counts))

    def close(self) -> None:
        """Nothing to give back."""


def _is_held(state: Mapping[str, Any], channel: int, key: int) -> bool:
    """Tell whether a note is the drone's."""
    held = state.get("held")
    return held is not None and channel == held[0] and key in held[1]


def sounding_lines(state: Mapping[str, Any], tonic: str) -> list[tuple[str, str, str]]:
    """Return for each note that is played its name, cents from equal, and channel."""
    return [
        (note_name(key, tonic), f"{cents:+.1f}", str(channel))
        for channel, key, cents in state["sounding"]
        if not _is_held(state, channel, key)
    ]


def beat_line(state: Mapping[str, Any], tonic: str) -> str:
    """Say how fast the drone and the highest note beat; without a drone, the lowest and the highest one.

    Empty if they do not come near a pure interval.
    """
    played: list[tuple[float, int]] = []
    held: list[tuple[float, int]] = []
    for channel, key, cents in state["sounding"]:
        (held if _is_held(state, channel, key) else played).append((key + cents / 100.0, key))
    if not played or len(set(played + held)) < 2:
        return ""
    low, high = min(held or played), max(played)
    if low == high:
        return ""
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
            if self._labels.programme:
                parts += self._piece(state)
            elif len(self._labels.slots) > 1:
                parts.append(self._slots(state))
            notes = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0), header_style="dim")
            notes.add_column("sounding")
            notes.add_column("cents from equal", justify="right")
            notes.add_column("channel", justify="right")
            for row in sounding_lines(state, tonic) or [("-", "", "")]:
                notes.add_row(*row)
            parts += [Text(""), notes]
            drone = self._labels.drone(state, tonic)
            if drone:
                parts.append(Text(drone))
            beats = beat_line(state, tonic)
            if beats:
                parts.append(Text(beats, style="bold"))
            if state.get("bar") is not None:
                parts.append(Text(f"track: bar {state['bar']}"))
            parts += [Text(""), Text(self._counts(state), style="dim")]
        parts += [Text(text, style="yellow") for text in self._said]
        if self._keys:
            parts.append(Text(self._labels.keys, style="dim"))
        return Group(*parts)

    def _ports(self, state: Mapping[str, Any]) -> str:
        keyboard = state["in"] or "no keyboard"
        keyboard += "" if state["in_open"] or not state["in"] else " (GONE)"
        synth = state["out"] + ("" if state["out_open"] else " (GONE)")
        return f"{keyboard}  ->  {synth}   by {self._labels.method}, {self._labels.synth}"

    def _piece(self, state: Mapping[str, Any]) -> list[RenderableType]:
        """What the players should know of the piece, and what comes next."""
        from rich.text import Text

        notes = self._labels.programme[state["kept"][0] - 1].notes
        parts: list[RenderableType] = [Text(line.strip()) for line in notes.splitlines() if line.strip()]
        return [*parts, *(Text(line, style="bold") for line in self._labels.ahead(state))]

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
