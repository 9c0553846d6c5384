"""Beats between two notes: which partials nearly coincide, and how fast they beat.

Conventions
-----------
Partial p of the first note and partial q of the second, where they nearly coincide, beat at |p·f1 − q·f2| a
second; they coincide when f2 : f1 = p : q. `cents` says how far the second note's partial lies above the first
note's: positive when an interval upward to the second note is wide. A note's frequency is that of its first
partial as it sounds; with a stiffness B its partial n lies at n · f · √((1 + B·n²) / (1 + B)).

Sources
-------
H. Helmholtz, *On the Sensations of Tone*, chapter VIII (beats of partials: the difference of their frequencies).
E. Zwicker, H. Fastl, *Psychoacoustics*, chapters 10 and 11 (up to about 20 a second is heard as beats, faster as
roughness; *from memory*).
H. Fletcher, *J. Acoust. Soc. Am.* 36, 1964 (partials of a stiff string: n·f0·√(1 + B·n²)).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from bridge.errors import ValueProblem
from bridge.tuning.ratios import hz_to_cents

MAX_PARTIAL = 12
"""Partials looked at unless told otherwise: higher ones of a plucked string are faint."""

WITHIN_CENTS = 50.0
"""How near two partials must lie to count as nearly coinciding."""

MEET_CENTS, MEET_HZ = 25.0, 20.0
"""Partials meet where they are nearer than both: a comma and a little, and slow enough to be heard as beats."""

_PARTIAL_LIMIT = 64
_MAX_STIFFNESS = 0.01


@dataclass(frozen=True)
class PartialPair:
    """Two partials that nearly coincide."""

    # Number of the partial in the first and in the second note.
    partial: int
    other_partial: int
    # Frequencies of the two partials.
    hz: float
    other_hz: float

    @property
    def ratio(self) -> Fraction:
        """The pure interval, second note over first, that this pair would be without beats in."""
        return Fraction(self.partial, self.other_partial)

    @property
    def cents(self) -> float:
        """How far the second note's partial lies above the first note's."""
        return hz_to_cents(self.other_hz, self.hz)

    @property
    def beats_hz(self) -> float:
        """Beats per second."""
        return abs(self.other_hz - self.hz)

    @property
    def meets(self) -> bool:
        """Whether the two meet: they stand still or beat, and are no other interval's."""
        return abs(self.cents) <= MEET_CENTS and self.beats_hz < MEET_HZ


@dataclass(frozen=True)
class BeatsCompared:
    """The same pair of partials in two tunings; None where the two partials are not near each other."""

    partial: int
    other_partial: int
    just: PartialPair | None
    tempered: PartialPair | None

    @property
    def ratio(self) -> Fraction:
        """The pure interval, second note over first, of this pair."""
        return Fraction(self.partial, self.other_partial)


def partial_hz(hz: float, partial: int, stiffness: float = 0.0) -> float:
    """Return the frequency of a partial, from 1, of a string whose first one sounds at `hz`.

    `stiffness` is Fletcher's B, 0 for an ideal string; steel guitar strings have about 1e-5 to 2e-4.
    ValueProblem if a value is out of range.
    """
    if not 0 < hz < math.inf:
        raise ValueProblem(f"frequency {hz:g} Hz", "frequencies are greater than zero")
    if partial < 1:
        raise ValueProblem(f"partial {partial}", "partials are counted from 1, the note itself")
    if not 0 <= stiffness <= _MAX_STIFFNESS:
        raise ValueProblem(
            f"stiffness {stiffness:g}",
            f"0 to {_MAX_STIFFNESS:g}; steel guitar strings have about 0.00001 to 0.0002",
        )
    return partial * hz * math.sqrt((1.0 + stiffness * partial**2) / (1.0 + stiffness))


def beat_rate_hz(first_hz: float, second_hz: float, partial: int, other_partial: int) -> float:
    """Return the beats per second of two given partials of ideal strings, however far apart they are."""
    return abs(partial_hz(first_hz, partial) - partial_hz(second_hz, other_partial))


def beats_hz_per_cent(hz: float) -> float:
    """Return by how many beats per second a beat changes for each cent that a partial at `hz` moves."""
    return partial_hz(hz, 1) * math.log(2.0) / 1200.0


def coinciding_partials(
    first_hz: float,
    second_hz: float,
    max_partial: int = MAX_PARTIAL,
    within_cents: float = WITHIN_CENTS,
    stiffness: tuple[float, float] = (0.0, 0.0),
) -> tuple[PartialPair, ...]:
    """Find all pairs of partials of two notes that nearly coincide; either note may be the higher.

    The simplest comes first (by p·q, whose partials are the strongest and heard best), then the nearest.
    ValueProblem if a value is out of range.

    Parameters
    ----------
    max_partial : int
        Highest partial of either note, 1 to 64.
    within_cents : float
        How near the partials must lie, 0 to 100 cents.
    stiffness : tuple of float
        Fletcher's B of the first and of the second string.
    """
    if not 1 <= max_partial <= _PARTIAL_LIMIT:
        raise ValueProblem(f"partials up to {max_partial}", f"1 to {_PARTIAL_LIMIT}")
    if not 0 <= within_cents <= 100:
        raise ValueProblem(f"partials within {within_cents:g} cents", "0 to 100 cents")
    first = [partial_hz(first_hz, partial, stiffness[0]) for partial in range(1, max_partial + 1)]
    second = [partial_hz(second_hz, partial, stiffness[1]) for partial in range(1, max_partial + 1)]
    pairs = [
        PartialPair(p, q, hz, other_hz)
        for p, hz in enumerate(first, 1)
        for q, other_hz in enumerate(second, 1)
        if abs(hz_to_cents(other_hz, hz)) <= within_cents
    ]
    return tuple(sorted(pairs, key=lambda pair: (pair.partial * pair.other_partial, abs(pair.cents))))


def main_pair(first_hz: float, second_hz: float) -> PartialPair | None:
    """Return the simplest pair of nearly coinciding partials, whose beats are heard best; None if there is none."""
    return next(iter(coinciding_partials(first_hz, second_hz)), None)


def compare_beats(
    just_hz: tuple[float, float], tempered_hz: tuple[float, float]
) -> tuple[BeatsCompared, ...]:
    """Set the beats of two notes in one tuning beside those of the same notes in another.

    Returns every pair that meets in at least one tuning, the simplest first; what is further off than `MEET_CENTS` in
    the other is None there.
    """
    just, tempered = (
        {
            (pair.partial, pair.other_partial): pair
            for pair in coinciding_partials(*notes, within_cents=MEET_CENTS)
        }
        for notes in (just_hz, tempered_hz)
    )
    meeting = {key for one in (just, tempered) for key, pair in one.items() if pair.meets}
    both = sorted(meeting, key=lambda numbers: (numbers[0] * numbers[1], numbers))
    return tuple(
        BeatsCompared(*numbers, just=just.get(numbers), tempered=tempered.get(numbers)) for numbers in both
    )
