"""Server-sent events: every browser is sent the newest of each thing that is shown, and a beat twice a second.

Nothing piles up. A browser that is slow gets what is newest when it takes something again; one that has taken nothing
for `STALL_S` is let go, and comes back when it is awake. All of it runs in one thread, that of the event loop.

Format (WHATWG HTML, server-sent events): ``event: NAME``, ``data: JSON``, an empty line. Names: ``stand`` (what stays
the same), ``seen``, ``chords``, ``tuner``, ``sung``, ``practise``, ``beat`` and, when the program leaves, ``bye``.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any, TypeAlias

import msgspec

BEAT_S = 0.5
STALL_S = 10.0
STALE_S = 1.45
"""A desk that has shown nothing for so long is lost: it shows the time once a second at least."""
MOST_STREAMS = 100

Send: TypeAlias = Callable[[MutableMapping[str, Any]], Awaitable[None]]
Receive: TypeAlias = Callable[[], Awaitable[MutableMapping[str, Any]]]


def event(name: str, data: object) -> bytes:
    """Return one event; JSON has no line break of its own, so it is one line."""
    return b"event: " + name.encode() + b"\ndata: " + msgspec.json.encode(data) + b"\n\n"


class Hub:
    """Holds the newest of each thing, and tells all streams when there is something newer.

    Parameters
    ----------
    stale_s : float
        After so long without anything new it is said that the program is lost.
    clock : callable
        Seconds, rising.
    """

    def __init__(self, stale_s: float = STALE_S, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._stale_s = stale_s
        self._newest: dict[str, tuple[int, bytes]] = {}
        self._version = 0
        self._news = asyncio.Event()
        self._fed_s = clock()
        self.streams = 0
        """How many are open."""
        self.leaving = False

    @property
    def now_s(self) -> float:
        """The server's clock, as browsers are told it."""
        return self._clock()

    def fed(self) -> None:
        """The program has shown something, new or not."""
        self._fed_s = self._clock()

    def put(self, name: str, data: object) -> None:
        """Put something newer in the place of what was there."""
        self._version += 1
        self._newest[name] = (self._version, event(name, data))
        self._wake()

    def leave(self) -> None:
        """End all streams."""
        self.leaving = True
        self._wake()

    def _wake(self) -> None:
        news, self._news = self._news, asyncio.Event()
        news.set()

    def since(self, version: int) -> bytes:
        """Return what is newer, each thing once."""
        fresh = sorted(one for one in self._newest.values() if one[0] > version)
        return b"".join(data for _, data in fresh)

    def beat(self) -> bytes:
        """Return the time, and whether the program is lost."""
        now_s = self._clock()
        return event("beat", {"now": round(now_s, 3), "lost": now_s - self._fed_s > self._stale_s})

    async def stream(self, receive: Receive, send: Send, headers: list[tuple[bytes, bytes]]) -> None:
        """Serve one browser until it goes, or we do."""
        self.streams += 1
        gone = asyncio.ensure_future(_gone(receive))
        try:
            start = {"type": "http.response.start", "status": 200, "headers": headers}
            await _soon(send, start)
            version = 0
            while not gone.done():
                data, version = self.since(version) + self.beat(), self._version
                if self.leaving:
                    bye = data + event("bye", {})
                    await _soon(send, {"type": "http.response.body", "body": bye, "more_body": False})
                    return
                await _soon(send, {"type": "http.response.body", "body": data, "more_body": True})
                if self._version == version and not self.leaving:
                    news = asyncio.ensure_future(self._news.wait())
                    await asyncio.wait({news, gone}, timeout=BEAT_S, return_when=asyncio.FIRST_COMPLETED)
                    news.cancel()
        except (TimeoutError, OSError):
            return  # it sleeps, or has gone
        finally:
            self.streams -= 1
            gone.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await gone


async def _soon(send: Send, message: MutableMapping[str, Any]) -> None:
    await asyncio.wait_for(send(message), STALL_S)


async def _gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
