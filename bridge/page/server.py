"""Listening: uvicorn with limits of ours, in the thread of an event loop."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from starlette.types import ASGIApp

MOST_CONNECTIONS = 160
SILENT_S = 8.0
"""Whoever connects and asks nothing for so long is let go."""
STOP_S = 0.4
"""So long browsers may take to hear that we leave."""


def bind(port: int, lan: bool) -> socket.socket:
    """Return a socket that listens on a port, or on a free one where that is 0.

    Raises
    ------
    OSError
        The port is taken, or not allowed.
    """
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if hasattr(socket, "SO_EXCLUSIVEADDRUSE"):
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
        else:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        # The buffer of a browser that sleeps is kept small: what is old is of no use to it.
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 65536)
        listening.bind(("" if lan else "127.0.0.1", port))
        listening.listen(128)
        listening.setblocking(False)
    except OSError:
        listening.close()
        raise
    return listening


async def run(
    app: ASGIApp, listening: socket.socket, leaving: asyncio.Event, goodbye: Callable[[], None]
) -> None:
    """Serve until `leaving` is set; `goodbye` then tells all streams to end."""
    import uvicorn

    config = uvicorn.Config(
        app,
        http=_protocol(),
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        date_header=False,
        proxy_headers=False,
        limit_concurrency=MOST_CONNECTIONS,
        timeout_keep_alive=5,
        timeout_graceful_shutdown=1,
        h11_max_incomplete_event_size=16384,
    )

    class Server(uvicorn.Server):
        """One that leaves signals alone: they are for whoever started this process."""

        @contextlib.contextmanager
        def capture_signals(self) -> Any:
            yield

    server = Server(config)
    serving = asyncio.ensure_future(server.serve(sockets=[listening]))
    waiting = asyncio.ensure_future(_wait(leaving.wait()))
    await asyncio.wait({serving, waiting}, return_when=asyncio.FIRST_COMPLETED)
    waiting.cancel()
    goodbye()
    server.should_exit = True
    await asyncio.wait({serving}, timeout=STOP_S)


async def _wait(what: Awaitable[object]) -> None:
    await what


def _protocol() -> type[asyncio.Protocol]:
    """Return uvicorn's protocol, made to let go of connections on which nothing is asked."""
    from uvicorn.protocols.http.h11_impl import H11Protocol

    class Patient(H11Protocol):
        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
            super().connection_made(transport)
            transport.set_write_buffer_limits(high=65536)
            self.loop.call_later(SILENT_S, self._look)

        def _look(self) -> None:
            asked: object = self.cycle  # None until the first request, whatever its type says
            if asked is None and not self.transport.is_closing():
                self.transport.close()

    return Patient
