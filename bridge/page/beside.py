"""A page beside something that plays: shows what its desk shows, and hands what browsers ask to the desk."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace

from bridge.engine.play.controls import Action
from bridge.engine.play.tables import PlayTable
from bridge.live.desk.labels import Labels
from bridge.live.desk.typed import Command
from bridge.live.plan import ChordsDrone, LivePlan, TablesDrone
from bridge.live.snapshot import Snapshot
from bridge.page.actions import actions_of, command_of
from bridge.page.frames import Asked, Stand
from bridge.page.host import Page
from bridge.page.seen import chord_keys
from bridge.tuning.notes import parse_pitch_class
from bridge.tuning.spec import TableSpec

SILENCE_S = 0.9
"""So long a silence that was asked for may take; asked for again meanwhile, it comes at once."""


def stand_of_play(plan: LivePlan, labels: Labels, spec: TableSpec | None, listening: bool) -> Stand:
    """Return what stays the same while tables are played."""
    references = tuple((step.reference or labels.reference) for step in labels.programme or ()) or (
        labels.reference,
    ) * len(plan.tables)
    backing = plan.backing
    return Stand(
        command="play",
        actions=actions_of(
            "play",
            tables=1 if plan.track_alone else len(plan.tables),
            pieces=bool(plan.starts),
            drone=isinstance(plan.drone, TablesDrone | ChordsDrone),
            listening=listening,
            follow=plan.follow is not None and plan.follow.offered,
            chart=led_by_hand(plan),
            track=backing is not None,
            parts=backing is not None and bool(backing.parts),
        ),
        spec=spec,
        tables=plan.tables,
        tonics=plan.tonics,
        references_hz=tuple(0.0 if one is None else one.hz for one in references),
        last_bar=len(backing.bars_s) if backing is not None and backing.bars_s else None,
    )


def stand_of_drone(tables: tuple[PlayTable, ...], spec: TableSpec, chart: bool = False) -> Stand:
    """Return what stays the same while a drone is held, which may be led through a chart."""
    return Stand(command="drone", actions=actions_of("drone", chart=chart), spec=spec, tables=tables)


def led_by_hand(plan: LivePlan) -> bool:
    """Whether there is a chart that no track leads through."""
    return any(chart is not None and chart.named and not chart.starts_s for chart in plan.charts)


class BesideDesk:
    """The page of a performance; the desk shows it what it shows (`bridge.live.desk.desk.Watcher`).

    Parameters
    ----------
    stand : Stand
        What stays the same.
    typed : callable
        Takes a command as if it were typed, in any thread.
    port, lan
        As in `bridge.page.host.Page`.
    """

    def __init__(
        self, stand: Stand, typed: Callable[[Command], None], port: int = 0, lan: bool = False
    ) -> None:
        self._typed = typed
        self._seen = Snapshot()
        self._fading: threading.Timer | None = None
        self.page = Page(stand, self._asked, lambda text: typed(f"tell {text}"), port, lan)

    def show(self, seen: Snapshot) -> None:
        """Show how things are now; never waits."""
        self._seen = seen
        self.page.show(replace(seen, addresses=(), code=()))  # secrets stay here

    def close(self) -> None:
        """End the page."""
        if self._fading is not None:
            self._fading.cancel()
        self.page.close()

    def _asked(self, asked: Asked) -> None:
        """Hand on what somebody at a browser asks; all of it comes from one thread."""
        match asked.action:
            case "silence":
                self._silence()
            case "chord":
                keys = (
                    chord_keys(int(asked.number), parse_pitch_class(self._seen.tonic))
                    if self._seen.tonic
                    else ()
                )
                self._typed(f"chord {' '.join(map(str, keys))}")
            case _:
                command = command_of(asked.action, asked.number)
                if command is not None:
                    self._typed(command)

    def _silence(self) -> None:
        """Let what sounds die away and then end all sound; the second time end it at once."""
        fading, self._fading = self._fading, None
        if fading is not None and fading.is_alive():
            fading.cancel()
            self._typed(Action("panic"))
            return
        self._typed("let go")
        if self._seen.drone.state in ("on", "waiting"):
            self._typed(Action("drone"))
        self._fading = threading.Timer(SILENCE_S, self._typed, (Action("panic"),))
        self._fading.daemon = True
        self._fading.start()
