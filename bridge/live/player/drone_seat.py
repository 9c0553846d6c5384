"""The drone's place in a player: what it shows, how it fades when one leaves, and what is put back after it.

All calls come from the player's own thread.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import replace

from bridge.engine.play.drone import PlannedDrone, restored
from bridge.engine.play.drone_plan import DronePlan, beats
from bridge.live.plan import LivePlan
from bridge.live.state import Lesson
from bridge.tuning.ratios import cents_to_ratio

FADE_STEPS = 8
FADE_STEP_S = 0.03
TAIL_S = 0.35
"""What was let go dies away before loudness is put back."""


class DroneSeat:
    """A drone that plays in a player.

    Parameters
    ----------
    plan : LivePlan
        Of the player.
    drone : DronePlan
        What the drone does.
    now_s : float
        When it begins.
    sleep : callable
        Waits so many seconds.
    """

    def __init__(
        self, plan: LivePlan, drone: DronePlan, now_s: float, sleep: Callable[[float], None] = time.sleep
    ) -> None:
        self.drone = PlannedDrone(drone, now_s, plan.position_s if plan.returning else 0.0)
        self._sleep = sleep
        self._channels = plan.heard_on(self.drone.channels)

    def lesson(self, now_s: float, table_hz: Sequence[float]) -> Lesson:
        """Return how far it is, and how it beats in a table."""
        drone, step = self.drone, self.drone.step
        share = drone.share(now_s)
        return Lesson(
            drone.phase,
            drone.number,
            step.name,
            tuple(
                (note.key, float(table_hz[note.key]) * cents_to_ratio(share * note.off_cents))
                for note in step.notes
            ),
            tuple(replace(beat, rate_hz=round(beat.rate_hz, 3)) for beat in beats(step, table_hz, share)),
        )

    def fade(self, send: Callable[[list[bytes]], None]) -> None:
        """Let the drone fall silent and end its notes.

        Parameters
        ----------
        send : callable
            Takes messages of the drone's, to be retuned and sent now.
        """
        drone = self.drone
        if drone.phase == "sound":
            top = drone.expression
            for number in range(1, FADE_STEPS + 1):
                value = top - top * number // FADE_STEPS
                send([bytes((0xB0 | channel - 1, 11, value)) for channel in drone.channels])
                self._sleep(FADE_STEP_S)
        send(drone.release())

    def put_back(self) -> list[bytes]:
        """Wait until what was let go has died away; return what puts the loudness of its channels back."""
        self._sleep(TAIL_S)
        return restored(self._channels)
