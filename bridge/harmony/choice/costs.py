"""What a choice of variants costs: seconds of annoyance, summed over everything that is heard to be off.

Conventions
-----------
Costs are in seconds of full annoyance. Each stands between two segments, or on one:

- *chords*: two notes that sound together away from their nearest pure interval;
- *moves*: a class struck again at another pitch;
- *melody*: a step of a part's top line off every just step, and a broken chord in one part as if it sounded;
- *channels*: where those are short, a class struck again at another pitch while its last note still rings: that takes
  a channel more for a while;
- *home*: a pitch that is not the table's own.

A move or step counts between neighbours only: a segment and the last one of the other class. After `MEMORY_S` of
silence nobody remembers where a note was. What must not be (a third, fourth, fifth or sixth more than 42 cents off, a
note struck again too far away) costs `FORBIDDEN`; so an impossible piece still has an answer, the one with the least
of it.

Index
-----
`Weights`, `MOVES` · `problem_of`

Sources
-------
The form of the costs on intervals: see `bridge.harmony.intervals`. All weights were found by trying them on real
pieces.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from bridge.harmony.choice.search import Matrix, Problem
from bridge.harmony.intervals import loss, nearest, step_error_cents, weight
from bridge.harmony.notes import Columns, Pairs, TimedNote, bass_and_top, top_line
from bridge.harmony.segments import Segment
from bridge.tuning.chords.purity import CONSONANT

MEMORY_S = 4.0
"""After so long a silence it does not matter where a class was."""

NEIGHBOURS_S = 1.0
"""A note within so long after another is heard against it."""

TAIL_S = 0.5
"""So long a note rings after its end."""
_CHANNEL = 0.05
"""What a channel that is not there costs: less than a chord that beats, so that it decides between near equals."""

FORBIDDEN = 1e5
MAX_INTERVAL_CENTS = 42.0
COMMA_CENTS = 21.5
_BROKEN_NOTES = 3
_OCTAVE_LEAP, _LEAP_S = 2.0, 0.25
"""An octave struck so soon after its other note sounds wrong a comma wide, more than the same note a comma away."""
_SLACK_CENTS = 0.01


@dataclass(frozen=True)
class Weights:
    """How much moving costs against sounding off."""

    again: float = 0.12  # a class struck again a comma away
    step: float = 0.08  # a step of a melody that is no just step
    again_limit_cents: float = 25.0  # how far a note struck again may move
    broken: float = 0.25  # a broken chord, a second of it
    plain: bool = False  # count every interval alike, instead of the simplest most


MOVES = {
    "few": Weights(0.5, 0.4),
    "some": Weights(),
    "many": Weights(0.03, 0.02, again_limit_cents=45.0),
}

Cents = tuple[float, ...]
"""Where each choice of a segment lies, in cents from equal temperament; the table's own pitch first."""


def problem_of(
    notes: Sequence[TimedNote],
    segments: Sequence[Segment],
    choices: Sequence[Cents],
    home_cents: Sequence[float],
    table: Columns,
    pairs: Pairs,
    weights: Weights = MOVES["some"],
    natural_sevenths: bool = False,
    crowded_s: Sequence[tuple[float, float]] = (),
) -> Problem:
    """Lay out all costs of a piece.

    Parameters
    ----------
    notes, segments
        The piece, and how it was cut (`bridge.harmony.segments`).
    choices : sequence of tuple of float
        For each segment, where its choices lie.
    home_cents : sequence of float
        For each segment, where the table has it.
    table, pairs
        The notes as columns, and which of them sound together in chords.
    weights : Weights
        What moving costs.
    natural_sevenths : bool
        Whether sevenths of the overtone series count as pure.
    crowded_s : sequence of (float, float)
        When channels are short, in order.
    """
    costs = _Costs(notes, segments, choices, table, weights, natural_sevenths)
    costs.chords(pairs)
    costs.moves()
    if crowded_s:
        costs.channels(crowded_s)
    costs.melodies()
    unary = [
        np.array([_away(cents - home, segment.end_s - segment.start_s) for cents in own], dtype=np.float64)
        for own, home, segment in zip(choices, home_cents, segments, strict=True)
    ]
    return Problem(
        unary, costs.edges, [segment.start_s for segment in segments], [segment.end_s for segment in segments]
    )


def _away(cents: float, length_s: float) -> float:
    return (0.005 + 0.01 * min(length_s, 4.0)) * abs(cents) / COMMA_CENTS


@lru_cache(maxsize=65536)
def _chord_matrix(semitones: int, lower: Cents, upper: Cents, natural: bool, plain: bool) -> Matrix:
    """Return the annoyance of an interval for each choice of its lower and upper note."""
    matrix = np.empty((len(lower), len(upper)))
    for row, low in enumerate(lower):
        for column, high in enumerate(upper):
            ratio, error = nearest(semitones, 100.0 * semitones + high - low, natural, aims=True)
            matrix[row, column] = (1.0 if plain else weight(ratio)) * loss(semitones, error)
    matrix.setflags(write=False)
    return matrix


@lru_cache(maxsize=65536)
def _forbidden(semitones: int, lower: Cents, upper: Cents, natural: bool) -> Matrix | None:
    """Return what is forbidden of a third, fourth, fifth or sixth; None if nothing is."""
    if semitones % 12 not in CONSONANT:
        return None
    matrix = np.zeros((len(lower), len(upper)))
    for row, low in enumerate(lower):
        for column, high in enumerate(upper):
            _, error = nearest(semitones, 100.0 * semitones + high - low, natural)
            matrix[row, column] = FORBIDDEN * (abs(error) > MAX_INTERVAL_CENTS)
    return matrix if matrix.any() else None


@lru_cache(maxsize=65536)
def _step_matrix(semitones: int, before: Cents, after: Cents) -> Matrix:
    """Return how odd a melody's step is for each choice of its two notes."""
    return np.array(
        [
            [
                1.0 - math.exp(-step_error_cents(semitones, 100.0 * semitones + new - old) / 25.0)
                for new in after
            ]
            for old in before
        ]
    )


@lru_cache(maxsize=4096)
def _move_matrix(before: Cents, after: Cents) -> Matrix:
    """Return how far, in commas up to one and a half, a class moves between two choices."""
    return np.minimum(np.abs(np.subtract.outer(before, after)) / COMMA_CENTS, 1.5)


@lru_cache(maxsize=4096)
def _too_far(before: Cents, after: Cents, limit_cents: float) -> Matrix | None:
    far = np.abs(np.subtract.outer(before, after)) > limit_cents + _SLACK_CENTS
    return np.where(far, FORBIDDEN, 0.0) if far.any() else None


class _Costs:
    """Collects the costs between pairs of segments."""

    def __init__(
        self,
        notes: Sequence[TimedNote],
        segments: Sequence[Segment],
        choices: Sequence[Cents],
        table: Columns,
        weights: Weights,
        natural: bool,
    ) -> None:
        self.notes, self.segments, self.choices, self.table = notes, segments, choices, table
        self.weights, self.natural = weights, natural
        self.edges: dict[tuple[int, int], Matrix] = {}
        self.segment_of = np.zeros(len(notes), dtype=np.int64)
        for number, segment in enumerate(segments):
            self.segment_of[list(segment.notes)] = number
        self.next_of_class = [len(segments)] * len(segments)
        latest: dict[int, int] = {}
        self.previous: list[int | None] = []
        for number, segment in enumerate(segments):
            self.previous.append(latest.get(segment.pitch_class))
            if segment.pitch_class in latest:
                self.next_of_class[latest[segment.pitch_class]] = number
            latest[segment.pitch_class] = number
        self.bass, self.top = bass_and_top(table)

    def add(self, first: int, second: int, matrix: Matrix) -> None:
        """Add a cost, its rows the choices of `first`; the earlier segment comes first in `edges`."""
        if len(matrix) * matrix.shape[1] == 1:
            return
        if first > second:
            first, second, matrix = second, first, matrix.T
        held = self.edges.get((first, second))
        self.edges[first, second] = matrix if held is None else held + matrix

    def reachable(self, first: int, second: int) -> bool:
        """Whether the earlier segment is still the last of its class when the later one begins."""
        early, late = min(first, second), max(first, second)
        return self.next_of_class[early] >= late

    def chords(self, pairs: Pairs) -> None:
        """Count every two notes that sound together."""
        table = self.table
        length = pairs.length_s
        force = length**2 / (length + 0.12)
        force *= np.sqrt(table.velocity[pairs.lower] * table.velocity[pairs.upper]) / 90.0
        later = np.where(table.start_s[pairs.lower] >= table.start_s[pairs.upper], pairs.lower, pairs.upper)
        force = np.where(table.key[pairs.lower] <= self.bass[later], force * 1.25, force)
        semitones = table.key[pairs.upper] - table.key[pairs.lower]
        lower, upper = self.segment_of[pairs.lower], self.segment_of[pairs.upper]
        kept = semitones % 12 != 0
        for low, high, steps, amount in _summed(lower[kept], upper[kept], semitones[kept], force[kept]):
            if not self.reachable(low, high):
                continue
            own, other = self.choices[low], self.choices[high]
            self.add(
                low,
                high,
                amount * _chord_matrix(steps, own, other, self.natural, self.weights.plain),
            )
            limit = _forbidden(steps % 12, own, other, self.natural)
            if limit is not None:
                self.add(low, high, limit)

    def moves(self) -> None:
        """Count every class that is struck again."""
        for number, before in enumerate(self.previous):
            if before is None or len(self.choices[before]) * len(self.choices[number]) == 1:
                continue
            old, new = self.segments[before], self.segments[number]
            if new.start_s - old.end_s > MEMORY_S:
                continue
            amount, limited = self._again(old, new)
            self.add(before, number, amount * _move_matrix(self.choices[before], self.choices[number]))
            if limited:
                limit = _too_far(self.choices[before], self.choices[number], self.weights.again_limit_cents)
                if limit is not None:
                    self.add(before, number, limit)

    def channels(self, crowded_s: Sequence[tuple[float, float]]) -> None:
        """Count what takes a channel more where none is free."""
        begins_s = [begin_s for begin_s, _ in crowded_s]
        for number, before in enumerate(self.previous):
            if before is None or len(self.choices[before]) * len(self.choices[number]) == 1:
                continue
            old, new = self.segments[before], self.segments[number]
            place = bisect_right(begins_s, new.start_s) - 1
            if place < 0 or crowded_s[place][1] < new.start_s or new.start_s - old.end_s >= TAIL_S:
                continue
            parts = {self.notes[one].part for one in old.notes} & {self.notes[one].part for one in new.notes}
            if parts:
                moved = np.sign(_move_matrix(self.choices[before], self.choices[number]))
                self.add(before, number, len(parts) * _CHANNEL * moved)

    def _again(self, old: Segment, new: Segment) -> tuple[float, bool]:
        """Return what a move of a comma costs between two strokes, and whether it may not be a large one."""
        most, limited = 0.0, False
        for second in new.notes:
            after = self.notes[second]
            if after.start_s > new.start_s + 0.03:
                break
            for first in old.notes:
                before = self.notes[first]
                gap = max(0.0, after.start_s - before.end_s)
                kin = 0.4 if before.part != after.part else 1.0 if before.key == after.key else 0.6
                if before.part == after.part and gap <= _LEAP_S and self._leaps(first, second):
                    kin = _OCTAVE_LEAP
                if before.part == after.part and gap <= NEIGHBOURS_S:
                    limited = True
                most = max(most, kin * self._melodic(first, second, gap))
        return self.weights.again * most, limited

    def _leaps(self, first: int, second: int) -> bool:
        """Tell whether the lowest voice, or the highest, leaps by octaves between two notes of a class."""
        before, after = self.notes[first].key, self.notes[second].key
        outer = (self.bass, self.top)
        return before != after and any(line[first] == before and line[second] == after for line in outer)

    def _melodic(self, first: int, second: int, gap_s: float) -> float:
        """Return how much two successive notes are heard against each other."""
        before, after = self.notes[first], self.notes[second]
        shorter = min(before.length_s, after.length_s)
        inner = 1.0 if after.key in (self.bass[second], self.top[second]) else 0.6
        return math.exp(-gap_s) * min(1.0, shorter / 0.4) * inner

    def melodies(self) -> None:
        """Count the steps of every part's top line, and its broken chords."""
        steps: dict[tuple[int, int, int], float] = {}
        for line in top_line(self.notes).values():
            for first, second in pairwise(line):
                gap = max(0.0, self.notes[second].start_s - self.notes[first].end_s)
                if gap <= NEIGHBOURS_S and (place := self._place(first, second)):
                    steps[place] = steps.get(place, 0.0) + self._melodic(first, second, gap)
        for (early, late, semitones), amount in steps.items():
            matrix = _step_matrix(semitones, self.choices[early], self.choices[late])
            self.add(early, late, self.weights.step * amount * matrix)
        for (early, late, semitones), amount in self._broken().items():
            low, high = (early, late) if semitones > 0 else (late, early)
            matrix = _chord_matrix(
                abs(semitones), self.choices[low], self.choices[high], self.natural, self.weights.plain
            )
            self.add(low, high, self.weights.broken * amount * matrix)

    def _broken(self) -> dict[tuple[int, int, int], float]:
        found: dict[tuple[int, int, int], float] = {}
        recent: dict[int, list[int]] = {}
        for second, after in enumerate(self.notes):
            line = recent.setdefault(after.part, [])
            for first in line:
                before = self.notes[first]
                gap = after.start_s - before.end_s
                if -0.05 < gap <= NEIGHBOURS_S and (place := self._place(first, second)):
                    amount = min(before.length_s, after.length_s, 0.5) * math.exp(-max(gap, 0.0) / 0.4)
                    found[place] = found.get(place, 0.0) + amount
            line.append(second)
            del line[:-_BROKEN_NOTES]
        return found

    def _place(self, first: int, second: int) -> tuple[int, int, int] | None:
        """Return the two segments and the step between two successive notes; None where nothing can be said."""
        early, late = int(self.segment_of[first]), int(self.segment_of[second])
        semitones = self.notes[second].key - self.notes[first].key
        if semitones % 12 == 0 or early >= late or not self.reachable(early, late):
            return None
        if len(self.choices[early]) * len(self.choices[late]) == 1:
            return None
        return early, late, semitones


def _summed(
    lower: NDArray[np.int64],
    upper: NDArray[np.int64],
    semitones: NDArray[np.int64],
    force: NDArray[np.float64],
) -> list[tuple[int, int, int, float]]:
    """Sum what stands between the same two segments at the same spacing."""
    if not len(lower):
        return []
    count = int(max(lower.max(), upper.max())) + 1
    code = (lower * count + upper) * 128 + semitones
    unique, where = np.unique(code, return_inverse=True)
    sums = np.bincount(where, weights=force)
    pairs, steps = np.divmod(unique, 128)
    return list(
        zip((pairs // count).tolist(), (pairs % count).tolist(), steps.tolist(), sums.tolist(), strict=True)
    )
