"""Asks the musician what was heard, where there is no sound input: plays, asks, reads an answer, plays again if wanted.

Threads: one. Answers come from a stream line by line, so that they can be piped in.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TextIO

from bridge.engine.probe.course import Findings
from bridge.engine.probe.messages import Place
from bridge.engine.probe.questions import CONTROL_KEYS, Answer, Question, questions
from bridge.errors import InputProblem
from bridge.live.probe.seat import Seat

NOTE_S = 0.9
GAP_S = 0.25
_HELP = "l lower, s the same, h higher, u unsure, r hear it again"
_ANSWERS: dict[str, Answer] = {
    **dict.fromkeys(("l", "lower", "y", "yes"), "lower"),
    **dict.fromkeys(("s", "same", "n", "no"), "same"),
    **dict.fromkeys(("h", "higher"), "higher"),
    **dict.fromkeys(("u", "unsure", "?"), "unsure"),
}
_AGAIN = ("r", "repeat", "again")


class Asker:
    """Plays questions and reads answers."""

    def __init__(self, seat: Seat, place: Place, answers: TextIO, say: Callable[[str], None]) -> None:
        self._seat = seat
        self._place = place
        self._answers = answers
        self._say = say

    def ask(self, question: Question) -> Answer:
        """Play a question until it is answered; InputProblem if there are no more answers."""
        asked = (
            "Did the note change in its middle? Its end was"
            if question.kind == "long"
            else "Did the second note sound lower? It was"
        )
        while True:
            self._play(question)
            self._say(f"{asked}: {_HELP}")
            while True:
                line = self._answers.readline()
                if not line:
                    raise InputProblem(
                        "the answers ended before the questions did",
                        "answer each question, or hear the synth through a sound input (--mic)",
                    )
                word = line.strip().lower()
                if word in _ANSWERS:
                    return _ANSWERS[word]
                if word in _AGAIN:
                    break
                self._say(f"{word!r} is no answer: {_HELP}")

    def _play(self, question: Question) -> None:
        seat, trial, key = self._seat, question.trial, self._place.key
        before, change, _ = trial.steps
        seat.begin(trial.undo)
        seat.send(*before.messages)
        seat.strike(trial.channel, key)
        seat.wait(NOTE_S)
        if question.kind != "long":
            seat.let_go()
            seat.wait(GAP_S)
            seat.send(*change.messages)
            seat.strike(trial.channel, key - CONTROL_KEYS if question.kind == "keys" else key)
        else:
            seat.send(*change.messages)
        seat.wait(NOTE_S)
        seat.take_back()


def ask_musician(asker: Asker, place: Place, progress: Callable[[str], None]) -> Findings:
    """Examine a synth from start to end by asking; `progress` is called before each question with its number."""
    course = questions(place)
    number = 0
    try:
        question = next(course)
        while True:
            number += 1
            progress(f"question {number}")
            question = course.send(asker.ask(question))
    except StopIteration as end:
        found: Findings = end.value
        return found
