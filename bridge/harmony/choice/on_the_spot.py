"""Following live: the variant of a note in the moment it is struck, from what sounded so far.

Conventions
-----------
Times are given by the caller; they never go back. A note sounds at once, as the chord so far suggests. For `window_s`
after its class began (at low notes four periods, before the ear has a pitch) it may still be corrected, when further
notes of the chord arrive; after that it never moves while it sounds. A new stroke of a class that still sounds takes
the pitch that sounds. Within a section a chord that was pure is drawn to sound as it did the first time: one that
changes by a comma when it returns disturbs singers. Nothing is learnt beyond that. A chart that is known limits the
notes of its chord to the pitches that were found beforehand (`OnTheSpot.limit`).

The choice weighs what `bridge.harmony.choice.costs` weighs, with a length that is not known yet (`EXPECTED_S`), over
all notes that may still be corrected, exactly. What is left out is that leaps by octaves of the outer voices weigh
more: over 31 real files it would spare 7 of 78 leaps that come out a comma wide (of 1735), and cost 0.1 points of the
share that is pure.

Index
-----
`OnTheSpot` → `Chosen`, `Correction`
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bridge.harmony.choice.costs import (
    COMMA_CENTS,
    FORBIDDEN,
    MAX_INTERVAL_CENTS,
    MEMORY_S,
    MOVES,
    NEIGHBOURS_S,
    Weights,
)
from bridge.harmony.choice.variants import Palette, Variant
from bridge.harmony.intervals import loss, nearest, weight
from bridge.tuning.chords.purity import CONSONANT
from bridge.tuning.notes import key_to_hz

WINDOW_S = 0.04
PERIODS = 4.0
_AWAY = 0.02
"""What a comma away from the table's own pitch costs."""

EXPECTED_S = 1.0
"""How long a note is expected to sound, before that is known."""

_TOGETHER = EXPECTED_S**2 / (EXPECTED_S + 0.12)
_MOST_SOFT = 6
_REMEMBERED = 0.1
"""What it costs a class of a known chord to sound otherwise than the first time."""

_OFF_CHART = 50.0
"""What it costs a class to sound otherwise than a chart says: more than anything else but what is forbidden."""

_PURE_COST = 0.03
_CONTEXT = 0.05
"""What an interval with a class that has just ended weighs, beside one that sounds."""


@dataclass(frozen=True, slots=True)
class Correction:
    """A class that sounds, and is moved because the chord turned out otherwise."""

    pitch_class: int
    offset_cents: float


@dataclass(frozen=True, slots=True)
class Chosen:
    """What a stroke brings."""

    # The variant of the note that was struck; its `offset_cents` is counted from the table's own pitch.
    variant: Variant
    corrections: tuple[Correction, ...]  # other classes that sound and may still move, and do


class OnTheSpot:
    """Chooses variants as notes arrive; one instance for each player, not for several threads at once.

    Parameters
    ----------
    palette : Palette
        What there is to choose from; pinned classes stay where they are.
    window_s : float
        How long a note may still be corrected; 0 for never.
    moves : str
        ``few``, ``some`` or ``many``, as in `bridge.harmony.choice.follow`.
    """

    def __init__(self, palette: Palette, window_s: float = WINDOW_S, moves: str = "some") -> None:
        self.window_s = window_s
        self.weights: Weights = MOVES[moves]
        self._known: dict[tuple[int, ...], dict[int, int]] = {}
        self._held: list[list[int]] = [[] for _ in range(12)]  # keys that sound, by class
        self._index = [0] * 12
        self._last_index: list[int | None] = [None] * 12
        self._began_s = [-math.inf] * 12
        self._settles_s = [-math.inf] * 12
        self._ended_s = [-math.inf] * 12
        self._last_part: list[int] = [-1] * 12
        self._only: dict[int, int] = {}
        self.use(palette)

    def use(self, palette: Palette) -> None:
        """Choose from another palette from now on; what sounds stays, known chords are forgotten."""
        self.palette = palette
        self._offsets = [[variant.offset_cents for variant in variants] for variants in palette.classes]
        self._pairs = _pair_costs(palette)
        self._away = [[_AWAY * abs(cents) / COMMA_CENTS for cents in own] for own in self._offsets]
        self._index = [
            min(index, len(own) - 1) for index, own in zip(self._index, self._offsets, strict=True)
        ]
        self._last_index = [None] * 12
        self._only = {}
        self._known.clear()

    def limit(self, only: Mapping[int, int], now_s: float) -> tuple[Correction, ...]:
        """Take the one choice that classes have from now on: a chord of a chart begins.

        Parameters
        ----------
        only : mapping
            The number of a class's choice, by pitch class; classes that are not in it are free.

        Returns
        -------
        tuple of Correction
            What has only just begun, and is moved: hands are often a little ahead of their chord.
        """
        self._only = dict(only)
        soft = [one for one in range(12) if self._held[one] and self._settles_s[one] >= now_s]
        return self._corrected(self._choose(soft, -1, now_s, -1)) if soft else ()

    def _corrected(self, chosen: Mapping[int, int]) -> tuple[Correction, ...]:
        found = []
        for one, index in chosen.items():
            if index != self._index[one]:
                self._index[one] = index
                found.append(Correction(one, self._offsets[one][index]))
        return tuple(found)

    def new_section(self) -> None:
        """Forget how chords sounded."""
        self._known.clear()

    def sounding(self) -> tuple[int, ...]:
        """Return the classes that sound."""
        return tuple(one for one in range(12) if self._held[one])

    def note_on(self, now_s: float, key: int, part: int = 0) -> Chosen:
        """Take a stroke and return what it brings."""
        struck = key % 12
        fresh = not self._held[struck]
        self._held[struck].append(key)
        if fresh:
            self._began_s[struck] = now_s
            wait_s = max(self.window_s, PERIODS / key_to_hz(key)) if self.window_s > 0 else -math.inf
            self._settles_s[struck] = now_s + wait_s
        soft = [
            one for one in range(12) if self._held[one] and self._settles_s[one] >= now_s and one != struck
        ]
        if len(soft) >= _MOST_SOFT:
            soft = sorted(soft, key=lambda one: self._began_s[one])[-_MOST_SOFT + 1 :]
        if fresh or self._settles_s[struck] >= now_s:
            soft.append(struck)
        chosen = self._choose(soft, struck if fresh else -1, now_s, part)
        corrections = self._corrected(chosen)
        if fresh:
            self._last_part[struck] = part
            corrections = tuple(one for one in corrections if one.pitch_class != struck)
        return Chosen(self.palette.classes[struck][self._index[struck]], corrections)

    def hold(self, key: int, offset_cents: float = 0.0) -> None:
        """Take a note that sounds already, so far above the table: it stays there."""
        own = self._offsets[key % 12]
        self._held[key % 12].append(key)
        self._index[key % 12] = min(range(len(own)), key=lambda index: abs(own[index] - offset_cents))

    def note_off(self, now_s: float, key: int) -> None:
        """Take the end of a note: its key is up and no pedal holds it."""
        keys = self._held[key % 12]
        if key not in keys:
            return
        # What sounded together until now is how this chord sounds.
        classes = self.sounding()
        if len(classes) > 2 and classes not in self._known and self._is_pure(classes):
            self._known[classes] = {one: self._index[one] for one in classes}
        keys.remove(key)
        if not keys:
            self._ended_s[key % 12] = now_s
            self._last_index[key % 12] = self._index[key % 12]

    def _is_pure(self, classes: Sequence[int]) -> bool:
        """Whether all thirds, fourths, fifths and sixths of what sounds are pure."""
        return all(
            self._pairs[one][other][self._index[one]][self._index[other]] < _PURE_COST
            for one in classes
            for other in classes
            if one < other and (other - one) % 12 in CONSONANT
        )

    def _choose(self, soft: Sequence[int], struck: int, now_s: float, part: int) -> dict[int, int]:
        """Return the best choice for the classes that may still move, all else standing still."""
        firm = [one for one in range(12) if self._held[one] and one not in soft]
        known = self._known.get(self.sounding())
        own: list[list[float]] = []
        for one in soft:
            costs = list(self._away[one])
            low = self._held[one][0]
            for other in firm:
                table = self._pairs[one][other]
                there = self._index[other]
                near = _TOGETHER * (1.25 if min(low, self._held[other][0]) < 48 else 1.0)
                for index in range(len(costs)):
                    costs[index] += near * table[index][there]
            self._add_past(one, costs, now_s, part if one == struck else self._last_part[one])
            only = self._only.get(one)
            if only is not None:
                for index in range(len(costs)):
                    if index != only:
                        costs[index] += _OFF_CHART
            if known is not None:
                for index in range(len(costs)):
                    if index != known[one]:
                        costs[index] += _REMEMBERED
            own.append(costs)
        best, _ = self._search(soft, own)
        return dict(zip(soft, best, strict=True))

    def _add_past(self, one: int, costs: list[float], now_s: float, part: int) -> None:
        """Add what the past says about a class: where it was, and what has just ended."""
        gap = self._began_s[one] - self._ended_s[one]
        last = self._last_index[one]
        if last is not None and gap <= MEMORY_S:
            kin = self.weights.again * math.exp(-gap) * (1.0 if part == self._last_part[one] else 0.4)
            was = self._offsets[one][last]
            for index, cents in enumerate(self._offsets[one]):
                moved = abs(cents - was)
                costs[index] += kin * min(moved / COMMA_CENTS, 1.5)
                if moved > self.weights.again_limit_cents + 0.01 and gap <= NEIGHBOURS_S:
                    costs[index] += FORBIDDEN
        for other in range(12):
            before = self._last_index[other]
            ago = now_s - self._ended_s[other]
            if before is None or self._held[other] or ago > NEIGHBOURS_S or other == one:
                continue
            near = _CONTEXT * math.exp(-ago / 0.4)
            table = self._pairs[one][other]
            for index in range(len(costs)):
                costs[index] += near * min(table[index][before], 1.0)

    def _search(self, soft: Sequence[int], own: Sequence[Sequence[float]]) -> tuple[tuple[int, ...], float]:
        """Try all choices of a few classes, leaving off whatever is already dearer than the best."""
        best: tuple[int, ...] = ()
        least = math.inf
        chosen = [0] * len(soft)

        def place(depth: int, cost: float) -> None:
            nonlocal best, least
            if cost >= least:
                return
            if depth == len(soft):
                best, least = tuple(chosen), cost
                return
            mine = self._pairs[soft[depth]]
            earlier = [(mine[soft[other]], chosen[other]) for other in range(depth)]
            for index, alone in enumerate(own[depth]):
                more = alone
                for table, there in earlier:
                    more += _TOGETHER * table[index][there]
                chosen[depth] = index
                place(depth + 1, cost + more)

        place(0, 0.0)
        return best, least


def _pair_costs(palette: Palette) -> list[list[list[list[float]]]]:
    """Return the annoyance of every two classes for each choice of both: [one][other][index][index]."""
    tables: list[list[list[list[float]]]] = []
    for one in range(12):
        row: list[list[list[float]]] = []
        for other in range(12):
            semitones = (other - one) % 12
            table = []
            for low in palette.classes[one]:
                line = []
                for high in palette.classes[other]:
                    rise = (
                        palette.base_cents[other]
                        + high.offset_cents
                        - palette.base_cents[one]
                        - low.offset_cents
                    )
                    ratio, error = nearest(
                        semitones, 100.0 * semitones + rise, palette.natural_sevenths, aims=True
                    )
                    cost = weight(ratio) * loss(semitones, error) if semitones else 0.0
                    if semitones in CONSONANT and abs(error) > MAX_INTERVAL_CENTS:
                        cost += FORBIDDEN
                    line.append(cost)
                table.append(line)
            row.append(table)
        tables.append(row)
    return tables
