"""Keeps one player going: starts its process, watches it, replaces it, and lets it leave cleanly.

The player is a process of its own, because a message to a dead JACK server hangs whoever sends it. It gives a sign of
life several times a second. One that is silent for `SILENT_S` is ended by force and replaced; so is one that says
that the server is gone, or that ended by itself. The new one waits for server and ports, silences what the old one
left sounding (`bridge.live.player.journal`), and goes on with the table that held.

Index: `Keeper`, `Inbox`.
"""

from __future__ import annotations

import queue
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any, NamedTuple, TypeAlias

import msgspec

from bridge import errors
from bridge.errors import StillbeatError
from bridge.live.frames import (
    Begin,
    Ended,
    Failed,
    FromPlayer,
    Gone,
    Leave,
    Left,
    Ready,
    ServerGone,
    ToPlayer,
)
from bridge.live.piped import Piped
from bridge.live.plan import NEW_PORT, ChordsDrone, LivePlan, StepsDrone, TablesDrone
from bridge.live.snapshot import Kind, Link
from bridge.live.state import State

SILENT_S = 2.0
"""A player that gives no sign of life for so long hangs."""
START_S = 15.0
"""So long a player may take until its first sign of life."""
RETURN_S = 30.0
"""And so long one that replaces another: a JACK server that waits for its clients takes ten seconds over each client
that was killed (measured with jackd2 1.9.21), and lets nobody in meanwhile."""
LEAVE_S = 8.0
"""So long leaving may take: a slow synth is put back piece by piece."""
ASLEEP_S = 1.0
"""Who has not looked for so long was stopped (Ctrl-Z) himself, and cannot tell whether the player was silent."""
_CRASHES = 5
_CRASH_WINDOW_S = 20.0


class FromProcess(NamedTuple):
    """What a player said, and which one: that of an old one comes to nothing."""

    generation: int
    frame: FromPlayer


Inbox: TypeAlias = "queue.SimpleQueue[Any]"
"""Where everything arrives: what players say (`FromProcess`), and whatever else its owner puts there."""


def _keyboards(plan: LivePlan, state: State) -> dict[str, Any]:
    """Return the keyboards of a plan by the full names that their ports have."""
    names = [one.name for one in state.keyboards]
    named = tuple(
        one if one.port == NEW_PORT or at >= len(names) else replace(one, port=names[at])
        for at, one in enumerate(plan.played)
    )
    return {"keyboards": named} if plan.keyboards else {"in_port": named[0].port if named else None}


class Keeper:
    """Keeps a player going.

    Create it as early as possible: its process gets ready while the tables are still being worked out.

    Parameters
    ----------
    inbox : Inbox
        Where what players say arrives. Its owner hands it on to `take`.
    say : callable
        Told what the musician should know: its kind and a text.
    """

    def __init__(self, inbox: Inbox, say: Callable[[Kind, str], None]) -> None:
        self._inbox = inbox
        self._say = say
        self._generation = 0
        self._crashes: list[float] = []
        self._looked_s = time.monotonic()
        self.plan: LivePlan | None = None
        self.state: State | None = None
        self.failed: Failed | None = None
        """Why nothing can be played any more."""
        self.ended = False
        """Whether the performance is over."""
        self.link: Link = "starting"
        self._process = self._spawn()

    def _spawn(self) -> Piped[FromPlayer]:
        self._generation += 1
        number = self._generation
        self._ready = self._spoken = self._has_left = False
        self._heard_s = time.monotonic()
        return Piped(
            "bridge.live.player.process",
            FromPlayer,
            lambda frame: self._inbox.put(FromProcess(number, Gone() if frame is None else frame)),
        )

    def begin(self, plan: LivePlan) -> None:
        """Play."""
        self.plan = plan
        self.tell(Begin(plan))

    def tell(self, frame: ToPlayer) -> None:
        """Send the player something."""
        self._process.tell(frame)

    def end(self) -> None:
        """End the player's process, whatever it does."""
        self._process.end()

    # ---- faults

    def take(self, said: FromProcess) -> FromPlayer | None:
        """Take what a player said; return it if it is news of the player that plays."""
        if said.generation != self._generation:
            return None
        self._heard_s = time.monotonic()
        self._spoken = True
        match said.frame:
            case Ready():
                self._ready = True
            case Failed():
                self.failed = said.frame
            case Left():
                self.ended = self._has_left = True
            case Ended():
                self.ended = True
            case ServerGone():
                kind = "sound" if self.plan is not None and self.plan.card else "MIDI"
                self._say("alarm", f"the {kind} server is gone; waiting for it")
                self._replace("server gone")
            case Gone():
                self._crashed()
        return said.frame

    def look(self) -> None:
        """Replace a player that hangs; call it several times a second."""
        now_s = time.monotonic()
        if now_s - self._looked_s > ASLEEP_S:
            self._heard_s = now_s
        self._looked_s = now_s
        first_s = RETURN_S if self.plan is not None and self.plan.returning else START_S
        if now_s - self._heard_s > (SILENT_S if self._spoken else first_s):
            self._say("alarm", "the player does not answer; starting it again")
            self._replace("restarting")

    def _crashed(self) -> None:
        """The player's process ended without a word."""
        now_s = time.monotonic()
        self._crashes = [at_s for at_s in self._crashes if now_s - at_s < _CRASH_WINDOW_S] + [now_s]
        starting = not self._ready and not (self.plan and self.plan.returning)
        if not starting and len(self._crashes) <= _CRASHES:
            self._say("alarm", "the player ended unexpectedly; starting it again")
            self._replace("restarting")
            return
        how = self._process.how_it_ended()
        self.failed = Failed("PortProblem", f"the player ended unexpectedly: {how}", "run again with --debug")
        self.ended = True

    def _replace(self, why: Link) -> None:
        """End the player by force, and start another that goes on where it was."""
        self._process.end()
        plan, state = self.plan, self.state
        assert plan is not None
        if state is not None:
            drone = plan.drone
            if isinstance(drone, TablesDrone | ChordsDrone) and state.held is not None:
                drone = msgspec.structs.replace(drone, on=state.held.on, volume=state.drone_volume)
            elif isinstance(drone, StepsDrone) and state.lesson is not None:
                drone = StepsDrone(drone.plan, state.lesson.phase != "quiet", state.drone_volume)
            self.plan = plan = replace(
                plan,
                kept=state.kept,
                own=state.own,
                **_keyboards(plan, state),
                out_port=plan.out_port if plan.out_port == NEW_PORT else state.synth,
                position_s=state.position_s,
                chord=state.chart.number if state.chart is not None else 0,
                drone=drone,
                track=state.track,
                follow=replace(plan.follow, on=state.following.on)
                if plan.follow is not None and state.following is not None
                else plan.follow,
                returning=True,
            )
        self.link = why
        self._process = self._spawn()
        self.tell(Begin(plan))

    # ---- the end

    def leave(self) -> None:
        """Let the player silence the synth and put it back; if it hangs, let another one do it."""
        if self.failed is None and self.plan is not None and not self._left() and self.state is not None:
            self._replace("restarting")
            self._wait_for(Ready, 4.0)
            self._left()
        self.end()

    def _left(self) -> bool:
        """Ask the player to leave, if it has not left already; tell whether it did."""
        if self._has_left:
            return True
        self.tell(Leave())
        return self._wait_for(Left, LEAVE_S)

    def _wait_for(self, wanted: type[FromPlayer], limit_s: float) -> bool:
        limit = time.monotonic() + limit_s
        while (left_s := limit - time.monotonic()) > 0.0:
            try:
                said = self._inbox.get(timeout=left_s)
            except queue.Empty:
                return False
            if not isinstance(said, FromProcess) or said.generation != self._generation:
                continue
            if isinstance(said.frame, wanted):
                return True
            if isinstance(said.frame, Failed):
                self.failed = self.failed or said.frame
            elif isinstance(said.frame, Gone | ServerGone):
                return False
        return False

    def raise_failure(self) -> None:
        """Raise what the player failed of, if it did."""
        if self.failed is None:
            return
        error = getattr(errors, self.failed.error, None)
        if isinstance(error, type) and issubclass(error, StillbeatError):
            raise error(self.failed.message, self.failed.hint)
        raise RuntimeError(f"{self.failed.error}: {self.failed.message}\n{self.failed.trace}")
