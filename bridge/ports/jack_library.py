"""JACK's C library, called without holding the interpreter.

python-rtmidi holds the interpreter while it waits for the server. Where the server in turn waits for a thread of ours
that wants the interpreter, both wait until the server loses its patience; calls from here do not.

Source: the JACK API (jackaudio.org): ``jack_client_open``, ``jack_port_get_all_connections``, ``jack_disconnect``.

Index: `load`, `open_client`, `close_client`, `cut_off`.
"""

from __future__ import annotations

import contextlib
import ctypes
import ctypes.util
import functools
import sys
from typing import Any

from bridge.ports.base import client_name

_NO_START_SERVER = 0x01
_LIBRARIES = {"linux": "libjack.so.0", "darwin": "libjack.0.dylib", "win32": "libjack64.dll"}


@functools.cache
def load() -> Any:
    """Return the C library, or None where there is none."""
    library = _opened(_LIBRARIES.get(sys.platform)) or _opened(ctypes.util.find_library("jack"))
    if library is not None:
        library.jack_client_open.restype = ctypes.c_void_p
        library.jack_port_by_name.restype = ctypes.c_void_p
        library.jack_port_get_all_connections.restype = ctypes.POINTER(ctypes.c_char_p)
    return library


def _opened(name: str | None) -> Any:
    if name is not None:
        with contextlib.suppress(OSError):
            return ctypes.CDLL(name)
    return None


def open_client(library: Any, name: str) -> int | None:
    """Return a client that plays no part in the server's periods; None if the server does not answer."""
    client: int | None = library.jack_client_open(name.encode(), _NO_START_SERVER, None)
    return client or None


def close_client(library: Any, client: int) -> None:
    """Give a client back."""
    library.jack_client_close(ctypes.c_void_p(client))


def cut_off(port: str) -> bool:
    """Take all connections of an input port away: from the server's next period on it hears nothing.

    Parameters
    ----------
    port : str
        Its full name.

    Returns
    -------
    bool
        Whether that was done; not without a C library, a server or the port.
    """
    library = load()
    client = open_client(library, f"{client_name()} end") if library is not None else None
    if client is None:
        return False
    handle = ctypes.c_void_p(client)
    try:
        found = library.jack_port_by_name(handle, port.encode())
        if not found:
            return False
        sources = library.jack_port_get_all_connections(handle, ctypes.c_void_p(found))
        if sources:
            for source in sources:
                if source is None:
                    break
                library.jack_disconnect(handle, source, port.encode())
            library.jack_free(sources)
        return True
    finally:
        close_client(library, client)
