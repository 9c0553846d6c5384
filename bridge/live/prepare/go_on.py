"""Going on with an evening where a run left it that crashed."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace

import msgspec

from bridge.errors import StillbeatError
from bridge.live.desk.labels import StepShown
from bridge.live.left_off import LeftOff
from bridge.live.plan import ChordsDrone, TablesDrone
from bridge.live.prepare.keyboard import Prepared


def place_of(left: LeftOff, programme: Sequence[StepShown]) -> int | None:
    """Return the number of the table where it was left; None where the session has no such piece any more.

    The file may have been edited since: a section that is gone leads to the beginning of its piece.
    """
    there = [number for number, step in enumerate(programme, 1) if step.title == left.piece]
    same = [number for number in there if programme[number - 1].place == left.section]
    return left.number if left.number in same else next(iter([*same, *there]), None)


def place_words(left: LeftOff, programme: Sequence[StepShown]) -> str:
    """Say where and when it was left, and what had been heard."""
    number = place_of(left, programme)
    step = programme[number - 1] if number is not None else None
    where = f"{left.piece}, which is no longer in it" if step is None else f"{step.head}, {step.place}"
    said = f"the last run ended unexpectedly {when_words(left.at_s)} in {where}"
    reference = left.reference
    if reference is not None:
        said += f"; the reference string sounded {reference.hz:.2f} Hz"
    return said


def when_words(at_s: float, now_s: float | None = None) -> str:
    """Say when something was: ``at 21:43``, with the day where it is another one."""
    now = time.localtime(now_s)
    then = time.localtime(at_s)
    day = "" if then[:3] == now[:3] else time.strftime("on %Y-%m-%d ", then)
    return day + time.strftime("at %H:%M", then)


def go_on(prepared: Prepared, left: LeftOff, place: bool = True) -> Prepared:
    """Return what was prepared so that it begins where an earlier run was left.

    Parameters
    ----------
    place : bool
        Whether its place holds too, and not the reference alone.
    """
    plan, notices = prepared.plan, list(prepared.notices)
    programme = prepared.labels.programme
    number = place_of(left, programme) if place else None
    if number is not None:
        same = programme[number - 1].place == left.section
        plan = replace(plan, kept=left.kept._replace(number=number), chord=left.chord if same else 0)
        if isinstance(plan.drone, TablesDrone | ChordsDrone):
            plan = replace(
                plan, drone=msgspec.structs.replace(plan.drone, on=left.drone_on, volume=left.drone_volume)
            )
        step = programme[number - 1]
        chart = plan.charts[number - 1] if plan.charts else None
        where = f"{step.head}, {step.place}"
        if chart is not None and chart.named and 0 < plan.chord < len(chart.steps):
            chord = chart.steps[plan.chord]
            where += f", at the chord {chord.name} of bar {chord.bar}"
        notices.append(f"going on in {where}")
    elif place:
        notices.append(f"{left.piece} is no longer in the session: it begins with the first piece")
    reference, listening = left.reference, prepared.listening
    if reference is not None:
        moved, why = None, "the session has another reference now"
        if listening is not None:
            try:
                moved = listening.go_on(reference, when_words(left.at_s))
            except StillbeatError as problem:
                why = problem.message
        if moved is None:
            notices.append(f"what was heard {when_words(left.at_s)} is not taken over: {why}")
        else:
            notices.append(moved.text)
            if moved.tables is not None:
                plan = replace(plan, tables=moved.tables.tables, tonics=moved.tables.tonics)
    return replace(prepared, plan=plan, notices=tuple(notices))
