"""The order of tuning as a player would do it: which string, touched where, against which, what to listen for.

Conventions
-----------
A plan has two parts. *Changes* bring every string near its note from the tuning before, and say what that does to its
tension, which goes with the square of frequency: 2^(cents / 600) times. *Steps* then tune each string, finely, against
one that is tuned already, starting from the reference string. In a step, `partial` of the string that is tuned meets
`partial` of the other; ``beats_hz`` is what must remain at the end, 0 for a pure unison; ``target_cents`` is how far
above the still point that is. Always from below: slacken past the pitch, then tighten.

Stiffness: a stiff string's partial n lies at n · f0 · √(1 + B·n²), so a unison of different partials leaves the strings
off by a little; ``stiffness_cents`` is what one step leaves, ``total_stiffness_cents`` what has gathered since the
reference string, as heard in the strings' first partials.

With a capo the plan is for tuning with the capo on: the reference frequency is the one with the capo, notes and
nodes are moved by it, and a string whose own nut lies beyond it is tuned up to the others.

Index
-----
`plan_tuning` → `TuningPlan` of `StringChange` and `TuningStep` (`TouchedString`) · `stiffness_residue_cents`

Sources
-------
Tension, unisons, beats: derived from the vibrating string (Mersenne, *Harmonie universelle*, 1636). H. Fletcher, *J.
Acoust. Soc. Am.* 36, 1964 (stiff strings). The manner of tuning is common practice.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bridge.errors import ValueProblem
from bridge.tuning.beats import beats_hz_per_cent, coinciding_partials, partial_hz
from bridge.tuning.guitars import Guitar
from bridge.tuning.notes import KEYS, key_to_hz, note_name, parse_pitch_class, pitch_class_name
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.strings.advice import UP_CENTS, advice, caution, tension_factor
from bridge.tuning.strings.nodes import Touch, touches
from bridge.tuning.unisons import Unison

STEEL_STIFFNESS = 1e-4
"""Fletcher's B in the middle of steel guitar strings, 1e-5 to 2e-4; it differs from string to string."""

MAX_CAPO = 12
_TEMPERED_PARTIALS = 8
_CLEAR_CENTS = 8.0
_USABLE_CENTS = 25.0


@dataclass(frozen=True)
class StringChange:
    """A string's way from the tuning before."""

    string: int
    # Written notes before and after (as they sound, with the capo).
    from_note: str
    note: str
    # Frequencies before and after.
    from_hz: float
    hz: float
    semitones: int  # written change; negative is down
    caution: str  # what to heed, where the string goes up or becomes slack; else empty

    @property
    def cents(self) -> float:
        """Exact change."""
        return hz_to_cents(self.hz, self.from_hz)

    @property
    def tension(self) -> float:
        """Tension after, as a part of that before: 1.26 is 26 % more."""
        return tension_factor(self.cents)

    @property
    def direction(self) -> str:
        """``up``, ``down`` or ``stays``; a few cents count as staying."""
        if abs(self.cents) <= UP_CENTS:
            return "stays"
        return "up" if self.cents > 0 else "down"


@dataclass(frozen=True)
class TouchedString:
    """A string and where it is touched."""

    string: int
    partial: int  # the partial that sounds; 1 is the open string
    # Places to touch: first 1/n, then others of the same partial, the easiest first. Empty for an open
    # string.
    touches: tuple[Touch, ...]


@dataclass(frozen=True)
class TuningStep:
    """Tune one string against another."""

    # The string that is turned, and the one that is tuned already.
    tune: TouchedString
    against: TouchedString
    hz: float  # what the tuned string shall sound, open
    meet_hz: float  # pitch at which the two partials meet
    target_cents: float  # how far the tuned string's partial ends above the still point: 0 for a pure unison
    beats_hz: float  # beats per second that remain at the end
    # Beats of the same two partials if both strings were in equal temperament through the reference.
    equal_beats_hz: float
    hz_per_cent: float  # change of the beats for each cent that the string is turned
    # What stiffness leaves: how far above its target the string ends, from this step and from all before
    # it.
    stiffness_cents: float
    total_stiffness_cents: float


@dataclass(frozen=True)
class TuningPlan:
    """How to get a guitar into tune."""

    guitar: Guitar  # what it shall be
    start: Guitar | None  # what it was; None: already near its notes
    reference_hz: float  # frequency of the reference string as it sounds
    capo: int  # fret of the capo, 0 for none
    # Every string in the order to bring it near its note: those that come down, those that stay, those
    # that go up.
    changes: tuple[StringChange, ...]
    steps: tuple[TuningStep, ...]  # fine tuning, in order
    by_tuner: tuple[int, ...]  # strings that no usable unison reaches; set them to their frequency
    checks: tuple[TuningStep, ...]  # unisons that were not needed and must be still as well
    second_pass: tuple[int, ...]  # strings in the order to check them again, the reference string first
    advice: tuple[str, ...]  # sentences for the player


def stiffness_residue_cents(
    partial: int, other_partial: int, stiffness: float, other_stiffness: float | None = None
) -> float:
    """Return how far too high a string ends that is tuned, without beats, by a unison of harmonics.

    That is in cents between the strings' first partials beyond the interval ``other_partial : partial``. The
    first partial and Fletcher's B are of the string that is tuned, the others of the one that it is tuned to;
    its B is the same if it is not given.
    """
    other = stiffness if other_stiffness is None else other_stiffness
    own_cents = hz_to_cents(partial_hz(1.0, partial, stiffness), partial)
    return hz_to_cents(partial_hz(1.0, other_partial, other), other_partial) - own_cents


def plan_tuning(
    guitar: Guitar,
    start: Guitar | None = None,
    reference_hz: float | None = None,
    *,
    scale_length_mm: float | None = None,
    stiffness: float | Mapping[int, float] = STEEL_STIFFNESS,
    capo: int = 0,
) -> TuningPlan:
    """Plan the tuning of a guitar.

    ValueProblem if the two tunings have different numbers of strings, or a value is out of range.

    Parameters
    ----------
    guitar : Guitar
        What it shall be.
    start : Guitar, optional
        The tuning before, at A4 = 440 Hz. None: the strings are near their notes in equal temperament already.
    reference_hz : float, optional
        Frequency of the reference string as it sounds, with the capo if there is one. None: its note in equal
        temperament at A4 = 440 Hz.
    scale_length_mm : float, optional
        Nut to saddle; None: the guitar's own.
    stiffness : float or mapping of int to float
        Fletcher's B of all strings, or by string number (0 where none is given).
    capo : int
        Fret of the capo, 0 to 12.
    """
    if not 0 <= capo <= MAX_CAPO:
        raise ValueProblem(f"capo at fret {capo}", f"0 (none) to {MAX_CAPO}")
    if start is not None and len(start.strings) != len(guitar.strings):
        raise ValueProblem(
            f"from {start.title} ({len(start.strings)} strings) to {guitar.title} ({len(guitar.strings)})",
            "name a tuning of the same instrument to start from",
        )
    sounding = guitar.reference_key + capo
    return _Planner(
        guitar,
        start,
        key_to_hz(sounding) if reference_hz is None else _positive(reference_hz),
        guitar.scale_length_mm if scale_length_mm is None else scale_length_mm,
        stiffness,
        capo,
    ).plan()


def _positive(hz: float) -> float:
    if not 0 < hz < math.inf:
        raise ValueProblem(f"reference of {hz:g} Hz", "frequencies are greater than zero")
    return hz


class _Planner:
    """One call of `plan_tuning`."""

    def __init__(
        self,
        guitar: Guitar,
        start: Guitar | None,
        reference_hz: float,
        scale_length_mm: float,
        stiffness: float | Mapping[int, float],
        capo: int,
    ) -> None:
        self.guitar = guitar
        self.start = start
        self.reference_hz = reference_hz
        self.scale_length_mm = scale_length_mm
        self.stiffness = stiffness
        self.capo = capo
        self.tonic = pitch_class_name(parse_pitch_class(guitar.tonic) + capo) if capo % 12 else guitar.tonic
        self.hz = guitar.hz(reference_hz)
        self.equal_hz = {
            string.number: reference_hz * 2.0 ** ((string.key - guitar.reference_key) / 12.0)
            for string in guitar.strings
        }
        self.gathered_cents = {guitar.reference_string: 0.0}

    def plan(self) -> TuningPlan:
        changes = self._changes()
        steps, by_tuner, spare = self._steps()
        order = (self.guitar.reference_string, *(step.tune.string for step in steps), *by_tuner)
        return TuningPlan(
            guitar=self.guitar,
            start=self.start,
            reference_hz=self.reference_hz,
            capo=self.capo,
            changes=changes,
            steps=steps,
            by_tuner=by_tuner,
            checks=tuple(self._pure_step(unison) for unison in spare),
            second_pass=order,
            advice=advice(
                moved=any(change.direction != "stays" for change in changes),
                tempered=any(step.beats_hz for step in steps),
                stiffness_cents=max((abs(step.total_stiffness_cents) for step in steps), default=0.0),
                reference_string=self.guitar.reference_string,
                capo=self.capo,
                fretted=self.guitar.frets > 0,
            ),
        )

    # -- from the tuning before

    def _changes(self) -> tuple[StringChange, ...]:
        changes = [self._change(string.number) for string in self.guitar.strings]
        rank = {"down": 0, "stays": 1, "up": 2}
        return tuple(sorted(changes, key=lambda change: rank[change.direction]))

    def _change(self, number: int) -> StringChange:
        string = self.guitar.string(number)
        pressed = max(0, self.capo - string.starts_at_fret)
        key = string.key + self.capo
        if self.start is None:
            from_key, from_hz = string.key + pressed, key_to_hz(string.key + pressed)
        else:
            from_key = self.start.key_of(number) + pressed
            open_hz = self.start.hz(key_to_hz(self.start.reference_key))[number]
            from_hz = open_hz * 2.0 ** (pressed / 12.0)
        hz, tonic = self.hz[number], self.tonic
        if max(key, from_key) >= KEYS:
            raise ValueProblem(
                f"string {number} with a capo at fret {self.capo} sounds above G9", "take a lower fret"
            )
        short = string.starts_at_fret > 0 and pressed < self.capo
        return StringChange(
            string=number,
            from_note=note_name(from_key, tonic),
            note=note_name(key, tonic),
            from_hz=from_hz,
            hz=hz,
            semitones=key - from_key,
            caution=caution(number, hz_to_cents(hz, from_hz), short=short),
        )

    # -- fine tuning

    def _steps(self) -> tuple[tuple[TuningStep, ...], tuple[int, ...], list[Unison]]:
        """Tune every string against a tuned one; return steps, strings left to a tuner, and unisons left over."""
        tuned = [self.guitar.reference_string]
        waiting = list(self.guitar.unisons)
        tempered = [string.number for string in self.guitar.strings if string.tempered_cents is not None]
        steps: list[TuningStep] = []
        by_tuner: list[int] = []
        while len(tuned) < len(self.guitar.strings):
            step = self._next_pure(waiting, tuned) or self._next_tempered(tempered, tuned)
            if step is None:
                number = next(number for number in tempered if number not in tuned)
                by_tuner.append(number)
                self.gathered_cents[number] = 0.0
                tuned.append(number)
                continue
            steps.append(step)
            self.gathered_cents[step.tune.string] = step.total_stiffness_cents
            tuned.append(step.tune.string)
        return tuple(steps), tuple(by_tuner), waiting

    def _next_pure(self, waiting: list[Unison], tuned: Sequence[int]) -> TuningStep | None:
        """Take the first unison that ties a string to a tuned one, turned so that the new string comes first."""
        for unison in waiting:
            if (unison.string in tuned) != (unison.other in tuned):
                waiting.remove(unison)
                if unison.string in tuned:
                    unison = Unison(unison.other, unison.other_partial, unison.string, unison.partial)
                return self._pure_step(unison)
        return None

    def _pure_step(self, unison: Unison) -> TuningStep:
        return self._step(unison.string, unison.partial, unison.other, unison.other_partial)

    def _next_tempered(self, tempered: Sequence[int], tuned: Sequence[int]) -> TuningStep | None:
        """Choose the tempered string whose beats against a tuned one are the clearest to count."""
        choices = []
        for number in tempered:
            if number in tuned:
                continue
            for other in tuned:
                pairs = coinciding_partials(
                    self.hz[other], self.hz[number], _TEMPERED_PARTIALS, _USABLE_CENTS
                )
                for pair in pairs[:1]:
                    rank = (abs(pair.cents) > _CLEAR_CENTS, pair.partial * pair.other_partial, -number)
                    choices.append((rank, (number, pair.other_partial, other, pair.partial)))
        return self._step(*min(choices)[1]) if choices else None

    def _step(self, string: int, partial: int, other: int, other_partial: int) -> TuningStep:
        own_hz, other_hz = partial * self.hz[string], other_partial * self.hz[other]
        left_cents = stiffness_residue_cents(
            partial, other_partial, self._stiffness_of(string), self._stiffness_of(other)
        )
        target_cents = hz_to_cents(own_hz, other_hz)
        if abs(target_cents) < 1e-6:
            target_cents, own_hz = 0.0, other_hz
        return TuningStep(
            tune=self._touched(string, partial),
            against=self._touched(other, other_partial),
            hz=self.hz[string],
            meet_hz=other_hz,
            target_cents=target_cents,
            beats_hz=abs(own_hz - other_hz),
            equal_beats_hz=abs(partial * self.equal_hz[string] - other_partial * self.equal_hz[other]),
            hz_per_cent=beats_hz_per_cent(other_hz),
            stiffness_cents=left_cents,
            total_stiffness_cents=self.gathered_cents.get(other, 0.0) + left_cents,
        )

    def _touched(self, number: int, partial: int) -> TouchedString:
        if partial == 1:
            return TouchedString(number, 1, ())
        nut_fret = max(self.capo, self.guitar.string(number).starts_at_fret)
        last_fret = self.guitar.frets or 24
        return TouchedString(number, partial, touches(partial, self.scale_length_mm, nut_fret, last_fret))

    def _stiffness_of(self, number: int) -> float:
        if isinstance(self.stiffness, Mapping):
            return self.stiffness.get(number, 0.0)
        return self.stiffness
