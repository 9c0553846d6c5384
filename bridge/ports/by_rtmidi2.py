"""rtmidi2 as a library for MIDI ports (see `bridge.ports.library`).

This module alone imports ``rtmidi2``, and only when it is asked to.

Known of rtmidi2 1.5.0 (measured on Linux), and what is done about it:

- Its wheel for Linux carries a JACK library of its own that a server of jackd2 refuses ("protocol mismatch"). The
  system's library is loaded first and for all (`bridge.ports.jack_library.share`), and is then used in its place.
  Where the system has none, JACK is left out.
- A client without a JACK server is no error, but to open or make a port with it ends the whole process: an error of the
  C++ code that Python never sees. So a server is looked for first, and watched as long as there are clients.
- To close a client of a dead server may end the process too, once another server was looked for (in the C library of
  jackd2 1.9.21, with which it now shares everything). Such a client is never touched again.
- Other systems may refuse a port in the same way (one that another program holds, on Windows). There a port is first
  opened and closed in a process of its own.
- Without a number it takes ALSA, also where ALSA is not there: a number is always given, and checked.
- It gives a client back only when nothing refers to it any more. `delete` lets go of all that does.
- Names of clients are ASCII; other letters are left out. Our end of a connection is always called ``RtMidi``. On JACK,
  where people see it and save what is connected, a port with a name is made and then connected instead.
- Messages are taken as numbers one by one, not as bytes: ``send_raw(*data)``, 0.3 µs for a note, 0.5 ms for 15,000
  bytes.
"""

from __future__ import annotations

import ctypes
import os
import re
import subprocess
import sys
import threading
import weakref
from typing import Any

from bridge import children
from bridge.ports import jack_library
from bridge.ports.base import CLIENT
from bridge.ports.jack_watch import JackWatch
from bridge.ports.library import REFUSALS, SYSTEMS, Ear, version_of

_HERE = {
    "linux": ("LINUX_ALSA", "UNIX_JACK"),
    "darwin": ("MACOSX_CORE",),
    "win32": ("WINDOWS_MM",),
}
"""What the wheels for each platform know; the library itself does not tell."""

_TRIAL_S = 20.0
_REASON = re.compile(r"what\(\):\s+(?:\w+::\s*\w+:\s*)?(.+)")
_TRY = "import sys; from bridge.ports.by_rtmidi2 import try_port; try_port(*sys.argv[1:])"


class RtMidi2:
    """The library; ImportError if it is not installed."""

    name = "rtmidi2"

    def __init__(self) -> None:
        self._with_jack = sys.platform == "linux" and jack_library.share()
        import rtmidi2

        self._module: Any = rtmidi2

    @property
    def version(self) -> str:
        """Which one is installed."""
        return version_of(self.name)

    def systems(self) -> dict[str, int]:
        """Return the systems that its wheel for this platform knows, JACK only with the system's own library."""
        names = [name for name in _HERE.get(sys.platform, ()) if name != "UNIX_JACK" or self._with_jack]
        return {SYSTEMS[name]: getattr(self._module, f"API_{name}") for name in names}

    def spelled(self, client: str) -> str:
        """Return the letters that the library takes."""
        return client.encode("ascii", errors="ignore").decode().strip() or CLIENT

    def new_in(self, number: int, client: str) -> _In:
        """Return a client that can hear."""
        return _In(self._module, number, client)

    def new_out(self, number: int, client: str) -> _Out:
        """Return a client that can play."""
        return _Out(self._module, number, client)


class _Server:
    """The JACK server that clients belong to, watched as long as there are any; OSError if there is none."""

    def __init__(self) -> None:
        self._gone = threading.Event()
        watch = JackWatch(self._gone.set)
        if not watch.watching:
            raise OSError("no server is running")
        weakref.finalize(self, watch.close)

    @property
    def gone(self) -> bool:
        """Whether it is there no more."""
        return self._gone.is_set()


_servers: weakref.WeakValueDictionary[str, _Server] = weakref.WeakValueDictionary()


def _server() -> _Server:
    """Return the server that a client would go to; OSError if there is none."""
    name = os.environ.get("JACK_DEFAULT_SERVER", "")
    server = _servers.get(name)
    if server is None or server.gone:
        _servers[name] = server = _Server()
    return server


class _Port:
    """What both sides share.

    Parameters
    ----------
    module : module
        ``rtmidi2``.
    number : int
        The system's.
    client : str
        The client's name.
    """

    side: str
    _port: Any = None

    def __init__(self, module: Any, number: int, client: str) -> None:
        self._number = number
        self._client = client
        self._server = _server() if number == module.API_UNIX_JACK else None
        kind = module.MidiIn if self.side == "in" else module.MidiOut
        self._port = kind(client, api=number)
        if self._port.get_current_api() != number:
            raise OSError("rtmidi2 was built without it")

    @property
    def lost(self) -> bool:
        """Whether it belonged to a server that is gone: then it must not be touched."""
        return self._server is not None and self._server.gone

    def _check(self) -> None:
        """Raise OSError if the server is gone."""
        if self.lost:
            raise OSError("the server is gone")

    def _try(self, name: str, label: str) -> None:
        """Make sure that a port can be opened or made, without which the process would end."""
        self._check()
        if self._server is None:
            try_in_a_child(self.side, self._number, self._client, name, label)

    @property
    def deleted(self) -> bool:
        """Whether `delete` was called."""
        return self._port is None

    def names(self) -> list[str]:
        """Return the ports at the other side; one that goes away meanwhile has no name."""
        self._check()
        return [name for name in self._port.ports if name is not None]

    def open(self, name: str, label: str) -> None:
        """Connect to a port; ValueError if it is not there."""
        self._check_there(name)
        if self._server is not None:
            self._patch(name, label)
        else:
            self._try(name, "")
            self.open_untried(name)

    def _patch(self, name: str, label: str) -> None:
        """Make a port on JACK and connect it."""
        before = jack_library.port_names()
        self.make(label)
        ours = [
            port
            for port in jack_library.port_names()
            if port not in before and port.startswith(self._client) and port.endswith(f":{label}")
        ]
        ends = (name, *ours[:1]) if self.side == "in" else (*ours[:1], name)
        if len(ends) != 2 or not jack_library.connect(*ends):
            raise OSError("it cannot be connected")

    def open_untried(self, name: str) -> None:
        """Connect to a port. If the system refuses, the process may end."""
        self._check_there(name)
        self._port.open_port(name)

    def _check_there(self, name: str) -> None:
        """Make sure that a name is one of a port, for the library takes any other as a pattern."""
        if name not in self.names():
            raise ValueError(f"there is no port {name}")

    def make(self, label: str) -> None:
        """Make a port that others can connect to."""
        self._try("", label)
        self.make_untried(label)

    def make_untried(self, label: str) -> None:
        """Make a port. If the system refuses, the process may end."""
        self._port.open_virtual_port(label)

    def close_port(self) -> None:
        """Close the port."""
        if not self.lost:
            self._port.close_port()

    def delete(self) -> None:
        """Give the client back; one whose server is gone stays for ever."""
        if self.lost:
            ctypes.pythonapi.Py_IncRef(ctypes.py_object(self._port))
        self._port = self._server = None

    def __del__(self) -> None:
        if self._port is not None:
            self.delete()


class _In(_Port):
    """A client that can hear."""

    side = "in"

    def listen(self, ear: Ear) -> None:
        """Call an ear with every message from now on."""
        self._port.ignore_types(midi_sysex=False, midi_time=False, midi_sense=False)
        self._port.callback = ear

    def cancel(self) -> None:
        """Call it no more."""
        self._port.callback = None

    def held(self) -> object:
        """Return the ear."""
        return self._port.callback

    def delete(self) -> None:
        """Give the client back; the ear first, which the library would let go too early."""
        if self._port is not None:
            self._port.callback = None
        super().delete()


class _Out(_Port):
    """A client that can play."""

    side = "out"

    def __init__(self, module: Any, number: int, client: str) -> None:
        super().__init__(module, number, client)
        raw = self._port.send_raw
        self.send = lambda data: raw(*data)

    def delete(self) -> None:
        """Give the client back."""
        self.send = _gone
        super().delete()


def _gone(data: bytes) -> None:
    raise RuntimeError(f"the port was given back before {len(data)} bytes")


def try_in_a_child(side: str, number: int, client: str, name: str, label: str) -> None:
    """Open and close a port in a process of its own, which a refusal may end.

    Parameters
    ----------
    side : {"in", "out"}
        Whether it is to be heard or played to.
    number : int
        The system's.
    client : str
        Our name.
    name, label : str
        The port to open; else how the port to be made is called.

    Raises
    ------
    OSError
        It was refused.
    """
    try:
        done = children.ask(_TRY, side, str(number), client, name, label, limit_s=_TRIAL_S)
    except subprocess.TimeoutExpired:
        raise OSError(f"no answer within {_TRIAL_S:.0f} s") from None
    if done.returncode:
        reason = _REASON.search(done.stderr)
        raise OSError(reason.group(1).strip() if reason else "the system does not open it")


def try_port(side: str, number: str, client: str, name: str, label: str) -> None:
    """Open or make a port, and close it; end the process with 1 if that cannot be done, or in C++ code by force."""
    library = RtMidi2()
    try:
        port: _Port = (library.new_in if side == "in" else library.new_out)(int(number), client)
        if name:
            port.open_untried(name)
        else:
            port.make_untried(label)
    except (*REFUSALS, ValueError) as error:
        sys.exit(f"what():  {error}")
    port.close_port()
    port.delete()
