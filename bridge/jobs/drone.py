"""From what a musician asked for to a drone, and from a drone to a sound file.

What its notes are called stands in `bridge.tuning.drone_notes`, what sounds there are in
`bridge.engine.play.drones.sounds`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from bridge.engine.mts.live import MtsLiveEngine
from bridge.engine.play.drones.plan import DroneNote, DronePlan, DroneStep, beats
from bridge.engine.play.drones.planned import PlannedDrone
from bridge.engine.play.drones.sounds import SOUND, drone_program
from bridge.errors import ValueProblem
from bridge.sound.files.wav import SoundReport
from bridge.sound.render import render_file
from bridge.store.files import check_output
from bridge.store.profiles import load_profile
from bridge.tuning.drone_notes import USUAL, VOICE, drone_keys, is_interval, moved_names
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import Table, build_table, equal_table

LESSON = ("unison", "third", "fifth", "chord")
FILE_HOLD_S = 30.0
"""How long a drone in a file sounds unless told otherwise."""
STEP_HOLD_S = 8.0
STEP_REST_S = 6.0
STILL_HZ = 0.005
"""Beats slower than this, one in minutes, count as none."""


@dataclass(frozen=True)
class DroneRequest:
    """A drone as asked for."""

    notes: tuple[str, ...] = ()  # what to hold where there are no steps; empty: tonic and fifth
    steps: tuple[str, ...] = ()  # each the notes of a step, such as ``third`` or ``1,b3``
    voice: str = VOICE  # one of `bridge.tuning.drone_notes.VOICES`
    settle: str | None = None  # ``tempered``, or by how many cents each note but the lowest begins off
    # Time for each step and silence after it; None: what suits.
    hold_s: float | None = None
    rest_s: float | None = None
    # As in `DronePlan`; `level` from 1 to 100, `sound` one of `bridge.engine.play.drones.sounds.SOUNDS`.
    rounds: int = 1
    swell_s: float = 3.0
    wait_s: float = 3.0
    settle_s: float = 12.0
    level: float = 80.0
    sound: str = SOUND


def plan_drone(
    request: DroneRequest,
    spec: TableSpec,
    channels: Sequence[int] = tuple(range(1, 9)),
    bend_scale: float = 1.0,
    endless: bool = True,
) -> DronePlan:
    """Work out a drone.

    ValueProblem if a name or value makes no sense.

    Parameters
    ----------
    spec : TableSpec
        The table that it is tuned by.
    channels : sequence of int
        Channels 1 to 16 that it may use.
    bend_scale : float
        See `DronePlan`.
    endless : bool
        Whether a drone without steps may sound until it is let go; otherwise it gets an end.
    """
    if request.notes and request.steps:
        raise ValueProblem("notes to hold and steps were both asked for", "name either")
    table, equal = build_table(spec), equal_table(spec)
    asked = request.steps or (" ".join(request.notes) or USUAL,)
    off_cents = parse_settle(request.settle)
    steps = []
    for text in asked:
        keys = drone_keys(moved_names(text, spec.transposed), table.tonic, request.voice)
        steps.append(DroneStep(_step_name(table, text, keys), _notes(keys, table, equal, off_cents)))
    if off_cents is not None and not any(step.settles for step in steps):
        raise ValueProblem(
            "these notes beat as little tempered as in the table: nothing can settle",
            "add a third or fifth, or say how many cents off, such as --settle 14",
        )
    several = len(steps) > 1 or request.rounds > 1
    hold_s, rest_s = request.hold_s, request.rest_s
    if hold_s is None and (several or not endless):
        moving_s = request.wait_s + request.settle_s if any(step.settles for step in steps) else 0.0
        hold_s = (STEP_HOLD_S if several else FILE_HOLD_S) + request.swell_s + moving_s
    if rest_s is None:
        rest_s = STEP_REST_S if several else 0.0
    return DronePlan(
        steps=tuple(steps),
        channels=tuple(channels),
        hold_s=hold_s,
        rest_s=rest_s,
        rounds=request.rounds,
        swell_s=request.swell_s,
        wait_s=request.wait_s,
        settle_s=request.settle_s,
        level=request.level / 100.0,
        program=drone_program(request.sound),
        bend_scale=bend_scale,
    )


def parse_settle(text: str | None) -> float | None:
    """Read ``tempered`` (returned as NaN) or a number of cents; None stays None.

    ValueProblem if it is neither, or nothing, or beyond 100 cents.
    """
    if text is None:
        return None
    word = text.strip().lower()
    if word in ("tempered", "equal"):
        return math.nan
    try:
        cents = float(word.removesuffix("cents").removesuffix("c").strip())
    except ValueError:
        cents = math.nan
    if not 0.0 < abs(cents) <= 100.0:
        raise ValueProblem(f"settling from {text!r}", "tempered, or cents from -100 to 100, such as 14 or -8")
    return cents


def _step_name(table: Table, text: str, keys: Sequence[int]) -> str:
    names = " ".join(table.note(key) for key in keys)
    return f"{text.strip().lower()}: {names}" if is_interval(text) else names


def _notes(keys: Sequence[int], table: Table, equal: Table, off_cents: float | None) -> tuple[DroneNote, ...]:
    """Give each note its distance at the beginning; the lowest stands still."""
    low = keys[0]
    if off_cents is None:
        return tuple(DroneNote(key) for key in keys)
    if math.isnan(off_cents):
        aside = hz_to_cents(float(equal.hz[low]), float(table.hz[low]))
        distances = [hz_to_cents(float(equal.hz[key]), float(table.hz[key])) - aside for key in keys]
        for key, cents in zip(keys, distances, strict=True):
            if abs(cents) > 100.0:
                raise ValueProblem(
                    f"{table.note(key)} lies {cents:+.0f} cents from where it is tempered: too far to settle",
                    "at most 100 cents; say a number of cents instead, such as --settle 14",
                )
        return tuple(DroneNote(key, round(cents, 9)) for key, cents in zip(keys, distances, strict=True))
    if len(keys) == 1:
        # A unison: a second voice on the same note comes home to the first.
        return (DroneNote(low), DroneNote(low, off_cents))
    return tuple(DroneNote(key, off_cents if key != low else 0.0) for key in keys)


def drone_lines(plan: DronePlan, table: Table) -> list[str]:
    """Say in words what a drone does, step by step, with the pitch of its notes and the beats of settling."""
    lines = []
    table_hz = [float(hz) for hz in table.hz]
    for number, step in enumerate(plan.steps, 1):
        pitches = ", ".join(
            f"{table.note(key)} {table.hz[key]:.3f} Hz ({table.cents_from_equal[key]:+.1f} cents from equal)"
            for key in sorted({note.key for note in step.notes})
        )
        lines.append(f"step {number}: {pitches}" if len(plan.steps) > 1 else pitches)
        begin, end = beats(step, table_hz, 1.0), beats(step, table_hz, 0.0)
        for first, last in zip(begin, end, strict=True):
            pair = f"{table.note(first.low_key)} - {table.note(first.high_key)}"
            if step.settles:
                lines.append(
                    f"  {pair}: from {first.rate_hz:.2f} beats a second to {rate_words(last.rate_hz)}"
                )
            elif last.rate_hz >= STILL_HZ:
                lines.append(f"  {pair}: {rate_words(last.rate_hz)}")
    if plan.hold_s is not None:
        rest = f", then {plan.rest_s:g} of silence" if plan.rest_s else ""
        each = "each step " if len(plan.steps) > 1 else ""
        often = f", {plan.rounds} times" if plan.rounds > 1 else ""
        lines.append(f"{each}{plan.hold_s:g} seconds{rest}{often}")
    return lines


def rate_words(rate_hz: float) -> str:
    """Say how fast two notes beat."""
    return "none" if rate_hz < STILL_HZ else f"{rate_hz:.2f} beats a second"


# ---- to a file


def drone_events(plan: DronePlan, table_hz: Sequence[float]) -> Iterator[tuple[float, bytes]]:
    """Yield all of a drone for the built-in tone generator: seconds from the start, and a message.

    ValueProblem if the drone has no end.
    """
    if math.isinf(plan.length_s):
        raise ValueProblem("a drone in a file needs an end", "say --hold SECONDS")
    profile = load_profile("builtin")
    engine = MtsLiveEngine(profile, table_hz, "note")
    yield from engine.start(0.0)
    drone = PlannedDrone(plan, 0.0)
    last_s = 0.0
    while (at_s := drone.next_s) is not None:
        for due_s, data in drone.due(at_s):
            yield from engine.feed(data, due_s)
            last_s = due_s
    yield from engine.stop(last_s)


def render_drone(
    plan: DronePlan,
    table_hz: Sequence[float],
    output: Path,
    sample_rate: int = 44100,
    overwrite: bool = False,
    progress: Callable[[float], None] | None = None,
) -> SoundReport:
    """Write a drone to a WAV or FLAC file with the built-in tone generator.

    OutputProblem if the file exists or cannot be written; ValueProblem if the drone has no end.

    Parameters
    ----------
    plan : DronePlan
        With an end.
    table_hz : sequence of 128 float
    progress : callable, optional
        Called with how much is done, 0 to 1.
    """
    check_output(output, overwrite=overwrite)
    whole_s = plan.length_s

    def report(seconds: float) -> None:
        if progress is not None:
            progress(min(seconds / whole_s, 1.0))

    return render_file(
        output, drone_events(plan, table_hz), sample_rate, overwrite=overwrite, progress=report
    )
