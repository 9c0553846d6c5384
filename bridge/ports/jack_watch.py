"""Word of a JACK server's death, at once.

The libraries for MIDI ports do not tell when the server goes away: sending goes on silently until a buffer of 16 KB is
full, and then hangs the whole process (measured with python-rtmidi 1.5.8 and rtmidi2 1.5.0). So a client of our own,
that plays no part in the server's periods and costs nothing, waits for the server's good-bye through the C library.

Source: the JACK API (jackaudio.org): ``jack_on_shutdown``.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from typing import Any

from bridge.ports.base import client_name
from bridge.ports.jack_library import close_client, load, open_client


class JackWatch:
    """Calls back once when the JACK server that is running now goes away.

    Parameters
    ----------
    gone : callable
        Called without arguments in a thread of JACK's, within some milliseconds of the server's end. It may set
        flags and put things in queues; it must not touch JACK.
    """

    def __init__(self, gone: Callable[[], None]) -> None:
        self._gone = gone
        self._client: int | None = None
        self._library: Any = load()
        if self._library is not None:
            self._client = open_client(self._library, f"{client_name()} watch")
        if not self._client:
            return
        self._callback = ctypes.CFUNCTYPE(None, ctypes.c_void_p)(self._on_shutdown)
        self._library.jack_on_shutdown(ctypes.c_void_p(self._client), self._callback, None)

    @property
    def watching(self) -> bool:
        """Whether the server is being watched."""
        return bool(self._client)

    def _on_shutdown(self, _argument: object) -> None:
        self._client = None  # of no use any more; closing it would wait for the dead server
        self._gone()

    def close(self) -> None:
        """Stop watching. Closing twice is no error."""
        client, self._client = self._client, None
        if client:
            close_client(self._library, client)
