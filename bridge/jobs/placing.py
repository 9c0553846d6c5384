"""Where table changes stand among the events of a MIDI file.

The engine's side of this stands in `bridge.engine.seam`: a change is marked by an event without data.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from bridge.engine.mts_file import is_note_on
from bridge.engine.seam import MARKER, TableChange
from bridge.errors import ValueProblem
from bridge.store.playing import Playing


def mark_changes(playing: Playing, changes: Iterable[tuple[int, Sequence[float]]]) -> list[TableChange]:
    """Put a marker into `playing` for every table change and return the markers' anchors.

    A marker stands before the first note-on at its tick, behind what ends there; so a note that stops where
    the table changes is not moved.

    Parameters
    ----------
    playing : Playing
        Events in playing order; the markers are added to it.
    changes : iterable of (int, sequence of 128 float)
        Ticks, ascending, and the frequencies in hertz that hold from there.

    Raises
    ------
    ValueProblem
        A change lies beyond the end of the piece.
    """
    placed: list[TableChange] = []
    for tick, hz in changes:
        anchor = playing.anchor_at(tick)
        while anchor < len(playing) and playing.events[anchor][0] == tick:
            if is_note_on(playing.events[anchor][1]):
                break
            anchor += 1
        if anchor == len(playing):
            last = playing.events[-1][0] if playing.events else 0
            if tick > last:
                raise ValueProblem(f"a change at tick {tick} lies beyond the end of the piece, tick {last}")
            continue  # at the very end, with no note after it: nothing would sound it
        playing.events.insert(anchor, (tick, MARKER))
        playing.tracks.insert(anchor, playing.tracks[anchor])
        placed.append((anchor, hz))
    return placed
