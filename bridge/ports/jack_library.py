"""JACK's C library, called without holding the interpreter.

The libraries for MIDI ports hold the interpreter while they wait for the server. Where the server in turn waits for a
thread of ours that wants the interpreter, both wait until the server loses its patience; calls from here do not.

Source: the JACK API (jackaudio.org): ``jack_client_open``, ``jack_get_ports``, ``jack_connect``,
``jack_port_get_all_connections``, ``jack_disconnect``.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import functools
import itertools
import sys
from collections.abc import Iterator
from typing import Any

from bridge.ports.base import client_name

_NO_START_SERVER = 0x01
_LIBRARIES = {"linux": "libjack.so.0", "darwin": "libjack.0.dylib", "win32": "libjack64.dll"}


@functools.cache
def load() -> Any:
    """Return the C library, or None where there is none."""
    library = _opened(_LIBRARIES.get(sys.platform)) or _opened(_looked_for())
    if library is not None:
        library.jack_client_open.restype = ctypes.c_void_p
        library.jack_port_by_name.restype = ctypes.c_void_p
        library.jack_port_get_all_connections.restype = ctypes.POINTER(ctypes.c_char_p)
        library.jack_get_ports.restype = ctypes.POINTER(ctypes.c_char_p)
    return library


def _looked_for() -> str | None:
    import ctypes.util  # which imports much, and is rarely needed

    return ctypes.util.find_library("jack")


def _opened(name: str | None) -> Any:
    if name is not None:
        with contextlib.suppress(OSError):
            return ctypes.CDLL(name)
    return None


def share() -> bool:
    """Have libraries that are loaded from now on use this one in place of a JACK library that they bring along.

    Returns whether there is one.
    """
    library = load()
    if library is None:
        return False
    ctypes.CDLL(library._name, mode=ctypes.RTLD_GLOBAL)
    return True


def open_client(library: Any, name: str) -> int | None:
    """Return a client that plays no part in the server's periods; None if the server does not answer."""
    client: int | None = library.jack_client_open(name.encode(), _NO_START_SERVER, None)
    return client or None


def close_client(library: Any, client: int) -> None:
    """Give a client back."""
    library.jack_client_close(ctypes.c_void_p(client))


@contextlib.contextmanager
def _client(label: str) -> Iterator[tuple[Any, ctypes.c_void_p] | None]:
    """Give the C library and a client for a moment; None without a library or a server."""
    library = load()
    client = open_client(library, f"{client_name()} {label}") if library is not None else None
    if client is None:
        yield None
        return
    try:
        yield library, ctypes.c_void_p(client)
    finally:
        close_client(library, client)


def port_names() -> list[str]:
    """Return the full names of all ports on the server; none without a C library or a server."""
    with _client("list") as found:
        if found is None:
            return []
        library, client = found
        return [
            name.decode(errors="replace")
            for name in _taken(library, library.jack_get_ports(client, None, None, 0))
        ]


def connect(source: str, destination: str) -> bool:
    """Connect two ports by their full names; tell whether they are connected now."""
    with _client("patch") as found:
        if found is None:
            return False
        library, client = found
        return library.jack_connect(client, source.encode(), destination.encode()) in (0, errno.EEXIST)


def cut_off(port: str) -> bool:
    """Take all connections of an input port away: from the server's next period on it hears nothing.

    Returns whether that was done; not without a C library, a server or a port of that full name.
    """
    with _client("end") as found:
        if found is None:
            return False
        library, client = found
        handle = library.jack_port_by_name(client, port.encode())
        if not handle:
            return False
        sources = library.jack_port_get_all_connections(client, ctypes.c_void_p(handle))
        for source in _taken(library, sources):
            library.jack_disconnect(client, source, port.encode())
        return True


def _taken(library: Any, names: Any) -> list[bytes]:
    """Return a list of the C library's that ends with a null, and give it back."""
    if not names:
        return []
    taken = list(itertools.takewhile(lambda name: name is not None, names))
    library.jack_free(names)
    return taken
