"""The two seams between an engine and whoever drives it: over a whole file, and while somebody plays.

Over a file (`FileEngine`)
--------------------------
A driver merges the events of all tracks in playing order and numbers them: the index of an event is its
*anchor*. Where a table changes, it puts a marker, an event whose data are empty (`MARKER`), so that every
change has a place of its own. An engine takes ``(events, changes)`` and yields `Output` items in playing order:

- ``(anchor, None, data)``: `data` stands where the anchor's event stands, at its tick and in its track. Several
  items may share an anchor; they stand in the order in which they are yielded.
- ``(anchor, time_s, data)``: `data` follows the anchor's event, but only at `time_s` (seconds from the start of the
  file, never after the next event that it must precede).

An event that an engine leaves alone is yielded as the same bytes object, so that a driver can reuse what it has.
Markers are not yielded.

While somebody plays (`LiveEngine`)
-----------------------------------
The engine has no clock, port or thread: it is told what comes in and what time it is, and answers with messages and the
time at which each is due. Whoever drives it sends them, and calls `wake` when `next_wake_s` has come. One thread at a
time.

What becomes of sounding notes when the table changes
-----------------------------------------------------

==========  ======================================================  ====================================================
mode        note, octave in real time, bend, mpe                    dump, and messages that are not in real time
==========  ======================================================  ====================================================
``now``     they move at once                                       they keep their pitch, and the next strike has the
                                                                    new one: this synth does not move sounding notes
``next``    each keeps its pitch until it is let go and has         the same
            decayed; a new strike has the new one at once
``glide``   they move in a straight line of cents; a new strike     the same
            has the new pitch at once
==========  ======================================================  ====================================================

One pitch for each key is all that `note` can hold, and one for each pitch class all that `octave` can: under ``next`` a
key (or any octave of it) that is struck again while it still sounds keeps the old pitch until all of them are let go.
Which methods move sounding notes stands in the synth's profile (``sounding``).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal, Protocol, TypeAlias

TimedEvent = tuple[float, bytes]
"""Time in seconds from the start of the file, and one whole MIDI message (or meta event, FF type payload)."""

TableChange = tuple[int, Sequence[float]]
"""Anchor of the marker, and the 128 frequencies in hertz that hold from there."""

Output = tuple[int, float | None, bytes]
"""Anchor, time in seconds (None: the anchor's own place), and one whole MIDI message."""

MARKER = b""
"""The data of an event that only marks the place of a table change."""


class FileEngine(Protocol):
    """What retunes a whole file: an engine that knows its method, synth profile and first table."""

    def process(self, events: Sequence[TimedEvent], changes: Sequence[TableChange]) -> Iterable[Output]:
        """Yield the retuned stream for `events` (see the module's text for the order and meaning)."""
        ...


Due: TypeAlias = tuple[float, bytes]
"""When a message is due, in seconds on the driver's clock, and the message."""

OnChange: TypeAlias = Literal["now", "next", "glide"]
"""What becomes of notes that sound when the table changes."""


class LiveEngine(Protocol):
    """What retunes a stream of messages as it is played."""

    def start(self, now_s: float) -> list[Due]:
        """Return what makes the synth ready, the table included."""
        ...

    def feed(self, data: bytes, now_s: float) -> list[Due]:
        """Take one whole message; return what is to be sent for it."""
        ...

    def change(
        self, table_hz: Sequence[float], now_s: float, mode: OnChange = "now", glide_s: float = 0.5
    ) -> list[Due]:
        """Take a new table, 128 frequencies in hertz by MIDI key; return what is to be sent at once.

        MethodProblem if the method cannot express the table; nothing has changed.
        """
        ...

    def wake(self, now_s: float) -> list[Due]:
        """Do what is due by now."""
        ...

    @property
    def next_wake_s(self) -> float | None:
        """When `wake` wants to be called; None if nothing is pending."""
        ...

    def stop(self, now_s: float) -> list[Due]:
        """Return what leaves the synth silent and as it was before `start`."""
        ...

    @property
    def at_rest(self) -> bool:
        """Whether no note sounds and none is owed its end."""
        ...

    def sounding(self) -> Sequence[tuple[int, int, int, float]]:
        """Return what sounds: source channel, key, output channel (1 to 16), cents from equal at A4 = 440 Hz."""
        ...
