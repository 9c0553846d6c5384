"""The sound card in a process of its own, which plays what it is sent.

PortAudio and the ports of a JACK server hang in one process, and PortAudio takes a process along when the sound server
dies under it. So whoever plays has it at the other end of a pipe, and can start it again.

What it is sent: `Open`, then `Send` for each message, at last `Leave`. What it tells: `Listed` at first, and whenever
there are other sound cards while none is open; `Opened`, or `Refused`; and `Alive` several times a second. It ends
when it is told to, when its pipe ends, and when the sound card asks for no more sound.
"""

from __future__ import annotations

import contextlib
import gc
import os
import queue
import sys
import threading
import time
from typing import TYPE_CHECKING, TypeAlias

import msgspec

from bridge import children
from bridge.errors import PortProblem, StillbeatError
from bridge.live.frames import Alive, FrameReader, FrameWriter, Leave, Refused

if TYPE_CHECKING:
    from bridge.sound.device.output import LiveSound

STALLED_S = 1.0
"""A sound card that has not asked for sound for so long is gone."""
CLOSE_S = 4.5
"""So long it may take in all to fade out and to be let go."""
_LOOK_S = 0.25
_RESCAN_S = 1.0


class Open(msgspec.Struct, frozen=True, tag=True):
    """Open the sound card of a name; None: the usual one."""

    name: str | None


class Send(msgspec.Struct, frozen=True, tag=True):
    """Play a message."""

    data: bytes


class Listed(msgspec.Struct, frozen=True, tag=True):
    """The sound cards that are there."""

    names: tuple[str, ...]


class Opened(msgspec.Struct, frozen=True, tag=True):
    """It plays; what is sent is heard so much later."""

    delay_s: float


ToSound: TypeAlias = Open | Send | Leave
FromSound: TypeAlias = Listed | Opened | Refused | Alive


def main() -> None:
    """Play until told to leave."""
    _Card(children.own_output()).run()


class _Card:
    """One sound card; all that concerns PortAudio is done by the thread that calls `run`."""

    def __init__(self, out: int) -> None:
        self._writer = FrameWriter(out)
        self._orders: queue.SimpleQueue[Open | Leave] = queue.SimpleQueue()
        self._sound: LiveSound | None = None

    def run(self) -> None:
        """Do what is asked."""
        sys.setswitchinterval(0.0005)
        threading.Thread(target=self._read, daemon=True).start()
        try:
            self._work()
        except StillbeatError as problem:
            self._writer.put(Refused(problem.message, problem.hint))
        if self._sound is not None:
            self._sound.close()
        from bridge.sound.device.outputs import end_process

        end_process()

    def _read(self) -> None:
        """Take what is sent, in a thread of its own: a message goes straight on."""
        reader: FrameReader[ToSound] = FrameReader(sys.stdin.buffer, ToSound)
        with contextlib.suppress(EOFError):
            while True:
                frame = reader.read()
                if not isinstance(frame, Send):
                    self._orders.put(frame)
                elif self._sound is not None:
                    self._sound.send(frame.data)
        self._orders.put(Leave())
        # Who played has gone, and nobody else would end a process whose sound system hangs.
        time.sleep(CLOSE_S)
        os._exit(3)

    def _work(self) -> None:
        from bridge.sound.device.outputs import sound_outputs

        names: tuple[str, ...] | None = None
        listed_s = 0.0
        while True:
            if self._sound is not None:
                _check(self._sound)
            elif (now_s := time.monotonic()) > listed_s + _RESCAN_S or names is None:
                before, listed_s = names, now_s
                names = tuple(dict.fromkeys(one.name for one in sound_outputs(rescan=before is not None)))
                if names != before:
                    self._writer.put(Listed(names))
            self._writer.put(Alive(), must=False)
            with contextlib.suppress(queue.Empty):
                match self._orders.get(timeout=_LOOK_S):
                    case Open(name):
                        self._open(name)
                    case Leave():
                        return

    def _open(self, name: str | None) -> None:
        from bridge.live.player.priority import be_real_time
        from bridge.sound.device.output import LiveSound

        try:
            sound = LiveSound(name).start()
        except PortProblem as problem:
            self._writer.put(Refused(problem.message, problem.hint))
            return
        gc.collect()
        gc.freeze()
        be_real_time()
        self._sound = sound
        self._writer.put(Opened(sound.delay_s()))


def _check(sound: LiveSound) -> None:
    """End at once where nothing more will sound; the last line of the log says why."""
    if sound.failure is None and sound.stalled_s <= STALLED_S:
        return
    why = "the sound card has stopped asking for sound"
    if sound.failure is not None:
        why = f"the tone generator failed: {type(sound.failure).__name__}: {sound.failure}"
    print(why, file=sys.stderr, flush=True)
    os._exit(3)


if __name__ == "__main__":
    main()
