"""python-rtmidi as a library for MIDI ports (see `bridge.ports.library`).

This module alone imports ``rtmidi``, and only when it is asked to.

Its wheel for Linux carries a JACK library of its own. Beside the system's one, which `bridge.ports.jack_library` calls,
each would map and lock all of the server's memory (102 MB with jackd2 1.9.21) and be as old as the wheel; so the
system's library is loaded first, where there is one, and is then used in its place.
"""

from __future__ import annotations

import gc
import sys
from typing import Any

from bridge.ports import jack_library
from bridge.ports.library import SYSTEMS, Ear, version_of


class PythonRtMidi:
    """The library; ImportError if it is not installed."""

    name = "python-rtmidi"

    def __init__(self) -> None:
        if sys.platform == "linux":
            jack_library.share()
        import rtmidi

        self._module: Any = rtmidi

    @property
    def version(self) -> str:
        """Which one is installed."""
        return version_of(self.name)

    def systems(self) -> dict[str, int]:
        """Return the systems that were built into it."""
        built = self._module.get_compiled_api()
        numbers = {title: getattr(self._module, f"API_{name}", None) for name, title in SYSTEMS.items()}
        titles = {number: title for title, number in numbers.items()}
        return {titles[number]: number for number in built if number in titles}

    def spelled(self, client: str) -> str:
        """Return the name as it is."""
        return client

    def new_in(self, number: int, client: str) -> _In:
        """Return a client that can hear."""
        return _In(self._module.MidiIn(number, name=client))

    def new_out(self, number: int, client: str) -> _Out:
        """Return a client that can play."""
        return _Out(self._module.MidiOut(number, name=client))


class _Port:
    """What both sides share."""

    def __init__(self, port: Any) -> None:
        self._port = port

    @property
    def deleted(self) -> bool:
        """Whether `delete` was called."""
        return bool(self._port.is_deleted)

    def names(self) -> list[str]:
        """Return the ports at the other side."""
        return list(self._port.get_ports())

    def open(self, name: str, label: str) -> None:
        """Connect to a port; ValueError if it is not there."""
        self._port.open_port(self.names().index(name), label)

    def make(self, label: str) -> None:
        """Make a port that others can connect to."""
        self._port.open_virtual_port(label)

    def close_port(self) -> None:
        """Close the port."""
        self._port.close_port()

    def delete(self) -> None:
        """Give the client back."""
        self._port.delete()


def _deliver(event: tuple[list[int], float], ear: Ear) -> None:
    """Called by the library, in its thread, with the bytes as a list."""
    ear.receive(bytes(event[0]))


class _In(_Port):
    """A client that can hear."""

    def listen(self, ear: Ear) -> None:
        """Call an ear with every message from now on."""
        self._port.ignore_types(sysex=False, timing=False, active_sense=False)
        self._port.set_callback(_deliver, ear)

    def cancel(self) -> None:
        """Call it no more."""
        self._port.cancel_callback()

    def held(self) -> object:
        """Return what the library holds, the ear among it."""
        return gc.get_referents(self._port)


class _Out(_Port):
    """A client that can play."""

    def __init__(self, port: Any) -> None:
        super().__init__(port)
        self.send = port.send_message  # nothing between us and the library
