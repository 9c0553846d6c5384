"""A JACK client in a process of its own, which records sound and MIDI and plays MIDI on command.

It runs as ``python jack_tap.py SERVER CLIENT`` and is driven by `support.jack`; it stands alone, so that a server that
dies, or a callback that waits for another thread, can never hold the test process. One JSON object per line comes in
on standard input, one goes out for each on standard output; ``{"error": …}`` says what went wrong.

- ``ports``: answers ``ports``, the names of all ports on the server.
- ``connect``, ``disconnect``: ``from`` one port ``to`` another.
- ``send``: ``messages`` (hex strings); answers once all were handed to JACK.
- ``start``: starts to record sound and MIDI.
- ``stop``: ends that; writes the sound to ``path`` (float32, little endian, frames × 2) and answers ``rate_hz``,
  ``gaps`` and ``late`` (frames at which this client missed a period, or any client was late) and ``midi`` (pairs of
  seconds and hex).
- ``heard``: answers ``midi`` so far, as ``stop`` does, and goes on recording.
- ``record``: like ``start`` and ``stop``, with ``seconds`` of sound between.

Times in ``midi`` are seconds since the recording began. Ports: ``in_1``, ``in_2`` (sound), ``midi_in``, ``midi_out``.
With ``--probe`` it only waits until the server takes clients, at most the seconds given.

Threads: JACK's thread runs `Tap.process`, which touches only deques and integers (no lock is held); the main thread
reads commands.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from collections import deque
from pathlib import Path
from typing import Any

import jack

_SENDING_LIMIT_S = 5.0


class Tap:
    """The client: two sound inputs, a MIDI input and a MIDI output."""

    def __init__(self, server: str, client: str) -> None:
        self.client = jack.Client(client, servername=server, no_start_server=True, use_exact_name=True)
        self.sound = [self.client.inports.register(f"in_{number}") for number in (1, 2)]
        self.midi_in = self.client.midi_inports.register("midi_in")
        self.midi_out = self.client.midi_outports.register("midi_out")
        self.outgoing: deque[bytes] = deque()
        self.blocks: deque[tuple[int, bytes, bytes]] = deque()
        self.midi: deque[tuple[int, bytes]] = deque()
        self.xruns: deque[int] = deque()
        self.recording = False
        self.wanted_frames = 0
        self.got_frames = 0
        self.enough = threading.Event()
        self.down = threading.Event()
        self.client.set_process_callback(self.process)
        self.client.set_xrun_callback(self.xrun)
        self.client.set_shutdown_callback(self.shutdown)
        self.client.activate()

    def process(self, frames: int) -> None:
        """One period, in JACK's thread. An exception would end the client, and the test with an error."""
        self.midi_out.clear_buffer()
        while self.outgoing:
            try:
                self.midi_out.write_midi_event(0, self.outgoing[0])
            except jack.JackErrorCode:
                break  # full for this period
            self.outgoing.popleft()
        now = self.client.last_frame_time
        if not self.recording:
            return
        left, right = (bytes(port.get_buffer()) for port in self.sound)
        self.blocks.append((now, left, right))
        for offset, data in self.midi_in.incoming_midi_events():
            self.midi.append((now + offset, bytes(data)))
        self.got_frames += frames
        if self.wanted_frames and self.got_frames >= self.wanted_frames:
            self.recording = False
            self.enough.set()

    def xrun(self, _delayed_us: float) -> None:
        """The server reports that some client was late; called in a notification thread."""
        self.xruns.append(self.client.last_frame_time)

    def shutdown(self, _status: Any, reason: str) -> None:
        """The server went away; called in a notification thread."""
        self.down.set()
        self.enough.set()

    def start(self, frames: int = 0) -> None:
        """Begin to record; `frames` 0 means until stopped."""
        self.blocks.clear()
        self.midi.clear()
        self.xruns.clear()
        self.enough.clear()
        self.wanted_frames, self.got_frames = frames, 0
        self.recording = True

    def stop(self, path: str) -> dict[str, Any]:
        """End the recording, write its sound to `path`, and describe the rest."""
        self.recording = False
        blocks = list(self.blocks)
        first = blocks[0][0] if blocks else 0
        size = self.client.blocksize
        gaps: list[int] = []
        with Path(path).open("wb") as out:
            due = first
            for now, left, right in blocks:
                if now != due:
                    gaps.append(due - first)
                    out.write(bytes(8 * max(0, min(now - due, 10 * self.client.samplerate))))
                pairs = bytearray(2 * len(left))
                for byte in range(4):
                    pairs[byte::8] = left[byte::4]
                    pairs[4 + byte :: 8] = right[byte::4]
                out.write(pairs)
                due = now + size
        rate = self.client.samplerate
        return {
            "rate_hz": rate,
            "gaps": gaps,
            "late": [max(0, frame - first) for frame in self.xruns],
            "midi": [[(frame - first) / rate, data.hex()] for frame, data in self.midi],
        }

    def answer(self, order: dict[str, Any]) -> dict[str, Any]:
        """Carry out one command."""
        if self.down.is_set():
            return {"error": "the JACK server went away"}
        match order["do"]:
            case "ports":
                return {"ports": [port.name for port in self.client.get_ports()]}
            case "connect":
                self.client.connect(order["from"], order["to"])
                return {}
            case "disconnect":
                self.client.disconnect(order["from"], order["to"])
                return {}
            case "send":
                self.outgoing.extend(bytes.fromhex(text) for text in order["messages"])
                limit = time.monotonic() + _SENDING_LIMIT_S
                while self.outgoing and time.monotonic() < limit:
                    time.sleep(0.001)
                return {"error": "JACK took no more messages"} if self.outgoing else {}
            case "start":
                self.start()
                return {}
            case "stop":
                return self.stop(order["path"])
            case "heard":
                first = self.blocks[0][0] if self.blocks else 0
                rate = self.client.samplerate
                return {"midi": [[(frame - first) / rate, data.hex()] for frame, data in list(self.midi)]}
            case "record":
                self.start(round(order["seconds"] * self.client.samplerate))
                if not self.enough.wait(4 * order["seconds"] + 5.0):
                    return {"error": f"no {order['seconds']} s of sound came in time"}
                if self.down.is_set():
                    return {"error": "the JACK server went away"}
                return self.stop(order["path"])
        return {"error": f"unknown command {order['do']!r}"}


def probe(server: str, limit_s: float) -> int:
    """Wait until the server accepts a client; 0 if it did in time."""
    limit = time.monotonic() + limit_s
    while time.monotonic() < limit:
        try:
            jack.Client(f"probe {server}", servername=server, no_start_server=True).close()
        except jack.JackError:
            time.sleep(0.02)
        else:
            return 0
    return 1


def main(arguments: list[str]) -> int:
    """Run until standard input ends."""
    jack.set_error_function(lambda _text: None)
    jack.set_info_function(lambda _text: None)
    if arguments[0] == "--probe":
        return probe(arguments[1], float(arguments[2]))
    tap = Tap(arguments[0], arguments[1])
    print(json.dumps({"ready": tap.client.name}), flush=True)
    for line in sys.stdin:
        try:
            reply = tap.answer(json.loads(line))
        except jack.JackError as error:
            reply = {"error": str(error)}
        print(json.dumps(reply), flush=True)
    if not tap.down.is_set():
        tap.client.deactivate()
        tap.client.close()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
