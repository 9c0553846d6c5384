"""What MIDI ports can do, whatever system stands behind them.

Conventions
-----------
A *system* is one way of the operating system to connect MIDI (ALSA, JACK, CoreMIDI, Windows). Its *inputs* are ports
that we can hear (keyboards), its *outputs* ports that we can play to (synths). A *made* port is one of our own that
other programs connect to (a virtual port). Messages are whole: a status byte first, SysEx from F0 to F7.

Sources: MIDI 1.0 Detailed Specification, "Data Format". The safe size of a SysEx message was measured with
python-rtmidi 1.5.8 and rtmidi2 1.5.0 over JACK: 15,000 bytes arrive whole, 20 KB were lost and spoiled what followed.
"""

from __future__ import annotations

import os
from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import TypeAlias

from bridge.errors import PortProblem
from bridge.wire.stream import message_length

SAFE_SYSEX_BYTES = 15_000
"""Longest SysEx message, F0 and F7 included, that a port takes."""

NAME_VARIABLE = "STILLBEAT_NAME"
"""The environment variable that gives our ports another name, so that two runs can be told apart."""
CLIENT = "stillbeat"
"""How we call ourselves."""
_CLIENT_LETTERS = 30
"""JACK takes client names of up to 63 bytes; something is appended to this one."""

NEW_PORT = "new"
"""The name that asks for a port of our own, which other programs connect to (a virtual port)."""

Receive: TypeAlias = Callable[[bytes], None]
"""What an input port calls with every message, whole or not, as the system delivered it.

It runs in a thread of the port's, one message at a time; it may send to any output port, must not close the port it
came from, and should return within a fraction of a millisecond. An exception in it is swallowed by the system and lost:
whoever cares must catch it inside.
"""


def client_name() -> str:
    """Return how we call ourselves among other programs: ``stillbeat``, or what `NAME_VARIABLE` says."""
    wanted = "".join(letter for letter in os.environ.get(NAME_VARIABLE, "") if letter.isprintable())
    return wanted.replace(":", " ").strip()[:_CLIENT_LETTERS].strip() or CLIENT


def check_message(data: bytes) -> str:
    """Return what is wrong with some bytes as one MIDI message; empty if nothing is.

    Channel messages, system messages and SysEx up to `SAFE_SYSEX_BYTES` are right.
    """
    size = len(data)
    if not size:
        return "nothing to send"
    status = data[0]
    if status < 0x80:
        return "a message must begin with a status byte"
    if status == 0xF0:
        if size > SAFE_SYSEX_BYTES:
            return f"a SysEx message of {size} bytes is longer than ports carry safely ({SAFE_SYSEX_BYTES})"
        if size < 2 or data[-1] != 0xF7:
            return "a SysEx message must end with F7"
        return "a SysEx message holds a byte above 7F" if max(data[1:-1], default=0) > 0x7F else ""
    wanted = message_length(status)
    if wanted is None:
        return f"there is no message with the status {status:02X}"
    if wanted != size:
        return f"a message with the status {status:02X} has {wanted} bytes, not {size}"
    return "a data byte is above 7F" if max(data[1:], default=0) > 0x7F else ""


class InPort(ABC):
    """An open input: from when it is opened until `close`, it calls its receiver."""

    name: str
    """The port that it hears; for a made port, its own name."""

    def pulse(self, data: bytes) -> None:
        """Let a short message of our own arrive here, where the system keeps what it takes for unfinished to itself.

        Everywhere else nothing happens. May be called from any thread but the port's own.
        """
        return

    @abstractmethod
    def close(self) -> None:
        """Stop listening. No call is under way or comes after this returns. Closing twice is no error."""


class OutPort(ABC):
    """An open output."""

    name: str  # the port that it plays to; for a made port, its own name
    closed: bool = False  # whether `close` was called
    about: str = ""  # what somebody should know who plays a keyboard through it

    def send(self, data: bytes) -> None:
        """Send one whole message.

        PortProblem if the port is closed, the bytes are not one message, or a SysEx message is too long to
        arrive whole.
        """
        wrong = "the port is closed" if self.closed else check_message(data)
        if wrong:
            raise PortProblem(f"{self.name}: {wrong}")
        self.emit(data)

    @abstractmethod
    def emit(self, data: bytes) -> None:
        """Send one message that is known to be whole and short enough, and return at once.

        May be called from any thread, one at a time.
        """

    def carries(self, probe: bytes, limit_s: float) -> bool:
        """Wait until what is sent really goes to whoever is connected; tell whether it does.

        `probe` is a message that means nothing to anybody, sent any number of times. A system that cannot
        know says yes at once.
        """
        return True

    @abstractmethod
    def close(self) -> None:
        """Close the port once all that was sent has gone out. Closing twice is no error."""


class MidiSystem(ABC):
    """One way of connecting MIDI."""

    title: str  # its name for a reader: ``JACK``
    can_make_ports: bool  # whether it has virtual ports
    given_up: bool = False  # whether it has nothing to wait for any more

    @abstractmethod
    def inputs(self) -> list[str]:
        """Return the names of ports that can be heard now, our own left out."""

    @abstractmethod
    def outputs(self) -> list[str]:
        """Return the names of ports that can be played to now, our own left out."""

    @abstractmethod
    def open_input(self, name: str, receive: Receive, *, label: str = "in") -> InPort:
        """Listen to a port, given by its full name; our own end is called `label`.

        PortProblem if there is no such port any more, or the system refuses.
        """

    @abstractmethod
    def open_output(self, name: str, *, label: str = "out") -> OutPort:
        """Play to a port, given by its full name as `outputs` has it (see `open_input`)."""

    @abstractmethod
    def make_input(self, receive: Receive, *, label: str = "in") -> InPort:
        """Make an input port of our own that others can connect to.

        PortProblem if the system has no virtual ports.
        """

    @abstractmethod
    def make_output(self, *, label: str = "out") -> OutPort:
        """Make an output port of our own (see `make_input`)."""

    def close(self) -> None:  # noqa: B027 - most systems hold nothing
        """Let go of what the system holds beyond its ports. Closing twice is no error."""
