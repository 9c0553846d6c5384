"""What each string is tuned to by a meter, and what a reading says of it: cents, beats, which way to turn.

Conventions
-----------
Strings hang on the guitar's reference string by the exact intervals of its unisons. Partial p of the reference string
and partial q of a string nearly coincide where they are p : q apart, and beat at |q·hz − p·reference_hz| a second, of
ideal strings. Cents are positive where a string is sharp. A string is brought up to its pitch by tightening.

Sources
-------
Beats of partials: see `bridge.tuning.beats`. Tuning from below: common practice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from bridge.errors import TuningProblem
from bridge.tuning.beats import MAX_PARTIAL, beat_rate_hz, main_pair
from bridge.tuning.notes import note_name
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import build_table

#: A string this near is in tune: on a third at D3 it beats once in five seconds.
IN_TUNE_CENTS = 0.5


@dataclass(frozen=True)
class StringAim:
    """What a string is tuned to."""

    # Its number, and the name of its note as it sounds.
    string: int
    note: str
    hz: float  # the pitch to bring it to
    reference_hz: float  # what it beats against: the reference string; for that string itself, its own pitch
    # Partials of reference and string that meet; 0 where none do, so that nothing is heard to beat.
    partial: int
    other_partial: int

    def cents(self, hz: float) -> float:
        """How far a string that sounds at `hz` is from its aim."""
        return hz_to_cents(hz, self.hz)

    def beats_hz(self, hz: float) -> float | None:
        """Beats a second that a string at `hz` would make with the reference; None where no partials meet."""
        if not self.partial:
            return None
        return beat_rate_hz(self.reference_hz, hz, self.partial, self.other_partial)

    def turn(self, hz: float) -> str:
        """Which way to turn: ``"tighten"``, ``"loosen"``, or ``""`` where it is in tune."""
        off_cents = self.cents(hz)
        if abs(off_cents) <= IN_TUNE_CENTS:
            return ""
        return "loosen" if off_cents > 0 else "tighten"


def string_aims(spec: TableSpec) -> dict[int, StringAim]:
    """Work out what each string of a guitar is tuned to, with the capo on if there is one, from the last to the
    first.

    TuningProblem if there is no guitar.
    """
    guitar = spec.guitar
    if guitar is None:
        raise TuningProblem("nothing says which strings are tuned", "name the guitar: --guitar open-d")
    table = build_table(spec)
    strings = {string.number: string for string in table.strings}
    reference_hz = strings[guitar.reference_string].hz
    aims = {}
    for number in sorted(strings, reverse=True):
        string = strings[number]
        partial, other_partial = _meeting(spec, number, reference_hz, string.hz)
        aims[number] = StringAim(
            number, note_name(string.key, table.tonic), string.hz, reference_hz, partial, other_partial
        )
    return aims


def _meeting(spec: TableSpec, number: int, reference_hz: float, hz: float) -> tuple[int, int]:
    """Numbers of the partials, of the reference string and of another, that are heard to beat."""
    assert spec.guitar is not None
    ratio = spec.guitar.intervals[number].ratio
    if ratio is not None and max(ratio.numerator, ratio.denominator) <= MAX_PARTIAL:
        return ratio.numerator, ratio.denominator
    pair = main_pair(reference_hz, hz)
    return (0, 0) if pair is None else (pair.partial, pair.other_partial)


def aim_for(hz: float, aims: Mapping[int, StringAim]) -> StringAim:
    """Return the aim nearest to a pitch (of two equally near, the lower string)."""
    return min(aims.values(), key=lambda aim: (abs(aim.cents(hz)), -aim.string))
