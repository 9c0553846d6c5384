"""Why a bar is not pure, in a musician's words, found by solving it again with less to hold it.

How a reason is found
---------------------
For every chord of a bar in which a third, fourth, fifth or sixth is off:

==================  ================================================================================================
kind                what was found
==================  ================================================================================================
``no pure form``    impure even if every note were free: its intervals contradict each other
``held string``     pure with the tonic alone held: an open string has the note
``held note``       pure only if notes that sound on from one chord into the next were free
``dominant``        the degree 4 stays a pure fourth under the dominant's seventh
``melody``          pure if nothing had to be kept steady for notes that are struck again and for melodies
``small gain``      it could be pure, but the piece as a whole gains too little and keeps its table
``out of reach``    pure only at pitches that are none of the variants
==================  ================================================================================================

Index
-----
`explain` → `BarReason` (`Reason`) · `moved_notes` → `MovedNote`
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations, pairwise

import numpy as np
from numpy.typing import NDArray

from bridge.harmony.choice.costs import MOVES, Weights
from bridge.harmony.choice.follow import Following, keep_4
from bridge.harmony.choice.variants import Palette, Variant
from bridge.harmony.heard.chords import name_sounding
from bridge.harmony.intervals import nearest
from bridge.harmony.measure import AGAIN_S, BarPurity
from bridge.harmony.notes import SHORT_S
from bridge.harmony.why.forms import has_pure_form, reaches
from bridge.tuning.chords.names import ChordName
from bridge.tuning.chords.purity import CONSONANT, PURE_CENTS
from bridge.tuning.notes import note_name, parse_pitch_class, pitch_class_name

FREE = Weights(0.0, 0.0, again_limit_cents=1200.0, broken=0.0)
"""Nothing has to be kept steady."""

_ORDINALS = ("", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")
_KEPT_EQUAL = {
    "aug": " (by up to 41 cents; kept equal, each of its thirds is 13.7 cents off)",
    "dim": " (by up to 41 cents; kept equal, each of its thirds is 15.6 cents off)",
}


@dataclass(frozen=True)
class Reason:
    """Why a chord is not pure."""

    kind: str  # one of the words of this module's table
    chord: str  # name of the chord; empty where it has none
    # Which notes it hangs on: those that are held, or the two of the interval that is off.
    notes: tuple[str, ...]
    strings: tuple[int, ...]  # open strings that hold them
    text: str  # a sentence for a musician
    # When the chord sounds.
    start_s: float
    end_s: float


@dataclass(frozen=True)
class BarReason:
    """A bar that is not pure, and why."""

    bar: int  # the bar, from 1
    purity: BarPurity  # how pure it is
    reasons: tuple[Reason, ...]  # one for each kind and chord, those that sound longest first


@dataclass(frozen=True)
class MovedNote:
    """A note that is struck again at another pitch within a second."""

    start_s: float  # when it is struck again
    note: str
    part: int  # whose note it is
    cents: float  # how far it moves up (negative: down)


@dataclass(frozen=True)
class _Slice:
    """What sounds while no note begins or ends."""

    start_s: float
    end_s: float
    segments: tuple[int, ...]
    notes: tuple[int, ...]


def explain(following: Following, bar_starts_s: Sequence[float]) -> tuple[BarReason, ...]:
    """Say of every bar that is not pure why it is not.

    Parameters
    ----------
    following : Following
        The piece as it was followed, or as the table was kept.
    bar_starts_s : sequence of float
        When each bar begins.
    """
    score = following.score
    measured = score.measure(following.offsets_cents, bar_starts_s)
    impure = [bar for bar in measured.bars if bar.worst is not None]
    if not impure:
        return ()
    judge = _Judge(following)
    found = []
    for bar in impure:
        begin = bar_starts_s[bar.bar - 1]
        end = bar_starts_s[bar.bar] if bar.bar < len(bar_starts_s) else float("inf")
        reasons: dict[tuple[str, str], Reason] = {}
        lasting: dict[tuple[str, str], float] = {}
        for piece in judge.slices(begin, end):
            if (reason := judge.reason(piece)) is None:
                continue
            place = reason.kind, reason.chord
            reasons.setdefault(place, reason)
            lasting[place] = lasting.get(place, 0.0) + piece.end_s - piece.start_s
        order = sorted(reasons, key=lambda place: (-lasting[place], reasons[place].start_s))
        found.append(BarReason(bar.bar, bar, tuple(reasons[place] for place in order)))
    return tuple(found)


def moved_notes(following: Following) -> tuple[MovedNote, ...]:
    """List every note that is struck again, by the same part within a second, at another pitch."""
    last: dict[tuple[int, int], int] = {}
    found = []
    for index, note in enumerate(following.notes):
        before = last.get((note.part, note.key))
        if before is not None and note.start_s - following.notes[before].end_s <= AGAIN_S:
            cents = float(following.offsets_cents[index] - following.offsets_cents[before])
            if abs(cents) > PURE_CENTS:
                tonic = following.score.palettes[0].tonic
                found.append(MovedNote(note.start_s, note_name(note.key, tonic), note.part, cents))
        last[note.part, note.key] = index
    return tuple(found)


class _Judge:
    """Solves a piece again with less, once each, and looks at single chords."""

    def __init__(self, following: Following) -> None:
        self.following = following
        self.score = following.score
        self.offsets = following.offsets_cents
        self.owner = {index: number for number, one in enumerate(self.score.segments) for index in one.notes}
        self._known: dict[tuple[object, ...], bool] = {}

    @cached_property
    def base_cents(self) -> NDArray[np.float64]:
        """Where the table has each note."""
        return self.score.base_cents()

    @cached_property
    def as_asked(self) -> NDArray[np.float64]:
        """The piece as it would be followed, were there no guard."""
        return self._solved(MOVES[self.following.moves], keep_4(self.score))

    @cached_property
    def without_rule(self) -> NDArray[np.float64]:
        """The piece without the rule on the degree 4."""
        return self._solved(MOVES[self.following.moves], self.score.everything())

    @cached_property
    def free(self) -> NDArray[np.float64]:
        """The piece as if nothing had to be kept steady."""
        return self._solved(FREE, self.score.everything())

    def _solved(self, weights: Weights, allowed: Sequence[tuple[Variant, ...]]) -> NDArray[np.float64]:
        return self.score.offsets(self.score.solve(weights, allowed))

    def slices(self, begin: float, end: float) -> list[_Slice]:
        """Cut a stretch wherever a note of a chord begins or ends."""
        notes = self.score.notes
        inside = [
            index
            for index, note in enumerate(notes)
            if note.in_chords and note.start_s < end and note.end_s > begin
        ]
        cuts = {
            min(max(at, begin), end) for index in inside for at in (notes[index].start_s, notes[index].end_s)
        }
        found = []
        for first, last in pairwise(sorted(cuts)):
            here = [
                index
                for index in inside
                if notes[index].start_s <= first + 1e-9 and notes[index].end_s >= last - 1e-9
            ]
            segments = tuple(sorted({self.owner[index] for index in here}))
            if len(segments) > 1 and last - first >= SHORT_S - 1e-9:
                found.append(_Slice(first, last, segments, tuple(here)))
        return found

    def reason(self, piece: _Slice) -> Reason | None:
        """Say why a slice is not pure; None if it is."""
        worst = self._off(piece, self.offsets)
        if worst is None:
            return None
        palette = self.score.palettes[piece.segments[0]]
        named = self._named(piece)
        chord = "" if named is None else str(named)
        spelled = {} if named is None else {parse_pitch_class(note): note for note in named.notes}
        off = tuple(spelled.get(one, pitch_class_name(one, palette.tonic)) for one in worst)
        classes = frozenset(self.score.segments[number].pitch_class for number in piece.segments)
        told, pair = chord or "this chord", "-".join(off)
        notes: Sequence[str] = off
        strings: Sequence[int] = ()
        if not self._asked(("form", classes), lambda: has_pure_form(classes, palette.natural_sevenths)):
            kind, text = (
                "no pure form",
                f"{chord}{': ' if chord else ''}this chord has no pure form; {pair} must beat",
            )
            text += next((more for word, more in _KEPT_EQUAL.items() if word in told), "")
        elif not self._reaches(palette, classes):
            kind, text, notes, strings = self._unreachable(palette, classes, told, off)
        elif not self.following.followed and self._off(piece, self.as_asked) is None:
            kind, text = "small gain", f"{told}: {pair} beats; the piece gains too little to leave its table"
        elif self._off(piece, self.free) is not None and (held := self._held(piece, worst)):
            notes = [self._name(number) for number in held]
            who = " and ".join(notes)
            where = self._from_to(held[0])
            verb = "are" if len(notes) > 1 else "is"
            kind, text = "held note", f"{who} {verb} held {where}: the comma must beat, or {who} must move"
        elif self._off(piece, self.without_rule) is None:
            kind = "dominant"
            text = f"{told}: {pair} beats; the 4 stays a pure fourth, because it comes from IV or goes there"
        else:
            kind, text = "melody", f"{told}: {pair} beats; kept steady for the melody"
        return Reason(kind, chord, tuple(notes), tuple(strings), text, piece.start_s, piece.end_s)

    def _unreachable(
        self, palette: Palette, classes: frozenset[int], told: str, off: tuple[str, ...]
    ) -> tuple[str, str, Sequence[str], Sequence[int]]:
        """Say what stands in the way where no choice is pure beside what is held: kind, text, notes, strings."""
        here = [pin for pin in palette.pins if pin.pitch_class in classes]
        single = [
            pin
            for pin in here
            if self._reaches(
                palette.unpinned([one.pitch_class for one in palette.pins if one is not pin]), classes
            )
        ]
        pair = "-".join(off)
        if not single and not self._reaches(palette.unpinned(), classes):
            return (
                "out of reach",
                f"{told}: {pair} beats; it lies too far from the tonic to be made pure",
                off,
                (),
            )
        pins = single or here
        names = [pitch_class_name(pin.pitch_class, palette.tonic) for pin in pins]
        strings = sorted({number for pin in pins for number in pin.strings}, reverse=True)
        if not strings:
            stays = f"{' and '.join(names)} must stay where the table has it"
            return "held string", f"{told}: {pair} beats; {stays}", names, ()
        words = " and ".join(
            _ORDINALS[number] if number < len(_ORDINALS) else f"{number}th" for number in strings
        )
        hold = "strings hold" if len(strings) > 1 else "string holds"
        return (
            "held string",
            f"{told}: {pair} beats; your {words} {hold} {' and '.join(names)}",
            names,
            strings,
        )

    def _off(self, piece: _Slice, offsets: NDArray[np.float64]) -> tuple[int, int] | None:
        """Return the classes of the interval of a slice that is furthest off; None if all are pure."""
        worst, classes = PURE_CENTS, None
        notes = self.score.notes
        for one, other in combinations(piece.notes, 2):
            lower, upper = (one, other) if notes[one].key <= notes[other].key else (other, one)
            semitones = notes[upper].key - notes[lower].key
            if semitones % 12 not in CONSONANT:
                continue
            rise = self.base_cents[upper] + offsets[upper] - self.base_cents[lower] - offsets[lower]
            error = abs(nearest(semitones, 100.0 * semitones + float(rise), self.score.natural_sevenths)[1])
            if error > worst + 1e-6:
                worst = error
                classes = notes[lower].key % 12, notes[upper].key % 12
        return classes

    def _held(self, piece: _Slice, worst: tuple[int, int]) -> list[int]:
        """Return the segments of a slice that sound on from another chord, or into one: those most to blame."""
        segments = self.score.segments
        begin = max(segments[number].start_s for number in piece.segments)
        end = min(segments[number].end_s for number in piece.segments)
        tied = [
            number
            for number in piece.segments
            if segments[number].start_s < begin - SHORT_S or segments[number].end_s > end + SHORT_S
        ]
        pinned = self.score.palettes[piece.segments[0]].pinned
        free = [number for number in tied if segments[number].pitch_class not in pinned] or tied
        early = [number for number in free if segments[number].start_s < piece.start_s - SHORT_S]
        return [number for number in early if segments[number].pitch_class in worst] or early or free

    def _from_to(self, number: int) -> str:
        """Say from which chord into which a segment is held."""
        segment = self.score.segments[number]
        named = [self._named(one) for one in self.slices(segment.start_s, segment.end_s)]
        told = [str(name) for name in named if name is not None]
        return f"from {told[0]} into {told[-1]}" if told and told[0] != told[-1] else "through the bar"

    def _named(self, piece: _Slice) -> ChordName | None:
        tonic = self.score.palettes[piece.segments[0]].tonic
        return name_sounding([self.score.notes[index] for index in piece.notes], tonic)

    def _name(self, number: int) -> str:
        return pitch_class_name(self.score.segments[number].pitch_class, self.score.palettes[number].tonic)

    def _reaches(self, palette: Palette, classes: frozenset[int]) -> bool:
        return self._asked((palette.classes, palette.base_cents, classes), lambda: reaches(palette, classes))

    def _asked(self, question: tuple[object, ...], answer: Callable[[], bool]) -> bool:
        if question not in self._known:
            self._known[question] = answer()
        return self._known[question]
