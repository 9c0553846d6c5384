"""What player and desk say to each other through a pair of pipes: length, then a pickled value.

Both ends are this program, in the same version, on the same computer.

Index: `read_frame`, `write_frame`, `FrameWriter`.
"""

from __future__ import annotations

import os
import pickle
import struct
import threading
from collections import deque
from typing import Any, BinaryIO

_LENGTH = struct.Struct("<I")
_MOST_WAITING = 200


def frame(value: object) -> bytes:
    """Return a value as a frame."""
    body = pickle.dumps(value, protocol=pickle.HIGHEST_PROTOCOL)
    return _LENGTH.pack(len(body)) + body


def read_frame(stream: BinaryIO) -> Any:
    """Return the next value from a stream.

    Raises
    ------
    EOFError
        The other end is gone.
    """
    head = _exactly(stream, _LENGTH.size)
    return pickle.loads(_exactly(stream, _LENGTH.unpack(head)[0]))


def _exactly(stream: BinaryIO, size: int) -> bytes:
    data = b""
    while len(data) < size:
        try:
            more = stream.read(size - len(data))
        except (OSError, ValueError):
            more = b""
        if not more:
            raise EOFError
        data += more
    return data


def write_frame(stream: BinaryIO, value: object) -> None:
    """Write a value and push it out.

    Raises
    ------
    OSError
        The other end is gone.
    """
    stream.write(frame(value))
    stream.flush()


class FrameWriter:
    """Writes frames without ever waiting for a reader that has stopped reading. Any thread may call it.

    Parameters
    ----------
    descriptor : int
        Where to write. On systems that can, it is made non-blocking.
    """

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._waiting: deque[bytes] = deque()
        self._lock = threading.Lock()
        if hasattr(os, "set_blocking") and os.name == "posix":
            os.set_blocking(descriptor, False)

    def put(self, value: object, must: bool = True) -> None:
        """Write a value; where there is no room keep it for later, or drop it if it need not arrive."""
        with self._lock:
            if not self._push() and not must:
                return
            if len(self._waiting) < _MOST_WAITING:
                self._waiting.append(frame(value))
            self._push()

    def push(self) -> bool:
        """Write what waits; tell whether nothing waits any more."""
        with self._lock:
            return self._push()

    def _push(self) -> bool:
        while self._waiting:
            data = self._waiting[0]
            try:
                written = os.write(self._descriptor, data)
            except BlockingIOError:
                return False
            except OSError:
                self._waiting.clear()
                return True
            if written < len(data):
                self._waiting[0] = data[written:]
                return False
            self._waiting.popleft()
        return True
