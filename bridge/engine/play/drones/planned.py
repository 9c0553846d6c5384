"""The drone as it plays: which messages are due when.

A `PlannedDrone` has no clock, port or table: it plays keys, and whatever retunes a keyboard retunes it too. It is a
source of notes beside the keyboard (`due`, `next_s`, `release`): for a file it is driven through simulated time, live
by the player's clock.

- *Loudness.* Every step begins at nothing, swells, and fades to nothing before its notes end, so that the rest after
  it is silent. That is done by expression (controller 11). Its volume is changed by the same, slowly.
- *Settling.* A note is brought home by pitch bend on a channel of its own, on top of whatever tunes the synth, so
  that every synth whose bends move sounding notes can settle, by whatever method.

Conventions: as in `bridge.engine.play.drones.plan`.

Sources: MIDI 1.0 Detailed Specification (expression, controller 11; pitch bend).
"""

from __future__ import annotations

import math

from bridge.engine.play.drones.messages import (
    BEND_RANGE_SEMITONES,
    STEP_S,
    StepByStep,
    expression,
    let_go,
    prepared,
    restored,
    struck,
)
from bridge.engine.play.drones.plan import (
    LAST_TAIL_S,
    STEP_FADE_S,
    DronePlan,
    DroneStep,
    remaining_share,
    toward,
)
from bridge.wire.bend import bend_message, bend_value


class PlannedDrone(StepByStep):
    """Plays a plan from `start_s` on.

    With a position it begins with the step which is there. A single step that has settled by then does not
    settle again.
    """

    def __init__(self, plan: DronePlan, start_s: float, position_s: float = 0.0) -> None:
        self.plan = plan
        self._wanted = self._volume = 100.0 * plan.level
        self._turned_s: float | None = None
        self._begin(start_s, position_s)
        self._set_up = False

    def _begin(self, start_s: float, position_s: float) -> None:
        plan = self.plan
        self._number = 0
        self._settled = plan.hold_s is None and position_s >= plan.settled_s
        if plan.hold_s is not None:
            self._number = int(max(position_s, 0.0) / (plan.hold_s + plan.rest_s) + 1e-9)
        self._from_s: float = start_s
        self._phase = "begin" if self._number < self._count else "over"
        self._next_s = start_s if self._phase == "begin" else None
        self._held: list[tuple[int, int]] = []
        self._expression = 0
        self._bends: dict[int, int] = {}

    @property
    def _count(self) -> int:
        return len(self.plan.steps) * self.plan.rounds

    # ---- what drives it

    def release(self) -> list[bytes]:
        """Let go of everything, for good; return the note-offs."""
        self._phase, self._next_s = "over", None
        return self._offs()

    def turn(self, volume: float, now_s: float) -> None:
        """Be as loud as that, in hundredths, in a while; 0 is silence, and the drone goes on."""
        if volume == self._wanted:
            return
        self._wanted = volume
        if self._phase != "sound":
            self._volume = volume
        elif self._turned_s is None:
            self._turned_s = self._next_s = now_s

    def again(self, now_s: float) -> None:
        """The synth was away and has forgotten all: begin the step anew, swelling from nothing."""
        if self._phase != "over":
            position_s = self.position_s(now_s)
            self._set_up = False
            self._begin(now_s, position_s)

    # ---- what a display asks

    @property
    def step(self) -> DroneStep:
        """The step that sounds, or sounded last, or comes first."""
        return self.plan.steps[min(self._number, self._count - 1) % len(self.plan.steps)]

    @property
    def channels(self) -> tuple[int, ...]:
        """Channels that it plays on."""
        return self.plan.channels[: max(len(step.notes) for step in self.plan.steps)]

    @property
    def phase(self) -> str:
        """``begin``, ``sound``, ``rest`` (the last one too), ``tail`` (nothing sounds any more) or ``over``."""
        return "rest" if self._phase == "tail" and self.plan.rest_s else self._phase

    @property
    def number(self) -> int:
        """Which step it is, counted from 1 through all rounds."""
        return min(self._number, self._count - 1) + 1

    @property
    def expression(self) -> int:
        """The expression that it was brought to, 0 to 127."""
        return self._expression

    @property
    def quiet(self) -> bool:
        """Whether it has been turned down to nothing."""
        return self._wanted == 0.0 and self._volume == 0.0

    def position_s(self, now_s: float) -> float:
        """Return where in the plan it is."""
        plan = self.plan
        if plan.hold_s is None:
            if self._phase != "sound":
                return 0.0
            return max(now_s - self._from_s, plan.settled_s if self._settled else 0.0)
        done_s = self._number * (plan.hold_s + plan.rest_s)
        return done_s + (max(now_s - self._from_s, 0.0) if self._phase == "sound" else 0.0)

    def share(self, now_s: float) -> float:
        """Return how much of the distances is left now."""
        if self._settled or self._phase == "over":
            return 0.0
        return remaining_share(self.plan, now_s - self._from_s) if self._phase == "sound" else 1.0

    # ---- inside

    def _do(self, at_s: float) -> list[bytes]:
        if self._phase in ("begin", "rest"):
            return self._rise(at_s)
        if self._phase == "tail":
            self._phase, self._next_s = "over", None
            return restored(self.channels)
        end_s = None if self.plan.hold_s is None else self._from_s + self.plan.hold_s
        if end_s is not None and at_s >= end_s:
            return self._fall(end_s)
        sent = self._loudness(at_s, end_s) + self._settling(at_s)
        self._next_s = self._wake_s(at_s, end_s)
        return sent

    def _rise(self, at_s: float) -> list[bytes]:
        """Begin a step."""
        plan = self.plan
        sent: list[bytes] = []
        if not self._set_up:
            self._set_up = True
            sent += prepared(self.channels, plan.program)
        self._from_s = at_s
        self._phase = "sound"
        self._expression = 0
        self._bends = {}
        sent += [expression(channel, 0) for channel in self.channels]
        sent += self._settling(at_s)
        for note, channel in zip(self.step.notes, plan.channels, strict=False):
            sent.append(struck(channel, note.key))
            self._held.append((channel, note.key))
        self._next_s = at_s + STEP_S
        return sent

    def _fall(self, at_s: float) -> list[bytes]:
        """End a step; what is left of its notes dies away at no loudness."""
        self._number += 1
        self._expression = 0
        self._volume, self._turned_s = self._wanted, None
        sent = [expression(channel, 0) for channel in self.channels]
        sent += self._offs()
        if self._number < self._count:
            self._phase = "rest"
            self._next_s = at_s + self.plan.rest_s
        else:
            self._phase = "tail"
            self._next_s = at_s + max(self.plan.rest_s, LAST_TAIL_S)
        return sent

    def _offs(self) -> list[bytes]:
        held, self._held = self._held, []
        return [let_go(channel, key) for channel, key in held]

    def _loudness(self, at_s: float, end_s: float | None) -> list[bytes]:
        if self._turned_s is not None:
            self._volume = toward(self._volume, self._wanted, max(at_s - self._turned_s, 0.0))
            self._turned_s = None if self._volume == self._wanted else at_s
        top = self.plan.top_expression(len(self.step.notes), self._volume)
        part = (at_s - self._from_s) / self.plan.swell_s
        if end_s is not None:
            part = min(part, (end_s - at_s) / STEP_FADE_S)
        value = round(top * min(max(part, 0.0), 1.0))
        if value == self._expression:
            return []
        self._expression = value
        return [expression(channel, value) for channel, _ in self._held]

    def _settling(self, at_s: float) -> list[bytes]:
        share = self.share(at_s)
        if share == 0.0 and self._phase == "sound":
            self._settled = self.plan.hold_s is None
        sent = []
        for note, channel in zip(self.step.notes, self.plan.channels, strict=False):
            cents = share * note.off_cents / self.plan.bend_scale
            value, _ = bend_value(cents, BEND_RANGE_SEMITONES)
            if self._bends.get(channel) != value:
                self._bends[channel] = value
                sent.append(bend_message(channel, value))
        return sent

    def _wake_s(self, at_s: float, end_s: float | None) -> float:
        """When something changes next: soon while it swells, settles or fades."""
        plan = self.plan
        swelling = at_s < self._from_s + plan.swell_s
        settling = self.step.settles and not self._settled and at_s < self._from_s + plan.settled_s
        if swelling or self._turned_s is not None:
            return at_s + STEP_S if end_s is None else min(at_s + STEP_S, end_s)
        times = [] if end_s is None else [max(end_s - STEP_FADE_S, at_s + STEP_S)]
        if settling:
            times.append(max(self._from_s + plan.swell_s + plan.wait_s, at_s + STEP_S))
        soon_s = min(times, default=math.inf)
        return soon_s if end_s is None else min(soon_s, end_s)
