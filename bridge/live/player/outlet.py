"""The way out: messages go to the port when they are due, in order, never more at once than a port can hold.

A port's buffer is finite (16 KB in python-rtmidi over JACK, and filling it hangs the process), so more than
`MOST_BYTES` within `WINDOW_S` wait here; everything after them waits behind them, in order.

Not safe to share between threads: whoever calls holds the player's lock.
"""

from __future__ import annotations

import heapq
import itertools
from collections import deque
from collections.abc import Callable, Sequence

from bridge.engine.play.owed import Ledger
from bridge.engine.protocols import Due

WINDOW_S = 0.05
MOST_BYTES = 8000
_OVERHEAD = 4  # what a buffer holds beside each message
LATE_S = 0.005
_MOST_WAITING = 50_000


class Outlet:
    """Sends messages at their time."""

    def __init__(self, ledger: Ledger, sent: Callable[[bytes], None] = lambda _data: None) -> None:
        self._note = ledger.note
        self._tell_sent = sent  # called with each message that goes out
        self._emit: Callable[[bytes], None] | None = None
        self._later: list[tuple[float, int, bytes]] = []
        self._numbers = itertools.count()
        self._waiting: deque[bytes] = deque()
        self._window_end_s = 0.0
        self._window_bytes = 0
        self.sent = 0
        self.late = 0  # sent more than 5 ms after they were due
        self.lost = 0  # not sent, for want of a port
        self.worst_late_s = 0.0

    def connect(self, emit: Callable[[bytes], None] | None) -> None:
        """Say what takes messages from now on; None: nothing does, and they are lost."""
        self._emit = emit
        self._waiting.clear()
        self._later.clear()

    @property
    def connected(self) -> bool:
        """Whether something takes messages."""
        return self._emit is not None

    def send(self, due: Sequence[Due], now_s: float) -> bool:
        """Send what is due, and keep the rest for its time; tell whether something waits for `flush`."""
        waits = False
        for due_s, data in due:
            if due_s > now_s:
                heapq.heappush(self._later, (due_s, next(self._numbers), data))
                waits = True
            elif self._waiting:
                waits = True
                self._queue(data)
            else:
                self._out(data, now_s)
        return waits or bool(self._waiting)

    def _out(self, data: bytes, now_s: float) -> None:
        if self._emit is None:
            self.lost += 1
        elif self._room(data, now_s):
            self._write(data)
        else:
            self._queue(data)

    def _room(self, data: bytes, now_s: float) -> bool:
        """Tell whether the port's buffer has room for a message, and take that room."""
        if now_s >= self._window_end_s:
            self._window_end_s = now_s + WINDOW_S
            self._window_bytes = 0
        size = len(data) + _OVERHEAD
        if self._window_bytes and self._window_bytes + size > MOST_BYTES:
            return False
        self._window_bytes += size
        return True

    def _write(self, data: bytes) -> None:
        self._note(data)
        self._tell_sent(data)
        assert self._emit is not None
        self._emit(data)
        self.sent += 1

    def _queue(self, data: bytes) -> None:
        if len(self._waiting) >= _MOST_WAITING and data[0] & 0xF0 != 0x80:
            self.lost += 1
        else:
            self._waiting.append(data)

    @property
    def next_due_s(self) -> float | None:
        """When `flush` wants to be called; None if nothing waits."""
        if self._waiting:
            return self._window_end_s
        return self._later[0][0] if self._later else None

    def flush(self, now_s: float) -> None:
        """Send what has become due."""
        while self._waiting and self._room(self._waiting[0], now_s):
            self._write(self._waiting.popleft())
        while self._later and self._later[0][0] <= now_s:
            due_s, _, data = heapq.heappop(self._later)
            self.note_late(now_s - due_s)
            if self._waiting:
                self._queue(data)
            else:
                self._out(data, now_s)

    def note_late(self, late_s: float) -> None:
        """Count a message that went out `late_s` after it was due."""
        if late_s > LATE_S:
            self.late += 1
        if late_s > self.worst_late_s:
            self.worst_late_s = late_s

    def drop_later(self) -> None:
        """Forget what was kept for later."""
        self._later.clear()

    @property
    def empty(self) -> bool:
        """Whether everything has gone out."""
        return not self._waiting and not self._later
