"""The page's process: it takes what is to be seen from its standard input, serves it, and tells what is asked.

What it is told and what it tells stands in `bridge.page.frames`. It ends when it is told to, and when the process that
started it is gone. It gives way to whatever plays.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
import threading
from typing import TYPE_CHECKING, Any

from bridge.children import own_output
from bridge.live.frames import FrameReader, FrameWriter, Refused
from bridge.page.frames import (
    Alive,
    Leave,
    Serve,
    Serving,
    Show,
    ShowPractise,
    ShowSinger,
    ShowTuner,
    ToPage,
)

if TYPE_CHECKING:
    from bridge.page.stream import Hub

ALIVE_S = 0.5
NICE = 10
"""How far it stands back behind others (see nice(2))."""


def main() -> None:
    """Serve until told to leave."""
    writer = FrameWriter(own_output())
    reader: FrameReader[ToPage] = FrameReader(sys.stdin.buffer, ToPage)
    if hasattr(os, "nice"):
        with contextlib.suppress(OSError):
            os.nice(NICE)
    try:
        serve = reader.read()
    except EOFError:
        return
    if isinstance(serve, Serve):
        with contextlib.suppress(KeyboardInterrupt):
            asyncio.run(_serve(serve, reader, writer))
        while not writer.push():
            break
    os._exit(0)  # threads that read or work something out have nothing more to say


async def _serve(serve: Serve, reader: FrameReader[ToPage], writer: FrameWriter) -> None:
    from bridge.page.app import Doings, make_app
    from bridge.page.guard import Guard
    from bridge.page.seen import stand_shown
    from bridge.page.server import bind, run
    from bridge.page.stream import Hub

    guard = Guard(serve.lan, serve.look, serve.act, serve.token)
    # Alone, nothing is shown again and again: then the server itself is the program.
    hub = Hub() if serve.stand.command in ("play", "drone", "sing") else Hub(stale_s=float("inf"))
    app = make_app(Doings(serve.stand, hub, guard, serve.token, writer.put))
    try:
        listening = bind(serve.port, serve.lan)
    except OSError as problem:
        why = f"port {serve.port} cannot be used for the page ({problem.strerror})"
        writer.put(Refused(why, "another program has it, or another page: choose another port, or none"))
        return
    guard.port = listening.getsockname()[1]
    hub.put("stand", stand_shown(serve.stand))
    leaving = asyncio.Event()
    loop = asyncio.get_running_loop()
    thread = threading.Thread(target=_read, args=(serve, reader, hub, loop, leaving), daemon=True)
    thread.start()
    living = asyncio.ensure_future(_live(writer))
    writer.put(Serving(guard.port))
    await run(app, listening, leaving, hub.leave)
    living.cancel()


async def _live(writer: FrameWriter) -> None:
    """Give a sign of life, from the very loop that answers browsers."""
    while True:
        writer.put(Alive(), must=False)
        await asyncio.sleep(ALIVE_S)


def _read(
    serve: Serve,
    reader: FrameReader[ToPage],
    hub: Hub,
    loop: asyncio.AbstractEventLoop,
    leaving: asyncio.Event,
) -> None:
    """Take what is told, in a thread of its own."""
    from bridge.page.seen import Shower, practise_shown
    from bridge.page.singing import sung_shown

    shower = Shower(serve.stand)

    def put(name: str, data: object) -> None:
        hub.fed()
        hub.put(name, data)

    chords: list[dict[str, Any]] = []
    with contextlib.suppress(EOFError, RuntimeError):
        while True:
            match reader.read():
                case Show(snapshot):
                    if chords != (chords := shower.chords(snapshot)):  # sent seldom: a table has many
                        loop.call_soon_threadsafe(put, "chords", chords)
                    loop.call_soon_threadsafe(put, "seen", shower.shown(snapshot))
                case ShowTuner() as told:
                    loop.call_soon_threadsafe(put, "tuner", shower.tuner(told))
                case ShowSinger() as told:
                    loop.call_soon_threadsafe(put, "sung", sung_shown(told, serve.stand.pure))
                case ShowPractise(seen):
                    loop.call_soon_threadsafe(put, "practise", practise_shown(seen))
                case Leave():
                    break
    with contextlib.suppress(RuntimeError):
        loop.call_soon_threadsafe(leaving.set)
