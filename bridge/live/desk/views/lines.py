"""What plain lines of all kinds share: they are written once, folded where somebody looks at a terminal.

Where single keys are typed at such a terminal, the first lines say what they, feet and keyboards do.
"""

from __future__ import annotations

import contextlib
import os
import textwrap
import time
from collections.abc import Sequence
from typing import TextIO

from bridge.live.desk.drawing import own_stream
from bridge.live.snapshot import Snapshot


class Printed:
    """Writes lines; if nobody reads any more it is quiet, and what it tells of goes on."""

    def __init__(self) -> None:
        self._out: TextIO = own_stream()

    def _columns(self) -> int:
        """Return how wide the terminal is; 0 where there is none."""
        try:
            return os.get_terminal_size(self._out.fileno()).columns if self._out.isatty() else 0
        except (AttributeError, OSError, ValueError):
            return 0

    def _say(self, text: str) -> None:
        columns = self._columns()
        indent = " " * (len(text) - len(text.lstrip()) + 2)
        folded = []
        if columns > 20:  # words are kept whole: an address is copied
            folder = textwrap.TextWrapper(columns - 1, subsequent_indent=indent, break_on_hyphens=False)
            folder.break_long_words = False
            folded = folder.wrap(text)
        with contextlib.suppress(OSError, ValueError):
            print("\n".join(folded) or text, file=self._out, flush=True)

    def close(self) -> None:
        """Nothing to give back."""


class Lines(Printed):
    """Writes what a performance has to say in lines."""

    def __init__(self, keys: bool = False) -> None:
        super().__init__()
        self._keys = keys
        self._said = 0
        self._engine = False

    def _say_when(self, text: str, at_s: float) -> None:
        """Write a line, at a terminal with the time of day."""
        self._say(f"{text}   {clock_words(at_s)}" if self._columns() else text)

    def _tell(self, shown: Snapshot) -> None:
        """Write what was said since the last time; at a terminal the engine's words come only if they are asked for."""
        if shown.keys and self._keys:
            self._keys = False
            for words in (shown.keyboards, shown.feet, shown.keys):
                for line in filled(words, self._columns() or 80):
                    self._say(line)
        if shown.engine != self._engine:
            self._engine = shown.engine
            for line in engine_lines(shown) if shown.engine else ():
                self._say(line)
        for message in shown.messages:
            if message.number > self._said:
                self._said = message.number
                if message.kind != "engine" or not self._columns():
                    self._say(message.text)


def clock_words(at_s: float) -> str:
    """Say the time of day."""
    return time.strftime("%H:%M", time.localtime(at_s))


def filled(words: Sequence[str], width: int) -> list[str]:
    """Set words beside each other, in as many lines as they need."""
    lines: list[str] = []
    for word in words:
        if lines and len(lines[-1]) + 3 + len(word) < width:
            lines[-1] += f"   {word}"
        else:
            lines.append(word)
    return lines


def engine_lines(shown: Snapshot) -> list[str]:
    """Say what the engine does, for those who asked."""
    counts = shown.counts
    others = (
        (counts.dropped, "not MIDI"),
        (counts.lost, "not sent"),
        (counts.crowded, "crowded"),
        (counts.clipped, "bends cut"),
    )
    said = f"in {counts.received}  out {counts.sent}  late {counts.late}"
    said += "".join(f"  {words} {number}" for number, words in others if number)
    keyboard = shown.keyboard or "no keyboard"
    notes = "  ".join(f"{note.name} on {note.channel}" for note in shown.sounding)
    lines = [f"{keyboard} -> {shown.synth}", f"by {shown.method}, {shown.instrument}", said]
    lines += [f"channels: {notes}"] if notes else []
    lines += [f"partials {shown.partials}"] if shown.partials else []
    return [*lines, *shown.about_engine]
