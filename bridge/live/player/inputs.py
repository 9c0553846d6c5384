"""The keyboards of a plan: the port of each, from when it is opened until it is closed, lost and found on its own.

All of it runs in one thread, as `bridge.live.player.connections` does; what a keyboard plays arrives in a thread of its
port.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from functools import partial
from typing import Protocol

from bridge.engine.play.keyboards import Keyboard
from bridge.engine.play.loop_watch import LoopWatch
from bridge.errors import PortProblem
from bridge.live.player.input_line import InputLine
from bridge.live.state import KeyboardSeen
from bridge.ports.base import NEW_PORT, SAFE_SYSEX_BYTES, InPort, MidiSystem, Receive
from bridge.ports.pick import same_port


class Take(Protocol):
    """Takes what a keyboard plays, and which one it is, counted from 0."""

    def __call__(self, data: bytes, source: int = 0) -> None: ...


class KeyboardEnd:
    """One keyboard.

    Parameters
    ----------
    number : int
        Which one, from 0.
    name : str
        Full name of its port, or what was asked for while that is missing.
    there : bool
        Whether the port is there.
    """

    def __init__(self, number: int, keyboard: Keyboard, name: str, there: bool) -> None:
        self.number, self.keyboard = number, keyboard
        self.name, self.there = name, there
        self.port: InPort | None = None  # while it is open
        self.line: InputLine | None = None  # what its port calls
        self.loop = LoopWatch(os.urandom(3))  # notices what of ours comes back on it

    @property
    def own(self) -> bool:
        """Whether it is a port of our own, which others connect to: it is always there."""
        return self.keyboard.port == NEW_PORT

    @property
    def label(self) -> str:
        """What a port of our own is called."""
        return "keyboard" if not self.number else f"keyboard {self.number + 1}"


class Inputs:
    """All keyboards of a plan on one system.

    Parameters
    ----------
    find : callable
        Returns the full name of an input; None for one that is missing and will come back. Raises `PortProblem`.
    receive : callable
        Takes what they play.
    gone : callable
        Called with a keyboard's number once it is gone: lets go of what hangs.
    tell : callable
        See `bridge.live.player.player.Player`.
    most_sysex_bytes : int
        Longest SysEx message that is passed on.

    PortProblem if a port is missing (unless it will come back), or two keyboards are one port.
    """

    def __init__(
        self,
        keyboards: Sequence[Keyboard],
        system: MidiSystem,
        find: Callable[[str], str | None],
        receive: Take,
        gone: Callable[[int], None],
        tell: Callable[[str, str], None],
        most_sysex_bytes: int = SAFE_SYSEX_BYTES,
    ) -> None:
        self._most_bytes = most_sysex_bytes
        self._system = system
        self._receive = receive
        self._gone = gone
        self._tell = tell
        self.ends: list[KeyboardEnd] = []
        for number, keyboard in enumerate(keyboards):
            found = find(keyboard.port)
            end = KeyboardEnd(number, keyboard, found or keyboard.port, found is not None)
            twin = next((one for one in self.ends if one.name == end.name and not one.own), None)
            if twin is not None:
                raise PortProblem(
                    f"{twin.keyboard.port!r} and {keyboard.port!r} are one port: {end.name}",
                    "name two keyboards, each by more of its port's name",
                )
            self.ends.append(end)

    def __bool__(self) -> bool:
        return bool(self.ends)

    @property
    def name(self) -> str | None:
        """Names of all of them beside each other; None where there is none."""
        return " and ".join(end.name for end in self.ends) or None

    @property
    def seen(self) -> tuple[KeyboardSeen, ...]:
        """All of them as they are now."""
        return tuple(KeyboardSeen(end.name, end.port is not None, end.loop.found) for end in self.ends)

    @property
    def all_there(self) -> bool:
        """Whether there are keyboards, and all of them are there."""
        return bool(self.ends) and all(end.port is not None for end in self.ends)

    def open(self) -> None:
        """Open those that are there."""
        for end in self.ends:
            if end.there:
                self._open(end)
            else:
                self._tell("lost", f"the keyboard's port {end.name} is not there; waiting for it")

    def _open(self, end: KeyboardEnd) -> None:
        receive: Receive = partial(self._receive, source=end.number) if end.number else self._receive
        line = InputLine(receive, lambda text: self._tell("say", text), self._most_bytes)
        if end.own:
            end.port = self._system.make_input(line, label=end.label)
        else:
            end.port = self._system.open_input(end.name, line, label=end.label)
        end.line, end.name, end.there = line, end.port.name, True

    def pulse(self) -> None:
        """Keep the lines of all of them open; to be called every `input_line.TICK_S`."""
        for end in self.ends:
            if end.port is not None and end.line is not None and end.line.tick():
                end.port.pulse(end.line.beat)

    @property
    def sent(self) -> Callable[[bytes], None] | None:
        """What takes notice of every message that goes out, so that it is known when it comes back."""
        watches = [end.loop.sent for end in self.ends]
        if len(watches) < 2:
            return watches[0] if watches else None

        def take(data: bytes) -> None:
            for watch in watches:
                watch(data)

        return take

    def look(self) -> None:
        """Look which are gone, and which are there again.

        StillbeatError where the system does not list its ports now.
        """
        if all(end.own for end in self.ends):
            return
        names = self._system.inputs()
        for end in sorted(
            self.ends, key=lambda end: end.name not in names
        ):  # two may differ in a number alone
            if not end.own:
                self._look_for(end, names)

    def _look_for(self, end: KeyboardEnd, names: list[str]) -> None:
        if end.port is not None and end.name not in names:
            port, end.port = end.port, None
            port.close()
            self._gone(end.number)
            self._tell(
                "lost", f"the keyboard's port {end.name} is gone; its notes are let go, waiting for it"
            )
        taken = [one.name for one in self.ends if one is not end and one.port is not None]
        found = same_port(end.name, [name for name in names if name not in taken])
        if end.port is None and found is not None:
            end.name = found
            self._open(end)
            self._tell("back", f"the keyboard's port {found} is back")

    def close(self) -> None:
        """Hear nothing any more."""
        for end in self.ends:
            if end.port is not None:
                end.port.close()
