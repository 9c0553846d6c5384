"""Between an input's port and the player: messages come out whole, whatever a keyboard or its system does to SysEx.

A SysEx message that never ends, or is longer than anything that is passed on, must not silence a keyboard:

- Chunks of one message are put together. Another status byte in its middle ends it: it is dropped, and what follows
  plays. So does a second without another byte.
- Some systems join chunks before anybody sees them (RtMidi does, on JACK): after a beginning without an end everything
  that is played is swallowed as a part of it. So while nothing arrives a *pulse*, a short SysEx message of our own, is
  sent into that input four times a second (`InPort.pulse`): its end is the end of the swallowed message too. What was
  swallowed then comes out late: notes that were let go meanwhile are left out.
- A long message that really is in progress goes on behind a pulse: the pulse is taken out of it.

The port's thread calls the line; `tick` is called from another one, every `TICK_S`.

Source: MIDI 1.0 Detailed Specification, "System Exclusive" (any status byte but real time ends it).
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence

from bridge.ports.base import Receive
from bridge.wire.stream import StreamSplitter, is_whole

TICK_S = 0.25
GIVEN_UP_TICKS = 4
"""So many ticks without another byte, a second, and an unfinished message is given up."""
_NOTHING = b"\xf0"
"""What is received for bytes that are no message, so that they are counted."""


class InputLine:
    """What one input port calls.

    Parameters
    ----------
    receive : callable
        Takes whole messages, and what is no message at all as it came.
    tell : callable
        Called with what the musician should know, from either thread.
    most_bytes : int
        Longest SysEx message that is passed on.
    """

    def __init__(self, receive: Receive, tell: Callable[[str], None], most_bytes: int) -> None:
        self.beat = b"\xf0\x7dstillbeat pulse" + bytes(byte & 0x7F for byte in os.urandom(6)) + b"\xf7"
        self._receive = receive
        self._tell = tell
        self._most_bytes = most_bytes
        self._splitter = StreamSplitter(most_bytes)
        self._lock = threading.Lock()
        self._open = False  # whether a SysEx message has begun and not ended
        self._came = True  # whether anything has come since the last tick
        self._idle_ticks = 0

    def __call__(self, data: bytes) -> None:
        """Take what the port delivers."""
        if not self._open and len(data) <= 3:  # the usual case, and a beginning in fewer bytes than a message
            if data[:1] != b"\xf0":
                self._came = True
                self._receive(data)
                return
        elif data == self.beat and not self._open:
            return
        for message in self._parts(data):
            self._receive(message)

    def _parts(self, data: bytes) -> Sequence[bytes]:
        """Return the whole messages in what has come, and what of them is late only if it still matters."""
        if not self._open:
            self._came = True
            if data[:1] != b"\xf0":
                return (data,)  # whatever it is, it is none of ours
            if is_whole(data, len(data)):
                if len(data) > self._most_bytes:
                    self._tell(f"a SysEx message of {len(data)} bytes is too long to be passed on")
                return (data,)
        with self._lock:
            rest = data.replace(self.beat, b"")
            if rest:
                self._came = True
                self._idle_ticks = 0
            splitter = self._splitter
            bad = splitter.dropped + splitter.stray_bytes
            cut, long = splitter.truncated_sysex, splitter.oversized_sysex
            messages = splitter.feed(rest)
            self._open = splitter.in_sysex
            cut, long = splitter.truncated_sysex - cut, splitter.oversized_sysex - long
            bad = splitter.dropped + splitter.stray_bytes - bad
        if bad:
            self._receive(_NOTHING)
        if cut:
            self._tell("a SysEx message of the keyboard never ended: given up")
        if long:
            self._tell(
                f"a SysEx message of the keyboard, longer than {self._most_bytes} bytes: not passed on"
            )
        return still_wanted(messages) if len(messages) > 1 else messages

    def tick(self) -> bool:
        """Give up what has waited too long; tell whether a pulse is to be sent."""
        came, self._came = self._came, False
        if self._open:
            with self._lock:
                self._idle_ticks += 1
                given_up = self._open and self._idle_ticks > GIVEN_UP_TICKS
                if given_up:
                    self._splitter.close()
                    self._open = False
            if given_up:
                self._receive(_NOTHING)
                self._tell("a SysEx message of the keyboard never ended: given up")
        return not came


def still_wanted(messages: Sequence[bytes]) -> list[bytes]:
    """Return messages that come out late without the notes among them that were let go already."""
    kept: list[bytes | None] = list(messages)
    began: dict[tuple[int, int], list[int]] = {}
    for at, data in enumerate(messages):
        if not 0x80 <= data[0] < 0xA0:
            continue
        place = (data[0] & 0x0F, data[1])
        if data[0] >= 0x90 and data[2]:
            began.setdefault(place, []).append(at)
        elif began.get(place):
            kept[began[place].pop()] = kept[at] = None
    return [data for data in kept if data is not None]
