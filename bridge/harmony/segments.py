"""Segments: a pitch class for as long as it sounds without a break, all octaves and parts together.

Conventions
-----------
A segment has one pitch, so octaves stay pure and no sounding note moves. A new stroke that overlaps the end of the
old sound by no more than `slop_s` begins a new segment: players hold a little too long. Where the message that moves
a note also moves tails that still ring, `slop_s` is 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bridge.harmony.notes import SHORT_S, TimedNote


@dataclass(frozen=True, slots=True)
class Segment:
    """A pitch class while it sounds."""

    pitch_class: int  # 0 (C) to 11 (B)
    # From its first stroke to the end of the last of its notes.
    start_s: float
    end_s: float
    notes: tuple[int, ...]  # indices of its notes


def segments_of(notes: Sequence[TimedNote], slop_s: float = SHORT_S) -> list[Segment]:
    """Cut notes into segments.

    Parameters
    ----------
    notes : sequence of TimedNote
        In order of their start.
    slop_s : float
        Longest overlap with an old sound that still counts as a new stroke.

    Returns
    -------
    list of Segment
        In order of start, then pitch class.
    """
    found: list[Segment] = []
    members: dict[int, list[int]] = {}
    ends: dict[int, float] = {}

    def close(pitch_class: int) -> None:
        indices = members.pop(pitch_class)
        found.append(Segment(pitch_class, notes[indices[0]].start_s, ends[pitch_class], tuple(indices)))

    for index, note in enumerate(notes):
        pitch_class = note.key % 12
        if pitch_class in members:
            # What begins with the segment belongs to it, however short it is.
            begins = note.start_s - notes[members[pitch_class][0]].start_s <= 1e-9
            if begins or note.start_s < ends[pitch_class] - slop_s - 1e-9:
                members[pitch_class].append(index)
                ends[pitch_class] = max(ends[pitch_class], note.end_s)
                continue
            close(pitch_class)
        members[pitch_class] = [index]
        ends[pitch_class] = note.end_s
    for pitch_class in sorted(members):
        close(pitch_class)
    return sorted(found, key=lambda one: (one.start_s, one.pitch_class))
