"""The course of an examination that a player answers by ear, and what the answers mean.

`questions` is a generator: it yields a `Question`, is sent an `Answer`, and returns the `Findings`. Two notes are
played for each, with the change between them; only where the second was lower one long note follows, with the change
in its middle. Among the questions stand three in which nothing changes, and it begins with two notes that do differ:
a player who does not hear that, or hears differences where there are none, makes everything *unknown*.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from bridge.engine.probe import bends, trials
from bridge.engine.probe.course import Findings
from bridge.engine.probe.messages import Place
from bridge.engine.probe.trials import Trial
from bridge.engine.probe.verdicts import Finding, Verdict

Answer = Literal["lower", "same", "higher", "unsure"]
Kind = Literal["pair", "long", "keys"]
CONTROL_KEYS = 1
"""Keys between the two notes of the first question."""

UNRELIABLE = "a difference was heard where there was none"
DEAF = "two notes a semitone apart did not sound different"


@dataclass(frozen=True)
class Question:
    """Something to play and to ask."""

    trial: Trial  # a usual one
    # Two notes with the change between them; one long note with the change in its middle; or two notes, the
    # second a key lower.
    kind: Kind = "pair"


Questions = Generator[Question, Answer, Findings]


class _Unreliable(Exception):
    """The player's answers cannot be trusted."""


def questions(place: Place) -> Questions:
    """Find out what a synth obeys by asking a player; everything is unknown where a control was answered wrongly.

    Yields a `Question` to be played and asked; send back the `Answer`.
    """
    found = Findings(place, by_ear=True)
    try:
        yield from _control(place, "keys")
        yield from _control(place)
        yield from _tunings(found)
        yield from _control(place)
        yield from _others(found)
        yield from _control(place)
    except _Unreliable as reason:
        for name, row in found.rows.items():
            found.rows[name] = replace(row, verdict="unknown", remark=str(reason))
        if not found.rows:
            trial = trials.control(place)
            found.rows["control"] = Finding("control", trial.label, "", "unknown", remark=str(reason))
        found.default_range_semitones = found.widest_range_semitones = None
    return found


def _control(place: Place, kind: Kind = "pair") -> Generator[Question, Answer, None]:
    """Ask what must be answered rightly, once more if it was not."""
    right = "lower" if kind == "keys" else "same"
    answers = [(yield Question(trials.control(place), kind))]
    if answers[0] == "unsure":
        answers.append((yield Question(trials.control(place), kind)))
    if answers[-1] != right:
        raise _Unreliable(DEAF if kind == "keys" else UNRELIABLE)


def _tunings(found: Findings) -> Generator[Question, Answer, None]:
    """Messages that tune."""
    place = found.place
    tunings = {trial.name: trial for trial in trials.tuning_trials(place, selected=True)}
    loose = {trial.name: trial for trial in trials.tuning_trials(place, selected=False)}
    octaves = {trial.name: trial for trial in trials.octave_trials(place)}
    yield from _try(found, loose["note-unselected"])
    yield from _try(found, tunings["note"])
    if not found.obeyed("note", "note-unselected"):
        yield from _try(found, tunings["note-bank"])
    yield from _try(found, tunings["dump"])
    carrier = found.carrier()
    if carrier is not None:
        yield from _try(found, trials.program_select(place, carrier))
    yield from _try(found, octaves["octave-2"])
    if not found.obeyed("octave-2"):
        yield from _try(found, octaves["octave-1"])
    if found.obeyed("octave-1", "octave-2") and place.other != place.channel:
        yield from _try(found, trials.shared_octave(place, 2 if found.obeyed("octave-2") else 1))


def _others(found: Findings) -> Generator[Question, Answer, None]:
    """Fine tuning, bends, zones."""
    place = found.place
    yield from _try(found, trials.master_fine(place))
    yield from _try(found, trials.channel_fine(place))
    yield from _try(found, bends.bend_as_it_is(place))
    if not found.obeyed("bend"):
        return
    yield from _try(found, bends.bend_range(place))
    if found.obeyed("bend-range"):
        found.widest_range_semitones = 12  # which is what was heard to be obeyed
    member = place.channel if place.channel != 1 else place.other
    if member != 1:
        yield from _try(found, bends.mpe_zone(place, member))


def _try(found: Findings, trial: Trial) -> Generator[Question, Answer, None]:
    """Ask about one trial; again where the player is not sure, and about a sounding note if it is obeyed."""
    down = trial.wanted_cents < 0
    moved: Answer = "lower" if down else "higher"
    answers = yield from _twice(Question(trial), (moved, "same"))
    if answers[-1] == "same":
        found.rows[trial.name] = _row(trial, "ignored")
        return
    if answers[-1] != moved:
        remark = "not sure" if answers[-1] == "unsure" else "moved the wrong way"
        found.rows[trial.name] = _row(trial, "unknown", remark)
        return
    answers = yield from _twice(Question(trial, "long"), (moved, "same"))
    if answers[-1] == moved:
        found.rows[trial.name] = _row(trial, "now")
    else:
        sure = answers[-1] == "same"
        found.rows[trial.name] = _row(
            trial, "new", "" if sure else "whether sounding notes follow is not known"
        )


def _twice(question: Question, clear: Sequence[Answer]) -> Generator[Question, Answer, list[Answer]]:
    """Ask, and once more where the answer is not clear."""
    answers = [(yield question)]
    if answers[0] not in clear:
        answers.append((yield question))
    return answers


def _row(trial: Trial, verdict: Verdict, remark: str = "") -> Finding:
    return Finding(trial.name, trial.label, trial.message, verdict, trial.wanted_cents, remark=remark)
