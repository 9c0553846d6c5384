"""From what a person asked for to how the harmony is followed live: `LiveFollow`, `follow_plan`, `about_follow`."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

from bridge.engine.method import refusal
from bridge.engine.play.follow_plan import MOST_WINDOW_MS, WINDOW_MS, Choice, Choices, FollowPlan
from bridge.engine.play.tables import PlayTable
from bridge.errors import MethodProblem, StillbeatError, ValueProblem
from bridge.harmony.asked import FollowRequest
from bridge.jobs.harmony.palettes import palettes_of
from bridge.tuning.ratios import cents_to_ratio
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import build_table
from bridge.wire.profile import MTS_METHODS, SynthProfile, moves_sounding


@dataclass(frozen=True)
class LiveFollow:
    """How the harmony is to be followed while somebody plays."""

    wanted: FollowRequest
    window_ms: float = WINDOW_MS
    """How long notes of a chord may still be corrected; 0 for never."""

    def __post_init__(self) -> None:
        if not 0.0 <= self.window_ms <= MOST_WINDOW_MS:
            raise ValueProblem(
                f"a chord window of {self.window_ms:g} ms", f"0 (never) to {MOST_WINDOW_MS:g}; 40 as a rule"
            )


def follow_plan(
    follow: LiveFollow,
    tables: Sequence[tuple[TableSpec, PlayTable, Collection[int]]],
    tonics: Sequence[tuple[TableSpec, PlayTable, Collection[int]]],
    method: str,
    profile: SynthProfile | None,
    leave: Callable[[int, StillbeatError], None] | None = None,
    own: Sequence[str | None] = (),
    each: Sequence[tuple[FollowRequest, bool] | None] | None = None,
    homes: Sequence[TableSpec] = (),
    alone: bool = False,
) -> FollowPlan:
    """Work out what there is to choose from under every table.

    Parameters
    ----------
    tables, tonics : sequence of (TableSpec, PlayTable, collection of int)
        Each table, and the pitch classes that a drone holds in it.
    leave : callable, optional
        Takes the number of a table (from 1) that cannot be followed, and why: it is played as it is. Without it such
        a table is an error.
    own : sequence of (str or None)
        The tonic of the piece under each table, where a chart tells; one counts for all.
    each : sequence of ((FollowRequest, bool) or None), optional
        How each table is followed, and whether the keyboard does so or a drone alone; None: not at all. Without it all
        are followed as `follow` says.
    homes : sequence of TableSpec, optional
        With what the piece of each table begins, where there are several pieces; else it is the first table.
    alone : bool
        Whether a drone is all that plays, chord by chord; then a whole table between chords will do.

    Raises
    ------
    MethodProblem
        The method is too slow to follow by.
    TuningProblem
        A table has no scale of pure ratios.
    """
    if method == "dump" and not alone:
        others = [one for one in (*MTS_METHODS, "bend") if one != method]
        works = [one for one in others if profile is None or one == "bend" or one in profile.methods]
        raise MethodProblem(
            "by dump every stroke would wait for a whole table, so no harmony is followed while it is played",
            f"choose --method {' or '.join(works)}; or leave --follow-harmony away, or the drone that follows a chart",
        )
    found: list[list[Choices | None]] = [[], []]
    for kind, some in enumerate((tables, tonics)):
        for number, (spec, played, held) in enumerate(some, 1):
            how = (follow.wanted, True) if each is None else each[number - 1] if kind == 0 else None
            if how is None:
                found[kind].append(None)
                continue
            wanted, keyboard = how
            try:
                table = build_table(spec)
                home = build_table(homes[number - 1] if homes else tables[0][0])
                tonic = own[number - 1] if len(own) > 1 and kind == 0 else next(iter(own), None)
                palette = palettes_of([home, table], tonic, wanted, (held, held))[1]
            except StillbeatError as problem:
                if leave is None:
                    raise
                leave(number, problem)
                found[kind].append(None)
                continue
            classes = tuple(
                tuple(Choice(one.interval.ratio, one.interval.cents, one.offset_cents) for one in variants)
                for variants in palette.classes
            )
            choices = Choices(
                palette.tonic, classes, palette.base_cents, palette.natural_sevenths, keyboard, wanted.moves
            )
            found[kind].append(_sayable(choices, played, method, profile))
    window_s = follow.window_ms / 1000.0 if moves_sounding(profile, method) else 0.0
    return FollowPlan(tuple(found[0]), tuple(found[1]), window_s)


def for_drone_alone(plan: FollowPlan) -> FollowPlan:
    """Return a plan by which the drone of a chart follows, and the keyboard has its tables."""

    def alone(some: tuple[Choices | None, ...]) -> tuple[Choices | None, ...]:
        return tuple(one._replace(keyboard=False) if one is not None else None for one in some)

    return replace(plan, tables=alone(plan.tables), tonics=alone(plan.tonics))


def about_follow(follow: LiveFollow, method: str, profile: SynthProfile | None) -> list[str]:
    """Say how the harmony is followed on this synth."""
    said = ["the harmony is followed: notes may lie a comma from the table (f switches it off and on)"]
    if not moves_sounding(profile, method) and follow.window_ms:
        title = profile.title if profile is not None else "this synth"
        said.append(
            f"{title} does not move notes that sound: each note is chosen as it is struck, and not "
            "corrected when its chord turns out otherwise"
        )
    return said


def _sayable(choices: Choices, table: PlayTable, method: str, profile: SynthProfile | None) -> Choices:
    """Leave out what the method cannot say."""

    def moved(offsets: Sequence[float]) -> list[float]:
        return [hz * cents_to_ratio(offsets[key % 12]) for key, hz in enumerate(table.hz)]

    ends = [
        moved([end(one.offset_cents for one in variants) for variants in choices.classes])
        for end in (min, max)
    ]
    if refusal(method, profile, ends) is None:
        return choices
    kept = tuple(
        tuple(
            one
            for number, one in enumerate(variants)
            if not number
            or refusal(
                method,
                profile,
                [moved([one.offset_cents if at == pitch_class else 0.0 for at in range(12)])],
            )
            is None
        )
        for pitch_class, variants in enumerate(choices.classes)
    )
    return choices._replace(classes=kept)
