"""Which channels play drums: those are never retuned.

Channel 10 always counts as drums. Another channel becomes a drum kit by

- bank select MSB 120 (General MIDI 2 rhythm bank) or 127 (XG drum kits), once a program change follows;
- a GS "use for rhythm part" message;

and stops being one by a program change under another bank, the GS message with part mode 0, or a reset.

Source: General MIDI 2 (RP-024), section on bank select; the XG and GS conventions are common practice.
"""

from __future__ import annotations

from bridge.wire.resets import reset_kind, rhythm_part

DRUM_CHANNEL = 10
KIT_BANKS = frozenset({120, 127})


class RhythmTracker:
    """Follows a stream of messages and knows which channels (1-16) are drum kits at this moment."""

    def __init__(self) -> None:
        self._bank_msb = [0] * 17
        self._kit = [False] * 17
        self._kit[DRUM_CHANNEL] = True

    def is_drums(self, channel: int) -> bool:
        """Tell whether `channel` (1-16) plays drums now."""
        return self._kit[channel]

    @property
    def drum_channels(self) -> frozenset[int]:
        """All channels (1-16) that play drums now."""
        return frozenset(channel for channel in range(1, 17) if self._kit[channel])

    def feed(self, data: bytes) -> None:
        """Take one whole message; anything that does not concern drums is ignored."""
        if not data:
            return
        kind = data[0] & 0xF0
        if kind == 0xB0 and len(data) >= 3 and data[1] == 0:
            self._bank_msb[(data[0] & 0x0F) + 1] = data[2] & 0x7F
        elif kind == 0xC0:
            channel = (data[0] & 0x0F) + 1
            if channel != DRUM_CHANNEL:
                self._kit[channel] = self._bank_msb[channel] in KIT_BANKS
        elif data[0] == 0xF0:
            part = rhythm_part(data)
            if part is not None:
                channel, drums = part
                self._kit[channel] = drums or channel == DRUM_CHANNEL
            elif reset_kind(data) is not None:
                self._bank_msb = [0] * 17
                self._kit = [channel == DRUM_CHANNEL for channel in range(17)]
