"""Sends MIDI through something and looks at what comes back: how long it takes, what is lost, what changes places.

It runs as ``python prober.py NAME…`` on the JACK server of its environment. For each name it has a port ``NAME
to-1:out``, which plays, and a port ``NAME from-1:in``, which hears; the number is that of the server. It is driven by
JSON objects, one a line, and answers each with one:

- ``trips``: ``rounds`` of a note and its end through every side in turn; answers lists of seconds (null: lost) by
  name.
- ``flood``: a thousand messages a second through ``side`` for ``seconds``, with a change of table every second among
  ``tables`` (0: none); answers ``sent``, ``changes``, ``lost``, ``swapped`` (within a channel; among all of them
  with ``any_channel``, for methods that give notes other channels) and ``hanging``.
- ``change``: ``rounds`` of changes among ``tables`` on ``side`` while a chord sounds; answers seconds until the last
  byte of each.

It imports python-rtmidi, else rtmidi2 (`PlainOut`, `PlainIn`), and nothing of this project. `Prober` is the other end,
for a test or bench.
"""

from __future__ import annotations

import json
import os
import queue
import random
import subprocess
import sys
import time
from collections import deque
from collections.abc import Callable
from typing import Any

RATE = 1000.0
_LOST_S = 0.2


def plain(message: bytes) -> bytes:
    """Return a channel message as on channel 1: by pitch bend, notes change channels."""
    return bytes((message[0] & 0xF0,)) + message[1:] if message[0] < 0xF0 else message


def _rtmidi2() -> Any:
    import ctypes

    ctypes.CDLL("libjack.so.0", mode=ctypes.RTLD_GLOBAL)  # or it takes one of its own that no server knows
    import rtmidi2

    return rtmidi2


class PlainOut:
    """A JACK port ``NAME:out`` that plays, with nothing of ours between."""

    def __init__(self, name: str) -> None:
        try:
            import rtmidi
        except ImportError:
            library = _rtmidi2()
            self._port: Any = library.MidiOut(name, api=library.API_UNIX_JACK)
            raw = self._port.send_raw
            self.send: Callable[[bytes], object] = lambda data: raw(*data)
        else:
            self._port = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=name)
            self.send = self._port.send_message
        self._port.open_virtual_port("out")

    def close(self) -> None:
        """Give it back."""
        self._port.close_port()
        del self._port, self.send


class PlainIn:
    """A JACK port ``NAME:in`` that hears everything; `receive` is called with bytes, in a thread of the library's."""

    def __init__(self, name: str, receive: Callable[[bytes], object]) -> None:
        try:
            import rtmidi
        except ImportError:
            library = _rtmidi2()
            self._port: Any = library.MidiIn(name, api=library.API_UNIX_JACK)
            self._port.open_virtual_port("in")
            self._port.ignore_types(False, False, False)
            self._port.callback = lambda message, _: receive(bytes(message))
        else:
            self._port = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=name)
            self._port.open_virtual_port("in")
            self._port.ignore_types(sysex=False, timing=False, active_sense=False)
            self._port.set_callback(lambda event, _: receive(bytes(event[0])))

    def close(self) -> None:
        """Give it back. Nothing may come any more, or the library may crash."""
        if hasattr(self._port, "cancel_callback"):
            self._port.cancel_callback()
        else:
            self._port.callback = None
        time.sleep(0.01)
        self._port.close_port()
        del self._port


class Side:
    """One way through: a port that plays and a port that hears."""

    def __init__(self, name: str) -> None:
        number = os.environ["JACK_DEFAULT_SERVER"].rpartition("-")[2]
        self.arrived: queue.SimpleQueue[tuple[float, bytes]] = queue.SimpleQueue()
        self.out = PlainOut(f"{name} to-{number}")
        self.into = PlainIn(
            f"{name} from-{number}", lambda data: self.arrived.put((time.perf_counter(), data))
        )

    def drain(self) -> list[tuple[float, bytes]]:
        """Return all that has arrived."""
        found = []
        while not self.arrived.empty():
            found.append(self.arrived.get())
        return found

    def trip_s(self, message: bytes) -> float | None:
        """Send a message and wait for it to come back; None if the server lost it, as it may under load."""
        began_s = time.perf_counter()
        self.out.send(message)
        try:
            while True:
                at_s, data = self.arrived.get(timeout=_LOST_S)
                if plain(data) == plain(message):
                    return at_s - began_s
        except queue.Empty:
            return None

    def change_s(self, table: int) -> float | None:
        """Choose a table; return how long it takes until its last byte has come, None if nothing came."""
        self.drain()
        began_s = time.perf_counter()
        self.out.send(bytes((0xCF, table)))
        time.sleep(0.05)
        return max((at_s - began_s for at_s, _ in self.drain()), default=None)


class Flood:
    """A thousand messages a second, checked as they come back."""

    def __init__(self, side: Side, any_channel: bool = False) -> None:
        self.side = side
        self.any_channel = any_channel
        self.expected: list[deque[bytes]] = [deque() for _ in range(16)]
        self.lost = self.swapped = 0
        self.sounding: set[tuple[int, int]] = set()

    def run(self, seconds: float, tables: int) -> dict[str, int]:
        """Send for so long."""
        side = self.side
        side.drain()
        began_s = time.perf_counter()
        sent = changes = 0
        while (now_s := time.perf_counter() - began_s) < seconds or sent % 2:
            if now_s * RATE <= sent and sent % 2 == 0:
                time.sleep(0.0005)
                continue
            note = sent // 2
            channel, key = note % 9, 36 + note // 9 % 48
            struck = sent % 2 == 0
            message = bytes(((0x90 if struck else 0x80) | channel, key, 1 + note % 126))
            side.out.send(message)
            if self.any_channel:
                self.expected[0].append(plain(message))
            else:
                self.expected[channel].append(message)
            sent += 1
            if tables and now_s > changes + 1:
                changes += 1
                side.out.send(bytes((0xCF, changes % tables)))
            if sent % 500 == 0:
                self.check()
        time.sleep(0.5)
        self.check()
        self.lost += sum(map(len, self.expected))
        return {
            "sent": sent,
            "changes": changes,
            "lost": self.lost,
            "swapped": self.swapped,
            "hanging": len(self.sounding),
        }

    def check(self) -> None:
        """Compare notes that have come with those that were sent, channel by channel."""
        for _, data in self.side.drain():
            if data[0] >= 0xA0:
                continue
            where = data[0] & 0x0F, data[1]
            (self.sounding.add if data[0] & 0x10 and data[2] else self.sounding.discard)(where)
            if self.any_channel:
                data = plain(data)
            waiting = self.expected[data[0] & 0x0F]
            if waiting and waiting[0] == data:
                waiting.popleft()
            elif data in waiting:
                self.swapped += 1
                waiting.remove(data)
            else:
                self.lost += 1


def main(names: list[str]) -> None:
    """Obey orders until standard input ends."""
    sides = {name: Side(name) for name in names}
    print(json.dumps({"ready": True}), flush=True)
    for line in sys.stdin:
        order = json.loads(line)
        answer: Any
        if order["do"] == "trips":
            answer = {name: [] for name in sides}
            for number in range(order["rounds"]):
                for name, side in sides.items():
                    key = 40 + number % 40
                    answer[name].append(side.trip_s(bytes((0x90, key, 90))))
                    time.sleep(random.uniform(0.001, 0.004))
                    side.trip_s(bytes((0x80, key, 0)))
                    time.sleep(random.uniform(0.001, 0.004))
        elif order["do"] == "flood":
            flood = Flood(sides[order["side"]], order.get("any_channel", False))
            answer = flood.run(order["seconds"], order.get("tables", 0))
        else:
            side = sides[order["side"]]
            for key in (54, 57, 59):
                side.trip_s(bytes((0x90, key, 90)))
            answer = [side.change_s(number % order["tables"]) for number in range(order["rounds"])]
            for key in (54, 57, 59):
                side.trip_s(bytes((0x80, key, 0)))
        print(json.dumps(answer), flush=True)
    for side in sides.values():
        side.into.close()
        side.out.close()


class Prober:
    """A prober in a process of its own.

    Parameters
    ----------
    env : dict
        Environment, with the JACK server's name.
    names : str
        Its sides.
    """

    def __init__(self, env: dict[str, str], *names: str) -> None:
        self.popen = subprocess.Popen(
            [sys.executable, "-P", __file__, *names],
            env=env,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        self._line()

    def _line(self) -> Any:
        assert self.popen.stdout is not None
        return json.loads(self.popen.stdout.readline())

    def ask(self, **order: Any) -> Any:
        """Give an order and return the answer."""
        assert self.popen.stdin is not None
        self.popen.stdin.write(json.dumps(order) + "\n")
        self.popen.stdin.flush()
        return self._line()

    def end(self) -> None:
        """Let it go."""
        assert self.popen.stdin is not None
        assert self.popen.stdout is not None
        self.popen.stdin.close()
        self.popen.wait(10)
        self.popen.stdout.close()


if __name__ == "__main__":
    main(sys.argv[1:])
