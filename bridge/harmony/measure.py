"""How pure a piece sounds: the share of its thirds, fourths, fifths and sixths that stand still, and what else moves.

Conventions
-----------
What sounds is given as one frequency a note, in Hz: a table's (`fixed_hz`), or a table's moved by chosen variants.
Where two notes of any two parts sound together for 50 ms or more, the interval counts for as long as it lasts. Thirds,
fourths, fifths and sixths (octaves folded) make the *share*; seconds, sevenths and tritones are told apart
(`Measure.others`).

=================  =========================================================================================
word               means
=================  =========================================================================================
share              part of the time within 1 cent of 6/5, 5/4, 4/3, 3/2, 8/5, 5/3 (and 7/6, 12/7 if asked for)
rms_cents          root of the mean square of what they are off, weighted by time
worst              the one that is furthest off
sour               part of the time in which a fifth or fourth is off by more than 7, another by more than 17 cents
moved              same part and key again within a second, more than a cent elsewhere, per 100 notes
odd_steps          steps of a part's top line more than 8 cents from every just step, per 100 steps
drift_cents        the tonic's mean pitch in the last tenth of the piece above that in the first
demand             most pairs of part and offset at once
natural            part of the time in which minor sevenths and tritones are 7/4, 7/5 or 10/7
=================  =========================================================================================

Index
-----
`measure` → `Measure` (`Purity`, `BarPurity`, `Worst`) · `fixed_hz`
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from bridge.harmony.intervals import (
    FIFTHS,
    SOUR_CENTS,
    SOUR_FIFTH_CENTS,
    aims_of,
    errors_cents,
    nearest,
    step_error_cents,
)
from bridge.harmony.notes import Pairs, TimedNote, columns, pairs_of, top_line
from bridge.tuning.beats import beat_rate_hz
from bridge.tuning.chords.purity import CONSONANT, PURE_CENTS
from bridge.tuning.notes import A4_HZ, A4_KEY
from bridge.tuning.ratios import ratio_to_cents

ODD_STEP_CENTS = 8.0
AGAIN_S = 1.0
_CONSONANT = np.array([semitones in CONSONANT for semitones in range(12)])
_FIFTHS = np.array([semitones in FIFTHS for semitones in range(12)])
_BEST_KNOWN = (7, 5, 4, 3, 9, 8)  # fifth, fourth, thirds, sixths: of equally bad intervals the first is named
_NAMED_FIRST = np.array([_BEST_KNOWN.index(one) if one in _BEST_KNOWN else 12 for one in range(12)])


@dataclass(frozen=True)
class Purity:
    """How pure some intervals are, weighted by the time they sound."""

    seconds: float  # how long, every interval counted by itself
    share: float  # part of that time within a cent of pure, 0 to 1; 1 where nothing sounds
    rms_cents: float  # root of the mean square of what they are off
    worst_cents: float  # the largest distance from pure
    sour: float  # part of the time that is sour, 0 to 1


@dataclass(frozen=True)
class Worst:
    """An interval of the music that is off."""

    # Indices of its two notes.
    lower: int
    upper: int
    # When it sounds.
    start_s: float
    end_s: float
    pure: Fraction  # the nearest pure ratio, at its real spacing
    cents: float  # how much wider than pure it is (negative: narrower)
    beats_hz: float  # beats a second


@dataclass(frozen=True)
class BarPurity:
    """A bar, how pure it is, and the interval that is heard most to be off (None where none is by a cent)."""

    bar: int
    purity: Purity
    worst: Worst | None


@dataclass(frozen=True)
class Measure:
    """How pure a piece sounds; the words are explained at the top of this module."""

    purity: Purity
    others: Purity
    bars: tuple[BarPurity, ...]
    worst: Worst | None
    moved: float
    odd_steps: float
    drift_cents: float
    demand: int
    natural: float

    @property
    def share(self) -> float:
        """Part of the time in which thirds, fourths, fifths and sixths are pure."""
        return self.purity.share


def fixed_hz(
    notes: Sequence[TimedNote], table_hz: Sequence[float] | NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the frequency of each note as a table of 128 frequencies has it."""
    keys = np.array([note.key for note in notes], dtype=np.int64)
    return np.asarray(table_hz, dtype=np.float64)[keys]


def measure(
    notes: Sequence[TimedNote],
    hz: Sequence[float] | NDArray[np.float64],
    bar_starts_s: Sequence[float] = (),
    tonic_class: int = 0,
    natural_sevenths: bool = False,
    *,
    chords_alone: bool = False,
) -> Measure:
    """Measure a piece.

    Parameters
    ----------
    notes : sequence of TimedNote
        In order of their start (`bridge.harmony.notes.sorted_notes`).
    hz : sequence of float
        Frequency of each.
    bar_starts_s : sequence of float
        When each bar begins, bar 1 first; without it nothing is told by bars.
    tonic_class : int
        Pitch class of the tonic, for `Measure.drift_cents`.
    natural_sevenths : bool
        Whether sevenths of the overtone series count as pure.
    chords_alone : bool
        Leave out what is told of single notes: `Measure.moved`, `odd_steps`, `drift_cents` and `demand` are 0.
    """
    table = columns(notes)
    sounding = np.asarray(hz, dtype=np.float64)
    # Height above the key's equal-tempered place, so that intervals keep their class however they are tuned.
    height = 1200.0 * np.log2(sounding / A4_HZ) + 100.0 * A4_KEY if len(notes) else np.zeros(0)
    pairs = pairs_of(table)
    semitones = table.key[pairs.upper] - table.key[pairs.lower]
    errors = errors_cents(semitones, height[pairs.upper] - height[pairs.lower], natural_sevenths)
    folded = semitones % 12
    consonant = _CONSONANT[folded]
    limits = np.where(_FIFTHS[folded], SOUR_FIFTH_CENTS, SOUR_CENTS)
    length = pairs.length_s
    view = _View(notes, sounding, height, pairs, semitones, errors, limits, natural_sevenths)
    return Measure(
        purity=_purity(length[consonant], errors[consonant], limits[consonant]),
        others=_purity(length[~consonant & (folded != 0)], errors[~consonant & (folded != 0)], None),
        bars=view.bars(consonant, bar_starts_s),
        worst=view.worst(np.flatnonzero(consonant)),
        moved=0.0 if chords_alone else _moved(notes, height),
        odd_steps=0.0 if chords_alone else _odd_steps(notes, height),
        drift_cents=0.0 if chords_alone else _drift(notes, height, tonic_class),
        demand=0 if chords_alone else _demand(notes, height),
        natural=_natural(semitones, height[pairs.upper] - height[pairs.lower], length),
    )


def _purity(
    length: NDArray[np.float64], errors: NDArray[np.float64], limits: NDArray[np.float64] | None
) -> Purity:
    total = float(length.sum())
    if total <= 0:
        return Purity(0.0, 1.0, 0.0, 0.0, 0.0)
    off = np.abs(errors)
    sour = 0.0 if limits is None else float(length[off > limits].sum()) / total
    return Purity(
        total,
        float(length[off <= PURE_CENTS].sum()) / total,
        float(np.sqrt((length * off**2).sum() / total)),
        float(off.max()),
        sour,
    )


@dataclass(frozen=True, eq=False)
class _View:
    """All intervals of a piece, to look for single ones."""

    notes: Sequence[TimedNote]
    hz: NDArray[np.float64]
    height: NDArray[np.float64]
    pairs: Pairs
    semitones: NDArray[np.int64]
    errors: NDArray[np.float64]
    limits: NDArray[np.float64]
    natural: bool

    def worst(self, among: NDArray[np.int64], length: NDArray[np.float64] | None = None) -> Worst | None:
        """Return the interval that is furthest off, the longest of equals; None if all are pure.

        With the `length` of each, the one that is heard most: a long fifth a comma out outweighs a passing clash.
        """
        if not len(among):
            return None
        off = np.round(np.abs(self.errors[among]), 3)
        if off.max() <= PURE_CENTS:
            return None
        if length is None:
            furthest = among[off == off.max()]
            weight = self.pairs.length_s[furthest]
        else:
            furthest, weight = among, np.where(off > PURE_CENTS, np.minimum(off, SOUR_CENTS) * length, 0.0)
        equals = furthest[weight >= weight.max() - 1e-6]
        # Of equals the fifth is what a player knows, then the fourth, thirds and sixths.
        place = int(equals[_NAMED_FIRST[self.semitones[equals] % 12].argmin()])
        lower, upper = int(self.pairs.lower[place]), int(self.pairs.upper[place])
        cents = float(self.height[upper] - self.height[lower])
        ratio, error = nearest(int(self.semitones[place]), cents, self.natural)
        return Worst(
            lower,
            upper,
            float(self.pairs.start_s[place]),
            float(self.pairs.end_s[place]),
            ratio,
            error,
            beat_rate_hz(float(self.hz[lower]), float(self.hz[upper]), ratio.numerator, ratio.denominator),
        )

    def bars(self, consonant: NDArray[np.bool_], starts_s: Sequence[float]) -> tuple[BarPurity, ...]:
        """Measure every bar; an interval that lasts over a bar line counts in both."""
        found: list[BarPurity] = []
        places = np.flatnonzero(consonant)
        start, end = self.pairs.start_s[places], self.pairs.end_s[places]
        order = np.argsort(start, kind="stable")
        ordered = start[order]
        longest = float((end - start).max(initial=0.0))
        alike = _like_the_one_before(starts_s, ordered, np.sort(end))
        for bar, begin in enumerate(starts_s, 1):
            if alike[bar - 1]:
                found.append(replace(found[-1], bar=bar))
                continue
            beyond = starts_s[bar] if bar < len(starts_s) else np.inf
            # Only what can reach into the bar is looked at, in the order of the notes.
            first, last = np.searchsorted(ordered, (begin - longest - 1e-6, beyond))
            near = np.sort(order[first:last])
            length = np.minimum(end[near], beyond) - np.maximum(start[near], begin)
            here = length > 1e-6
            inside = places[near[here]]
            found.append(
                BarPurity(
                    bar,
                    _purity(length[here], self.errors[inside], self.limits[inside]),
                    self.worst(inside, length[here]),
                )
            )
        return tuple(found)


def _like_the_one_before(
    starts_s: Sequence[float], begins: NDArray[np.float64], ends: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Tell of each bar whether it and the one before are as long, and no interval begins or ends in either.

    Of a note that is held over thousands of bars, one is measured.
    """
    lines = np.append(np.asarray(starts_s, dtype=np.float64), np.inf)
    still = (np.diff(np.searchsorted(begins, lines)) == 0) & (
        np.diff(np.searchsorted(ends, lines, "right")) == 0
    )
    lengths = np.diff(lines)
    alike = np.zeros(len(starts_s), dtype=np.bool_)
    alike[1:] = still[1:] & still[:-1] & (np.abs(lengths[1:] - lengths[:-1]) < 1e-9)
    return alike


def _natural(semitones: NDArray[np.int64], cents: NDArray[np.float64], length: NDArray[np.float64]) -> float:
    octaves, folded = np.divmod(semitones, 12)
    total, pure = 0.0, 0.0
    for one in (6, 10):
        here = folded == one
        aims = [ratio_to_cents(ratio) for ratio in aims_of(one, True)]
        off = np.abs(np.subtract.outer(cents[here] - 1200.0 * octaves[here], aims)).min(
            axis=1, initial=1200.0
        )
        total += float(length[here].sum())
        pure += float(length[here][off <= PURE_CENTS].sum())
    return pure / total if total else 0.0


def _moved(notes: Sequence[TimedNote], height: NDArray[np.float64]) -> float:
    last: dict[tuple[int, int], int] = {}
    count = 0
    for index, note in enumerate(notes):
        before = last.get((note.part, note.key))
        if before is not None and note.start_s - notes[before].end_s <= AGAIN_S:
            count += abs(height[index] - height[before]) > PURE_CENTS
        last[note.part, note.key] = index
    return 100.0 * count / len(notes) if notes else 0.0


def _odd_steps(notes: Sequence[TimedNote], height: NDArray[np.float64]) -> float:
    odd = steps = 0
    for line in top_line(notes).values():
        for first, second in pairwise(line):
            if notes[second].start_s - notes[first].end_s <= AGAIN_S:
                steps += 1
                rise = notes[second].key - notes[first].key
                odd += step_error_cents(rise, float(height[second] - height[first])) > ODD_STEP_CENTS
    return 100.0 * odd / steps if steps else 0.0


def _drift(notes: Sequence[TimedNote], height: NDArray[np.float64], tonic_class: int) -> float:
    tonic = [index for index, note in enumerate(notes) if note.key % 12 == tonic_class]
    if not tonic:
        return 0.0
    end = max(note.end_s for note in notes)
    off = {index: float(height[index]) - 100.0 * notes[index].key for index in tonic}
    early = [off[index] for index in tonic if notes[index].start_s <= 0.1 * end]
    late = [off[index] for index in tonic if notes[index].end_s >= 0.9 * end]
    if not early or not late:
        return 0.0
    return sum(late) / len(late) - sum(early) / len(early)


def _demand(notes: Sequence[TimedNote], height: NDArray[np.float64]) -> int:
    events: list[tuple[float, int, tuple[int, float]]] = []
    for index, note in enumerate(notes):
        place = (note.part, round(float(height[index]) - 100.0 * note.key, 3))
        events += [(note.start_s, 1, place), (note.end_s, -1, place)]
    held: dict[tuple[int, float], int] = {}
    most = 0
    for _, change, place in sorted(events, key=lambda event: (event[0], event[1])):
        held[place] = held.get(place, 0) + change
        if not held[place]:
            del held[place]
        most = max(most, len(held))
    return most
