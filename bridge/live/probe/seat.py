"""The seat at the synth while it is examined: what is sent, what sounds, and how everything is put back.

Whatever happens, `Seat.leave` lets go of the notes, takes back the trial under way, centres bends, sets the bend range
back to two semitones and fine tuning to nothing, and closes the port once all of it has gone out. `held_signals` turns
Ctrl-C, SIGTERM and SIGHUP into one `KeyboardInterrupt`, and into nothing once leaving has begun.

Threads: one; the port's server may be watched by another, which only sets a flag.
"""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections.abc import Callable, Iterator

from bridge.children import on_signals
from bridge.engine.play.drones.messages import expression
from bridge.engine.probe import messages as probe_messages
from bridge.errors import PortProblem, WireError
from bridge.ports.base import MidiSystem, OutPort
from bridge.wire import mts

VELOCITY = 50
EXPRESSION = 100
FULL_EXPRESSION = 127
_DATA_ENTRY = 6
SYSEX_GAP_S = 0.03
"""Silence after a SysEx message: old instruments want 20 to 60 ms."""
CABLE_BYTES_PER_S = 3125.0
REPLY_S = 1.0


class Seat:
    """One synth's port, with a note of what sounds and what has to be taken back.

    Parameters
    ----------
    wait : callable
        Lets so many seconds go by.
    velocity : int
        Of test notes, 1 to 127.
    sound : int, optional
        Program that is chosen on a channel before its first note, 1 to 128; None: its sound stays.
    """

    def __init__(
        self,
        port: OutPort,
        wait: Callable[[float], None] = time.sleep,
        velocity: int = VELOCITY,
        sound: int | None = None,
    ) -> None:
        self._port = port
        self.wait = wait
        self.velocity = velocity
        self._sound = sound
        self.gone = threading.Event()
        """Set when the port's server has gone: then nothing may be sent any more."""
        self._sounding: dict[tuple[int, int], None] = {}
        self._undo: tuple[bytes, ...] = ()
        self._touched: dict[int, None] = {}
        self._changed: dict[int, None] = {}
        self._memory: tuple[bytes, ...] = ()

    def send(self, *messages: bytes) -> float:
        """Send messages in order, with a pause after each SysEx; return seconds that a slow cable needs for them."""
        behind_s = 0.0
        for data in messages:
            if self.gone.is_set():
                raise PortProblem("the MIDI server is gone", "start it again, then probe again")
            if data[0] & 0xF0 == 0xE0 or (data[0] & 0xF0 == 0xB0 and data[1] == _DATA_ENTRY):
                self._changed[(data[0] & 0x0F) + 1] = None
            self._port.send(data)
            if data[0] == 0xF0:
                self.wait(max(SYSEX_GAP_S, len(data) / CABLE_BYTES_PER_S))
            else:
                behind_s += len(data) / CABLE_BYTES_PER_S
        return behind_s

    def touch(self, channel: int) -> None:
        """Make a channel's notes quiet before its first one."""
        if channel not in self._touched:
            self._touched[channel] = None
            if self._sound is not None:
                self.send(bytes((0xC0 | channel - 1, self._sound - 1)))
            self.send(expression(channel, EXPRESSION))

    def strike(self, channel: int, key: int) -> None:
        """Strike a quiet note; one of the same key that still sounds is let go first."""
        self.touch(channel)
        self.let_go()
        self._sounding[channel, key] = None
        self.send(bytes((0x90 | channel - 1, key, self.velocity)))

    def let_go(self) -> None:
        """End every note."""
        for channel, key in tuple(self._sounding):
            self.send(bytes((0x80 | channel - 1, key, 64)))
            del self._sounding[channel, key]

    def begin(self, undo: tuple[bytes, ...]) -> None:
        """Note how to take back what is about to be sent, before it is."""
        self._undo = undo

    def take_back(self) -> None:
        """End every note and take back the trial."""
        self.let_go()
        self.send(*self._undo)
        self._undo = ()

    def keep(self, memory: tuple[bytes, ...]) -> None:
        """Note the synth's own tuning, to be put back at the end."""
        self._memory = memory

    def leave(self) -> None:
        """Silence the synth, put it back, and close the port. Never raises; a server that is gone is left alone."""
        if self.gone.is_set():
            return
        self.wait = time.sleep  # whatever waited before may be what has failed
        with contextlib.suppress(PortProblem, OSError):
            self.take_back()
            self.send(*self._memory)
            self.send(*probe_messages.restore(tuple(self._changed)))
            self.send(*(expression(channel, FULL_EXPRESSION) for channel in self._touched))
        if not self.gone.is_set():
            self._port.close()


class Memory:
    """Asks a synth for the tuning programs that will be overwritten, and hears it on the port of that full name."""

    def __init__(self, system: MidiSystem, name: str) -> None:
        self._arrived: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._port = system.open_input(name, self._arrived.put, label="reply")

    def ask(self, seat: Seat, device_id: int, limit_s: float = REPLY_S) -> tuple[bytes, ...]:
        """Return messages that put the answers back; empty where there was none in time."""
        answers: list[bytes] = []
        for request in (
            mts.DumpRequest(device_id, probe_messages.PROGRAM),
            mts.DumpRequest(device_id, probe_messages.OTHER_PROGRAM),
            mts.DumpRequest(device_id, probe_messages.PROGRAM, probe_messages.OTHER_BANK),
        ):
            seat.send(mts.encode(request))
            with contextlib.suppress(queue.Empty):
                answers += _put_back(request, self._arrived.get(timeout=limit_s), device_id)
        return tuple(answers)

    def close(self) -> None:
        """Stop listening."""
        self._port.close()


def _put_back(request: mts.DumpRequest, answer: bytes, device_id: int) -> list[bytes]:
    """Return the messages that write an answer back: single notes, as dumps are often answered but not obeyed."""
    try:
        dump = mts.decode(answer)
    except WireError:
        return []
    if not isinstance(dump, mts.BulkDump):
        return []
    keys = [pair for pair in enumerate(dump.data) if pair[1] != 0x1FFFFF]
    out = (
        [mts.encode(mts.BulkDump(device_id, request.program, dump.name, dump.data, request.bank))]
        if len(keys) == 128
        else []
    )
    for at in range(0, len(keys), 64):
        out.append(
            mts.encode(mts.NoteTuning(device_id, request.program, tuple(keys[at : at + 64]), request.bank))
        )
    return out


class Guard:
    """Whether signals still interrupt."""

    def __init__(self) -> None:
        self._held = False

    def hold(self) -> None:
        """From now on signals change nothing."""
        self._held = True

    def take(self) -> None:
        """Take a signal: interrupt once."""
        if not self._held:
            self._held = True
            raise KeyboardInterrupt


@contextlib.contextmanager
def held_signals() -> Iterator[Guard]:
    """Turn signals into one `KeyboardInterrupt` until `Guard.hold` is called."""
    guard = Guard()
    with on_signals(guard.take):
        yield guard
