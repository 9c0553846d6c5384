"""What a musician types: single keys at a terminal, lines from anything else.

=====================  ==========================  ===============================
key                    line                        what it does
=====================  ==========================  ===============================
``1`` … ``9``          a number                    choose a table
``n``, page turner     ``next``                    the next table
``p``, page turner     ``previous``                the table before
``N``                  ``next piece``              the beginning of the next piece
``P``                  ``previous piece``          the beginning of the piece before
                       ``piece 3``                 the beginning of that piece
``c``                  ``chord``                   the next chord of the chart
``C``                  ``previous chord``          the chord before
                       ``first chord``             the first chord
``d``                  ``drone``                   begin or end the drone
``.``, ``,``           ``louder``, ``softer``      the drone
``s``                  ``pause``                   let the track wait, or go on
``b``                  ``back``                    the bar before
``m`` and a digit      ``mute 3``                  leave a part of the track out, or let it play again
``f``                  ``follow``                  follow the harmony, or no longer
``l``                  ``listen``, ``listen FILE`` hear the reference string, and move all tables
``u``                  ``undo``                    take that back
``e``                  ``equal``                   change between just and equal
``+``, ``-``           ``trim +0.5``, ``trim -2``  move the reference, in cents
``0``                  ``trim 0``                  reference untrimmed
``v``                  ``view``                    show what the engine does, or no more
``x``                  ``panic``                   end all sound
``q``, Ctrl-D          ``quit``                    leave
=====================  ==========================  ===============================

A page turner sends what its maker chose: arrows to the right and down, page down, space and enter mean next; arrows to
the left and up, and page up, previous. Where a track plays alone there is nothing else to step through: then next means
pause, previous the bar before, and digits mute parts (`by_track`); where a drone sounds alone, next means louder and
previous softer (`by_drone`).
"""

from __future__ import annotations

import codecs
import contextlib
import os
import re
import stat
import sys
import threading
from collections.abc import Callable
from typing import Any, TypeAlias

from bridge.children import on_signals
from bridge.engine.play.controls import TRIM_STEP_CENTS, VOLUME_STEP, Action

Command: TypeAlias = Action | str
"""An action; or ``quit``, ``untrim``, ``undo``, ``view``, ``listen`` (and a file), ``mute`` (and a digit that follows),
or ``?`` and what was not understood. Nobody types ``let go``, ``chord`` with keys to sound, or ``tell`` with what the
musician should know."""

KEYS_SHOWN = (
    "1-9 table",
    "n next",
    "p previous",
    "e equal/just",
    "+ - trim",
    "0 untrim",
    "v engine",
    "x panic",
    "q quit",
)
DRONE_KEYS_SHOWN = (
    "d off and on",
    ", . softer, louder",
    "+ - trim",
    "0 untrim",
    "e equal/just",
    "v engine",
    "x or q ends it",
)
"""Where a drone sounds alone; the first two are about the drone itself."""


def keys_shown(
    pieces: bool,
    drone: bool,
    listening: bool,
    follow: bool = False,
    track: bool = False,
    alone: bool = False,
    chart: bool = False,
) -> tuple[str, ...]:
    """Say what can be typed.

    Where there are pieces, a drone, a reference string to listen to, harmony to follow, a track; where that track is
    all there is to step through; and where a chart is led by hand.
    """
    shown = list(KEYS_SHOWN)
    if pieces:
        shown[0:3] = ["1-9 piece", "n next", "p previous", "N P whole pieces"]
    if alone:
        shown[0:3] = ["space pause", "b bar back", "1-9 mute a part"]
    elif track:
        shown[3:3] = ["s pause", "b bar back", "m 1-9 mute a part"]
    at = shown.index("e equal/just")
    if chart:
        shown.insert(at, "c C chord")
        at += 1
    if drone:
        shown[at:at] = ["d drone", ", . softer, louder"]
    if follow:
        shown.insert(shown.index("e equal/just"), "f follow harmony")
    if listening:
        at = shown.index("v engine")
        shown[at:at] = ["l listen", "u undo"]
    return tuple(shown)


_NEXT, _PREVIOUS = Action("next"), Action("previous")
_KEYS: dict[str, Command] = {
    "n": _NEXT,
    "p": _PREVIOUS,
    "N": Action("next-piece"),
    "P": Action("previous-piece"),
    "c": Action("next-chord"),
    "C": Action("previous-chord"),
    "d": Action("drone"),
    **dict.fromkeys((".", ">"), Action("drone-volume", VOLUME_STEP)),
    **dict.fromkeys((",", "<"), Action("drone-volume", -VOLUME_STEP)),
    "s": Action("pause"),
    "b": Action("bar-back"),
    "m": "mute",
    "f": Action("follow"),
    "l": "listen",
    "u": "undo",
    "e": Action("equal"),
    "+": Action("trim", TRIM_STEP_CENTS),
    "=": Action("trim", TRIM_STEP_CENTS),  # the same key as plus, without shift
    "-": Action("trim", -TRIM_STEP_CENTS),
    "0": "untrim",
    "v": "view",
    "x": Action("panic"),
    "q": "quit",
    "\x04": "quit",
    "\x03": "quit",
    **dict.fromkeys((" ", "\r", "\n", "\x1b[C", "\x1b[B", "\x1b[6~", "\x1bOC", "\x1bOB"), _NEXT),
    **dict.fromkeys(("\x1b[D", "\x1b[A", "\x1b[5~", "\x1bOD", "\x1bOA"), _PREVIOUS),
}
_WINDOWS = {"M": b"C", "P": b"B", "Q": b"6~", "K": b"D", "H": b"A", "I": b"5~"}
"""Arrows and page keys as Windows tells them, and as terminals do (Microsoft, getch: scan codes)."""
_ONE_KEY = re.compile(r"\x1b(?:\[[0-9;]*[A-Za-z~]|O[A-Za-z])|[\s\S]")
_NUMBER = re.compile(r"\d{1,4}", re.ASCII)
_HALF_KEY = re.compile(r"\x1b(?:\[[0-9;]*|O)?\Z")
"""The beginning of an arrow key whose rest has not come yet; a lone escape means nothing anyway."""


def split_keys(text: str) -> tuple[list[str], str]:
    """Tell keys apart that arrived together; return them, and what may be the beginning of another."""
    half = _HALF_KEY.search(text)
    rest = half[0] if half is not None else ""
    return _ONE_KEY.findall(text[: len(text) - len(rest)]), rest


def read_key(key: str) -> Command | None:
    """Return what a typed key does; None for one that does nothing."""
    if key.isdecimal() and key.isascii() and key != "0":
        return Action("table", int(key))
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
        if _NUMBER.fullmatch(first):
            return Action("table", int(first))
        if first in ("next", "previous", "equal", "panic", "drone", "follow", "pause"):
            return Action(first)
        if first in ("back", "louder", "softer"):
            return {
                "back": Action("bar-back"),
                "louder": Action("drone-volume", VOLUME_STEP),
                "softer": Action("drone-volume", -VOLUME_STEP),
            }[first]
        if first in ("listen", "undo", "untrim", "view"):
            return first
        if first in ("quit", "exit", "stop"):
            return "quit"
    if first in ("table", "piece", "mute", "m") and len(words) == 2 and _NUMBER.fullmatch(words[1]):
        return Action("mute" if first == "m" else first, int(words[1]))
    if words == ["chord"]:
        return Action("next-chord")
    if first in ("next", "previous", "first") and words[1:] == ["chord"]:
        return Action(f"{first}-chord")
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


def by_track(command: Command) -> Command:
    """Let steps and numbers mean the track's, where it plays alone."""
    if isinstance(command, Action):
        if command.name in ("next", "previous"):
            return Action("pause" if command.name == "next" else "bar-back")
        if command.name == "table":
            return Action("mute", command.number)
    return command


def by_drone(command: Command) -> Command:
    """Let steps mean the drone's volume, where nothing else is there to step through."""
    if isinstance(command, Action) and command.name in ("next", "previous"):
        return Action("drone-volume", VOLUME_STEP if command.name == "next" else -VOLUME_STEP)
    return command


class MuteByDigit:
    """Hands commands on, and makes a digit that comes after ``mute`` the number of a part."""

    def __init__(self, take: Callable[[Command], None]) -> None:
        self._take = take
        self._waits = False

    def __call__(self, command: Command) -> None:
        """Take what was typed."""
        waits, self._waits = self._waits, command == "mute"
        if waits and isinstance(command, Action) and command.name == "table":
            command = Action("mute", command.number)
        if command == "mute":
            command = "tell type the number of the part to mute, or to hear again"
        self._take(command)


def by_piece(command: Command) -> Command:
    """Let a number mean a piece instead of a table."""
    if isinstance(command, Action) and command.name == "table":
        return Action("piece", command.number)
    return command


def by_chord(command: Command) -> Command:
    """Let the next one mean the next chord of a chart: there is no other table."""
    if command in (_NEXT, _PREVIOUS):
        return Action("next-chord" if command == _NEXT else "previous-chord")
    return command


class Typed:
    """Reads what is typed, in a thread of its own, and hands it on.

    Parameters
    ----------
    take : callable
        Called with every `Command`, in that thread. ``quit`` also comes at the end of the input.
    key, line : callable
        What a key and a line mean; None for one that means nothing.
    """

    def __init__(
        self,
        take: Callable[[Command], None],
        key: Callable[[str], Command | None] = read_key,
        line: Callable[[str], Command | None] = read_line,
    ) -> None:
        self._take = take
        self._key, self._line = key, line
        self._terminal: int | None = None
        self._as_it_was: Any = None
        self._signals = contextlib.ExitStack()
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
            self._terminal = descriptor
            self._signals.enter_context(on_signals(self.resume, ["SIGCONT"]))
            self.keys = self.resume()
            if self.keys:
                threading.Thread(target=self._read_keys, args=(descriptor,), daemon=True).start()
        elif not stat.S_ISCHR(kind):  # /dev/null is no input, and its end no wish to leave
            threading.Thread(target=self._read_lines, args=(descriptor,), daemon=True).start()

    def resume(self) -> bool:
        """Have keys delivered one by one and unseen, and once more when we go on after Ctrl-Z: the shell changes that.

        Ctrl-S stops nothing: a terminal that takes no output would stop the picture, and nobody would know why.

        Returns
        -------
        bool
            Whether that is possible.
        """
        if self._terminal is None:
            return False
        if os.name != "posix":
            return True
        import termios

        try:
            if os.tcgetpgrp(self._terminal) != os.getpgrp():
                return False  # in the background: the terminal belongs to somebody else
            kept = termios.tcgetattr(self._terminal)
            if self._as_it_was is None:
                self._as_it_was = kept
            quiet = termios.tcgetattr(self._terminal)
            quiet[0] &= ~termios.IXON
            quiet[3] &= ~(termios.ICANON | termios.ECHO)
            quiet[6][termios.VMIN], quiet[6][termios.VTIME] = 1, 0
            termios.tcsetattr(self._terminal, termios.TCSANOW, quiet)
        except (OSError, termios.error):
            return False
        return True

    def _read_keys(self, descriptor: int) -> None:
        decoder = codecs.getincrementaldecoder("utf-8")(errors="replace")
        rest = ""
        while True:
            try:
                data = _typed_now(descriptor)
            except OSError:
                return  # the terminal is gone: a signal says so
            keys, rest = split_keys(rest + decoder.decode(data))
            for key in keys:
                if (command := self._key(key)) is not None:
                    self._take(command)
            if not data:
                self._take("quit")
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
                command = self._line(line.decode(errors="replace"))
                if command is not None:
                    self._take(command)
            if not data:
                self._take("quit")
                return

    def stop(self) -> None:
        """Give the terminal back as it was, without waiting for it to take what was written."""
        self._signals.close()
        kept, self._as_it_was = self._as_it_was, None
        if kept is not None:
            import termios

            with contextlib.suppress(OSError, termios.error):  # the terminal may be gone
                termios.tcsetattr(self._terminal, termios.TCSANOW, kept)  # type: ignore[arg-type]
            self._terminal = None


def _typed_now(descriptor: int) -> bytes:
    """Wait for keys; nothing means that there will be none any more."""
    if os.name != "posix":
        import msvcrt

        key: str = msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
        if key in "\x00\xe0":  # arrows and the like come in two parts
            return b"\x1b[" + _WINDOWS.get(msvcrt.getwch(), b"Z")  # type: ignore[attr-defined,unused-ignore]
        return key.encode()
    return os.read(descriptor, 4096)
