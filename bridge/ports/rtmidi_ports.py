"""MIDI ports of the operating system, through python-rtmidi.

This module alone imports ``rtmidi``, and only when a function is called. Every port of ours is a client of its own on
JACK (``stillbeat keyboard:in``), and a port of one client elsewhere.

Known of python-rtmidi 1.5.8 over JACK (measured), and what is done about it:

- Messages still under way are lost if the process ends without ``close_port``: `OutPort.close` calls it.
- After the death of the server ``send_message`` hangs once 16 KB wait, holding the interpreter: `bridge.live` keeps the
  ports in a process that can be replaced, and watches the server (`bridge.ports.jack_watch`).
- Closing an input while its thread delivers a message ends the process (a callback that is taken away in the middle
  of a call) or hangs it (closing waits, holding the interpreter, for a thread that waits for the interpreter). So
  the connection is taken away first, and a thread that has messages left takes its callback away itself.
- Libraries below it write to standard error; `quiet` keeps that off the screen.

Index: `midi_systems`, `open_system`, `RtMidiSystem`, `quiet`.
"""

from __future__ import annotations

import contextlib
import gc
import os
import queue
import sys
import threading
import time
import weakref
from collections.abc import Callable, Iterator
from typing import Any

from bridge.errors import PortProblem, near_names
from bridge.ports.base import InPort, MidiSystem, OutPort, Receive, client_name
from bridge.ports.jack_library import cut_off

_TITLES = {"LINUX_ALSA": "ALSA", "UNIX_JACK": "JACK", "MACOSX_CORE": "CoreMIDI", "WINDOWS_MM": "Windows MIDI"}
_CONNECTED_S = 0.05
"""A connection over JACK holds from the server's next period on; what is sent before that is lost."""

_ECHO_STEP_S = 0.01
"""How often an output that waits for an echo of its own sends. A server that does not wait for its clients, and lost
one by force, plays nothing for half a second at a time while it makes up for that (measured with jackd2 1.9.21)."""

_HANDED_ON_S = 0.05
"""Closing waits until a server has taken what was sent, not until others have read it: measured over JACK with periods
of 256 frames, the last messages were lost every other time without this pause, and never with it."""

_CALLBACK_S = 0.03
"""So long a receiver that is under way may take to return when its port is closed."""


def _rtmidi() -> Any:
    """Import python-rtmidi.

    Raises
    ------
    PortProblem
        It is not installed.
    """
    try:
        import rtmidi
    except ImportError as error:
        raise PortProblem(
            f"MIDI ports need the package python-rtmidi, which is not installed ({error})",
            'pip install "stillbeat[ports]"; it has ready-made wheels up to Python 3.12',
        ) from None
    return rtmidi


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Keep what C libraries write to standard error off the screen."""
    sys.stderr.flush()
    try:
        kept = os.dup(2)
    except OSError:  # no standard error at all
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    os.close(nowhere)
    try:
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)


def midi_systems() -> dict[str, int]:
    """Return the systems that this build of python-rtmidi knows: title to number.

    Raises
    ------
    PortProblem
        python-rtmidi is not installed.
    """
    rtmidi = _rtmidi()
    names = {
        getattr(rtmidi, name): name.removeprefix("API_") for name in dir(rtmidi) if name.startswith("API_")
    }
    known = [number for number in rtmidi.get_compiled_api() if names.get(number) in _TITLES]
    return {_TITLES[names[number]]: number for number in known}


def open_system(title: str) -> RtMidiSystem:
    """Return one system by its title, capitals aside.

    Raises
    ------
    PortProblem
        There is none of that name here, or it does not answer.
    """
    systems = midi_systems()
    for known in systems:
        if known.lower().split()[0] == title.lower().split()[0]:
            return RtMidiSystem(known, systems[known])
    raise PortProblem(
        f"there is no MIDI system {title!r} here", near_names(title, [known.lower() for known in systems])
    )


class RtMidiSystem(MidiSystem):
    """One MIDI system of the computer.

    Parameters
    ----------
    title : str
        As `midi_systems` has it.
    number : int
        python-rtmidi's number for it.

    Raises
    ------
    PortProblem
        The system does not answer: no server, no device, no permission.
    """

    def __init__(self, title: str, number: int) -> None:
        self.title = title
        self.can_make_ports = title != _TITLES["WINDOWS_MM"]
        self._number = number
        self._library = _rtmidi()
        self._spare_in: Any = None
        self._spare_out: Any = None
        self._lister_in: Any = None
        self._lister_out: Any = None
        self._spare_out = self._lister_out = self._new(self._library.MidiOut, "synth")

    def _client(self, label: str) -> str:
        return f"{client_name()} {label}" if self.title == "JACK" else client_name()

    def _new(self, kind: Any, label: str) -> Any:
        try:
            return kind(self._number, name=self._client(label))
        except (OSError, RuntimeError) as error:
            raise PortProblem(f"{self.title} does not answer: {error}") from None

    def _take_in(self, label: str) -> Any:
        port, self._spare_in = self._spare_in, None
        if port is None:
            port = self._new(self._library.MidiIn, label)
        self._lister_in = port
        return port

    def _take_out(self, label: str) -> Any:
        port, self._spare_out = self._spare_out, None
        if port is None:
            port = self._new(self._library.MidiOut, label)
        self._lister_out = port
        return port

    def _names(self, lister: Any) -> list[str]:
        try:
            names = lister.get_ports()
        except (OSError, RuntimeError) as error:
            raise PortProblem(f"{self.title} does not list its ports: {error}") from None
        return [name for name in names if not _ours(name)]

    def inputs(self) -> list[str]:
        """Return the names of ports that can be heard now."""
        if self._lister_in is None or self._lister_in.is_deleted:
            self._spare_in = self._lister_in = self._new(self._library.MidiIn, "keyboard")
        return self._names(self._lister_in)

    def outputs(self) -> list[str]:
        """Return the names of ports that can be played to now."""
        if self._lister_out is None or self._lister_out.is_deleted:
            self._spare_out = self._lister_out = self._new(self._library.MidiOut, "synth")
        return self._names(self._lister_out)

    def open_input(self, name: str, receive: Receive, *, label: str = "keyboard") -> InPort:
        """Listen to a port (see `MidiSystem.open_input`)."""
        port = self._take_in(label)
        before = self._ends()
        self._open(port, name, label)
        return self._listening(port, name, receive, before)

    def _listening(self, port: Any, name: str, receive: Receive, before: list[str]) -> InPort:
        """Return an input that has just been opened; over JACK one that knows its own end of the connection."""
        return _RtMidiIn(port, name, receive, _own_end(before, self._ends()))

    def _ends(self) -> list[str]:
        """Return all ports over JACK that can be played to, our own among them."""
        if self.title != "JACK":
            return []
        self.outputs()
        return list(self._lister_out.get_ports())

    def open_output(self, name: str, *, label: str = "synth") -> OutPort:
        """Play to a port."""
        port = self._take_out(label)
        if self.title != "JACK":
            self._open(port, name, label)
            return _RtMidiOut(port, name)
        before = self._heard()
        self._open(port, name, label)
        return _JackOut(port, name, _own_end(before, self._heard()), self)

    def _heard(self) -> list[str]:
        """Return all ports that can be heard, our own among them."""
        self.inputs()
        return list(self._lister_in.get_ports())

    def wait_for_echo(self, port: Any, end: str, probe: bytes, limit_s: float) -> bool:
        """Send a message until it is heard at our own end of a connection; tell whether it was."""
        came = threading.Event()
        echo = self._new(self._library.MidiIn, "echo")
        before = self._ends()
        ear = None
        try:
            echo.open_port(echo.get_ports().index(end), "in")
            ear = self._listening(echo, end, lambda data: came.set() if data == probe else None, before)
            limit = time.monotonic() + limit_s
            while not came.is_set() and time.monotonic() < limit:
                port.send_message(probe)
                came.wait(_ECHO_STEP_S)
        except (ValueError, OSError, RuntimeError):
            return False
        finally:
            if ear is not None:
                ear.close()
            else:
                echo.delete()
        return came.is_set()

    def _open(self, port: Any, name: str, label: str) -> None:
        try:
            port.open_port(port.get_ports().index(name), label)
            if self.title == "JACK":
                time.sleep(_CONNECTED_S)
        except ValueError:
            port.delete()
            raise PortProblem(f"the port {name!r} is not there any more", "see: stillbeat ports") from None
        except (OSError, RuntimeError) as error:
            port.delete()
            raise PortProblem(
                f"{self.title} refuses the port {name!r}: {error}", "is another program using it?"
            ) from None

    def make_input(self, receive: Receive, *, label: str = "keyboard") -> InPort:
        """Make an input port of our own."""
        self._check_virtual()
        port = self._take_in(label)
        before = self._ends()
        self._make(port, label)
        return self._listening(port, f"{self._client(label)}:{label}", receive, before)

    def make_output(self, *, label: str = "synth") -> OutPort:
        """Make an output port of our own."""
        self._check_virtual()
        port = self._take_out(label)
        self._make(port, label)
        return _RtMidiOut(port, f"{self._client(label)}:{label}")

    def _make(self, port: Any, label: str) -> None:
        try:
            port.open_virtual_port(label)
        except (OSError, RuntimeError, NotImplementedError) as error:
            port.delete()
            raise PortProblem(f"{self.title} makes no port {label!r}: {error}") from None

    def _check_virtual(self) -> None:
        if not self.can_make_ports:
            raise PortProblem(
                f"{self.title} has no virtual ports", "install a loop-back MIDI driver, and name its port"
            )

    def close(self) -> None:
        """Let go of clients that serve no open port."""
        for spare in (self._spare_in, self._spare_out):
            if spare is not None and not spare.is_deleted:
                spare.delete()
        self._spare_in = self._spare_out = None


def _ours(name: str) -> bool:
    """Tell whether a port is one of this program's own."""
    client = name.split(":")[0]
    return client == client_name() or client.startswith(f"{client_name()} ")


def _own_end(before: list[str], after: list[str]) -> str | None:
    """Return which port of our own has been opened meanwhile; None if that is not certain."""
    ours = [name for name in after if name not in before and _ours(name)]
    return ours[0] if len(ours) == 1 else None


class _Ear:
    """What the thread of an input calls with each message: kept alive by the port alone."""

    __slots__ = ("__weakref__", "receive")

    def __init__(self, receive: Callable[[bytes], object]) -> None:
        self.receive = receive


def _deliver(event: tuple[list[int], float], ear: _Ear) -> None:
    """Called by rtmidi, in its thread, with the bytes as a list."""
    ear.receive(bytes(event[0]))


class _RtMidiIn(InPort):
    """An open rtmidi input.

    Parameters
    ----------
    port : MidiIn
        Opened.
    name : str
        What is listened to.
    receive : callable
        Takes what comes.
    end : str, optional
        Full name of our own end over JACK.
    """

    def __init__(self, port: Any, name: str, receive: Receive, end: str | None = None) -> None:
        self.name = name
        self._port = port
        self._end = end
        ear = _Ear(receive)
        self._ear = weakref.ref(ear)
        port.ignore_types(sysex=False, timing=False, active_sense=False)
        port.set_callback(_deliver, ear)

    def close(self) -> None:
        """Stop listening and give the client back."""
        port = self._port
        if port.is_deleted:
            return
        self._stop()
        port.close_port()
        port.delete()

    def _stop(self) -> None:
        """Have the thread of the port take its own callback away, and wait until it has left the interpreter.

        The ear ends when the callback that took itself away returns, in the same breath as its thread lets go of the
        interpreter: `queue.SimpleQueue.put` is not Python code, so nothing comes between.
        """
        port = self._port
        left: queue.SimpleQueue[object] = queue.SimpleQueue()
        ear = self._ear()
        if ear is None:
            return
        last = weakref.ref(ear, left.put)
        ear.receive = lambda _data: port.cancel_callback()
        del ear
        if self._end is not None:
            cut_off(self._end)
        with contextlib.suppress(queue.Empty):
            left.get(timeout=_CALLBACK_S)
            return
        kept = gc.get_referents(port)  # where more may come: what comes just now still finds its ear
        port.cancel_callback()
        time.sleep(_CALLBACK_S)
        del kept, last


class _RtMidiOut(OutPort):
    """An open rtmidi output."""

    def __init__(self, port: Any, name: str) -> None:
        self.name = name
        self._port = port
        self.emit = port.send_message  # type: ignore[method-assign]  # nothing between us and the library

    def emit(self, data: bytes) -> None:  # pragma: no cover - replaced in __init__
        """Send without a check."""
        self._port.send_message(data)

    def close(self) -> None:
        """Wait until all has gone out, and give the client back."""
        if not self.closed:
            self.closed = True
            time.sleep(_HANDED_ON_S)
            self._port.close_port()
            self._port.delete()


class _JackOut(_RtMidiOut):
    """An open rtmidi output on a JACK server."""

    def __init__(self, port: Any, name: str, end: str | None, system: RtMidiSystem) -> None:
        super().__init__(port, name)
        self._end = end
        self._system = system

    def carries(self, probe: bytes, limit_s: float) -> bool:
        """Hear our own output ourselves (see `OutPort.carries`)."""
        return self._end is None or self._system.wait_for_echo(self._port, self._end, probe, limit_s)
