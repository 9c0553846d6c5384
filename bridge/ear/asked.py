"""The words for an exercise, and the limits of what may be asked: the same for the command and for a teacher's list."""

from __future__ import annotations

from bridge.errors import ValueProblem, near_names

QUESTIONS = {
    "still": "which does not beat?",
    "wide": "wide or narrow?",
    "tune": "tune out the beats",
    "sing": "sing it",
}
"""The exercises, and what each asks."""

WHATS = tuple(QUESTIONS)

TIMBRES = ("steady", "plucked")

SECONDS = 2.0
LEAST_S, MOST_S = 0.5, 8.0
"""How long a sound may last."""

MINUTES = 20.0
"""After so long it is enough for today."""

TRIALS = 55
"""A run that tells a threshold has so many unless somebody wants another number."""

FEWEST_TRIALS, MOST_TRIALS = 1, 200


def check_what(text: str) -> str:
    """Refuse an exercise that there is not.

    Raises
    ------
    ValueProblem
        There is no such exercise.
    """
    return _one_of("exercise", text, WHATS)


def check_timbre(text: str) -> str:
    """Refuse a timbre that there is not.

    Raises
    ------
    ValueProblem
        There is no such timbre.
    """
    return _one_of("timbre", text, TIMBRES)


def _one_of(what: str, text: str, known: tuple[str, ...]) -> str:
    if text not in known:
        raise ValueProblem(f"there is no {what} {text!r}", near_names(text, known))
    return text
