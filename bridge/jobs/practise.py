"""What is practised, from what was asked for; and what a run comes to: a record, and what is told of it.

Index: `PractiseRequest`, `Assignment`, `assignments` · `course_record`, `tuning_record`, `singing_record` · `told`
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from bridge.ear.asked import QUESTIONS, SECONDS, TIMBRES, TRIALS, check_timbre, check_what
from bridge.ear.course import Course
from bridge.ear.sounds import Sound, find_sounds
from bridge.ear.sung import Sung, Target, step_names, targets
from bridge.ear.trials import MOST_CENTS, Exercise, check_exercise
from bridge.ear.tuning_out import ROUNDS, Settled, TuningOut, settling
from bridge.errors import InputProblem, ValueProblem
from bridge.jobs.choose import TableRequest, choose_table
from bridge.sheet.phrases import signed
from bridge.store.practice.lists import Item, read_list
from bridge.store.practice.records import Given, Kept, Record, SungNote, Tuned, same_kind
from bridge.tuning.drone_notes import VOICE, drone_keys
from bridge.tuning.tables import Table, build_table

USUAL = "fifth"
"""What is practised unless somebody says so."""


@dataclass(frozen=True)
class PractiseRequest:
    """What was asked for."""

    notes: tuple[str, ...] = ()
    what: str = "still"
    trials: int | None = None
    seconds: float = SECONDS
    timbre: str = TIMBRES[0]
    voice: str = VOICE
    list_file: Path | None = None


@dataclass(frozen=True)
class Assignment:
    """One exercise to be done."""

    what: str
    sounds: tuple[Sound, ...]  # what is heard; of *sing it* none
    targets: tuple[Target, ...]  # what is sung
    count: int  # trials or rounds
    seconds: float
    timbre: str

    @property
    def question(self) -> str:
        """What it asks."""
        return QUESTIONS[self.what]

    @property
    def about(self) -> str:
        """What it is about: ``fifth D3-A3, steady, 2 s``."""
        if self.what == "sing":
            return ", ".join(target.name for target in self.targets)
        about = " against ".join(f"{sound.name} {sound.register}" for sound in self.sounds)
        return about if self.what == "tune" else f"{about}, {self.timbre}, {self.seconds:g} s"


def assignments(request: TableRequest, asked: PractiseRequest) -> tuple[list[Assignment], str, Table]:
    """Return what is to be done, in order, the title of the list, if there is one, and the table.

    Raises
    ------
    StillbeatError
        Something is missing, malformed, or cannot be practised.
    """
    if asked.list_file is None:
        table = build_table(choose_table(request))
        item = Item(asked.what, " ".join(asked.notes), asked.trials, asked.seconds, asked.timbre)
        return [_assignment(table, item, asked)], "", table
    if asked.notes:
        raise ValueProblem("notes and a list were both given", "a list says itself what is practised")
    given = read_list(asked.list_file)
    words: dict[str, Any] = {
        name: text for name, text in given.table.items() if getattr(request, name) is None
    }
    table = build_table(choose_table(replace(request, **words)))
    found = []
    for number, item in enumerate(given.items, 1):
        try:
            found.append(_assignment(table, item, asked))
        except ValueProblem as problem:
            raise InputProblem(
                f"{asked.list_file}, exercise {number}: {problem.message}", problem.hint
            ) from None
    return found, given.title, table


def _assignment(table: Table, item: Item, asked: PractiseRequest) -> Assignment:
    what = check_what(item.what)
    timbre = check_timbre(item.timbre or asked.timbre)
    seconds = item.seconds if item.seconds is not None else asked.seconds
    words = item.notes.replace(",", " ").split()
    if what == "sing":
        (drone_key,) = drone_keys("1", table.tonic, asked.voice)
        found = targets(table, drone_key, step_names(tuple(words)))
        return Assignment(what, (), found, len(found), seconds, timbre)
    sounds = find_sounds(words or [USUAL], table, asked.voice)
    count = item.trials or (ROUNDS if what == "tune" else TRIALS)
    if what == "tune":
        if len(sounds) != 1:
            raise ValueProblem(f"{len(sounds)} chords", "two notes are tuned, such as: fifth, or D3 A3")
        TuningOut(sounds[0])  # refuses what has not two notes
    else:
        check_exercise(exercise_of(what), sounds)
    return Assignment(what, sounds, (), count, seconds, timbre)


def exercise_of(what: str) -> Exercise:
    """Return the exercise that has a threshold, by its word."""
    return "still" if what == "still" else "wide"


# -- records


def _record(assignment: Assignment, when: str, through: str, seed: int) -> Record:
    if assignment.what == "sing":
        notes, size = assignment.targets[0].note, ""
        sound = ", ".join(target.name for target in assignment.targets)
    else:
        sound = " against ".join(one.name for one in assignment.sounds)
        notes = " ".join(one.register for one in assignment.sounds)
        size = " ".join(one.size for one in assignment.sounds)
    return Record(
        when=when,
        exercise=assignment.what,
        sound=sound,
        notes=notes,
        size=size,
        timbre=assignment.timbre,
        seconds=assignment.seconds,
        through=through,
        seed=seed,
    )


def course_record(assignment: Assignment, course: Course, when: str, through: str, seed: int) -> Record:
    """Return the record of a run of trials, with its threshold if there are enough of them."""
    found = course.threshold()
    answers = tuple(Given(one.trial.cents, one.trial.answer, one.given) for one in course.marked)
    kept = None
    if found is not None:
        beats = [sound.beats_hz(found.cents) for sound in assignment.sounds]
        kept = Kept(found.cents, found.low_cents, found.high_cents, sum(beats) / len(beats))
    return replace(_record(assignment, when, through, seed), answers=answers, threshold=kept)


def tuning_record(
    assignment: Assignment, rounds: Sequence[Settled], when: str, through: str, seed: int
) -> Record:
    """Return the record of rounds of tuning out the beats."""
    tuned = tuple(Tuned(one.began_cents, one.error_cents) for one in rounds)
    return replace(_record(assignment, when, through, seed), rounds=tuned)


def singing_record(assignment: Assignment, sung: Sequence[Sung], when: str, through: str) -> Record:
    """Return the record of notes that were sung."""
    notes = tuple(SungNote(one.target.name, one.target.note, one.cents, one.steadiness_cents) for one in sung)
    return replace(_record(assignment, when, through, 0), sung=notes)


# -- what is told


def told(record: Record, sounds: Sequence[Sound], earlier: Sequence[Record]) -> list[str]:
    """Say what a run comes to, and how it compares with the last of its like.

    Parameters
    ----------
    sounds : sequence of Sound
        What was heard.
    earlier : sequence of Record
        All that is kept.
    """
    if record.exercise in ("still", "wide"):
        return _told_threshold(record, sounds, earlier)
    if record.exercise == "tune":
        found = settling([Settled(one.began_cents, one.error_cents) for one in record.rounds])
        if found is None:
            return ["no round was finished"]
        spread = (
            ""
            if found.spread_cents is None
            else f", with a spread of {found.spread_cents:.1f} cents around that"
        )
        lean = "wide" if found.mean_cents > 0 else "narrow"
        times = "once" if found.rounds == 1 else f"{found.rounds} times"
        return [
            f"tuned out {times}: on average {abs(found.mean_cents):.1f} cents {lean}{spread}",
            f"{abs(found.mean_cents):.1f} cents are {sounds[0].beats_hz(found.mean_cents):.2f} beats a second here",
        ]
    if not record.sung:
        return ["nothing was sung"]
    return [
        "sung: "
        + ", ".join(
            f"{one.name} {signed(one.cents)} (steady within {one.steadiness_cents:.0f})"
            for one in record.sung
        )
    ]


def _told_threshold(record: Record, sounds: Sequence[Sound], earlier: Sequence[Record]) -> list[str]:
    right = sum(one.asked == one.given for one in record.answers)
    lines = [f"{right} of {len(record.answers)} right"]
    found = record.threshold
    if found is None:
        return [*lines, "too few answers for a threshold: about fifty tell one, twenty are the least"]
    about = f"{record.sound} {record.notes}, {record.timbre}, {record.seconds:g} s"
    if found.cents > MOST_CENTS:
        lines.append(f"your threshold for {about} lies beyond {MOST_CENTS:.0f} cents, or you guessed")
    else:
        lines.append(
            f"your threshold for {about}: {found.cents:.1f} cents, or {found.beats_hz:.2f} beats a second"
        )
    lines.append(
        f"in 90 of 100 such runs it lies between {found.low_cents:.1f} and {found.high_cents:.1f} cents"
    )
    one_beat = sum(sound.cents_of_beats(1 / record.seconds) for sound in sounds) / len(sounds)
    lines.append(f"one beat in {record.seconds:g} s is {one_beat:.1f} cents here")
    like = same_kind(record, earlier)
    if like:
        last = like[-1].threshold
        assert last is not None
        was = f"last time, {like[-1].when[:10]}: {last.cents:.1f} ({last.low_cents:.1f} to {last.high_cents:.1f})"
        if found.high_cents < last.low_cents:
            lines.append(f"{was}: finer now")
        elif found.low_cents > last.high_cents:
            lines.append(f"{was}: coarser now")
        else:
            lines.append(f"{was}: no difference that is sure")
    return lines


def record_row(record: Record) -> tuple[str, ...]:
    """Return a record as a row: when, exercise, sound, notes, timbre, seconds, how much was done, result."""
    count, result = len(record.answers), ""
    if record.threshold is not None:
        found = record.threshold
        result = f"{found.cents:.1f} cents ({found.low_cents:.1f} to {found.high_cents:.1f})"
        result += f", {found.beats_hz:.2f} beats a second"
    elif record.rounds:
        count = len(record.rounds)
        settled = settling([Settled(one.began_cents, one.error_cents) for one in record.rounds])
        assert settled is not None
        spread = "" if settled.spread_cents is None else f", spread {settled.spread_cents:.1f}"
        result = f"{signed(settled.mean_cents)} cents{spread}"
    elif record.sung:
        count = len(record.sung)
        result = ", ".join(f"{one.name} {signed(one.cents)}" for one in record.sung)
    return (
        record.when.replace("T", " ")[:16],
        record.exercise,
        record.sound,
        record.notes,
        record.timbre,
        f"{record.seconds:g}",
        str(count),
        result,
    )
