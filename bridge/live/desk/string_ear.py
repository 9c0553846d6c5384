"""Listening to the open strings as long as something plays, in a process of its own, as `bridge.live.desk.ear` does.

What the process is sent: `Strings`, again where they are others; `Around` whenever something else sounds. What it
tells: `Opened` when it listens, `Plucked` for each string that rang alone, and `Refused` when it cannot listen (any
more).
"""

from __future__ import annotations

import contextlib
import os
import queue
import sys
import threading
from collections.abc import Callable
from typing import NoReturn, TypeAlias

import msgspec

from bridge import children
from bridge.errors import StillbeatError
from bridge.live.frames import FrameReader, write_frame
from bridge.live.piped import Piped


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


class Refused(msgspec.Struct, frozen=True, tag=True):
    """It cannot listen."""

    message: str


ToEar: TypeAlias = Strings | Around
Told: TypeAlias = Opened | Plucked | Refused


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
    try:
        _listen(strings, told, lambda told: write_frame(out, told))
    except StillbeatError as problem:
        refused = str(problem)
    except Exception as problem:
        refused = f"listening failed: {type(problem).__name__}: {problem}"
    with contextlib.suppress(OSError):  # nobody listens any more
        write_frame(out, Refused(refused))
    from bridge.sound.device.outputs import end_portaudio

    end_portaudio(1.0)
    os._exit(0)


def _listen(strings: Strings, told: queue.SimpleQueue[ToEar], tell: Callable[[Told], None]) -> NoReturn:
    from bridge.sound.device.microphone import Microphone
    from bridge.sound.listening.string_ear import StringEar

    with Microphone(strings.device) as microphone:
        ear = StringEar(microphone.sample_rate, strings.strings)
        before = Around()
        tell(Opened(microphone.input.name))
        while True:
            while not told.empty():
                now = told.get()
                if isinstance(now, Strings):
                    ear = StringEar(microphone.sample_rate, now.strings)
                    ear.around(before.drone_hz, before.playing)
                    continue
                if now.drone_hz != before.drone_hz:
                    ear.around(now.drone_hz, now.playing)
                else:
                    ear.play(now.playing)
                before = now
            block = microphone.read()
            if block.size:
                for heard in ear.feed(block):
                    tell(Plucked(heard.string, heard.hz))


def start_ear(strings: Strings, put: Callable[[Told], None]) -> Piped[Told]:
    """Start such a process; `put` is called with what it tells, from another thread, last with `Refused`."""
    ear: Piped[Told] = Piped(
        "bridge.live.desk.string_ear",
        Told,
        lambda told: put(Refused("the sound system does not answer") if told is None else told),
    )
    ear.tell(strings)
    return ear
