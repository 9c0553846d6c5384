"""MIDI ports of the operating system, through either of two Python libraries that wrap the same C++ code, RtMidi.

Which one is chosen by `bridge.ports.library`, and imported only when a function here is called. Every port of ours is a
client of its own on JACK (``stillbeat keyboard:in``), and a port of one client elsewhere.

Known of RtMidi over JACK (measured with python-rtmidi 1.5.8), and what is done about it:

- Messages still under way are lost if the process ends without ``close_port``: `OutPort.close` calls it.
- After the death of the server sending hangs once 16 KB wait, holding the interpreter: `bridge.live` keeps the ports in
  a process that can be replaced, and watches the server (`bridge.ports.jack_watch`).
- Closing an input while its thread delivers a message ends the process (a callback that is taken away in the middle
  of a call) or hangs it (closing waits, holding the interpreter, for a thread that waits for the interpreter). So
  the connection is taken away first, and a thread that has messages left takes its callback away itself.
- Libraries below it write to standard error; `quiet` keeps that off the screen.

Index: `midi_systems`, `open_system`, `RtMidiSystem`, `quiet`.
"""

from __future__ import annotations

import contextlib
import os
import queue
import sys
import threading
import time
import weakref
from collections.abc import Iterator

from bridge.errors import PortProblem, near_names
from bridge.ports.base import InPort, MidiSystem, OutPort, Receive, client_name
from bridge.ports.jack_library import connect, cut_off
from bridge.ports.library import REFUSALS, Ear, LibraryIn, LibraryOut, LibraryPort, chosen_library

_NO_VIRTUAL = "Windows MIDI"
_IN_LABEL, _OUT_LABEL, _PULSE = "keyboard", "synth", "pulse"
"""How our ports are called unless something else is asked for; a client that only lists ports can become such a one."""
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
    """Return the systems that the library knows: title to number; PortProblem if no library is installed."""
    return chosen_library().systems()


def open_system(title: str) -> RtMidiSystem:
    """Return one system by its title, capitals aside.

    PortProblem if there is none of that name here, or it does not answer.
    """
    systems = midi_systems()
    for known in systems:
        if known.lower().split()[0] == title.lower().split()[0]:
            return RtMidiSystem(known, systems[known])
    raise PortProblem(
        f"there is no MIDI system {title!r} here", near_names(title, [known.lower() for known in systems])
    )


class RtMidiSystem(MidiSystem):
    """One MIDI system of the computer: its title as in `midi_systems`, and the library's number for it.

    PortProblem if the system does not answer: no server, no device, no permission.
    """

    def __init__(self, title: str, number: int) -> None:
        self.title = title
        self.can_make_ports = title != _NO_VIRTUAL
        self._number = number
        self._library = chosen_library()
        self._us = self._library.spelled(client_name())
        self._spare_in: LibraryIn | None = None
        self._lister_in: LibraryIn | None = None
        self._spare_out: LibraryOut | None = None
        self._lister_out: LibraryOut | None = None
        self._spare_out = self._lister_out = self._new_out(_OUT_LABEL)

    def _client(self, label: str) -> str:
        return f"{self._us} {label}" if self.title == "JACK" else self._us

    def _new_in(self, label: str) -> LibraryIn:
        with self._answering():
            return self._library.new_in(self._number, self._client(label))

    def _new_out(self, label: str) -> LibraryOut:
        with self._answering():
            return self._library.new_out(self._number, self._client(label))

    @contextlib.contextmanager
    def _answering(self) -> Iterator[None]:
        try:
            yield
        except REFUSALS as error:
            raise PortProblem(f"{self.title} does not answer: {error}") from None

    def _take_in(self, label: str) -> LibraryIn:
        port = None
        if self._client(label) == self._client(_IN_LABEL):
            port, self._spare_in = self._spare_in, None
        self._lister_in = port = port or self._new_in(label)
        return port

    def _take_out(self, label: str) -> LibraryOut:
        port = None
        if self._client(label) == self._client(_OUT_LABEL):
            port, self._spare_out = self._spare_out, None
        self._lister_out = port = port or self._new_out(label)
        return port

    def _all_inputs(self) -> list[str]:
        """Return all ports that can be heard, our own among them."""
        if self._lister_in is None or self._lister_in.deleted:
            self._spare_in = self._lister_in = self._new_in(_IN_LABEL)
        return self._listed(self._lister_in)

    def _all_outputs(self) -> list[str]:
        """Return all ports that can be played to, our own among them."""
        if self._lister_out is None or self._lister_out.deleted:
            self._spare_out = self._lister_out = self._new_out(_OUT_LABEL)
        return self._listed(self._lister_out)

    def _listed(self, lister: LibraryPort) -> list[str]:
        try:
            return lister.names()
        except REFUSALS as error:
            raise PortProblem(f"{self.title} does not list its ports: {error}") from None

    def _is_ours(self, name: str) -> bool:
        """Tell whether a port is one of this program's own."""
        client = name.split(":")[0]
        return client == self._us or client.startswith(f"{self._us} ")

    def _own_end(self, before: list[str], after: list[str]) -> str | None:
        """Return which port of our own has been opened meanwhile; None if that is not certain."""
        ours = [name for name in after if name not in before and self._is_ours(name)]
        return ours[0] if len(ours) == 1 else None

    def inputs(self) -> list[str]:
        """Return the names of ports that can be heard now."""
        return [name for name in self._all_inputs() if not self._is_ours(name)]

    def outputs(self) -> list[str]:
        """Return the names of ports that can be played to now."""
        return [name for name in self._all_outputs() if not self._is_ours(name)]

    def open_input(self, name: str, receive: Receive, *, label: str = _IN_LABEL) -> InPort:
        """Listen to a port (see `MidiSystem.open_input`)."""
        pulse = self._new_pulse(label)  # before anything comes in: see `jack_library`
        port = self._take_in(label)
        before = self._ends()
        self._open(port, name, label)
        return self._listening(port, name, receive, before, pulse)

    def _new_pulse(self, label: str) -> tuple[LibraryOut, str] | None:
        """Return an output of our own, to be patched into an input of our own, and its name; over JACK only."""
        if self.title != "JACK" or not label.startswith(_IN_LABEL):
            return None
        before = self._all_inputs()
        port = self._new_out(_PULSE)
        try:
            port.make(_PULSE)
            own = self._own_end(before, self._all_inputs())
        except (PortProblem, *REFUSALS):
            own = None
        if own is None:
            port.delete()
            return None
        return port, own

    def _listening(
        self,
        port: LibraryIn,
        name: str,
        receive: Receive,
        before: list[str],
        pulse: tuple[LibraryOut, str] | None = None,
    ) -> InPort:
        """Return an input that has just been opened; over JACK one that knows its own end of the connection."""
        return _RtMidiIn(port, name, receive, self._own_end(before, self._ends()), pulse)

    def _ends(self) -> list[str]:
        """Return all ports over JACK that can be played to, our own among them."""
        return self._all_outputs() if self.title == "JACK" else []

    def open_output(self, name: str, *, label: str = _OUT_LABEL) -> OutPort:
        """Play to a port."""
        port = self._take_out(label)
        if self.title != "JACK":
            self._open(port, name, label)
            return _RtMidiOut(port, name)
        before = self._all_inputs()
        self._open(port, name, label)
        return _JackOut(port, name, self._own_end(before, self._all_inputs()), self)

    def wait_for_echo(self, port: LibraryOut, end: str, probe: bytes, limit_s: float) -> bool:
        """Send a message until it is heard at our own end of a connection; tell whether it was."""
        came = threading.Event()
        echo = self._new_in("echo")
        before = self._ends()
        ear = None
        try:
            echo.open(end, "in")
            ear = self._listening(echo, end, lambda data: came.set() if data == probe else None, before)
            limit = time.monotonic() + limit_s
            while not came.is_set() and time.monotonic() < limit:
                port.send(probe)
                came.wait(_ECHO_STEP_S)
        except (ValueError, *REFUSALS):
            return False
        finally:
            if ear is not None:
                ear.close()
            else:
                echo.delete()
        return came.is_set()

    def _open(self, port: LibraryPort, name: str, label: str) -> None:
        try:
            port.open(name, label)
            if self.title == "JACK":
                time.sleep(_CONNECTED_S)
        except ValueError:
            port.delete()
            raise PortProblem(f"the port {name!r} is not there any more", "see: stillbeat ports") from None
        except REFUSALS as error:
            port.delete()
            raise PortProblem(
                f"{self.title} refuses the port {name!r}: {error}", "is another program using it?"
            ) from None

    def make_input(self, receive: Receive, *, label: str = _IN_LABEL) -> InPort:
        """Make an input port of our own."""
        self._check_virtual()
        pulse = self._new_pulse(label)
        port = self._take_in(label)
        before = self._ends()
        self._make(port, label)
        return self._listening(port, f"{self._client(label)}:{label}", receive, before, pulse)

    def make_output(self, *, label: str = _OUT_LABEL) -> OutPort:
        """Make an output port of our own."""
        self._check_virtual()
        port = self._take_out(label)
        self._make(port, label)
        return _RtMidiOut(port, f"{self._client(label)}:{label}")

    def _make(self, port: LibraryPort, label: str) -> None:
        try:
            port.make(label)
        except REFUSALS as error:
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
            if spare is not None and not spare.deleted:
                spare.delete()
        self._spare_in = self._spare_out = None


class _RtMidiIn(InPort):
    """An open input; over JACK `end` is the full name of our own end, `pulse` an output of ours patched into it."""

    def __init__(
        self,
        port: LibraryIn,
        name: str,
        receive: Receive,
        end: str | None = None,
        pulse: tuple[LibraryOut, str] | None = None,
    ) -> None:
        self.name = name
        self._port = port
        self._end = end
        self._pulse = pulse[0] if pulse is not None else None
        if pulse is not None and (end is None or not connect(pulse[1], end)):
            self._give_pulse_back()
        ear = Ear(receive)
        self._ear = weakref.ref(ear)
        port.listen(ear)

    def pulse(self, data: bytes) -> None:
        """Send into this very input (see `InPort.pulse`)."""
        if self._pulse is not None:
            self._pulse.send(data)

    def _give_pulse_back(self) -> None:
        port, self._pulse = self._pulse, None
        if port is not None:
            port.close_port()
            port.delete()

    def close(self) -> None:
        """Stop listening and give the client back."""
        port = self._port
        if port.deleted:
            return
        self._stop()
        port.close_port()
        port.delete()
        self._give_pulse_back()

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
        ear.receive = lambda _data: port.cancel()
        del ear
        if self._end is not None:
            cut_off(self._end)
        with contextlib.suppress(queue.Empty):
            left.get(timeout=_CALLBACK_S)
            return
        kept = port.held()  # where more may come: what comes just now still finds its ear
        port.cancel()
        time.sleep(_CALLBACK_S)
        del kept, last


class _RtMidiOut(OutPort):
    """An open output."""

    def __init__(self, port: LibraryOut, name: str) -> None:
        self.name = name
        self._port = port
        self.emit = port.send  # type: ignore[method-assign,assignment]  # nothing between us and the library

    def emit(self, data: bytes) -> None:
        """Send without a check; only until the port is opened, and when it is closed."""
        self._port.send(data)

    def close(self) -> None:
        """Wait until all has gone out, and give the client back."""
        if not self.closed:
            self.closed = True
            time.sleep(_HANDED_ON_S)
            self._port.close_port()
            del self.emit  # or it would keep the client
            self._port.delete()


class _JackOut(_RtMidiOut):
    """An open output on a JACK server."""

    def __init__(self, port: LibraryOut, name: str, end: str | None, system: RtMidiSystem) -> None:
        super().__init__(port, name)
        self._end = end
        self._system = system

    def carries(self, probe: bytes, limit_s: float) -> bool:
        """Hear our own output ourselves (see `OutPort.carries`)."""
        return self._end is None or self._system.wait_for_echo(self._port, self._end, probe, limit_s)
