"""The place in a player of a drone that follows a chart (see `bridge.live.player.drone_seat`).

It plays on channels of its own, two for each note that it holds at once: the old chord fades while the new one rises.
Its pitches are chosen by the engine that follows the harmony, like those of everything else that is played. A note
that only fades makes way at once when somebody strikes its class, so that the new chord has its own pitch.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from bridge.engine.play.drones.chart import ChartDrone, ChartNote
from bridge.engine.play.drones.held import AFTER_RESET_S, HELD_FADE_S
from bridge.engine.play.drones.messages import STEP_S, restored
from bridge.engine.play.drones.plan import LAST_TAIL_S
from bridge.engine.play.performance import Performance
from bridge.live.plan import LivePlan
from bridge.live.state import Held
from bridge.wire.profile import moves_sounding
from bridge.wire.resets import reset_kind

_MOST_STEPS = round(3 * HELD_FADE_S / STEP_S)


class _Source:
    """What plays: it never ends, for it waits for the next chord."""

    def __init__(self, drone: ChartDrone) -> None:
        self.drone = drone
        self.at_once: list[bytes] = []
        self.again_s: float | None = None

    @property
    def next_s(self) -> float:
        if self.at_once:
            return -math.inf
        times = [one for one in (self.drone.next_s, self.again_s) if one is not None]
        return min(times, default=math.inf)

    def due(self, now_s: float) -> list[tuple[float, bytes]]:
        first, self.at_once = self.at_once, []
        return [*((now_s, data) for data in first), *self.drone.due(now_s)]

    def release(self) -> list[bytes]:
        self.at_once = []
        return self.drone.offs()


class ChartSeat:
    """The seat of a drone that follows charts."""

    endless = True

    def __init__(
        self,
        plan: LivePlan,
        own: tuple[int, ...],
        performance: Performance,
        clock: Callable[[], float],
        sleep: Callable[[float], None],
    ) -> None:
        charts = [one for one in (*plan.charts, *plan.tonic_charts) if one is not None and one.channels]
        chords = [step.held for chart in charts for step in chart.steps]
        self._drone = ChartDrone(
            chords,
            own,
            0.01 * (performance.drone_volume or 0),
            charts[0].program,
            bends=False,
            apart=plan.method == "dump",
        )
        self.source = _Source(self._drone)
        self._performance = performance
        self._clock, self._sleep = clock, sleep
        self._own = frozenset(channel - 1 for channel in own)
        self._stays = plan.on_change == "next" or not moves_sounding(plan.profile, plan.method)
        self._channels = plan.heard_on(own)
        self._held: tuple[ChartNote, ...] = ()
        self._changes = 0

    def heard(self, data: bytes, now_s: float) -> list[bytes]:
        """Take notice of a message from elsewhere; return what must go before it."""
        if not data:
            return []
        kind = data[0] & 0xF0
        if kind == 0x90 and len(data) == 3 and data[2] and data[0] & 15 != 9:
            return self._drone.make_way(data[1] % 12)
        if data[0] == 0xFF or (data[0] == 0xF0 and reset_kind(data) is not None):
            self.again(now_s + AFTER_RESET_S)
        elif kind == 0xB0 and data[0] & 15 in self._own:
            self._drone.repeat_levels()
        return []

    def lead(self, now_s: float, sent: bool) -> None:
        """Hold what the chord that is now wants."""
        source, drone, performance = self.source, self._drone, self._performance
        if source.again_s is not None:
            if source.again_s > now_s:
                return
            source.again_s = None
        walk = performance.walk
        chart = walk.chart if walk is not None else None
        step = walk.step if walk is not None else None
        on = performance.drone and not performance.hushed
        drone.turn(0.01 * (performance.drone_volume or 0), now_s)
        wanted = step.held if on and step is not None else ()
        if chart is not None and wanted and chart.program != drone.program:
            if drone.sounding():
                wanted = ()  # another voice begins out of silence
            else:
                drone.program = chart.program
                drone.forget()
                self._held = ()
        if wanted != self._held:
            self._held = wanted
            source.at_once += drone.hold(wanted, now_s)
        if self._changes != performance.changes and (sent or not self._stays):
            self._changes = performance.changes
            if self._stays:
                source.at_once += drone.strike_anew()

    def again(self, now_s: float) -> None:
        """The synth has forgotten all: rise anew."""
        self._drone.forget()
        self._held = ()
        self.source.at_once = []
        self.source.again_s = now_s

    def state(self, now_s: float) -> dict[str, Any]:
        """Return what is told of it."""
        performance, drone = self._performance, self._drone
        keys = tuple(note.key for note, _ in drone.sounding())
        first, *others = sorted(channel + 1 for channel in self._own)
        level = round(drone.loudest(), 2)
        held = Held(first, keys, performance.drone, performance.hushed, level, tuple(others))
        return {"held": held, "drone_volume": performance.drone_volume}

    def fade(self, send: Callable[[list[bytes]], None]) -> None:
        """Fall silent, and end all notes."""
        drone = self._drone
        if not drone.sounding():
            return
        self._held = ()
        send(drone.hold((), self._clock()))
        for _ in range(_MOST_STEPS):
            if not drone.sounding():
                break
            send([data for _, data in drone.due(self._clock())])
            self._sleep(STEP_S)
        send(drone.offs())

    def put_back(self) -> list[bytes]:
        """Wait until what was let go has died away; return what puts loudness back."""
        if not self._drone.used:
            return []
        self._sleep(LAST_TAIL_S)
        return restored(self._channels)
