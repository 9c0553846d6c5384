"""What an exercise is about: notes that sound together and stand still when they are pure.

Conventions
-----------
A sound's frequencies are those of its pure form: the lowest note is the table's own, the others stand above it in
ratios of small numbers, also where the table has another note there (the fifth above the second degree of a fixed
five-limit scale is 40/27, and what is learnt is 3/2). Mistunings are cents of one note.

Sources
-------
Which ratios are pure: `bridge.tuning.chords.purity` and `bridge.tuning.chords.kinds`. Beats: `bridge.tuning.beats`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from bridge.errors import ValueProblem
from bridge.tuning.beats import PartialPair, coinciding_partials
from bridge.tuning.chords.judged import judge_chord
from bridge.tuning.chords.kinds import ChordKind
from bridge.tuning.chords.names import parse_chord
from bridge.tuning.chords.purity import nearest_small
from bridge.tuning.drone_notes import VOICE, drone_keys
from bridge.tuning.ratios import format_ratio, hz_to_cents
from bridge.tuning.scales import interval_name
from bridge.tuning.tables import Table

MOST_NOTES = 5
_MEETING_CENTS = 1.0
_PARTIALS = 16  # 16/15 and 15/8 are the largest numbers of a table's pure intervals within the octave
_LOWEST_HZ, _HIGHEST_HZ = 40.0, 2500.0
INTERVALS = {
    "unison": 0,
    "octave": 12,
    "fifth": 7,
    "fourth": 5,
    "third": 4,
    "minor third": 3,
    "sixth": 9,
    "minor sixth": 8,
}
"""Intervals, and how many keys they span, in the order in which teachers have them."""

_SIZES = {semitones % 12: name for name, semitones in INTERVALS.items()}


@dataclass(frozen=True)
class Sound:
    """Notes that stand still together."""

    name: str  # ``fifth``, ``ii``
    notes: tuple[str, ...]  # names of the notes, from the lowest
    ratios: tuple[Fraction, ...]  # of every note to the lowest
    hz: tuple[float, ...]  # their pure frequencies

    @property
    def register(self) -> str:
        """Where it lies, by its notes: ``D3-A3``."""
        return "-".join(self.notes)

    @property
    def size(self) -> str:
        """What it is, as ratios: ``3/2``, ``4:5:6``."""
        if len(self.ratios) == 2:
            return format_ratio(self.ratios[1])
        common = math.lcm(*(ratio.denominator for ratio in self.ratios))
        return ":".join(str(int(ratio * common)) for ratio in self.ratios)

    def meeting_hz(self, note: int) -> float:
        """Return where the lowest partial of a note meets one of another note: what is heard to beat."""
        return min(self._meetings(note), key=lambda pair: pair.partial * pair.other_partial).hz

    def _meetings(self, note: int) -> list[PartialPair]:
        return [
            pair
            for other, other_hz in enumerate(self.hz)
            if other != note
            for pair in coinciding_partials(other_hz, self.hz[note], _PARTIALS, _MEETING_CENTS)[:1]
        ]

    def beats_hz(self, cents: float) -> float:
        """Return how fast it beats where one note is so many cents off; of several notes, their mean."""
        rates = [self.meeting_hz(note) * abs(2 ** (cents / 1200) - 1) for note in range(len(self.hz))]
        return sum(rates) / len(rates)

    def cents_of_beats(self, rate_hz: float) -> float:
        """Return how many cents off one note is where it beats so fast; the inverse of `beats_hz`."""
        meeting_hz = sum(self.meeting_hz(note) for note in range(len(self.hz))) / len(self.hz)
        return 1200 * math.log2(1 + rate_hz / meeting_hz)


def find_sounds(words: Sequence[str], table: Table, voice: str = VOICE) -> tuple[Sound, ...]:
    """Return what a player wants to practise on: one sound, or two chords that are compared.

    Parameters
    ----------
    words : sequence of str
        An interval (``fifth``), notes or degrees (``D3 A3``, ``1 b3``), or one or two chords (``ii``, ``I ii``).
    voice : str
        Whose lowest octave degree 1 stands in, one of `drone_notes.VOICES`.

    Raises
    ------
    ValueProblem
        The words name no notes, or notes that have no pure form.
    """
    text = " ".join(words)
    try:
        keys = drone_keys(text, table.tonic, voice)
    except ValueProblem as problem:
        try:
            chords = [parse_chord(word, table.tonic) for word in words]
        except ValueProblem:
            raise problem from None
        if len(chords) > 2:
            raise ValueProblem(f"{len(chords)} chords", "one chord, or two that are compared: I ii") from None
        return tuple(chord_sound(table, *chord) for chord in chords)
    if len(keys) == 1:
        keys = (keys[0], keys[0])
    return (notes_sound(table, keys, text),)


def notes_sound(table: Table, keys: Sequence[int], name: str = "") -> Sound:
    """Return notes of a table in the ratios of small numbers that are nearest to it.

    Raises
    ------
    ValueProblem
        There are too many, they lie too high or low, or one has no pure form with the lowest.
    """
    if len(keys) > MOST_NOTES:
        raise ValueProblem(f"{len(keys)} notes", f"2 to {MOST_NOTES} can be told apart")
    low_hz = float(table.hz[keys[0]])
    ratios = [Fraction(1)]
    for key in keys[1:]:
        found = nearest_small(key - keys[0], hz_to_cents(float(table.hz[key]), low_hz))
        if found is None:
            raise ValueProblem(
                f"{table.note(keys[0])} and {table.note(key)} have no pure form in this table",
                "octave, fifth, fourth, thirds and sixths stand still; or replace a degree, such as b7=7/4 or #4=7/5",
            )
        ratios.append(found[0])
    semitones = keys[1] - keys[0]
    said = _SIZES.get(semitones % 12, interval_name(semitones)) if len(keys) == 2 else ""
    if semitones == 0 and len(keys) == 2:
        said = "unison"
    return _sound(said or name, tuple(table.note(key) for key in keys), ratios, low_hz)


def chord_sound(table: Table, degree: int, kind: ChordKind) -> Sound:
    """Return a chord of a table in its pure form, on the table's own root.

    Raises
    ------
    ValueProblem
        Its kind has no pure form.
    """
    chord = judge_chord(table.hz, table.tonic, degree, kind)
    if not kind.pure:
        raise ValueProblem(f"{chord.name} has no pure form", "triads and most sevenths have one: I, ii, V7")
    form = kind.pure[0]
    ratios = [Fraction(number, form[0]) for number in form]
    return _sound(f"{chord.numeral} ({chord.name})", chord.notes, ratios, float(table.hz[chord.keys[0]]))


def _sound(name: str, notes: tuple[str, ...], ratios: Sequence[Fraction], low_hz: float) -> Sound:
    sound = Sound(name, notes, tuple(ratios), tuple(low_hz * float(ratio) for ratio in ratios))
    if sound.hz[0] < _LOWEST_HZ or sound.hz[-1] > _HIGHEST_HZ:
        raise ValueProblem(
            f"{sound.register} lies out of reach",
            f"from {_LOWEST_HZ:g} to {_HIGHEST_HZ:g} Hz beats are heard",
        )
    for note in range(len(sound.hz)):
        if not sound._meetings(note):
            raise ValueProblem(
                f"{sound.notes[note]} in {sound.register} meets no other note in its first sixteen partials",
                "where nothing meets nothing beats; intervals within an octave do",
            )
    return sound
