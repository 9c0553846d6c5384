"""A byte stream cut into whole MIDI messages.

`StreamSplitter` takes bytes in chunks of any size, as they come from a cable, a port or a file, and gives back
whole messages in order. Cutting the same bytes into other chunks gives the same messages.

- Running status is expanded: every channel message comes out with its status byte.
- Real-time bytes (F8 to FF: clock, start, stop, active sensing, reset) may stand anywhere, even inside another
  message or SysEx; each comes out at once, on its own, and disturbs nothing.
- SysEx comes out whole, F0 to F7. One that another status byte cuts off is dropped and counted, as is one longer
  than `max_sysex_bytes` (memory stays bounded).
- System common messages (F1 to F6) and SysEx end running status, as the specification says. The undefined F4 and F5
  are dropped and counted with the stray bytes, as are data bytes that belong to nothing and an F7 without F0.

No byte can make it raise. Not safe to share between threads: one splitter for each input.

Source: MIDI 1.0 Detailed Specification, "Data Format", "Running Status", "System Real Time", "System Exclusive".
"""

from __future__ import annotations

from bridge.errors import ValueProblem

DEFAULT_MAX_SYSEX_BYTES = 65_536

_SYSEX, _END = 0xF0, 0xF7

# Length of a message by its status byte; 0 where there is none of fixed length.
_LENGTHS = [0] * 256
for _status in range(0x80, 0xF0):
    _LENGTHS[_status] = 2 if 0xC0 <= _status <= 0xDF else 3
_LENGTHS[0xF1], _LENGTHS[0xF2], _LENGTHS[0xF3], _LENGTHS[0xF6] = 2, 3, 2, 1
for _status in range(0xF8, 0x100):
    _LENGTHS[_status] = 1


def message_length(status: int) -> int | None:
    """Return the length in bytes of the message with a status byte; None for SysEx and what is no status."""
    return (_LENGTHS[status] or None) if 0 <= status <= 0xFF else None


def is_whole(data: bytes, most_bytes: int = DEFAULT_MAX_SYSEX_BYTES) -> bool:
    """Tell whether some bytes are one whole message, no longer than that."""
    size = len(data)
    if size == 3:
        status = data[0]
        if status < 0xF0:
            return _LENGTHS[status] == 3 and (data[1] | data[2]) < 0x80
    if not size or size > most_bytes:
        return False
    status = data[0]
    if status == _SYSEX:
        return size > 1 and data[-1] == _END and max(data[1:-1], default=0) < 0x80
    return _LENGTHS[status] == size and max(data[1:], default=0) < 0x80


class StreamSplitter:
    """Cuts a byte stream into whole messages; see the module's notes.

    `max_sysex_bytes` is the longest SysEx message to keep, F0 and F7 included; ValueProblem below 3.
    """

    __slots__ = (
        "_need",
        "_oversized",
        "_partial",
        "_running",
        "_sysex",
        "incomplete",
        "max_sysex_bytes",
        "oversized_sysex",
        "stray_bytes",
        "truncated_sysex",
    )

    def __init__(self, max_sysex_bytes: int = DEFAULT_MAX_SYSEX_BYTES) -> None:
        if max_sysex_bytes < 3:
            raise ValueProblem(f"a SysEx limit of {max_sysex_bytes} bytes is too small", "3 or more")
        self.max_sysex_bytes = max_sysex_bytes
        # SysEx messages dropped because another message cut them off, or because of their length.
        self.truncated_sysex = 0
        self.oversized_sysex = 0
        self.incomplete = 0  # other messages dropped because a status byte came before their last data byte
        self.stray_bytes = 0  # bytes that belonged to nothing
        self._running = 0  # status of the channel message that data bytes continue, 0 if none
        self._partial = bytearray()  # the message under way, status first; or a SysEx from F0 on
        self._need = 0  # length of the message under way, 0 if none
        self._sysex = False
        self._oversized = False

    @property
    def pending(self) -> int:
        """Number of bytes held back because their message is not whole yet."""
        return len(self._partial)

    @property
    def in_sysex(self) -> bool:
        """Whether a SysEx message has begun that has not ended."""
        return self._sysex

    @property
    def dropped(self) -> int:
        """Messages dropped so far, of whatever kind (stray bytes not counted)."""
        return self.truncated_sysex + self.oversized_sysex + self.incomplete

    def feed(self, data: bytes | bytearray | memoryview) -> list[bytes]:
        """Take a chunk of bytes; return the messages that it completes, in order."""
        if len(data) == 3 and not self._need and not self._sysex:  # one whole channel message: the usual case
            status = data[0]
            if 0x80 <= status < 0xF0 and _LENGTHS[status] == 3 and data[1] < 0x80 and data[2] < 0x80:
                self._running = status
                return [bytes(data)]
        out: list[bytes] = []
        at, end = 0, len(data)
        while at < end:
            byte = data[at]
            at += 1
            if byte >= 0xF8:
                out.append(bytes((byte,)))
            elif byte >= 0x80:
                self._status(byte, out)
            elif self._sysex:
                start = at - 1
                while at < end and data[at] < 0x80:
                    at += 1
                self._sysex_data(data[start:at])
            else:
                self._data(byte, out)
        return out

    def _status(self, byte: int, out: list[bytes]) -> None:
        if self._sysex:
            self._sysex = False
            if byte == _END:
                self._partial.append(byte)
                if not self._oversized and len(self._partial) <= self.max_sysex_bytes:
                    out.append(bytes(self._partial))
                else:
                    self.oversized_sysex += 1
                self._partial.clear()
                return
            self.truncated_sysex += 1
            self._partial.clear()
        elif self._need:
            self.incomplete += 1
            self._need = 0
            self._partial.clear()
        if byte < 0xF0:
            self._running = byte
            self._begin(byte)
            return
        self._running = 0
        if byte == _SYSEX:
            self._sysex = True
            self._oversized = False
            self._partial.append(byte)
        elif _LENGTHS[byte] == 1:
            out.append(bytes((byte,)))
        elif _LENGTHS[byte]:
            self._begin(byte)
        else:  # F4, F5, and an F7 that ends nothing
            self.stray_bytes += 1

    def _begin(self, status: int) -> None:
        self._need = _LENGTHS[status]
        self._partial.append(status)

    def _sysex_data(self, data: bytes | bytearray | memoryview) -> None:
        if self._oversized:
            return
        if len(self._partial) + len(data) >= self.max_sysex_bytes:  # no room is left for the F7
            self._oversized = True
            del self._partial[1:]
        else:
            self._partial += data

    def _data(self, byte: int, out: list[bytes]) -> None:
        if not self._need:
            if not self._running:
                self.stray_bytes += 1
                return
            self._begin(self._running)
        self._partial.append(byte)
        if len(self._partial) == self._need:
            out.append(bytes(self._partial))
            self._partial.clear()
            self._need = 0

    def close(self) -> int:
        """End the stream: drop and count a message under way, forget running status; return bytes dropped."""
        left = len(self._partial)
        if self._sysex:
            self.truncated_sysex += 1
        elif self._need:
            self.incomplete += 1
        self._partial.clear()
        self._need = self._running = 0
        self._sysex = self._oversized = False
        return left


def split(data: bytes) -> list[bytes]:
    """Return the whole messages in some bytes; a message cut off at the end is left out."""
    return StreamSplitter(max(len(data), 3)).feed(data)
