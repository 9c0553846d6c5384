"""MIDI ports in memory, which record what they are sent: tests play on them without any device.

A `Desk` stands for the devices on a table: keyboards that play and synths that record, which can be unplugged and
plugged in again. A `FakeSystem` is what a program sees of them; it passes the same conformance suite as the real ports.

Where it departs from them: messages are delivered in the thread that plays, before `Keyboard.play` returns, and `emit`
records in the thread that sends. Any thread may do either.

Index: `Desk`, `Keyboard`, `Synth`, `FakeSystem`.
"""

from __future__ import annotations

import threading

from bridge.errors import PortProblem
from bridge.ports.base import InPort, MidiSystem, OutPort, Receive, client_name


class Keyboard:
    """A port that can be heard.

    Attributes
    ----------
    name : str
        Its full name.
    errors : list of Exception
        What receivers raised: lost, as with real ports, but for this record.
    """

    def __init__(self, name: str) -> None:
        self.name = name
        self._lock = threading.Lock()
        self._listeners: list[Receive] = []
        self.errors: list[Exception] = []

    def play(self, *messages: bytes) -> None:
        """Send bytes to whoever listens, one call for each, whatever they are."""
        for message in messages:
            with self._lock:
                for receive in tuple(self._listeners):
                    try:
                        receive(bytes(message))
                    except Exception as error:
                        self.errors.append(error)

    def listen(self, receive: Receive) -> None:
        """Begin to listen."""
        with self._lock:
            self._listeners.append(receive)

    def leave(self, receive: Receive) -> None:
        """Cease to listen; no call is under way when this returns."""
        with self._lock:
            if receive in self._listeners:
                self._listeners.remove(receive)


class Synth:
    """A port that can be played to.

    Attributes
    ----------
    name : str
        Its full name.
    received : list of bytes
        Every message, in order.
    """

    def __init__(self, name: str) -> None:
        self.name = name
        self.received: list[bytes] = []

    def take(self, data: bytes) -> None:
        """Record a message. Override it to make a synth that does something."""
        self.received.append(data)


class Desk:
    """Devices that are plugged in, or not."""

    def __init__(self) -> None:
        self.keyboards: dict[str, Keyboard] = {}
        self.synths: dict[str, Synth] = {}
        self._away: set[str] = set()

    def keyboard(self, name: str) -> Keyboard:
        """Put a keyboard on the desk."""
        return self.keyboards.setdefault(name, Keyboard(name))

    def synth(self, name: str, synth: Synth | None = None) -> Synth:
        """Put a synth on the desk."""
        return self.synths.setdefault(name, synth or Synth(name))

    def unplug(self, name: str) -> None:
        """Pull a device's plug: its ports are not listed, and what is sent is lost."""
        self._away.add(name)

    def plug(self, name: str) -> None:
        """Plug it in again."""
        self._away.discard(name)

    def present(self, name: str) -> bool:
        """Whether a device is plugged in."""
        return name not in self._away


class FakeSystem(MidiSystem):
    """What a program sees of a desk.

    Parameters
    ----------
    desk : Desk
        The devices.
    can_make_ports : bool
        Whether there are virtual ports.
    """

    title = "Desk"

    def __init__(self, desk: Desk, can_make_ports: bool = True) -> None:
        self.desk = desk
        self.can_make_ports = can_make_ports

    def inputs(self) -> list[str]:
        """Return the names of keyboards that are plugged in."""
        return [name for name in self.desk.keyboards if self.desk.present(name) and not _ours(name)]

    def outputs(self) -> list[str]:
        """Return the names of synths that are plugged in."""
        return [name for name in self.desk.synths if self.desk.present(name) and not _ours(name)]

    def open_input(self, name: str, receive: Receive, *, label: str = "keyboard") -> InPort:
        """Listen to a keyboard."""
        if name not in self.inputs():
            raise PortProblem(f"the port {name!r} is not there any more", "see: stillbeat ports")
        return _FakeIn(self.desk, self.desk.keyboards[name], receive)

    def open_output(self, name: str, *, label: str = "synth") -> OutPort:
        """Play to a synth."""
        if name not in self.outputs():
            raise PortProblem(f"the port {name!r} is not there any more", "see: stillbeat ports")
        return _FakeOut(self.desk, self.desk.synths[name])

    def make_input(self, receive: Receive, *, label: str = "keyboard") -> InPort:
        """Put a port of our own on the desk, to which others can play: ``desk.keyboards`` has it."""
        self._check_virtual()
        return _FakeIn(self.desk, self.desk.keyboard(f"{client_name()} {label}:{label}"), receive)

    def make_output(self, *, label: str = "synth") -> OutPort:
        """Put a port of our own on the desk that others can hear: ``desk.synths`` has what was sent."""
        self._check_virtual()
        return _FakeOut(self.desk, self.desk.synth(f"{client_name()} {label}:{label}"))

    def _check_virtual(self) -> None:
        if not self.can_make_ports:
            raise PortProblem(
                f"{self.title} has no virtual ports", "install a loop-back MIDI driver, and name its port"
            )


def _ours(name: str) -> bool:
    return name.startswith(f"{client_name()} ")


class _FakeIn(InPort):
    def __init__(self, desk: Desk, keyboard: Keyboard, receive: Receive) -> None:
        self.name = keyboard.name
        self._desk = desk
        self._keyboard = keyboard
        self._receive = receive
        keyboard.listen(self._deliver)

    def _deliver(self, data: bytes) -> None:
        if self._desk.present(self.name):
            self._receive(data)

    def close(self) -> None:
        """Cease to listen."""
        self._keyboard.leave(self._deliver)


class _FakeOut(OutPort):
    def __init__(self, desk: Desk, synth: Synth) -> None:
        self.name = synth.name
        self._desk = desk
        self._synth = synth

    def emit(self, data: bytes) -> None:
        """Record a message, if the device is plugged in."""
        if self._desk.present(self.name):
            self._synth.take(bytes(data))

    def close(self) -> None:
        """Send no more."""
        self.closed = True
