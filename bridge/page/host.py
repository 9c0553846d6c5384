"""The page from the side of what plays: starts its server, hands on what is seen, takes what is asked.

Nothing here ever waits for the server. What is seen lies in a mailbox that holds the newest; a server that has taken
nothing for `SILENT_S`, or that ended, is replaced by another on the same port with the same secrets.

Index: `Page`.
"""

from __future__ import annotations

import contextlib
import secrets
import threading
import time
from collections.abc import Callable
from importlib.util import find_spec
from typing import Any, Self

from bridge import children
from bridge.errors import MethodProblem, PortProblem
from bridge.live.desk.tuner import TunerSeen
from bridge.live.frames import FrameReader, FrameWriter, Refused
from bridge.live.snapshot import Snapshot
from bridge.page.addresses import Addresses
from bridge.page.frames import (
    Alive,
    Asked,
    FromPage,
    Leave,
    Serve,
    Serving,
    Show,
    ShowTuner,
    Stand,
    ToPage,
)

START_S = 15.0
SILENT_S = 6.0
"""A server that gives no sign of life for so long hangs."""
LEAVE_S = 0.6
"""So long it may take to say goodbye."""
_LOOK_S = 0.1
_STARTS, _WINDOW_S = 5, 60.0
_LIBRARIES = ("starlette", "uvicorn")


def check_installed() -> None:
    """Say how to get what the page needs, where it is missing.

    Raises
    ------
    MethodProblem
        A library is missing.
    """
    for name in _LIBRARIES:
        if find_spec(name) is None:
            raise MethodProblem(
                f"the page needs the package {name}, which is not installed", "pip install 'stillbeat[page]'"
            )


class Page:
    """A page for browsers. As a context manager it is served within.

    Parameters
    ----------
    stand : Stand
        What stays the same.
    take : callable
        Called with what somebody at a browser asks, in a thread of ours; it must only put things in a queue.
    say : callable
        Called with what the musician should know.
    port : int
        0: one that is free.
    lan : bool
        Whether others in the network may come.
    """

    def __init__(
        self,
        stand: Stand,
        take: Callable[[Asked], None],
        say: Callable[[str], None] = lambda text: None,
        port: int = 0,
        lan: bool = False,
    ) -> None:
        check_installed()
        self._take, self._say = take, say
        self._lan = lan
        look, act = (secrets.token_urlsafe(16), secrets.token_urlsafe(16)) if lan else ("", "")
        self._serve = Serve(
            stand=stand, port=port, lan=lan, look=look, act=act, token=secrets.token_urlsafe(16)
        )
        self._come = threading.Condition()
        self._newest: dict[type[ToPage], ToPage] = {}
        self._again: dict[type[ToPage], ToPage] = {}
        self._ending = False
        self._serving: int | None = None
        self._refused: Refused | None = None
        self._pid = 0
        self._thread = threading.Thread(target=self._keep, daemon=True)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def start(self) -> None:
        """Start the server, and wait until it serves.

        Raises
        ------
        PortProblem
            It cannot.
        """
        self._thread.start()
        with self._come:
            self._come.wait_for(lambda: self._serving or self._refused or self._ending, START_S)
            serving, refused = self._serving, self._refused
        if serving is None:
            self.close()
            if refused is not None:
                raise PortProblem(refused.message, refused.hint)
            raise PortProblem("the page's server does not start", "run again without --page")

    @property
    def addresses(self) -> Addresses:
        """Where it is served."""
        return Addresses.of(self._serve.port, self._lan, self._serve.look, self._serve.act)

    @property
    def pid(self) -> int:
        """The process that serves now; 0 where none does."""
        return self._pid

    # ---- what is seen

    def show(self, seen: Snapshot | TunerSeen) -> None:
        """Show something as soon as the server takes it; never waits."""
        self.put(Show(seen) if isinstance(seen, Snapshot) else ShowTuner(seen))

    def put(self, frame: ToPage) -> None:
        """The same with a frame."""
        with self._come:
            self._newest[type(frame)] = frame
            self._come.notify_all()

    def close(self) -> None:
        """End the server; it is not waited for for long."""
        with self._come:
            self._ending = True
            self._come.notify_all()
        if self._thread.is_alive():
            self._thread.join(LEAVE_S + 1.0)

    # ---- its process

    def _keep(self) -> None:
        """Keep a server going, in a thread of its own."""
        starts: list[float] = []
        while True:
            one = _Server(self._serve, self._told)
            self._pid = one.pid
            starts.append(time.monotonic())
            try:
                self._feed(one)
            finally:
                one.end(LEAVE_S if self._ending else 0.0)
            with self._come:
                if self._ending or self._refused is not None:
                    self._come.notify_all()
                    return
                recent = [at_s for at_s in starts if starts[-1] - at_s < _WINDOW_S]
                if self._serving is None or len(recent) >= _STARTS:
                    self._ending = True
                    self._come.notify_all()
                    self._say("the page has ended, and does not start again; what plays goes on")
                    return
                self._newest = {**self._again, **self._newest}
            self._say("the page's server ended; starting it again")

    def _feed(self, one: _Server) -> None:
        """Hand on what is seen until the server ends, hangs, or we leave."""
        while not one.over and self._refused is None:
            with self._come:
                self._come.wait_for(lambda: self._ending or bool(self._newest), _LOOK_S)
                if self._ending:
                    return
                newest = self._newest
                if newest and one.takes():
                    self._newest = {}
                    self._again.update(newest)
                else:
                    newest = {}
            for frame in newest.values():
                one.tell(frame)
            if newest or not one.takes():
                time.sleep(0.02)  # fifty pictures a second are enough for anybody
            if time.monotonic() - one.heard_s > (SILENT_S if one.spoken else START_S):
                return

    def _told(self, frame: FromPage) -> None:
        """Take what a server tells, in the thread that reads it."""
        match frame:
            case Asked():
                self._take(frame)
            case Serving(port):
                with self._come:
                    self._serving = port
                    # Another one that takes its place has the same port.
                    self._serve = _with_port(self._serve, port)
                    self._come.notify_all()
            case Refused():
                with self._come:
                    if self._serving is None:
                        self._refused = frame
                    self._come.notify_all()


def _with_port(serve: Serve, port: int) -> Serve:
    import msgspec

    return msgspec.structs.replace(serve, port=port)


class _Server:
    """One process that serves."""

    def __init__(self, serve: Serve, told: Callable[[FromPage], None]) -> None:
        self._told = told
        self.over = self.spoken = False
        self.heard_s = time.monotonic()
        self._popen = children.start("bridge.page.process")
        self.pid = self._popen.pid
        assert self._popen.stdin is not None
        self._writer = FrameWriter(self._popen.stdin.fileno())
        self._writer.put(serve)
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        stream: Any = self._popen.stdout
        reader: FrameReader[FromPage] = FrameReader(stream, FromPage)
        with contextlib.suppress(EOFError):
            while True:
                frame = reader.read()
                self.heard_s = time.monotonic()
                self.spoken = True
                if not isinstance(frame, Alive):
                    self._told(frame)
        self.over = True

    def takes(self) -> bool:
        """Whether all that it was told has gone out."""
        return self._writer.push()

    def tell(self, frame: ToPage) -> None:
        """Send it something; nothing happens if it is gone."""
        self._writer.put(frame)

    def end(self, wait_s: float) -> None:
        """Let it leave, for so long; then end it by force."""
        if wait_s and self.takes():
            self._writer.put(Leave())
            with contextlib.suppress(Exception):
                self._popen.wait(wait_s)
        children.end(self._popen)
        self._thread.join(1.0)
        for stream in (self._popen.stdin, self._popen.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()
