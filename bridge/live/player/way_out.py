"""The last messages of a performance go out twice, some periods apart.

A server that misses periods under load loses what falls into them, and nobody plays on after the last note-off to make
up for it. Whatever ends notes, lifts pedals and puts tuning and sounds back may be said twice without harm.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence

from bridge.engine.protocols import Due
from bridge.live.player.outlet import Outlet

APART_S = 0.1
"""Five periods of 1024 frames, and dozens of shorter ones."""
FLUSH_S = 5.0
"""How long leaving may take for the sake of a slow synth."""
_STEP_S = 0.001


class WayOut:
    """Sends what is last, and then all of it once more.

    Parameters
    ----------
    outlet : Outlet
    lock : Lock
        Guards the outlet.
    offs : list of bytes
        Ends of all notes that sound before anything is sent; they go out with what is said again.
    clock, pause : callable
        Time, and letting it go by.
    """

    def __init__(
        self,
        outlet: Outlet,
        lock: threading.Lock,
        offs: list[bytes],
        clock: Callable[[], float],
        pause: Callable[[float], None],
    ) -> None:
        self._outlet, self._lock, self._clock, self._pause = outlet, lock, clock, pause
        self._offs = offs
        self._sent: list[
            tuple[float, bytes]
        ] = []  # how long after the send each was due, ends of notes left out

    def send(self, due: Sequence[Due], now_s: float) -> None:
        """Send messages at their time, and wait until everything has gone to the port."""
        self._sent += [(max(0.0, due_s - now_s), data) for due_s, data in due if data[0] & 0xF0 != 0x80]
        with self._lock:
            self._outlet.send(due, now_s)
        self._drain()

    def send_now(self, messages: Iterable[bytes]) -> None:
        """Send messages at once, and wait until everything has gone to the port."""
        now_s = self._clock()
        self.send([(now_s, message) for message in messages], now_s)

    def again(self) -> None:
        """Send all of it once more, a little later."""
        sent = [*((0.0, data) for data in self._offs), *self._sent]
        if not sent or not self._outlet.connected:
            return
        self._pause(APART_S)
        now_s = self._clock()
        self.send([(now_s + after_s, data) for after_s, data in sent], now_s)

    def _drain(self) -> None:
        outlet = self._outlet
        limit_s = self._clock() + FLUSH_S
        while not outlet.empty and self._clock() < limit_s:
            with self._lock:
                outlet.flush(self._clock())
            self._pause(_STEP_S)
