"""How an evening follows: which pieces follow their harmony, the charts they have, and drones that follow those.

A player has one drone. Where a piece of the evening has a chart, all drones of the evening play as those of charts do,
on channels of their own: one without a chart holds its notes while its table lasts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bridge.engine.play.chart_plan import ChartPlan, ChordStep
from bridge.engine.play.drones.chart import ChartNote
from bridge.engine.play.drones.sounds import drone_program
from bridge.engine.play.follow_plan import FollowPlan
from bridge.engine.play.tables import PlayTable
from bridge.errors import MethodProblem, StillbeatError
from bridge.harmony.asked import FollowRequest
from bridge.jobs.harmony.degrees import named_classes
from bridge.live.prepare.chart import ChartWanted, chart_plan
from bridge.live.prepare.follow import LiveFollow, about_follow, follow_plan
from bridge.store.session.model import Drone, Piece, built
from bridge.tuning.spec import TableSpec
from bridge.wire.profile import SynthProfile


@dataclass(frozen=True)
class Place:
    """A table of an evening."""

    piece: Piece
    spec: TableSpec
    table: PlayTable
    drone: Drone
    keys: tuple[int, ...]
    """What the drone holds without a chart."""


@dataclass(frozen=True)
class EveningFollowed:
    """What comes of it."""

    follow: FollowPlan | None = None
    charts: tuple[ChartPlan | None, ...] = ()
    said: tuple[str, ...] = ()
    """What to tell."""


def has_chart(places: Sequence[Place]) -> bool:
    """Tell whether any piece has one."""
    return any(place.piece.chart is not None for place in places)


def follow_evening(
    places: Sequence[Place],
    asked: LiveFollow | None,
    method: str,
    profile: SynthProfile,
    free: Sequence[int] = (),
) -> EveningFollowed:
    """Work out how an evening is followed.

    Parameters
    ----------
    asked : LiveFollow or None
        How all pieces are followed, where that was asked for; else each as the session says.
    free : sequence of int
        Channels for drones, the best first; none: drones are held otherwise, or not at all.

    Raises
    ------
    StillbeatError
        All pieces were to be followed, and none can be.
    """
    each = [_how(place, asked, bool(free)) for place in places]
    follow: FollowPlan | None = None
    said: list[str] = []
    if method == "dump" and asked is None and any(each):
        said.append(
            "by dump the harmony cannot be followed while it is played: notes are as the tables have them"
        )
        each = [None] * len(places)
    if any(each):
        left: dict[str, StillbeatError] = {}
        known = [(place.spec, place.table, _stay(place)) for place in places]

        def leave(number: int, problem: StillbeatError) -> None:
            left.setdefault(places[number - 1].piece.title, problem)

        live = asked or LiveFollow(FollowRequest())
        tonics = [_tonic(place) for place in places]
        homes = [place.piece.spec for place in places]
        plan = follow_plan(live, known, [], method, profile, leave, tonics, each, homes)
        follow = plan if any(plan.tables) else None
        if follow is None and asked is not None:
            raise next(iter(left.values()))
        if follow is not None and follow.offered:
            said += about_follow(live, method, profile)
            if asked is None:
                titles = dict.fromkeys(
                    place.piece.title
                    for place, one in zip(places, plan.tables, strict=True)
                    if one is not None and one.keyboard
                )
                said.append(f"it is followed in: {', '.join(titles)}")
        said += [f"{title} is played as its table has it: {one.message}" for title, one in left.items()]
    charts: list[ChartPlan | None] = []
    if has_chart(places):
        for number, place in enumerate(places):
            try:
                charts.append(_chart(place, follow, number, each[number], free))
            except MethodProblem as problem:
                said.append(f"{place.piece.title} has no drone: {problem.message}")
                charts.append(_chart(place, follow, number, each[number], ()))
    return EveningFollowed(follow, tuple(charts), tuple(dict.fromkeys(said)))


def _how(place: Place, asked: LiveFollow | None, drones: bool) -> tuple[FollowRequest, bool] | None:
    """Return how a table is followed, and whether by the keyboard."""
    wanted = asked.wanted if asked is not None else place.piece.follow_harmony
    if wanted is not None:
        return wanted, True
    if drones and place.piece.chart is not None and place.drone.notes:
        return FollowRequest(), False
    return None


def _stay(place: Place) -> set[int]:
    """Return the pitch classes that a drone holds all through."""
    if place.piece.chart is not None:
        return named_classes(place.drone.text)
    return {key % 12 for key in place.keys}


def _wanted(place: Place, drones: bool) -> ChartWanted | None:
    piece, drone = place.piece, place.drone
    if piece.chart is None:
        return None
    notes = drone.text if drones else ""
    chart = piece.chart.moved(piece.spec.transposed, built(piece.spec).tonic)
    return ChartWanted(chart, f"{piece.number} {piece.title}", notes, drone.sound, drone.voice, drone.octave)


def _tonic(place: Place) -> str | None:
    wanted = _wanted(place, False)
    return wanted.tonic_under(place.piece.spec) if wanted is not None else None


def _chart(
    place: Place,
    follow: FollowPlan | None,
    number: int,
    how: tuple[FollowRequest, bool] | None,
    free: Sequence[int],
) -> ChartPlan | None:
    wanted = _wanted(place, bool(free))
    if wanted is not None:
        choices = follow.tables[number] if follow is not None else None
        request = how[0] if how is not None else FollowRequest()
        return chart_plan(wanted, place.spec, place.piece.spec, choices, request, None, free)
    if not place.keys or not free:
        return None
    if 2 * len(place.keys) > len(free):
        raise MethodProblem(
            f"{len(place.keys)} notes need {2 * len(place.keys)} channels, {len(free)} are free"
        )
    held = tuple(ChartNote(key) for key in place.keys)
    name = f"{place.piece.number} {place.piece.title}"
    own = tuple(sorted(free[: 2 * len(held)]))
    return ChartPlan(name, (ChordStep("", 0, "", (), held),), (), own, drone_program(place.drone.sound))
