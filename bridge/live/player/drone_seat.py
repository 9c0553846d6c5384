"""The drone's place in a player: how it plays, what is told of it, how it fades when one leaves, what is put back then.

All calls come from the player's own thread, but for `heard`; where the player's lock must be held it says so.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Protocol

from bridge.engine.play.drones.held import HELD_FADE_S, USUAL_VOLUME, HeldDrone, HoldPlan
from bridge.engine.play.drones.messages import STEP_S, expression, restored
from bridge.engine.play.drones.plan import LAST_TAIL_S, DronePlan, beats
from bridge.engine.play.drones.planned import PlannedDrone
from bridge.engine.play.performance import Performance
from bridge.live.plan import ChordsDrone, LivePlan, StepsDrone, TablesDrone
from bridge.live.player.chart_seat import ChartSeat
from bridge.live.player.sources import NoteSource
from bridge.live.state import Held, Lesson
from bridge.tuning.ratios import cents_to_ratio
from bridge.wire.profile import moves_sounding

_LEAVE_STEPS, _LEAVE_STEP_S = 8, 0.03
_MOST_STEPS = round(3 * HELD_FADE_S / STEP_S)
"""So many steps at most are waited for a held drone to fall silent."""


class DroneSeat(Protocol):
    """A drone that plays in a player."""

    endless: bool
    """Whether it goes on as long as somebody plays."""

    @property
    def source(self) -> NoteSource:
        """What plays."""
        ...

    def heard(self, data: bytes, now_s: float) -> list[bytes]:
        """Take notice of a message that the synth gets from elsewhere; return what goes before it. The lock is held."""
        ...

    def lead(self, now_s: float, sent: bool) -> None:
        """Let it follow the tables, which have gone out or not; the lock is held."""
        ...

    def again(self, now_s: float) -> None:
        """The synth was away and has forgotten all; the lock is held."""
        ...

    def state(self, now_s: float) -> dict[str, Any]:
        """Return what of `bridge.live.state.State` is about it; the lock is held."""
        ...

    def fade(self, send: Callable[[list[bytes]], None]) -> None:
        """Let it fall silent, and end its notes; `send` takes messages to be retuned and sent now."""
        ...

    def put_back(self) -> list[bytes]:
        """Wait until what was let go has died away; return what puts loudness back."""
        ...


def drone_seat(
    plan: LivePlan,
    performance: Performance,
    clock: Callable[[], float],
    sleep: Callable[[float], None] = time.sleep,
) -> DroneSeat | None:
    """Return the seat of a plan's drone, which begins now; None where there is none."""
    match plan.drone:
        case StepsDrone(plan=steps):
            return _Steps(plan, steps, performance, clock, sleep)
        case TablesDrone(plan=hold):
            return _Held(plan, hold, performance, clock, sleep)
        case ChordsDrone():
            return ChartSeat(plan, plan.drone.channels, performance, clock, sleep)
    return None


def usual_volume(plan: LivePlan) -> int | None:
    """Return how loud a plan's drone is meant to be at the beginning, in hundredths; None where there is none."""
    match plan.drone:
        case StepsDrone(plan=steps, volume=volume):
            return round(100 * steps.level) if volume is None else volume
        case TablesDrone(volume=volume) | ChordsDrone(volume=volume):
            return USUAL_VOLUME if volume is None else volume
    return None


class _Steps:
    """The seat of a drone that goes through steps."""

    endless = False

    def __init__(
        self,
        plan: LivePlan,
        drone: DronePlan,
        performance: Performance,
        clock: Callable[[], float],
        sleep: Callable[[float], None],
    ) -> None:
        self.source = PlannedDrone(drone, clock(), plan.position_s if plan.returning else 0.0)
        self._steps = len(drone.steps) * drone.rounds
        self._performance = performance
        self._sleep = sleep
        self._channels = plan.heard_on(self.source.channels)

    def heard(self, data: bytes, now_s: float) -> list[bytes]:
        return []

    def lead(self, now_s: float, sent: bool) -> None:
        performance = self._performance
        sounds = performance.drone and not performance.hushed
        self.source.turn(performance.drone_volume or 0 if sounds else 0, now_s)

    def again(self, now_s: float) -> None:
        self.source.again(now_s)

    def state(self, now_s: float) -> dict[str, Any]:
        drone, step, hz = self.source, self.source.step, self._performance.switch.table()
        share = drone.share(now_s)
        notes = ((note.key, hz[note.key] * cents_to_ratio(share * note.off_cents)) for note in step.notes)
        rates = (replace(beat, rate_hz=round(beat.rate_hz, 3)) for beat in beats(step, hz, share))
        phase = "quiet" if drone.quiet and drone.phase == "sound" else drone.phase
        lesson = Lesson(phase, drone.number, step.name, tuple(notes), tuple(rates), self._steps)
        return {
            "position_s": drone.position_s(now_s),
            "lesson": lesson,
            "drone_volume": self._performance.drone_volume,
        }

    def fade(self, send: Callable[[list[bytes]], None]) -> None:
        drone = self.source
        if drone.phase == "sound":
            top = drone.expression
            for number in range(1, _LEAVE_STEPS + 1):
                value = top - top * number // _LEAVE_STEPS
                send([expression(channel, value) for channel in drone.channels])
                self._sleep(_LEAVE_STEP_S)
        send(drone.release())

    def put_back(self) -> list[bytes]:
        self._sleep(LAST_TAIL_S)
        return restored(self._channels)


class _Held:
    """The seat of a drone that follows the tables."""

    endless = True

    def __init__(
        self,
        plan: LivePlan,
        hold: HoldPlan,
        performance: Performance,
        clock: Callable[[], float],
        sleep: Callable[[float], None],
    ) -> None:
        self.source = HeldDrone(hold)
        self._performance = performance
        self._clock = clock
        self._sleep = sleep
        self._stays = plan.on_change == "next" or not moves_sounding(plan.profile, plan.method)
        self._changes = 0
        self._channels = plan.heard_on((hold.channel,))

    def _follow(self, on: bool, now_s: float) -> None:
        self.source.follow(self._performance.switch.number, self._performance.switch.tonic, on, now_s)

    def heard(self, data: bytes, now_s: float) -> list[bytes]:
        self.source.heard(data, now_s)
        return []

    def lead(self, now_s: float, sent: bool) -> None:
        performance = self._performance
        self._follow(performance.drone and not performance.hushed, now_s)
        self.source.turn(performance.drone_volume or 0, now_s)
        if self._changes != performance.changes and (sent or not self._stays):
            self._changes = performance.changes
            if self._stays:
                self.source.strike_anew(now_s)

    def again(self, now_s: float) -> None:
        self.source.again(now_s)

    def state(self, now_s: float) -> dict[str, Any]:
        hold, performance = self.source, self._performance
        on, hushed = performance.drone, performance.hushed
        held = Held(hold.plan.channel, hold.keys, on, hushed, round(hold.level, 2))
        return {"held": held, "drone_volume": performance.drone_volume}

    def fade(self, send: Callable[[list[bytes]], None]) -> None:
        hold = self.source
        if not hold.keys:
            return
        self._follow(False, self._clock())
        for _ in range(_MOST_STEPS):
            if not hold.keys:
                break
            send([data for _, data in hold.due(self._clock())])
            self._sleep(STEP_S)

    def put_back(self) -> list[bytes]:
        if not self.source.used:
            return []
        self._sleep(LAST_TAIL_S)
        return restored(self._channels)
