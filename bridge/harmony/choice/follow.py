"""Following the harmony: for every note the comma that keeps chords pure, while strings and tonic stay put.

Conventions
-----------
The notes are the whole piece, in order of their start. Nothing that sounds moves, all pitches come from one finite set
above home, and the same piece always gets the same answer.

What holds it back
------------------
- A piece is never left less pure than the table has it; where little would be gained, it stays as it is.
- In sparse writing for two voices, melodies matter more than fifths: few moves.
- *The dominant's seventh*: under V7 the degree 4 would be pure at 27/20. It stays at 4/3 where it is held or struck
  again from IV, or into IV, because it wants to fall and IV would follow it upward.

Index
-----
`follow` → `Following` · `FollowOptions` · `Stretch`
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from bridge.errors import ValueProblem, near_names
from bridge.harmony.choice.costs import MEMORY_S, MOVES, Cents, Weights, problem_of
from bridge.harmony.choice.search import MOST_STATES, best_choices, seconds_of
from bridge.harmony.choice.variants import Palette, Variant
from bridge.harmony.measure import Measure, measure
from bridge.harmony.notes import SHORT_S, Columns, Pairs, TimedNote, columns, pairs_of
from bridge.harmony.segments import Segment, segments_of
from bridge.tuning.notes import key_to_hz

WORTH_SHARE = 0.01
"""A gain of less than this leaves the piece alone."""

SPARSE_PART = 0.1
"""Writing in which three or more classes sound together for no more than this part of the time is sparse."""

LONG_S = 3.0
"""A search that takes no longer than this needs no word beforehand."""

_EPSILON = 1e-9
_SAME_CENTS = 0.05
_OFF_CHART = 100.0
"""What it costs a class to sound otherwise than a chart says: more than all but what is forbidden."""


@dataclass(frozen=True)
class Stretch:
    """What there is to choose from, from a time on."""

    start_s: float
    palette: Palette


@dataclass(frozen=True)
class KnownChord:
    """A chord that a chart knows, and the pitches that were found for it."""

    start_s: float
    end_s: float
    offsets_cents: Mapping[int, float]  # how far above the table each of its pitch classes stands


@dataclass(frozen=True)
class FollowOptions:
    """How to follow."""

    moves: str = "some"  # ``few``, ``some`` or ``many``: how readily notes that are struck again move
    # Longest overlap of two strokes of a class that still counts as a new stroke; 0 where a message moves
    # tails too.
    slop_s: float = SHORT_S
    guard: bool = True  # keep the table where following gains too little
    rule_on_4: bool = True  # keep the dominant's seventh at 4/3 after IV
    most_states: int = MOST_STATES  # how large the search may grow
    # When channels are short, in order: from the first time to the second nobody has one to spare.
    crowded_s: tuple[tuple[float, float], ...] = ()
    # Chords that a chart knows, in order: where a note of one sounds, it stands where the chart has it.
    known: tuple[KnownChord, ...] = ()
    # Called with the seconds that a long search will take, before it begins.
    beforehand: Callable[[float], None] | None = None

    def __post_init__(self) -> None:
        if self.moves not in MOVES:
            raise ValueProblem(f"moves {self.moves!r}", near_names(self.moves, MOVES))


@dataclass(frozen=True, eq=False)
class Following:
    """The choice for every note."""

    score: Score  # the piece, how it was cut, and what there was to choose from
    variants: tuple[Variant, ...]  # one for each segment
    offsets_cents: NDArray[np.float64]  # how far each note lies above the table's own pitch; shape (notes,)
    followed: bool  # False where the table was kept as it is
    why: str  # what decided: ``"followed"``, ``"gains too little"`` or ``"nothing to gain"``
    moves: str  # the word that was used: sparse writing takes ``few`` by itself
    # The piece in the table, and as chosen.
    before: Measure
    after: Measure

    @property
    def notes(self) -> tuple[TimedNote, ...]:
        """The piece."""
        return self.score.notes

    @property
    def segments(self) -> tuple[Segment, ...]:
        """How it was cut."""
        return self.score.segments

    @property
    def hz(self) -> NDArray[np.float64]:
        """Frequency of each note as chosen."""
        return self.score.hz(self.offsets_cents)


@dataclass(frozen=True, eq=False)
class Score:
    """A piece made ready to be solved more than once."""

    notes: tuple[TimedNote, ...]
    segments: tuple[Segment, ...]
    palettes: tuple[Palette, ...]
    table: Columns = field(repr=False)
    pairs: Pairs = field(repr=False)

    @property
    def natural_sevenths(self) -> bool:
        """Whether sevenths of the overtone series count as pure."""
        return bool(self.palettes) and self.palettes[0].natural_sevenths

    def base_cents(self) -> NDArray[np.float64]:
        """Where the table has each note, in cents from equal temperament."""
        spread = np.zeros(len(self.notes))
        for segment, palette in self._both():
            for index in segment.notes:
                spread[index] = palette.key_cents[self.notes[index].key]
        return spread

    def hz(self, offsets_cents: NDArray[np.float64] | float = 0.0) -> NDArray[np.float64]:
        """Return the frequency of each note, moved by its offset."""
        equal = np.array([key_to_hz(note.key) for note in self.notes], dtype=np.float64)
        return np.asarray(equal * 2.0 ** ((self.base_cents() + offsets_cents) / 1200.0))

    def measure(
        self, offsets_cents: NDArray[np.float64] | float = 0.0, bars: Sequence[float] = ()
    ) -> Measure:
        """Measure the piece with each note moved by its offset."""
        tonic = self.palettes[0].tonic_class if self.palettes else 0
        return measure(self.notes, self.hz(offsets_cents), bars, tonic, self.natural_sevenths)

    def offsets(self, variants: Sequence[Variant]) -> NDArray[np.float64]:
        """Return each note's offset from the variants of its segments."""
        return self.spread([variant.offset_cents for variant in variants])

    def _both(self) -> zip[tuple[Segment, Palette]]:
        return zip(self.segments, self.palettes, strict=True)

    def spread(self, values: Sequence[float]) -> NDArray[np.float64]:
        """Return for each note what holds for its segment."""
        spread = np.zeros(len(self.notes))
        for segment, value in zip(self.segments, values, strict=True):
            spread[list(segment.notes)] = value
        return spread

    def solve(
        self,
        weights: Weights,
        allowed: Sequence[tuple[Variant, ...]],
        most_states: int = MOST_STATES,
        progress: Callable[[float], None] | None = None,
        crowded_s: Sequence[tuple[float, float]] = (),
        known: Sequence[KnownChord] = (),
        beforehand: Callable[[float], None] | None = None,
    ) -> list[Variant]:
        """Return the best variant of each segment among those allowed."""
        homes = [palette.base_cents[segment.pitch_class] for segment, palette in self._both()]
        choices: list[Cents] = [
            tuple(home + variant.offset_cents for variant in own)
            for home, own in zip(homes, allowed, strict=True)
        ]
        problem = problem_of(
            self.notes,
            self.segments,
            choices,
            homes,
            self.table,
            self.pairs,
            weights,
            self.natural_sevenths,
            crowded_s,
        )
        if known:
            self._prefer(known, problem.unary, allowed)
        problem = replace(problem, most_states=most_states).limited()
        if beforehand is not None and (took_s := seconds_of(problem)) > LONG_S:
            beforehand(took_s)
        chosen = best_choices(problem, progress)
        return [own[index] for own, index in zip(allowed, chosen, strict=True)]

    def _prefer(
        self,
        known: Sequence[KnownChord],
        unary: Sequence[NDArray[np.float64]],
        allowed: Sequence[tuple[Variant, ...]],
    ) -> None:
        """Let every class cost much where it stands elsewhere than the chord has it in which it sounds longest."""
        ends_s = [chord.end_s for chord in known]
        for number, (segment, own) in enumerate(zip(self.segments, allowed, strict=True)):
            longest_s, wanted = 0.0, None
            for chord in known[bisect_right(ends_s, segment.start_s) :]:
                if chord.start_s >= segment.end_s:
                    break
                both_s = min(segment.end_s, chord.end_s) - max(segment.start_s, chord.start_s)
                if both_s > longest_s + _EPSILON:
                    longest_s, wanted = both_s, chord.offsets_cents.get(segment.pitch_class)
            if wanted is None or len(own) < 2:
                continue
            off = np.array([abs(variant.offset_cents - wanted) > _SAME_CENTS for variant in own])
            if not off.all():
                unary[number][off] += _OFF_CHART

    def everything(self) -> list[tuple[Variant, ...]]:
        """Return all variants of each segment."""
        return [palette.classes[segment.pitch_class] for segment, palette in self._both()]


def score_of(
    notes: Sequence[TimedNote], palette: Palette | Sequence[Stretch], slop_s: float = SHORT_S
) -> Score:
    """Make a piece ready: cut it, and lay out what sounds together."""
    segments = segments_of(notes, slop_s)
    stretches = [Stretch(0.0, palette)] if isinstance(palette, Palette) else list(palette)
    if not stretches:
        raise ValueProblem("nothing to choose from", "give a palette, or one from the first bar on")
    stretches.sort(key=lambda stretch: stretch.start_s)
    palettes = []
    place = 0
    for segment in segments:
        while place + 1 < len(stretches) and stretches[place + 1].start_s <= segment.start_s + _EPSILON:
            place += 1
        palettes.append(stretches[place].palette)
    table = columns(notes)
    return Score(tuple(notes), tuple(segments), tuple(palettes), table, pairs_of(table))


def follow(
    notes: Sequence[TimedNote],
    palette: Palette | Sequence[Stretch],
    options: FollowOptions | None = None,
    progress: Callable[[float], None] | None = None,
) -> Following:
    """Choose a variant for every note.

    Parameters
    ----------
    notes : sequence of TimedNote
        The whole piece in order (`bridge.harmony.notes.sorted_notes`).
    palette : Palette, or sequence of Stretch
        What there is to choose from, all through or from certain times on.
    options : FollowOptions, optional
        How to follow.
    progress : callable, optional
        Called with the part that is done, 0 to 1, where a search takes long.
    """
    wanted = options or FollowOptions()
    score = score_of(notes, palette, wanted.slop_s)
    before = score.measure()
    moves = "few" if wanted.moves == "some" and is_sparse(score) else wanted.moves
    allowed = keep_4(score) if wanted.rule_on_4 else score.everything()
    weights = MOVES[moves]
    variants = score.solve(
        weights, allowed, wanted.most_states, progress, wanted.crowded_s, wanted.known, wanted.beforehand
    )
    offsets = score.offsets(variants)
    after = score.measure(offsets)
    if wanted.guard and not _worth(before, after, wanted) and before.share < 1.0:
        # Weights on the simplest intervals may lose what plain counting keeps.
        plain = score.solve(
            replace(weights, plain=True),
            allowed,
            wanted.most_states,
            progress,
            wanted.crowded_s,
            wanted.known,
        )
        other = score.measure(score.offsets(plain))
        # What gains fewer points than it moves repeated notes in 100 sounds worse than the table.
        if other.share > after.share and other.share >= before.share + 0.01 * other.moved:
            variants, offsets, after = plain, score.offsets(plain), other
    if wanted.guard and not _worth(before, after, wanted):
        home = [
            Variant(palette.classes[segment.pitch_class][0].interval, 0.0)
            for segment, palette in score._both()
        ]
        why = "nothing to gain" if before.share >= 1.0 else "gains too little"
        return Following(score, tuple(home), np.zeros(len(notes)), False, why, moves, before, before)
    return Following(score, tuple(variants), offsets, True, "followed", moves, before, after)


def _worth(before: Measure, after: Measure, wanted: FollowOptions) -> bool:
    """Whether a piece gains enough to be changed; natural sevenths gained count too, where nothing else suffers.

    Where a chart is known others play its chords besides: then it is enough that nothing suffers.
    """
    if wanted.known:
        return after.share >= before.share - _EPSILON
    if after.share >= before.share + WORTH_SHARE:
        return True
    return after.share >= before.share - _EPSILON and after.natural >= before.natural + WORTH_SHARE


def is_sparse(score: Score) -> bool:
    """Whether it is writing for two voices: hardly ever do three classes sound together."""
    events = sorted(
        (time, change)
        for segment in score.segments
        for time, change in ((segment.start_s, 1), (segment.end_s, -1))
    )
    sounding, last_s, filled, busy = 0, 0.0, 0.0, 0.0
    for time, change in events:
        busy += (time - last_s) * (sounding > 0)
        filled += (time - last_s) * (sounding > 2)
        sounding += change
        last_s = time
    return busy > 0 and filled / busy <= SPARSE_PART


def keep_4(score: Score) -> list[tuple[Variant, ...]]:
    """Return the variants of each segment, with the degree 4 of V7 held at 4/3 where IV stands next to it."""
    allowed = score.everything()
    together = sounding_together(score)
    last: tuple[int, bool, bool] | None = None
    for index, (segment, palette) in enumerate(score._both()):
        tonic = palette.own_tonic_class
        if segment.pitch_class != (tonic + 5) % 12:
            continue
        sound = together.get(index, [])
        in_v7 = _together(sound, ((tonic + 7) % 12, (tonic + 11) % 12))
        in_iv = any((one.pitch_class - tonic) % 12 in (8, 9) for one in sound) and not any(
            (one.pitch_class - tonic) % 12 == 2 for one in sound
        )
        if in_v7 and in_iv:
            allowed[index] = _low_4(palette, segment.pitch_class, tonic)
        if last is not None and segment.start_s - score.segments[last[0]].end_s <= MEMORY_S:
            before, before_iv, before_v7 = last
            if before_iv and in_v7:
                allowed[index] = _low_4(palette, segment.pitch_class, tonic)
                in_iv = True
            elif before_v7 and in_iv:
                allowed[before] = _low_4(score.palettes[before], segment.pitch_class, tonic)
        last = index, in_iv, in_v7
    return allowed


def _low_4(palette: Palette, pitch_class: int, tonic: int) -> tuple[Variant, ...]:
    """Return the degree 4 a pure fourth above the tonic, and the natural sevenths below that."""
    variants = palette.classes[pitch_class]
    wanted = palette.base_cents[tonic] + palette.classes[tonic][0].offset_cents - 1.955
    plain = min(variants, key=lambda one: abs(palette.base_cents[pitch_class] + one.offset_cents - wanted))
    return plain, *(one for one in variants if _is_natural(one) and one.offset_cents < plain.offset_cents)


def _is_natural(variant: Variant) -> bool:
    ratio = variant.interval.ratio
    return ratio is not None and (ratio.numerator % 7 == 0 or ratio.denominator % 7 == 0)


def sounding_together(score: Score) -> dict[int, list[Segment]]:
    """Return for each segment those that sound together with it in chords for 50 ms or more."""
    owner = np.zeros(len(score.notes), dtype=np.int64)
    for number, segment in enumerate(score.segments):
        owner[list(segment.notes)] = number
    one, other = owner[score.pairs.lower], owner[score.pairs.upper]
    count = len(score.segments)
    codes = np.unique(np.concatenate((one * count + other, other * count + one)))
    found: dict[int, list[Segment]] = {}
    for first, second in zip((codes // count).tolist(), (codes % count).tolist(), strict=True):
        if first != second:
            found.setdefault(first, []).append(score.segments[second])
    return found


def _together(sound: Sequence[Segment], classes: tuple[int, int]) -> bool:
    """Whether two classes sound together among those that sound with a segment."""
    first = [segment for segment in sound if segment.pitch_class == classes[0]]
    second = [segment for segment in sound if segment.pitch_class == classes[1]]
    return any(
        min(one.end_s, other.end_s) - max(one.start_s, other.start_s) >= SHORT_S
        for one in first
        for other in second
    )
