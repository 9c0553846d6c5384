"""What a player types: single keys at a terminal, lines from anything else.

===============  ==========================  ===============================
key              line                        what it does
===============  ==========================  ===============================
``1`` … ``9``    a number                    choose a slot
``n``, space     ``next``                    the next slot
``p``            ``previous``                the slot before
``N``            ``next piece``              the beginning of the next piece
``P``            ``previous piece``          the beginning of the piece before
                 ``piece 3``                 the beginning of that piece
``d``            ``drone``                   begin or end the drone
``l``            ``listen``, ``listen FILE`` hear the reference string, and move all tables
``u``            ``undo``                    take that back
``e``            ``equal``                   change between just and equal
``+``, ``-``     ``trim +0.5``, ``trim -2``  move the reference, in cents
``0``            ``trim 0``                  reference untrimmed
``x``            ``panic``                   end all sound
``q``, Ctrl-D    ``quit``                    leave
===============  ==========================  ===============================

Index: `Typed`, `read_key`, `read_line`, `by_piece`, `KEYS_SHOWN`, `keys_shown`.
"""

from __future__ import annotations

import contextlib
import os
import stat
import sys
import threading
from collections.abc import Callable
from typing import Any, TypeAlias

from bridge.engine.play.controls import TRIM_STEP_CENTS, Action

Command: TypeAlias = Action | str
"""An action; or ``quit``, ``untrim``, ``undo``, ``listen`` (and a file), or ``?`` and what was not understood."""

KEYS_SHOWN = "1-9 table   n next   p previous   e equal/just   + - trim   0 untrim   x panic   q quit"


def keys_shown(pieces: bool, drone: bool, listening: bool) -> str:
    """Say what can be typed where there are pieces, a drone, a reference string to listen to."""
    shown = KEYS_SHOWN
    if pieces:
        shown = shown.replace("table", "piece").replace("p previous", "p previous   N P whole pieces")
    if drone:
        shown = shown.replace("e equal", "d drone   e equal")
    if listening:
        shown = shown.replace("x panic", "l listen   u undo   x panic")
    return shown


_KEYS: dict[str, Command] = {
    "n": Action("next"),
    " ": Action("next"),
    "p": Action("previous"),
    "N": Action("next-piece"),
    "P": Action("previous-piece"),
    "d": Action("drone"),
    "l": "listen",
    "u": "undo",
    "e": Action("equal"),
    "+": Action("trim", TRIM_STEP_CENTS),
    "=": Action("trim", TRIM_STEP_CENTS),  # the same key as plus, without shift
    "-": Action("trim", -TRIM_STEP_CENTS),
    "0": "untrim",
    "x": Action("panic"),
    "q": "quit",
    "\x04": "quit",
    "\x03": "quit",
}


def read_key(key: str) -> Command | None:
    """Return what a typed key does; None for one that does nothing."""
    if key.isdecimal() and key.isascii() and key != "0":
        return Action("slot", int(key))
    return _KEYS.get(key if key in _KEYS else key.lower())


def read_line(line: str) -> Command | None:
    """Return what a line says; None for an empty one."""
    words = line.split()
    if not words:
        return None
    first = words[0].lower()
    if len(words) == 1:
        if len(words[0]) == 1 and (command := read_key(words[0])) is not None:
            return command
        if first.isdecimal() and first.isascii():
            return Action("slot", int(first))
        if first in ("next", "previous", "equal", "panic", "drone"):
            return Action(first)
        if first in ("listen", "undo", "untrim"):
            return first
        if first in ("quit", "exit", "stop"):
            return "quit"
    if first in ("slot", "piece") and len(words) == 2 and words[1].isdecimal():
        return Action(first, int(words[1]))
    if first in ("next", "previous") and words[1:] == ["piece"]:
        return Action(f"{first}-piece")
    if first == "listen":
        return f"listen {line.split(maxsplit=1)[1].strip()}"
    if first == "trim" and len(words) == 2:
        try:
            cents = float(words[1])
        except ValueError:
            return f"?{line.strip()}"
        if words[1].lstrip("0.") == "":
            return "untrim"
        if abs(cents) <= 1200:
            return Action("trim", cents)
    return f"?{line.strip()}"


def by_piece(command: Command) -> Command:
    """Let a number mean a piece instead of a slot."""
    if isinstance(command, Action) and command.name == "slot":
        return Action("piece", command.number)
    return command


class Typed:
    """Reads what is typed, in a thread of its own, and hands it on.

    Parameters
    ----------
    take : callable
        Called with every `Command`, in that thread. ``quit`` also comes at the end of the input.
    """

    def __init__(self, take: Callable[[Command], None]) -> None:
        self._take = take
        self._restore: Callable[[], None] | None = None
        self.keys = False
        """Whether single keys are read, as at a terminal."""

    def start(self) -> None:
        """Begin to read, if there is anything to read from."""
        stream: Any = sys.stdin
        try:
            descriptor = stream.fileno()
            kind = os.fstat(descriptor).st_mode
        except (AttributeError, OSError, ValueError):
            return
        if os.isatty(descriptor):
            self.keys = self._take_keys(descriptor)
            if self.keys:
                threading.Thread(target=self._read_keys, args=(descriptor,), daemon=True).start()
        elif not stat.S_ISCHR(kind):  # /dev/null is no input, and its end no wish to leave
            threading.Thread(target=self._read_lines, args=(descriptor,), daemon=True).start()

    def _take_keys(self, descriptor: int) -> bool:
        """Have keys delivered one by one and unseen; tell whether that is possible."""
        if os.name != "posix":
            return True
        import termios

        try:
            if os.tcgetpgrp(descriptor) != os.getpgrp():
                return False  # in the background: the terminal belongs to somebody else
            kept = termios.tcgetattr(descriptor)
            quiet = termios.tcgetattr(descriptor)
            quiet[3] &= ~(termios.ICANON | termios.ECHO)
            quiet[6][termios.VMIN], quiet[6][termios.VTIME] = 1, 0
            termios.tcsetattr(descriptor, termios.TCSADRAIN, quiet)
        except (OSError, termios.error):
            return False

        def restore() -> None:
            with contextlib.suppress(OSError, termios.error):  # the terminal may be gone
                termios.tcsetattr(descriptor, termios.TCSADRAIN, kept)

        self._restore = restore
        return True

    def _read_keys(self, descriptor: int) -> None:
        while True:
            try:
                key = _one_key(descriptor)
            except OSError:
                return  # the terminal is gone: a signal says so
            command = read_key(key) if key else "quit"
            if command is not None:
                self._take(command)
            if not key:
                return

    def _read_lines(self, descriptor: int) -> None:
        waiting = b""
        while True:
            try:
                data = os.read(descriptor, 4096)
            except OSError:
                data = b""
            waiting += data
            *lines, waiting = waiting.split(b"\n") if data else (waiting, b"")
            for line in lines:
                command = read_line(line.decode(errors="replace"))
                if command is not None:
                    self._take(command)
            if not data:
                self._take("quit")
                return

    def stop(self) -> None:
        """Give the terminal back as it was."""
        restore, self._restore = self._restore, None
        if restore is not None:
            restore()


def _one_key(descriptor: int) -> str:
    """Wait for a key; an empty text means that there will be none any more."""
    if os.name != "posix":
        import msvcrt

        key: str = msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
        return key
    data = os.read(descriptor, 32)
    if data.startswith(b"\x1b"):  # arrow keys and the like mean nothing here
        return "\x1b"
    return data.decode(errors="replace")[:1]
