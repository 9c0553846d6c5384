"""Trials whose answer is heard in the beating, or in the size of the interval, and in nothing else.

Two exercises ask, each with a threshold of its own (what they ask for is not the same, and they need not agree):

- ``still``: *which does not beat?* Two sounds, one of them pure, the other with one note off.
- ``wide``: *wide or narrow?* One sound of two notes, too wide or too narrow.

No single note gives the answer. Any note may be the one that is off, up or down. Every sound is shifted by itself, at
random within a quarter tone (`SHIFT_CENTS`) to either side, and its tone is a little brighter or duller by itself. The
phases of the notes are random, so a beat begins anywhere. How often each answer is right is balanced over a run.

In ``still`` a single note, taken alone, is spread in exactly the same way in both sounds, however well somebody knows
where it should lie: the shifts fill a range that is a whole number of times twice the mistuning `d`, and the note that
is off goes up by `d` from the first, third, … stretch of length `d`, and down from the others. That swaps the stretches
in pairs. (A plain random sign would not do: a note that is off would then lie further from home, on average.)

In ``wide`` that cannot be. The distance between the notes' mean pitches is wider by `2d` over all wide sounds than over
all narrow ones; so at least one note's mean differs, and where a note is spread over a range `R`, somebody with a
perfect memory for the pitch of one note (the better of the two) is right in ½ + d / 2R of all trials or more, however
the shifts are drawn. With shifts within a quarter tone alone that is ½ + d / 200. So every sound is moved by up to
six semitones as well, evenly, and either note is the one that is off: then it is exactly ½ + d / 2600, the least there
is for that range. At 15 cents, 50.6 %: less than a third of a trial in a run of fifty, whose luck spreads by 3.5.

Conventions: cents above 0 in `Trial.cents`; phases in cycles; a generator of random numbers is handed in.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, TypeVar

import numpy as np

from bridge.ear.sounds import Sound
from bridge.errors import ValueProblem

_T = TypeVar("_T")

Exercise = Literal["still", "wide"]
Answer = Literal["first", "second", "wide", "narrow"]

ANSWERS: dict[Exercise, tuple[Answer, Answer]] = {"still": ("first", "second"), "wide": ("wide", "narrow")}
"""What may be answered."""

SHIFT_CENTS = 50.0
"""A sound is shifted by up to so much, a quarter tone, up or down."""

STEPS = 6
"""In `wide` it is moved by up to so many semitones as well."""

MOST_CENTS = SHIFT_CENTS
"""No note is further off than the shift reaches."""

COLOUR_DB = 1.5
"""A sound is brighter or duller by up to so much an octave."""


@dataclass(frozen=True)
class Played:
    """One sound of a trial."""

    hz: tuple[float, ...]
    phases: tuple[float, ...]  # where in its cycle each note begins, 0 to 1
    colour_db: float  # how much brighter it is, per octave


@dataclass(frozen=True)
class Trial:
    """A question with its answer, which is not shown before somebody has answered."""

    exercise: Exercise
    number: int  # from 1
    cents: float  # how far the note is off
    played: tuple[Played, ...]  # one after the other
    answer: Answer


def check_exercise(exercise: Exercise, sounds: Sequence[Sound]) -> None:
    """Refuse an exercise that makes no sense for what it is about.

    Raises
    ------
    ValueProblem
        *wide or narrow?* of anything but two notes of different pitch.
    """
    if exercise == "wide" and (len(sounds) != 1 or len(sounds[0].hz) != 2 or sounds[0].ratios[1] == 1):
        raise ValueProblem(
            f"{', '.join(sound.name for sound in sounds)} cannot be wide or narrow",
            "that is asked of two notes, such as: fifth; of chords and unisons: which does not beat",
        )


class Trials:
    """Makes the trials of one run.

    Parameters
    ----------
    sounds : sequence of Sound
        One; or two that stand side by side (I against ii), either of which may be the one that is off.
    count : int
        How many there will be; answers are balanced over them.
    random : numpy.random.Generator
    """

    def __init__(
        self, exercise: Exercise, sounds: Sequence[Sound], count: int, random: np.random.Generator
    ) -> None:
        check_exercise(exercise, sounds)
        self.exercise = exercise
        self._sounds = tuple(sounds)
        self._random = random
        self._number = 0
        self._answers: Iterator[Answer] = self._balanced(ANSWERS[exercise], count)
        # Which of two sounds comes first, and which note is off, are balanced by themselves.
        self._orders = self._balanced((0, 1), count)
        self._moved = self._balanced(range(max(len(sound.hz) for sound in sounds)), count)

    def _balanced(self, of: Sequence[_T], count: int) -> Iterator[_T]:
        """Yield each equally often in `count` turns, in any order; then, for trials in the place of others, again."""
        while True:
            first = int(self._random.integers(len(of)))
            yield from (of[(first + int(at)) % len(of)] for at in self._random.permutation(count))

    def make(self, cents: float) -> Trial:
        """Make the next trial, one note so many cents off.

        Raises
        ------
        ValueProblem
            That is more than `MOST_CENTS`, or nothing.
        """
        if not 0 < cents <= MOST_CENTS:
            raise ValueProblem(f"a note {cents:g} cents off", f"more than 0, up to {MOST_CENTS:g} cents")
        self._number += 1
        answer, order, moved = next(self._answers), next(self._orders), next(self._moved)
        if self.exercise == "wide":
            played: tuple[Played, ...] = (self._wide(cents, moved, 1 if answer == "wide" else -1),)
        else:
            pair = [self._sounds[(order + place) % len(self._sounds)] for place in (0, 1)]
            off = 1 if answer == "first" else 0
            played = tuple(
                self._still(sound, cents, moved % len(sound.hz) if place == off else None)
                for place, sound in enumerate(pair)
            )
        return Trial(self.exercise, self._number, cents, played, answer)

    def _still(self, sound: Sound, cents: float, moved: int | None) -> Played:
        half = cents * math.floor(SHIFT_CENTS / cents)
        shift = self._random.uniform(-half, half)
        off = cents if math.floor((shift + half) / cents) % 2 == 0 else -cents
        return self._played(sound, shift, moved, off)

    def _wide(self, cents: float, moved: int, way: int) -> Played:
        shift = 100.0 * self._random.integers(-STEPS, STEPS + 1) + self._random.uniform(
            -SHIFT_CENTS, SHIFT_CENTS
        )
        # Wide is the upper note up or the lower one down.
        return self._played(self._sounds[0], shift, moved, cents * way * (1 if moved else -1))

    def _played(self, sound: Sound, shift: float, moved: int | None, off: float) -> Played:
        return Played(
            hz=tuple(
                hz * 2 ** ((shift + (off if note == moved else 0.0)) / 1200)
                for note, hz in enumerate(sound.hz)
            ),
            phases=tuple(float(phase) for phase in self._random.random(len(sound.hz))),
            colour_db=float(self._random.uniform(-COLOUR_DB, COLOUR_DB)),
        )
