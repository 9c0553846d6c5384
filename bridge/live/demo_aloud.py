"""The demo aloud: a drone that settles, then the piece in tune, on the sound card.

Never waits for long: a sound card that stops answering ends it.
"""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from bridge.jobs.drone import DroneRequest, plan_drone
from bridge.live.backing import load_backing
from bridge.live.desk.desk import Desk
from bridge.live.desk.labels import Labels
from bridge.live.desk.typed import DRONE_KEYS_SHOWN, Command, Typed
from bridge.live.desk.views.playing import make_display
from bridge.live.plan import LivePlan
from bridge.live.prepare.drone import sound_card_plan
from bridge.tuning.spec import TableSpec

DEMO_DRONE = DroneRequest(
    notes=("third",), settle="tempered", hold_s=15.0, rest_s=0.0, swell_s=2.0, wait_s=3.0, settle_s=6.0
)
MARGIN_S = 15.0
"""So much longer than the music lasts may playing take, start and end included."""


def play_demo(spec: TableSpec, piece: Path, device: str | None = None) -> None:
    """Play a drone and then a MIDI file in a table on the sound card; q, a signal or Ctrl-C ends it.

    StillbeatError if the sound card cannot be used, or the file not read.
    """
    backing = load_backing(piece)
    drone = plan_drone(DEMO_DRONE, spec, endless=False)
    evening = _Evening()
    with evening.reading():
        for plan, length_s in (
            (sound_card_plan(spec, drone=drone, device=device), drone.length_s),
            (sound_card_plan(spec, backing=backing, device=device), backing.length_s),
        ):
            if not evening.left:
                evening.play(plan, length_s)


class _Evening:
    """One performance after the other, led by the same keys."""

    def __init__(self) -> None:
        self.left = False
        """Whether somebody wanted to leave before the end."""
        self._desk: Desk | None = None
        self._typed = Typed(self._take)

    @contextlib.contextmanager
    def reading(self) -> Iterator[None]:
        """Read keys where there is a terminal; anything else that comes in is for the next command."""
        if sys.stdin is not None and sys.stdin.isatty():
            self._typed.start()
        try:
            yield
        finally:
            self._typed.stop()

    def _take(self, command: Command) -> None:
        if command == "quit" or getattr(command, "name", "") == "panic":
            self.left = True
        if self._desk is not None:
            self._desk.typed(command)

    def play(self, plan: LivePlan, length_s: float) -> None:
        """Play a plan to its end, or until somebody leaves, or until it has taken far too long."""
        desk = self._desk = Desk()
        limit = threading.Timer(length_s + MARGIN_S, self._take, ("quit",))
        limit.daemon = True
        limit.start()
        began_s = time.monotonic()
        try:
            drone = plan.drone is not None
            labels = Labels(plan.tables, keys=DRONE_KEYS_SHOWN if drone else DRONE_KEYS_SHOWN[2:])
            desk.run(plan, labels, lambda: make_display(False, self._typed.keys, drone))
        finally:
            limit.cancel()
        if time.monotonic() - began_s < length_s:
            self.left = True
