"""Chords of a table: how pure each is, what beats, and what would cure it.

Conventions
-----------
A chord is judged in close root position, its root the first key from `LOWEST_ROOT_KEY` (C3) upward. Every pair of its
notes is judged by itself, alike in every chord; the words for the whole (pure, calm, tempered, rough, sour) stand in
`bridge.tuning.chords.purity`. `impurity_cents` is positive where an interval is wide. Beats are those that sound: of
the first partials that nearly coincide (`bridge.tuning.beats.main_pair`). The names of its notes are spelled by the
chord. What would cure it stands in `bridge.tuning.chords.cures`.

Sources
-------
The pure forms stand in `bridge.tuning.chords.kinds`, the small ratios and limits in `bridge.tuning.chords.purity`. That
the dominant's seventh falls by a step: common practice.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from bridge.errors import ValueProblem
from bridge.tuning.beats import beat_rate_hz, main_pair
from bridge.tuning.chords.cures import Cure, find_cures, still_pure
from bridge.tuning.chords.kinds import KINDS, ChordKind
from bridge.tuning.chords.names import bass_of, parse_chord
from bridge.tuning.chords.purity import CONSONANT, nearest_small, verdict
from bridge.tuning.chords.spelling import spell_chord, spell_root, with_octave
from bridge.tuning.notes import parse_pitch_class
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.scales import DEGREES

if TYPE_CHECKING:
    from bridge.tuning.tables import Table

AGREES_CENTS = 0.5
"""A string so near to the table's note agrees with it."""

LOWEST_ROOT_KEY = 48

_NUMERALS = ("I", "bII", "II", "bIII", "III", "IV", "#IV", "V", "bVI", "VI", "bVII", "VII")
_MAJOR = frozenset((0, 2, 4, 5, 7, 9, 11))
_MINOR = frozenset((0, 2, 3, 5, 7, 8, 10, 11))
_COMMON = ((0, "I"), (2, "ii"), (4, "iii"), (5, "IV"), (7, "V"), (9, "vi"))


@dataclass(frozen=True)
class ChordInterval:
    """One interval of a chord, from the lower to the upper note."""

    lower_key: int  # MIDI keys of the two notes
    upper_key: int
    cents: float  # its size in the table
    # The small ratio it is measured against; None for a second, tritone or seventh that is as the scale has it.
    pure: Fraction | None
    impurity_cents: float | None  # how much wider (negative: narrower) than that ratio it is
    # Beats of its first partials that nearly coincide, which is what sounds; None where none do.
    beats_hz: float | None

    @property
    def semitones(self) -> int:
        """Keys between its notes."""
        return self.upper_key - self.lower_key

    @property
    def consonant(self) -> bool:
        """Whether it is a third, fourth, fifth or sixth: these can stand still."""
        return self.semitones % 12 in CONSONANT


@dataclass(frozen=True)
class Chord:
    """A chord of a table, judged."""

    kind: ChordKind  # what it is
    degree: int  # degree of its root, 0 to 11
    name: str  # such as ``"Em7"``
    numeral: str  # such as ``"ii7"``
    keys: tuple[int, ...]  # MIDI keys in close root position
    notes: tuple[str, ...]  # their names, spelled by the chord
    form: tuple[int, ...]  # the whole numbers in which it stands; empty unless it is pure
    intervals: tuple[ChordInterval, ...]  # every pair of its notes
    verdict: str  # ``pure``, ``calm``, ``tempered``, ``rough`` or ``sour``
    # Degree changes that together cure it; empty if it is pure, or where there is no simple one.
    cures: tuple[Cure, ...]
    # Common triads of the major scale (``V``) that are pure now, and would not be with the cures.
    costs: tuple[str, ...]
    cured_by_tonic: bool  # whether a table with the chord's root as its tonic would have it pure

    @property
    def root(self) -> str:
        """Name of its root, without octave."""
        return self.notes[0].rstrip("-0123456789")

    @property
    def cure(self) -> str:
        """What would cure it, in words: ``2=10/9 (costs V)``; empty if it is pure, or if nothing simple would."""
        if self.verdict == "pure":
            return ""
        changes = ", ".join(map(str, self.cures))
        moves = " and ".join(cure.moves for cure in self.cures if cure.moves)
        but = [f"moves {moves}"] * bool(moves) + [f"costs {', '.join(self.costs)}"] * bool(self.costs)
        changes += f" ({'; '.join(but)})" if but else ""
        if self.seventh_stays:
            return f"leave 4, which falls to 3; else {changes}"
        if self.cured_by_tonic and (moves or not changes):
            return f"tonic {self.root}, or {changes}" if changes else f"tonic {self.root}"
        return changes or ("" if self.kind.pure or self.kind.calm else "none: it has no pure form")

    @property
    def seventh_stays(self) -> bool:
        """Whether it is the dominant's seventh alone that a cure would raise: a note that wants to fall.

        Raised to 27/20 it would be a comma above the same note of IV; it is allowed where no IV is near.
        """
        seventh = self.kind.semitones[1:2] == (4,) and 10 in self.kind.semitones
        return self.degree == 7 and seventh and [cure.degree for cure in self.cures] == [5]

    @property
    def has_pure_form(self) -> bool:
        """Whether a chord of its kind can be pure at all."""
        return bool(self.kind.pure)

    @property
    def worst(self) -> ChordInterval:
        """The third, fourth, fifth or sixth that is furthest off."""
        return max(
            (interval for interval in self.intervals if interval.consonant),
            key=lambda one: abs(one.impurity_cents or 0.0),
        )

    @property
    def beats_hz(self) -> float:
        """The fastest beats among its thirds, fourths, fifths and sixths."""
        return max(one.beats_hz for one in self.intervals if one.consonant and one.beats_hz is not None)

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

    number: int  # the string
    key: int  # MIDI key of its note as it sounds
    note: str  # its name
    cents: float  # how far the string lies above the table's note
    beats_hz: float  # beats per second of the string against that note


def judge_chords(
    hz: Sequence[float] | NDArray[np.float64],
    tonic: str,
    kinds: Iterable[ChordKind] = KINDS,
    lowest_root_key: int = LOWEST_ROOT_KEY,
    strings: Mapping[int, tuple[int, ...]] | None = None,
) -> tuple[Chord, ...]:
    """Judge chords of every given kind on all twelve degrees of a table.

    ValueProblem if there are not 128 frequencies above zero, or the tonic or lowest root is none.

    Parameters
    ----------
    hz : sequence of float, length 128
        Frequency of every key.
    tonic : str
        Name of the tonic as it sounds; degrees count from it and it decides the spelling of roots.
    kinds : iterable of ChordKind
        `TRIADS`, `SEVENTHS`, or any.
    lowest_root_key : int
        Roots are the first keys of their degree from here upward, 12 to 104.
    strings : mapping of int to tuple of int, optional
        Pitch classes of open strings, and which strings sound them: cures keep away from these.

    Returns
    -------
    tuple of Chord
        By kind, and within a kind from the tonic upward.
    """
    return tuple(
        judge_chord(hz, tonic, degree, kind, lowest_root_key, strings)
        for kind in kinds
        for degree in range(len(DEGREES))
    )


def judge_table(
    table: Table, named: Iterable[tuple[int, ChordKind]] | None = None, kinds: Iterable[ChordKind] = KINDS
) -> tuple[Chord, ...]:
    """Judge the chords of a table, or those `named` by degree and kind; its open strings are looked after."""
    strings = {
        string.key % 12: tuple(one.number for one in table.strings if (one.key - string.key) % 12 == 0)
        for string in table.strings
    }
    if named is None:
        return judge_chords(table.hz, table.tonic, kinds, strings=strings)
    return tuple(
        judge_chord(table.hz, table.tonic, degree, kind, strings=strings)
        for degree, kind in dict.fromkeys(named)
    )


def judge_named(table: Table, names: Iterable[str]) -> tuple[Chord, ...]:
    """Judge chords of a table by name (``Em7``, ``D/F#``) or degree (``ii7``), in the order named, each once.

    A bass behind a slash stays in the name; the chord is judged in root position.
    ValueProblem if a name names no chord.
    """
    found: dict[str, Chord] = {}
    for name in names:
        (chord,) = judge_table(table, [parse_chord(name, table.tonic)])
        if bass := bass_of(name):
            chord = replace(chord, name=f"{chord.name}/{bass}")
        found.setdefault(chord.name, chord)
    return tuple(found.values())


def judge_chord(
    hz: Sequence[float] | NDArray[np.float64],
    tonic: str,
    degree: int,
    kind: ChordKind,
    lowest_root_key: int = LOWEST_ROOT_KEY,
    strings: Mapping[int, tuple[int, ...]] | None = None,
) -> Chord:
    """Judge one chord; parameters as in `judge_chords`, `degree` from 0 (the tonic) to 11."""
    _check(hz, degree, lowest_root_key)
    tonic_class = parse_pitch_class(tonic)
    keys = _keys(tonic_class, degree, kind, lowest_root_key)
    intervals = _intervals(hz, keys)
    word = _verdict(intervals)
    root = spell_root(keys[0] % 12, tonic, leading=kind.semitones[:3] == (0, 3, 6))
    names = spell_chord(root, kind.semitones)
    cures: tuple[Cure, ...] = ()
    costs: tuple[str, ...] = ()
    by_tonic = False
    if word != "pure":
        cures = find_cures(hz, tonic_class, keys, kind, word, strings or {})
        costs = costs_of(hz, tonic_class, cures)
        home = _intervals(hz, _keys(tonic_class, 0, kind, lowest_root_key))
        by_tonic = degree != 0 and _verdict(home) == "pure"
    numeral = _NUMERALS[degree]
    return Chord(
        kind=kind,
        degree=degree,
        name=root + kind.suffix,
        numeral=(_lower(numeral) if kind.lower else numeral) + kind.numeral_suffix,
        keys=keys,
        notes=tuple(with_octave(name, key) for name, key in zip(names, keys, strict=True)),
        form=_form(intervals, keys) if word == "pure" else (),
        intervals=intervals,
        verdict=word,
        cures=cures,
        costs=costs,
        cured_by_tonic=by_tonic,
    )


def contradicted_strings(table: Table) -> tuple[ContradictedString, ...]:
    """Return the strings that sound more than `AGREES_CENTS` away from the table's note, last string first."""
    return tuple(
        ContradictedString(
            string.number,
            string.key,
            string.note,
            string.cents_from_table,
            abs(string.hz - float(table.hz[string.key])),
        )
        for string in table.strings
        if abs(string.cents_from_table) > AGREES_CENTS
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


def _keys(tonic_class: int, degree: int, kind: ChordKind, lowest_root_key: int) -> tuple[int, ...]:
    root_key = lowest_root_key + (tonic_class + degree - lowest_root_key) % 12
    return tuple(root_key + step for step in kind.semitones)


def _intervals(hz: Sequence[float] | NDArray[np.float64], keys: Sequence[int]) -> tuple[ChordInterval, ...]:
    return tuple(_interval(hz, low, high) for low, high in combinations(keys, 2))


def _interval(hz: Sequence[float] | NDArray[np.float64], low: int, high: int) -> ChordInterval:
    low_hz, high_hz = float(hz[low]), float(hz[high])
    cents = hz_to_cents(high_hz, low_hz)
    found = nearest_small(high - low, cents)
    if found is not None and (high - low) % 12 in CONSONANT:
        beats_hz: float | None = beat_rate_hz(low_hz, high_hz, found[0].numerator, found[0].denominator)
    else:
        pair = main_pair(low_hz, high_hz)
        beats_hz = None if pair is None else pair.beats_hz
    ratio, off_cents = found or (None, None)
    return ChordInterval(low, high, cents, ratio, off_cents, beats_hz)


def _verdict(intervals: Iterable[ChordInterval]) -> str:
    return verdict((one.semitones, one.impurity_cents) for one in intervals)


def _form(intervals: Iterable[ChordInterval], keys: Sequence[int]) -> tuple[int, ...]:
    """Return the whole numbers of a pure chord."""
    above_root = [Fraction(1)]
    above_root += [one.pure for one in intervals if one.lower_key == keys[0] and one.pure is not None]
    least = math.lcm(*(ratio.denominator for ratio in above_root))
    return tuple(int(ratio * least) for ratio in above_root)


def costs_of(
    hz: Sequence[float] | NDArray[np.float64], tonic_class: int, cures: Sequence[Cure]
) -> tuple[str, ...]:
    """Name the common triads that are pure now, and would not be after the cures."""
    if not cures:
        return ()
    after = [float(one) for one in hz]
    for cure in cures:
        for key in range(128):
            degree = (key - tonic_class) % 12
            if degree == cure.degree and key >= degree:
                after[key] = float(hz[key - degree]) * cure.interval.factor
    lost = []
    for degree, numeral in _COMMON:
        kind = KINDS[numeral.islower()]
        keys = _keys(tonic_class, degree, kind, LOWEST_ROOT_KEY)
        if still_pure(hz, keys) and not still_pure(after, keys):
            lost.append(numeral)
    return tuple(lost)
