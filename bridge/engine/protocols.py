"""The seam between an engine and whoever drives it over a whole file.

A driver merges the events of all tracks in playing order and numbers them: the index of an event is its
*anchor*. Where a table changes, it puts a marker, an event whose data are empty (`MARKER`), so that every
change has a place of its own. An engine takes ``(events, changes)`` and yields `Output` items in playing order:

- ``(anchor, None, data)``: `data` stands where the anchor's event stands, at its tick and in its track. Several
  items may share an anchor; they stand in the order in which they are yielded.
- ``(anchor, time_s, data)``: `data` follows the anchor's event, but only at `time_s` (seconds from the start of the
  file, never after the next event that it must precede).

An event that an engine leaves alone is yielded as the same bytes object, so that a driver can reuse what it has.
Markers are not yielded.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol

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
