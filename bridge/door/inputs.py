"""Inputs as mido has them: what comes from a port of ours passes through as it is."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import mido
from mido.ports import BaseInput

from bridge.door.problems import as_mido_expects
from bridge.ports.base import InPort
from bridge.ports.find import answering_systems, find_system
from bridge.ports.pick import pick_port, same_port
from bridge.ports.rtmidi_ports import open_system, quiet

if TYPE_CHECKING:
    from bridge.ports.base import MidiSystem

_ACTIVE_SENSING = 0xFE
_SYSTEMS = {
    "LINUX_ALSA": "alsa",
    "UNIX_JACK": "jack",
    "MACOSX_CORE": "coremidi",
    "WINDOWS_MM": "windows",
}
"""What mido's own backend calls the systems."""


def system_title(api: str | None) -> str | None:
    """Return the name of a MIDI system from what follows the slash of a backend's name."""
    return None if api is None else _SYSTEMS.get(api.upper(), api)


def port_names(system: str | None = None) -> tuple[list[str], list[str]]:
    """Return the names of all inputs and all outputs, of one system or of all that answer."""
    with quiet():
        systems: list[Any] = [open_system(system)] if system is not None else list(answering_systems()[0])
    names = [
        (name for one in systems for name in one.inputs()),
        (name for one in systems for name in one.outputs()),
    ]
    try:
        ins, outs = (list(dict.fromkeys(some)) for some in names)
    finally:
        for one in systems:
            one.close()
    return ins, outs


class PureInput(BaseInput):  # type: ignore[misc]  # mido is not typed
    """A mido input port.

    Parameters
    ----------
    name : str or None
        Part of the port's name; None: the first that there is. With `virtual`, what our own port is called.
    virtual : bool
        Make a port of our own that others connect to.
    callback : callable, optional
        Called with every message, in a thread of the port's; then `receive` and iteration are refused.
    api : str, optional
        MIDI system.

    Other keywords, such as those of `bridge.open_output`, are for outputs and mean nothing here. As in mido's own
    backend, active sensing is left out, and so are bytes that are no message.
    """

    def _open(
        self,
        virtual: bool = False,
        callback: Callable[[mido.Message], object] | None = None,
        api: str | None = None,
        client_name: str | None = None,
        **_words: Any,
    ) -> None:
        self._queue: queue.SimpleQueue[mido.Message | None] = queue.SimpleQueue()
        self._callback = callback
        self._callback_lock = threading.RLock()
        with as_mido_expects():
            self._port, self._system = self._opened(virtual or client_name is not None, system_title(api))
        if not virtual:
            self.name = self._port.name
        self._device_type = f"Stillbeat/{self._system.title}"

    def _opened(self, virtual: bool, title: str | None) -> tuple[InPort, MidiSystem]:
        if virtual:
            system = find_system(title, [], [])
            return system.make_input(self._heard, label=self.name or "in"), system
        if not self.name:
            names = port_names(title)[0]
            if not names:
                raise OSError("no input ports available")
            self.name = names[0]
        system = find_system(title, [self.name], [])
        names = system.inputs()
        found = same_port(self.name, names) or pick_port(self.name, names, "input")
        return system.open_input(found, self._heard, label="in"), system

    def _heard(self, data: bytes) -> None:
        """Take what came; called in the port's thread, which swallows what is raised."""
        if not data or data[0] == _ACTIVE_SENSING:
            return
        try:
            message = mido.Message.from_bytes(data)
        except ValueError:
            return
        with self._callback_lock:
            if self._callback is None:
                self._queue.put(message)
            else:
                self._callback(message)

    @property
    def callback(self) -> Callable[[mido.Message], object] | None:
        """What is called with every message; None: they are kept for `receive`."""
        return self._callback

    @callback.setter
    def callback(self, function: Callable[[mido.Message], object] | None) -> None:
        with self._callback_lock:
            if function is not None:
                while (message := self._taken(False)) is not None:
                    function(message)
            self._callback = function

    def receive(self, block: bool = True) -> mido.Message | None:
        """Return the next message, as `mido.ports.BaseInput.receive` does; waiting costs nothing."""
        self._check_callback()
        if self.closed:
            message = self._taken(False)
            if message is None and block:
                raise ValueError("receive() called on closed port")
            return message
        message = self._taken(block)
        if message is None and block:
            raise OSError("port closed during receive()")
        return message

    def _taken(self, block: bool) -> mido.Message | None:
        try:
            message = self._queue.get(block)
        except queue.Empty:
            return None
        if message is None:
            self._queue.put(None)  # for whoever else waits
        return message

    def poll(self) -> mido.Message | None:
        """Return the next message, or None."""
        return self.receive(block=False)

    def __iter__(self) -> Iterator[mido.Message]:
        """Go through messages until the port is closed and none is left."""
        self._check_callback()
        while (message := self._taken(not self.closed)) is not None:
            yield message

    def _close(self) -> None:
        self._port.close()
        self._system.close()
        self._queue.put(None)
