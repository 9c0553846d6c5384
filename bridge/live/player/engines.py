"""The engine for a plan's method. Each is imported only when it is asked for, so that playing starts quickly."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from bridge.engine.play.chart_walk import ChartWalk
from bridge.engine.play.follow_plan import Choices
from bridge.engine.play.tables import TableSwitch
from bridge.engine.protocols import LiveEngine
from bridge.errors import MethodProblem
from bridge.live.plan import ChordsDrone, LivePlan, TablesDrone
from bridge.wire.profile import MTS_METHODS

if TYPE_CHECKING:
    from bridge.harmony.choice.variants import Palette


def make_engine(plan: LivePlan, switch: TableSwitch, walk: ChartWalk | None = None) -> LiveEngine:
    """Return the engine that retunes by a plan's method, beginning with the table that holds, and follows the harmony.

    `walk` is where in its chart the playing is. MethodProblem if the method cannot express the table, or needs a synth
    profile.
    """
    table_hz = switch.table()
    engine = _retuning(plan, table_hz)
    follow = plan.follow
    if follow is None:
        return engine
    from bridge.engine.play.following import FollowingEngine, palette_from

    both = (*follow.tables, *follow.tonics)
    ready = {choices: palette_from(choices) for choices in both if choices is not None}

    def palette_of(_hz: Sequence[float]) -> Palette | None:
        """Return what there is under the table that holds, whatever its trim and reference."""
        choices = None if switch.equal else under()
        return None if choices is None else ready[choices]

    def under() -> Choices | None:
        return follow.under(switch.number, switch.tonic)

    def moves() -> str:
        choices = under()
        return "some" if choices is None else choices.moves

    def keyboard() -> bool:
        choices = under()
        return choices is not None and choices.keyboard

    return FollowingEngine(
        engine,
        table_hz,
        palette_of,
        follow.window_s,
        moves,
        follow.on,
        walk.limits if walk is not None else dict,
        plan.drone.channels if isinstance(plan.drone, ChordsDrone) else (),
        keyboard,
        follow.offered,
        plan.method == "dump",
    )


def _retuning(plan: LivePlan, table_hz: Sequence[float]) -> LiveEngine:
    """Return the engine that retunes.

    MethodProblem if the method cannot express the table, or needs a synth profile.
    """
    if plan.method in MTS_METHODS:
        from bridge.engine.mts.live import MtsLiveEngine

        if plan.profile is None:
            raise MethodProblem(
                f"method {plan.method} depends on what the synth obeys", "say which with --synth"
            )
        return MtsLiveEngine(plan.profile, table_hz, plan.method, plan.channels, plan.plain)
    from bridge.engine.bend.live import BendEngine
    from bridge.engine.bend.options import BendOptions

    options = BendOptions(channels=plan.channels, plain=plan.plain, tonics=(plan.tables[0].tonic,))
    engine = BendEngine(plan.profile, table_hz, options, "mpe" if plan.method == "mpe" else "bend")
    engine.foresee(hz for table in (*plan.tables, *plan.tonics) for hz in (table.hz, table.equal_hz))
    if isinstance(plan.drone, TablesDrone):  # it may sound before anybody plays
        engine.expect(plan.controls.play_on or 1)
    return engine
