"""Listening to the open strings as long as something plays, in a process of its own, as `bridge.live.desk.ear` does.

What the process is sent: `Strings`, again where they are others; `Around` whenever something else sounds; a `Take`
where the reference is to be found anew: one microphone serves both. What it tells: `Opened` when it listens, `Plucked`
for each string that rang alone, `OfTake` for what `bridge.live.desk.ear` would tell, and `Refused` when it cannot
listen (any more).
"""

from __future__ import annotations

import contextlib
import os
import queue
import sys
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, NoReturn, TypeAlias

import msgspec

from bridge import children
from bridge.errors import StillbeatError
from bridge.live.desk import ear
from bridge.live.frames import FrameReader, Refused, write_frame
from bridge.live.piped import Piped

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from bridge.sound.device.microphone import Microphone


class Strings(msgspec.Struct, frozen=True, tag=True):
    """The open strings and about what each sounds, in hertz; and part of the microphone's name."""

    strings: tuple[tuple[int, float], ...]
    device: str | None = None


class Around(msgspec.Struct, frozen=True, tag=True):
    """What else sounds from now on: notes of our own drone in hertz; and whether somebody plays."""

    drone_hz: tuple[float, ...] = ()
    playing: bool = False


class Opened(msgspec.Struct, frozen=True, tag=True):
    """It listens, to what is called so."""

    name: str


class Plucked(msgspec.Struct, frozen=True, tag=True):
    """An open string rang alone."""

    string: int
    hz: float


class OfTake(msgspec.Struct, frozen=True, tag=True):
    """Of the search for the reference."""

    told: ear.Told


ToEar: TypeAlias = Strings | Around | ear.Take
Told: TypeAlias = Opened | Plucked | OfTake | Refused


def main() -> None:
    """Listen until the pipe ends."""
    out = os.fdopen(children.own_output(), "wb")
    reader: FrameReader[ToEar] = FrameReader(sys.stdin.buffer, ToEar)
    try:
        strings = reader.read()
    except EOFError:
        return
    assert isinstance(strings, Strings)
    told: queue.SimpleQueue[ToEar] = queue.SimpleQueue()

    def read() -> None:
        with contextlib.suppress(EOFError):
            while True:
                told.put(reader.read())
        os._exit(0)  # who listens to it has gone; a sound system that hangs is not waited for

    threading.Thread(target=read, daemon=True).start()
    one_at_a_time = threading.Lock()

    def tell(told: Told) -> None:
        with one_at_a_time, contextlib.suppress(OSError):  # nobody listens any more: `read` ends it
            write_frame(out, told)

    try:
        _listen(strings, told, tell)
    except StillbeatError as problem:
        refused = str(problem)
    except Exception as problem:
        refused = f"listening failed: {type(problem).__name__}: {problem}"
    tell(Refused(refused))
    from bridge.sound.device.outputs import end_process

    end_process()


def _listen(strings: Strings, told: queue.SimpleQueue[ToEar], tell: Callable[[Told], None]) -> NoReturn:
    from bridge.sound.device.microphone import Microphone
    from bridge.sound.listening.string_ear import StringEar

    with Microphone(strings.device) as microphone:
        strings_ear = StringEar(microphone.sample_rate, strings.strings)
        taking: _Taking | None = None
        before = Around()
        tell(Opened(microphone.input.name))
        while True:
            while not told.empty():
                now = told.get()
                if isinstance(now, ear.Take):
                    taking = _Taking(now, microphone, tell)
                    continue
                if isinstance(now, Strings):
                    strings_ear = StringEar(microphone.sample_rate, now.strings)
                    strings_ear.around(before.drone_hz, before.playing)
                    continue
                if now.drone_hz != before.drone_hz:
                    strings_ear.around(now.drone_hz, now.playing)
                else:
                    strings_ear.play(now.playing)
                before = now
            block = microphone.read()
            if block.size:
                for heard in strings_ear.feed(block):
                    tell(Plucked(heard.string, heard.hz))
                if taking is not None and taking.full(block):
                    taking = None


class _Taking:
    """Keeps what a microphone that is open brings, until there is enough to find the reference in it."""

    def __init__(self, take: ear.Take, microphone: Microphone, tell: Callable[[Told], None]) -> None:
        self._take, self._microphone, self._tell = take, microphone, tell
        self._wait = round(take.wait_s * microphone.sample_rate)
        self._left = round(take.seconds * microphone.sample_rate)
        self._blocks: list[NDArray[np.float64]] = []
        self._dropped = 0

    def full(self, block: NDArray[np.float64]) -> bool:
        """Take a block in; tell whether that is enough, and the search has begun in a thread of its own."""
        first = min(self._wait, block.size)
        self._wait -= first
        if self._wait:
            return False
        if not self._blocks:
            self._dropped = self._microphone.dropped
            self._tell(OfTake(ear.Opened(self._microphone.input.name, self._take.seconds)))
        self._blocks.append(block[first : first + self._left])
        self._left -= self._blocks[-1].size
        if not self._left:
            threading.Thread(target=self._find, daemon=True).start()
        return not self._left

    def _find(self) -> None:
        import numpy as np

        rate, dropped = self._microphone.sample_rate, self._microphone.dropped - self._dropped
        self._tell(
            OfTake(ear.answer(lambda: ear.found_in(np.concatenate(self._blocks), rate, self._take, dropped)))
        )


def start_ear(strings: Strings, put: Callable[[Told], None]) -> Piped[Told]:
    """Start such a process; `put` is called with what it tells, from another thread, last with `Refused`."""
    ear: Piped[Told] = Piped(
        "bridge.live.desk.string_ear",
        Told,
        lambda told: put(Refused("the sound system does not answer") if told is None else told),
    )
    ear.tell(strings)
    return ear
