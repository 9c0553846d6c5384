"""Timed notes, the one input of this room, and which of them sound together.

Conventions
-----------
Times are seconds from the start of the piece. A note lasts until it stops sounding: what a pedal holds is already in
`TimedNote.end_s`. Drums are left out by whoever makes the notes. A *part* is whatever one player or hand has, such as
a channel of a track. Columns are NumPy arrays in the order of the notes, which is by start, then key, then part.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.errors import ValueProblem
from bridge.tuning.notes import KEYS

SHORT_S = 0.05
"""Notes and overlaps this short are ornaments and slurs: they make no chord."""

_TOGETHER_S = 0.03
"""Notes that start this near to each other were meant together."""


@dataclass(frozen=True, slots=True)
class TimedNote:
    """A note as it sounds.

    Raises
    ------
    ValueProblem
        If it ends before it begins, or the key is none.
    """

    # When it begins and when it stops sounding, the pedal counted.
    start_s: float
    end_s: float
    key: int  # MIDI key 0 to 127
    velocity: int = 80  # how hard it was struck, 1 to 127
    part: int = 0  # number of the part that plays it
    bent: bool = False  # whether the source bends it while it sounds; such a note takes part in no chord

    def __post_init__(self) -> None:
        if not 0 <= self.key < KEYS:
            raise ValueProblem(f"key {self.key} is out of range", "MIDI keys run from 0 to 127")
        if not self.start_s <= self.end_s:
            raise ValueProblem(
                f"a note from {self.start_s:g} to {self.end_s:g} s",
                "a note ends after it begins; length or end?",
            )

    @property
    def length_s(self) -> float:
        """How long it sounds."""
        return self.end_s - self.start_s

    @property
    def in_chords(self) -> bool:
        """Whether it is long and steady enough to take part in a chord."""
        return not self.bent and self.length_s > SHORT_S


def sorted_notes(notes: Iterable[TimedNote]) -> list[TimedNote]:
    """Return notes in the order that this room counts them in: by start, key, part, end."""
    return sorted(notes, key=lambda note: (note.start_s, note.key, note.part, note.end_s))


@dataclass(frozen=True, eq=False)
class Columns:
    """Notes as columns, each of shape (notes,); indices follow the list they were made from."""

    start_s: NDArray[np.float64]
    end_s: NDArray[np.float64]
    key: NDArray[np.int64]
    velocity: NDArray[np.float64]
    part: NDArray[np.int64]
    in_chords: NDArray[np.bool_]


def columns(notes: Sequence[TimedNote]) -> Columns:
    """Lay notes out as columns."""
    return Columns(
        np.array([note.start_s for note in notes], dtype=np.float64),
        np.array([note.end_s for note in notes], dtype=np.float64),
        np.array([note.key for note in notes], dtype=np.int64),
        np.array([note.velocity for note in notes], dtype=np.float64),
        np.array([note.part for note in notes], dtype=np.int64),
        np.array([note.in_chords for note in notes], dtype=np.bool_),
    )


@dataclass(frozen=True, eq=False)
class Pairs:
    """Notes that sound together, pair by pair, each column of shape (pairs,)."""

    # Indices of the two notes; of two equal keys the one that comes first is the lower.
    lower: NDArray[np.int64]
    upper: NDArray[np.int64]
    # When they sound together.
    start_s: NDArray[np.float64]
    end_s: NDArray[np.float64]

    @property
    def length_s(self) -> NDArray[np.float64]:
        """How long they sound together."""
        return self.end_s - self.start_s


def pairs_of(table: Columns, at_least_s: float = SHORT_S, *, chords_only: bool = True) -> Pairs:
    """Find all pairs of notes that sound together.

    Parameters
    ----------
    table : Columns
        Notes in order of their start.
    at_least_s : float
        How long they must sound together.
    chords_only : bool
        Leave out notes that take part in no chord (`TimedNote.in_chords`).
    """
    count = len(table.start_s)
    index = np.arange(count)
    # Whatever starts while a note sounds, and after it in the list, sounds with it.
    beyond = np.searchsorted(table.start_s, table.end_s - at_least_s + 1e-9, side="right")
    many = np.maximum(beyond - index - 1, 0)
    first = np.repeat(index, many)
    within = np.arange(int(many.sum())) - np.repeat(np.cumsum(many) - many, many)
    second = first + 1 + within
    start = table.start_s[second]
    end = np.minimum(table.end_s[first], table.end_s[second])
    kept = (end - start >= at_least_s - 1e-9) & (end > start)
    if chords_only:
        kept &= table.in_chords[first] & table.in_chords[second]
    first, second, start, end = first[kept], second[kept], start[kept], end[kept]
    swap = table.key[first] > table.key[second]
    return Pairs(np.where(swap, second, first), np.where(swap, first, second), start, end)


def bass_and_top(table: Columns) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the lowest and the highest key that sound when each note begins, itself counted."""
    low, high = table.key.copy(), table.key.copy()
    pairs = pairs_of(table, 0.0, chords_only=False)
    for one, other in ((pairs.lower, pairs.upper), (pairs.upper, pairs.lower)):
        # `other` sounds already when `one` begins, or begins together with it.
        there = table.start_s[other] <= table.start_s[one] + _TOGETHER_S
        np.minimum.at(low, one[there], table.key[other[there]])
        np.maximum.at(high, one[there], table.key[other[there]])
    return low, high


def top_line(notes: Sequence[TimedNote]) -> dict[int, list[int]]:
    """Return for every part the indices of the notes of its top line, in order of time."""
    lines: dict[int, list[int]] = {}
    for index, note in enumerate(notes):
        line = lines.setdefault(note.part, [])
        if line and note.start_s - notes[line[-1]].start_s <= _TOGETHER_S:
            if note.key > notes[line[-1]].key:
                line[-1] = index
        elif not (line and notes[line[-1]].key > note.key and notes[line[-1]].end_s >= note.end_s):
            # What lies under a note that outlasts it is no melody.
            line.append(index)
    return lines
