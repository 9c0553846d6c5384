"""The drone's place in a player: what it shows, how it fades when one leaves, and what is put back after it.

All calls come from the player's own thread.

Index: `DroneSeat`.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Any

from bridge.engine.play.drone import PlannedDrone, restored
from bridge.engine.play.drone_plan import DronePlan, beats
from bridge.live.plan import LivePlan

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

    def status(self, now_s: float, table_hz: Sequence[float]) -> dict[str, Any]:
        """Return what a display shows of it."""
        drone = self.drone
        step = drone.step
        share = drone.share(now_s)
        return {
            "position_s": drone.position_s(now_s),
            "drone": {
                "phase": drone.phase,
                "number": drone.number,
                "name": step.name,
                "notes": [
                    (note.key, float(table_hz[note.key]) * 2.0 ** (share * note.off_cents / 1200.0))
                    for note in step.notes
                ],
                "beats": [
                    (beat.low_key, beat.high_key, beat.partial, beat.other_partial, round(beat.rate_hz, 3))
                    for beat in beats(step, table_hz, share)
                ],
                "settles": step.settles,
                "share": round(share, 4),
                "level": drone.expression,
            },
        }

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
