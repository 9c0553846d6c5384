"""A run of trials: the staircase chooses how hard the next one is, and at the end a threshold is told.

Conventions: nothing of a trial's answer is told before it has been answered.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bridge.ear.asked import TRIALS
from bridge.ear.fit import Answered, Threshold, fit_threshold
from bridge.ear.sounds import Sound
from bridge.ear.staircase import Staircase
from bridge.ear.trials import ANSWERS, MOST_CENTS, Answer, Exercise, Trial, Trials
from bridge.errors import ValueProblem

BEGINS_CENTS: dict[Exercise, float] = {"still": 21.5, "wide": 40.0}
"""Where a run begins: a comma, and well above what most people tell the direction of."""

LEAST_CENTS = 0.1


@dataclass(frozen=True)
class Marked:
    """An answer and what would have been right."""

    trial: Trial
    given: Answer

    @property
    def right(self) -> bool:
        """Whether it was right."""
        return self.given == self.trial.answer


class Course:
    """One run.

    Parameters
    ----------
    sounds : sequence of Sound
        See `Trials`.
    count : int
        How many trials.
    seed : int
        The same seed and the same answers give the same trials.
    """

    def __init__(
        self,
        exercise: Exercise,
        sounds: Sequence[Sound],
        count: int = TRIALS,
        seed: int = 0,
    ) -> None:
        self.exercise = exercise
        self.sounds = tuple(sounds)
        self.count = count
        self.marked: list[Marked] = []
        self._trials = Trials(exercise, sounds, count, np.random.default_rng(seed))
        self._stairs = Staircase(BEGINS_CENTS[exercise], LEAST_CENTS, MOST_CENTS)
        self._trial: Trial | None = None

    @property
    def over(self) -> bool:
        """Whether every trial has been answered."""
        return len(self.marked) == self.count

    @property
    def trial(self) -> Trial:
        """The trial that waits for its answer."""
        if self._trial is None:
            self._trial = self._trials.make(self._stairs.cents)
        return self._trial

    def answer(self, given: Answer) -> Marked:
        """Answer the trial that waits.

        Raises
        ------
        ValueProblem
            That is no answer to this question.
        """
        if given not in ANSWERS[self.exercise]:
            raise ValueProblem(f"{given!r} is no answer here", " or ".join(ANSWERS[self.exercise]))
        marked = Marked(self.trial, given)
        self.marked.append(marked)
        self._stairs.answer(marked.right)
        self._trial = None
        return marked

    def skip(self) -> None:
        """Leave the trial that waits unanswered; another one, as hard, takes its place."""
        self._trial = None

    @property
    def answers(self) -> list[Answered]:
        """What was answered so far."""
        return [Answered(one.trial.cents, one.right) for one in self.marked]

    def threshold(self) -> Threshold | None:
        """Return the threshold so far; None for too few answers."""
        return fit_threshold(self.answers)
