"""What the SysEx events and escapes of a MIDI file say, once they are put together.

A file may send one SysEx message in several packets (``F0 … `` and then ``F7 …`` events, the last of which ends with
F7), and it may send any bytes at all by an escape (an ``F7`` event while no packet is open). `Packets` follows them in
playing order. A message put together is told at the event that completes it. Channel messages in an escape become
events of their own, since they play; everything else stays as it is.

Source: *Standard MIDI Files 1.0* (RP-001), "SysEx Events".
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from bridge.wire.stream import split

_AS_IT_IS: tuple[bytes, ...] = ()


class Packets:
    """Puts packets and escapes together (see the module's text)."""

    def __init__(self) -> None:
        self._open = b""

    def feed(self, data: bytes) -> tuple[list[bytes], tuple[bytes, ...]]:
        """Take an event that begins with F0 or F7.

        Returns what stands in its place (itself, or the messages of an escape that holds channel messages),
        and the SysEx messages that it completes and that do not stand there whole.
        """
        if data[0] == 0xF0:
            self._open = b"" if data[-1:] == b"\xf7" and len(data) > 1 else data
            return [data], _AS_IT_IS
        if self._open:
            whole = self._open + data[1:]
            if data[-1] != 0xF7 or len(data) < 2:
                self._open = whole
                return [data], _AS_IT_IS
            self._open = b""
            return [data], (whole,)
        messages = split(data[1:])
        if all(message[0] >= 0xF0 for message in messages):
            return [data], tuple(message for message in messages if message[0] == 0xF0)
        if sum(map(len, messages)) < len(data) - 1 and not _by_running_status(data[1:], messages):
            return [data], _AS_IT_IS  # more than whole messages: only a receiver knows what it makes of them
        return [one if one[0] <= 0xF0 else b"\xf7" + one for one in messages], _AS_IT_IS


def _by_running_status(payload: bytes, messages: list[bytes]) -> bool:
    """Tell whether bytes are whole messages in which a status was left out where it is that of the one before."""
    at, running = 0, 0
    for message in messages:
        if payload[at : at + len(message)] == message:
            at += len(message)
        elif message[0] == running and payload[at : at + len(message) - 1] == message[1:]:
            at += len(message) - 1
        else:
            return False
        running = message[0] if message[0] < 0xF0 else running if message[0] >= 0xF8 else 0
    return at == len(payload)


def understood(events: Iterable[tuple[float, bytes]]) -> Iterator[tuple[int, float, bytes]]:
    """Yield the messages of a file as a receiver understands them: anchor, seconds, whole message.

    Events with empty data are yielded too; packets that are not complete are not.
    """
    packets = Packets()
    for anchor, (time_s, data) in enumerate(events):
        if not data or (data[0] != 0xF0 and data[0] != 0xF7):
            yield anchor, time_s, data
            continue
        place, completed = packets.feed(data)
        for message in place:
            if message[0] < 0xF0 or (message[0] == 0xF0 and len(message) > 1 and message[-1] == 0xF7):
                yield anchor, time_s, message
        for message in completed:
            yield anchor, time_s, message
