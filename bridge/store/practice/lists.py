"""A teacher's list of exercises: a small text file in TOML, read as strictly as every other description.

schema = 1
title = "Third week: thirds"
guitar = "open-d"

[[exercise]]
what = "still"            # still, wide, tune or sing
notes = "third"
trials = 30

[[exercise]]
what = "sing"
notes = "unison, octave, fifth"
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from bridge.ear.asked import FEWEST_TRIALS, LEAST_S, MOST_S, MOST_TRIALS, check_timbre, check_what
from bridge.store.toml import Section, read_toml

MOST_ITEMS = 20
_TABLE_WORDS = ("table", "guitar", "scale", "tonic", "home", "reference")


@dataclass(frozen=True)
class Item:
    """One exercise of a list."""

    what: str
    notes: str
    trials: int | None
    seconds: float | None
    timbre: str | None


@dataclass(frozen=True)
class PracticeList:
    """What a teacher gives."""

    title: str
    table: dict[str, str]  # words for a table, as on the command line
    items: tuple[Item, ...]


def read_list(path: Path) -> PracticeList:
    """Read a list.

    Raises
    ------
    InputProblem
        It is missing, no TOML, or says something that is not understood; names file and line.
    """
    section = read_toml(path)
    section.check_schema()
    title = section.line("title", "")
    table = {name: section.text(name) for name in _TABLE_WORDS if name in section}
    exercises = section.sections("exercise")
    section.refuse_others()
    if not exercises:
        raise section.problem("no exercise", "begin each with a line [[exercise]]")
    if len(exercises) > MOST_ITEMS:
        raise section.problem(f"{len(exercises)} exercises", f"a list has up to {MOST_ITEMS}", "exercise")
    return PracticeList(title, table, tuple(_item(one) for one in exercises))


def _item(section: Section) -> Item:
    item = Item(
        what=section.convert("what", check_what),
        notes=section.line("notes", ""),
        trials=section.whole("trials", FEWEST_TRIALS, MOST_TRIALS) if "trials" in section else None,
        seconds=section.number("seconds", LEAST_S, MOST_S) if "seconds" in section else None,
        timbre=section.convert("timbre", check_timbre) if "timbre" in section else None,
    )
    section.refuse_others()
    return item
