"""What player and desk say to each other through a pair of pipes: a length, then one frame as JSON.

Every frame has a type of its own, and what comes is checked against it. So no end can make the other one run code,
whatever it sends; one that sends nonsense is taken for gone.
"""

from __future__ import annotations

import os
import struct
import threading
from collections import deque
from fractions import Fraction
from typing import Any, BinaryIO, Generic, TypeAlias, TypeVar

import msgspec

from bridge.engine.play.controls import Action
from bridge.engine.play.tables import AllTables
from bridge.live.plan import LivePlan
from bridge.live.state import State

_LENGTH = struct.Struct("<I")
_MOST_BYTES = 1 << 28
_MOST_WAITING = 200
_Frame = TypeVar("_Frame")


class Begin(msgspec.Struct, frozen=True, tag=True):
    """Play."""

    plan: LivePlan


class Act(msgspec.Struct, frozen=True, tag=True):
    """Carry out an action."""

    action: Action


class Renew(msgspec.Struct, frozen=True, tag=True):
    """Put other tables in the place of all: the reference is another."""

    tables: AllTables


class Sound(msgspec.Struct, frozen=True, tag=True):
    """Let a chord sound for a while, in the place of the one that may sound still; no keys: none."""

    keys: tuple[int, ...]


class LetGo(msgspec.Struct, frozen=True, tag=True):
    """Let what sounds die away by itself."""


class Leave(msgspec.Struct, frozen=True, tag=True):
    """Silence the synth, put it back, and end."""


ToPlayer: TypeAlias = Begin | Act | Renew | Sound | LetGo | Leave


class Ready(msgspec.Struct, frozen=True, tag=True):
    """It plays."""

    state: State


class Changed(msgspec.Struct, frozen=True, tag=True):
    """The state is another; at most ten times a second."""

    state: State


class Alive(msgspec.Struct, frozen=True, tag=True):
    """A sign of life."""


class Say(msgspec.Struct, frozen=True, tag=True):
    """Something that the musician should know."""

    kind: str
    text: str


class Failed(msgspec.Struct, frozen=True, tag=True):
    """It ends because of an error, which can be raised again."""

    error: str
    message: str
    hint: str = ""
    trace: str = ""


class Refused(msgspec.Struct, frozen=True, tag=True):
    """It cannot do what it was asked for."""

    message: str
    hint: str = ""


class ServerGone(msgspec.Struct, frozen=True, tag=True):
    """The server of its ports is gone, and it ends at once."""


class Ended(msgspec.Struct, frozen=True, tag=True):
    """There is nothing more to play."""


class Left(msgspec.Struct, frozen=True, tag=True):
    """The synth is silent and as it was; so many notes were let go."""

    let_go: int = 0


class Gone(msgspec.Struct, frozen=True, tag=True):
    """The pipe has ended: never sent, but put in the place of what does not come any more."""


FromPlayer: TypeAlias = Ready | Changed | Alive | Say | Failed | ServerGone | Ended | Left | Gone


def encode(value: object) -> bytes:
    """Return a value with its length before it."""
    body = msgspec.json.encode(value, enc_hook=_written)
    return _LENGTH.pack(len(body)) + body


def _written(value: Any) -> str:
    if isinstance(value, Fraction):
        return str(value)
    raise NotImplementedError(f"{type(value).__name__} does not go over a pipe")


def _read(kind: type[Any], value: Any) -> Any:
    if kind is Fraction:
        return Fraction(value)
    raise NotImplementedError(f"{kind.__name__} does not come over a pipe")


def write_frame(stream: BinaryIO, value: object) -> None:
    """Write a value and push it out; OSError if the other end is gone."""
    stream.write(encode(value))
    stream.flush()


class FrameReader(Generic[_Frame]):
    """Reads frames of one kind (a type, or a union of frames) from a stream."""

    def __init__(self, stream: BinaryIO, kind: Any) -> None:
        self._stream = stream
        self._decoder: msgspec.json.Decoder[_Frame] = msgspec.json.Decoder(kind, dec_hook=_read)

    def read(self) -> _Frame:
        """Return the next one; EOFError if the other end is gone, or speaks nonsense."""
        (size,) = _LENGTH.unpack(self._exactly(_LENGTH.size))
        if size > _MOST_BYTES:
            raise EOFError
        try:
            return self._decoder.decode(self._exactly(size))
        except (msgspec.DecodeError, ValueError) as error:
            raise EOFError from error

    def _exactly(self, size: int) -> bytes:
        parts: list[bytes] = []
        while size:
            try:
                part = self._stream.read(min(size, 1 << 20))
            except (OSError, ValueError):
                part = b""
            if not part:
                raise EOFError
            parts.append(part)
            size -= len(part)
        return b"".join(parts)


class FrameWriter:
    """Writes frames without ever waiting for a reader that has stopped reading. Any thread may call it."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._waiting: deque[bytes] = deque()
        self._lock = threading.Lock()
        if os.name == "posix":
            os.set_blocking(descriptor, False)

    def put(self, value: object, must: bool = True) -> None:
        """Write a value; where there is no room keep it for later, or drop it if it need not arrive."""
        with self._lock:
            if not self._push() and not must:
                return
            if len(self._waiting) < _MOST_WAITING:
                self._waiting.append(encode(value))
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
