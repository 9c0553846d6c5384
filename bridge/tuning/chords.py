"""Every triad and seventh chord of a table: how pure it is, what beats, and what would cure it.

Conventions
-----------
A chord is judged in close root position, its root the first key from `LOWEST_ROOT_KEY` (C3) upward, against the
nearest of its kind's pure forms, which are whole numbers such as 4:5:6. The nearest is the one whose worst interval
is least off; of equally near ones, the first listed. `impurity_cents` is positive where an interval is wide. Beats
are those of the lowest coinciding partials, p·f1 against q·f2, and None where these lie above the sixteenth:
nobody hears them, and they do not enter the verdict.

Verdicts, by the intervals that enter it:

========  ==========================================================================================
word      means
========  ==========================================================================================
pure      none is off by more than 1 cent
calm      none by more than 3 cents
tempered  fifths and fourths by at most 7, others by at most 17 cents: as in the usual temperaments
rough     fifths and fourths by at most 7, others by at most 25 cents: a third a comma out
sour      beyond that: a fifth a comma out, or a third that is another interval
========  ==========================================================================================

A cure replaces one degree of the scale, or two if one is not enough, never the tonic; it makes the whole chord pure.
It may aim at another pure form of the same kind where that takes fewer or smaller changes. It holds for that chord:
another that shares the degree may suffer.

Index
-----
`judge_chords`, `judge_chord` → `Chord`, `ChordInterval`, `Cure` ·
`contradicted_strings` → `ContradictedString`

Sources
-------
The pure forms stand in `bridge.tuning.chord_kinds`. The limits of the verdicts are common practice: a fifth of
quarter-comma meantone is 5.4 cents off, an equal third 13.7 and 15.6, a comma 21.5.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from bridge.errors import ValueProblem
from bridge.tuning.beats import beat_rate_hz
from bridge.tuning.chord_kinds import KINDS, ChordKind
from bridge.tuning.notes import note_name, parse_pitch_class, pitch_class_name
from bridge.tuning.ratios import hz_to_cents, ratio_to_cents
from bridge.tuning.scales import DEGREES, Interval, check_degree

if TYPE_CHECKING:
    from bridge.tuning.tables import Table

LOWEST_ROOT_KEY = 48
HIGHEST_HEARD_PARTIAL = 16
PURE_CENTS, CALM_CENTS, FIFTH_CENTS, TEMPERED_CENTS, ROUGH_CENTS = 1.0, 3.0, 7.0, 17.0, 25.0

_CURED_CENTS = 0.05
_NUMERALS = ("I", "bII", "II", "bIII", "III", "IV", "#IV", "V", "bVI", "VI", "bVII", "VII")
_MAJOR = frozenset((0, 2, 4, 5, 7, 9, 11))
_MINOR = frozenset((0, 2, 3, 5, 7, 8, 10, 11))


@dataclass(frozen=True)
class ChordInterval:
    """One interval of a chord, from the lower to the upper note."""

    # MIDI keys of the two notes.
    lower_key: int
    upper_key: int
    cents: float  # its size in the table
    pure: Fraction  # its pure ratio in the chord's form
    # Beats of its lowest coinciding partials; None where they lie above the sixteenth partial.
    beats_hz: float | None

    @property
    def impurity_cents(self) -> float:
        """How much wider (negative: narrower) than pure the interval is."""
        return self.cents - ratio_to_cents(self.pure)

    @property
    def heard(self) -> bool:
        """Whether the coinciding partials are low enough to be heard."""
        return self.beats_hz is not None

    @property
    def allowed_cents(self) -> float:
        """Largest impurity of a tempered interval of this size: fifths, fourths and octaves bear less."""
        return FIFTH_CENTS if self.pure.numerator * self.pure.denominator <= 12 else TEMPERED_CENTS


@dataclass(frozen=True)
class Cure:
    """A degree of the scale and the interval above the tonic that would make a chord pure."""

    degree: int
    interval: Interval

    def __str__(self) -> str:
        """Write it as a degree change is written: ``2=10/9``."""
        return f"{DEGREES[self.degree]}={self.interval}"


@dataclass(frozen=True)
class Chord:
    """A chord of a table, judged."""

    kind: ChordKind  # what it is
    degree: int  # degree of its root, 0 to 11
    name: str  # such as ``"Em7"``
    numeral: str  # such as ``"ii7"``
    keys: tuple[int, ...]  # MIDI keys in close root position
    notes: tuple[str, ...]  # their names
    form: tuple[int, ...]  # the whole numbers it is measured against
    intervals: tuple[ChordInterval, ...]  # every pair of its notes
    verdict: str  # ``pure``, ``calm``, ``tempered``, ``rough`` or ``sour``
    # Degree changes that together make it pure; empty if it is pure, or if more than two would be needed.
    cures: tuple[Cure, ...]
    cured_form: tuple[int, ...]  # the form that the cures bring about; empty without cures

    @property
    def worst(self) -> ChordInterval:
        """The interval that is furthest off among those that are heard."""
        return max(
            (interval for interval in self.intervals if interval.heard),
            key=lambda one: abs(one.impurity_cents),
        )

    @property
    def beats_hz(self) -> float:
        """The fastest beats among the intervals that are heard."""
        return max(interval.beats_hz for interval in self.intervals if interval.beats_hz is not None)

    @property
    def in_major(self) -> bool:
        """Whether all its notes belong to the major scale on the tonic."""
        return self._within(_MAJOR)

    @property
    def in_minor(self) -> bool:
        """Whether all its notes belong to the minor scale on the tonic, natural or with the raised seventh."""
        return self._within(_MINOR)

    def _within(self, degrees: frozenset[int]) -> bool:
        return all((self.degree + step) % 12 in degrees for step in self.kind.semitones)


@dataclass(frozen=True)
class ContradictedString:
    """An open (or barred) string that the table disagrees with."""

    number: int
    key: int  # MIDI key of its note as it sounds
    note: str
    cents: float  # how far the string lies above the table's note
    beats_hz: float  # beats per second of the string against that note


def judge_chords(
    hz: Sequence[float] | NDArray[np.float64],
    tonic: str,
    kinds: Iterable[ChordKind] = KINDS,
    lowest_root_key: int = LOWEST_ROOT_KEY,
) -> tuple[Chord, ...]:
    """Judge chords of every given kind on all twelve degrees of a table.

    Parameters
    ----------
    hz : sequence of float, length 128
        Frequency of every key.
    tonic : str
        Name of the tonic as it sounds; degrees count from it and it decides the spelling.
    kinds : iterable of ChordKind
        `TRIADS`, `SEVENTHS`, or any.
    lowest_root_key : int
        Roots are the first keys of their degree from here upward, 12 to 104.

    Returns
    -------
    tuple of Chord
        By kind, and within a kind from the tonic upward.

    Raises
    ------
    ValueProblem
        If there are not 128 frequencies above zero, or the tonic or lowest root is none.
    """
    return tuple(
        judge_chord(hz, tonic, degree, kind, lowest_root_key)
        for kind in kinds
        for degree in range(len(DEGREES))
    )


def judge_chord(
    hz: Sequence[float] | NDArray[np.float64],
    tonic: str,
    degree: int,
    kind: ChordKind,
    lowest_root_key: int = LOWEST_ROOT_KEY,
) -> Chord:
    """Judge one chord; parameters as in `judge_chords`, `degree` from 0 (the tonic) to 11."""
    _check(hz, degree, lowest_root_key)
    tonic_class = parse_pitch_class(tonic)
    root_key = lowest_root_key + (tonic_class + degree - lowest_root_key) % 12
    keys = tuple(root_key + step for step in kind.semitones)
    notes_hz = [float(hz[key]) for key in keys]
    forms = [(form, tuple(_intervals(keys, notes_hz, form))) for form in kind.pure]
    form, intervals = min(forms, key=lambda one: round(max(abs(each.impurity_cents) for each in one[1]), 3))
    verdict = _verdict(intervals)
    cures, cured_form = ((), ()) if verdict == "pure" else _cures(hz, tonic_class, keys, kind.pure)
    numeral = _NUMERALS[degree]
    return Chord(
        kind=kind,
        degree=degree,
        name=pitch_class_name(root_key, tonic) + kind.suffix,
        numeral=(_lower(numeral) if kind.lower else numeral) + kind.numeral_suffix,
        keys=keys,
        notes=tuple(note_name(key, tonic) for key in keys),
        form=form,
        intervals=intervals,
        verdict=verdict,
        cures=cures,
        cured_form=cured_form,
    )


def contradicted_strings(table: Table, within_cents: float = 0.5) -> tuple[ContradictedString, ...]:
    """Return the strings that sound more than `within_cents` away from the table's note, last string first.

    Parameters
    ----------
    table : Table
        A table with a guitar; without one, nothing is contradicted.
    within_cents : float
        What still counts as agreeing.
    """
    return tuple(
        ContradictedString(
            string.number,
            string.key,
            string.note,
            string.cents_from_table,
            abs(string.hz - float(table.hz[string.key])),
        )
        for string in table.strings
        if abs(string.cents_from_table) > within_cents
    )


def _check(hz: Sequence[float] | NDArray[np.float64], degree: int, lowest_root_key: int) -> None:
    if len(hz) != 128:
        raise ValueProblem(f"a table of {len(hz)} frequencies", "128 are needed, one for each MIDI key")
    if not 0 <= degree < len(DEGREES):
        raise ValueProblem(f"degree number {degree}", "0 (the tonic) to 11")
    if not 12 <= lowest_root_key <= 104:
        raise ValueProblem(
            f"lowest root {lowest_root_key}", "MIDI keys 12 to 104, so that every chord is on the keys"
        )


def _lower(numeral: str) -> str:
    return numeral.replace("I", "i").replace("V", "v")


def _intervals(
    keys: Sequence[int], notes_hz: Sequence[float], form: Sequence[int]
) -> Iterator[ChordInterval]:
    for low, high in combinations(range(len(keys)), 2):
        pure = Fraction(form[high], form[low])
        p, q = pure.numerator, pure.denominator
        heard = max(p, q) <= HIGHEST_HEARD_PARTIAL
        yield ChordInterval(
            keys[low],
            keys[high],
            hz_to_cents(notes_hz[high], notes_hz[low]),
            pure,
            beat_rate_hz(notes_hz[low], notes_hz[high], p, q) if heard else None,
        )


def _verdict(intervals: Iterable[ChordInterval]) -> str:
    heard = [interval for interval in intervals if interval.heard]
    worst_cents = max(abs(interval.impurity_cents) for interval in heard)
    if worst_cents <= PURE_CENTS:
        return "pure"
    if worst_cents <= CALM_CENTS:
        return "calm"
    if all(abs(interval.impurity_cents) <= interval.allowed_cents for interval in heard):
        return "tempered"
    fifths = [interval for interval in heard if interval.allowed_cents == FIFTH_CENTS]
    if worst_cents <= ROUGH_CENTS and all(abs(interval.impurity_cents) <= FIFTH_CENTS for interval in fifths):
        return "rough"
    return "sour"


def _cures(
    hz: Sequence[float] | NDArray[np.float64],
    tonic_class: int,
    keys: Sequence[int],
    forms: Sequence[tuple[int, ...]],
) -> tuple[tuple[Cure, ...], tuple[int, ...]]:
    """Find the fewest degrees, and of equally few the smallest change, that make the chord pure in any form."""
    movable = [note for note, key in enumerate(keys) if (key - tonic_class) % 12]
    for count in (1, 2):
        found = [
            (change_cents, cures, form)
            for form in forms
            for moved in combinations(movable, count)
            for change_cents, cures in _moves(hz, tonic_class, keys, form, moved)
        ]
        if found:
            _, cures, form = min(found, key=lambda one: round(one[0], 3))
            return cures, form
    return (), ()


def _moves(
    hz: Sequence[float] | NDArray[np.float64],
    tonic_class: int,
    keys: Sequence[int],
    form: tuple[int, ...],
    moved: tuple[int, ...],
) -> Iterator[tuple[float, tuple[Cure, ...]]]:
    """Yield the change in cents, and the cures, if moving the notes `moved` makes the chord pure in `form`."""
    kept = [note for note in range(len(keys)) if note not in moved]
    if not kept or not _agree(hz, keys, form, kept):
        return
    base_hz = float(hz[keys[kept[0]]]) / form[kept[0]]
    cures = [_cure(hz, tonic_class, keys[note], base_hz * form[note]) for note in moved]
    whole = tuple(cure for cure in cures if cure is not None)
    if len(whole) == len(moved):
        yield sum(abs(hz_to_cents(base_hz * form[note], float(hz[keys[note]]))) for note in moved), whole


def _agree(
    hz: Sequence[float] | NDArray[np.float64], keys: Sequence[int], form: Sequence[int], kept: Sequence[int]
) -> bool:
    """Whether the notes that stay are pure among themselves."""
    return all(
        abs(hz_to_cents(float(hz[keys[b]]) * form[a], float(hz[keys[a]]) * form[b])) <= _CURED_CENTS
        for a, b in combinations(kept, 2)
    )


def _cure(
    hz: Sequence[float] | NDArray[np.float64], tonic_class: int, key: int, wanted_hz: float
) -> Cure | None:
    """Express a wanted frequency as a degree of the scale; None if no scale may hold it."""
    degree = (key - tonic_class) % 12
    factor = wanted_hz / float(hz[key - degree])
    ratio = Fraction(factor).limit_denominator(4096)
    exact = abs(math.log(float(ratio) / factor)) < 1e-10
    interval = Interval.of_ratio(ratio) if exact else Interval.of_cents(round(ratio_to_cents(factor), 3))
    try:
        check_degree(degree, interval)
    except ValueProblem:
        return None
    return Cure(degree, interval)
