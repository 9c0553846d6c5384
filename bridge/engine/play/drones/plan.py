"""What a drone does, and how its notes beat: values and arithmetic, without time passing.

- *Loudness.* Every step swells from nothing over `DronePlan.swell_s`, never less than `LEAST_SWELL_S`. It never goes
  beyond `MOST_EXPRESSION`, and less the more notes sound.
- *Settling.* A note may begin some cents off. The distance shrinks as (1 − u)², u running from 0 to 1 in
  `DronePlan.settle_s`: beats slow down quickly at first, the last ones are long, and then they stop.
- *Beats* are those of the lowest note with each other one: of the partials that coincide once all is settled.

Conventions: times in seconds; channels 1 to 16; a distance in cents is to the table, positive above it.

Sources: caution about continuous sound: NIOSH, *Criteria for a Recommended Standard: Occupational Noise Exposure*,
Publication 98-126 (1998).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bridge.engine.play.drones.messages import quieter
from bridge.errors import ValueProblem
from bridge.tuning.beats import beat_rate_hz, main_pair

LEAST_SWELL_S = 2.0
MOST_NOTES = 8
MOST_OFF_CENTS = 100.0
MOST_EXPRESSION = 120
STEP_FADE_S = 0.6
"""Time in which a step falls silent before its notes end."""
LAST_TAIL_S = 0.4
"""Time after the last note until its channel's expression is put back: what still dies away must not swell."""

VOLUME_S = 1.0
"""How long a change of volume takes from nothing to all: without a click."""

_TIME_LIMIT_S = 24 * 3600.0


@dataclass(frozen=True)
class DroneNote:
    """A note to hold."""

    key: int  # MIDI key
    off_cents: float = 0.0  # how far above the table it begins where it settles; 0: it stands still


@dataclass(frozen=True)
class DroneStep:
    """Notes that sound together, the lowest first, and what a musician calls them."""

    name: str
    notes: tuple[DroneNote, ...]

    @property
    def settles(self) -> bool:
        """Whether any note begins off."""
        return any(note.off_cents for note in self.notes)


@dataclass(frozen=True)
class DronePlan:
    """What a drone does; ValueProblem if something is out of range or does not go together."""

    steps: tuple[DroneStep, ...]  # one after the other; a drone that is simply held has one
    # Channels 1 to 16, one for each note that sounds at the same time.
    channels: tuple[int, ...] = tuple(range(1, MOST_NOTES + 1))
    # How long each step sounds, swell and fade included; None: a single step until it is let go.
    hold_s: float | None = None
    rest_s: float = 0.0  # silence after each step, to sing into
    rounds: int = 1  # how often the steps are gone through
    swell_s: float = 3.0  # time to full loudness, at least `LEAST_SWELL_S`
    # How long the beats are left alone once it is loud, and how long settling then takes.
    wait_s: float = 3.0
    settle_s: float = 12.0
    level: float = 0.8  # loudness above 0, at most 1
    program: int | None = 19  # MIDI program 0 to 127; None: the synth keeps its sound
    bend_scale: float = 1.0  # how far the synth bends for what is asked, 1 if exactly

    def __post_init__(self) -> None:
        most = max((len(step.notes) for step in self.steps), default=0)
        if not most or not all(step.notes for step in self.steps):
            raise ValueProblem("a drone needs a note", "such as: tonic, fifth, or D3 A3")
        if most > MOST_NOTES:
            raise ValueProblem(f"{most} notes at a time", f"at most {MOST_NOTES}")
        if most > len(self.channels):
            raise ValueProblem(
                f"{most} notes at a time need as many channels, and there are {len(self.channels)}",
                "hold fewer notes, or allow more channels",
            )
        for step in self.steps:
            for note in step.notes:
                if not abs(note.off_cents) <= MOST_OFF_CENTS:
                    raise ValueProblem(
                        f"{note.off_cents:g} cents off", f"at most {MOST_OFF_CENTS:g} to either side"
                    )
        self._check_times()
        if not 0.0 < self.level <= 1.0:
            raise ValueProblem(f"a level of {100 * self.level:g} percent", "1 to 100")

    def _check_times(self) -> None:
        if not LEAST_SWELL_S <= self.swell_s <= 60.0:
            raise ValueProblem(
                f"a swell of {self.swell_s:g} seconds",
                f"{LEAST_SWELL_S:g} to 60: a drone that starts at once can hurt, over headphones above all",
            )
        if not 0.5 <= self.settle_s <= 600.0:
            raise ValueProblem(f"settling in {self.settle_s:g} seconds", "0.5 to 600 seconds")
        if not 0.0 <= self.wait_s <= 600.0:
            raise ValueProblem(f"{self.wait_s:g} seconds before settling", "0 to 600 seconds")
        if not 0.0 <= self.rest_s <= 600.0:
            raise ValueProblem(f"a rest of {self.rest_s:g} seconds", "0 to 600 seconds")
        if not 1 <= self.rounds <= 1000:
            raise ValueProblem(f"{self.rounds} times through the steps", "1 to 1000")
        if self.hold_s is None:
            if len(self.steps) > 1:
                raise ValueProblem("several steps need a time for each", "say --hold SECONDS")
            return
        needed_s = self.swell_s + STEP_FADE_S
        what = f"the swell ({self.swell_s:g} s) and the fade ({STEP_FADE_S:g} s)"
        if any(step.settles for step in self.steps):
            needed_s += self.wait_s + self.settle_s
            what = f"{what}, the wait ({self.wait_s:g} s) and settling ({self.settle_s:g} s)"
        if not needed_s <= self.hold_s <= _TIME_LIMIT_S:
            raise ValueProblem(
                f"{self.hold_s:g} seconds are too {'short' if self.hold_s < needed_s else 'long'} for a step",
                f"at least {needed_s:g}: {what} must fit in; at most a day",
            )

    @property
    def settled_s(self) -> float:
        """When a step that settles has settled, from its beginning."""
        return self.swell_s + self.wait_s + self.settle_s

    @property
    def length_s(self) -> float:
        """How long all of it takes; infinite for a drone without end."""
        if self.hold_s is None:
            return math.inf
        return self.rounds * len(self.steps) * (self.hold_s + self.rest_s) + LAST_TAIL_S

    def top_expression(self, notes: int, volume: float | None = None) -> int:
        """Return the loudest expression for so many notes: the power of the sum stays the same.

        `volume` is in hundredths; left out, it is as loud as planned.
        """
        level = self.level if volume is None else volume / 100.0
        return max(1 if level else 0, round(MOST_EXPRESSION * level / quieter(notes)))


@dataclass(frozen=True)
class Beat:
    """How fast two notes beat."""

    # The lowest note and the other one.
    low_key: int
    high_key: int
    # Which of their partials meet.
    partial: int
    other_partial: int
    rate_hz: float  # beats per second


def remaining_share(plan: DronePlan, at_s: float) -> float:
    """Return how much of the distance is left at a time from the step's beginning: 1 at first, 0 when settled."""
    u = (at_s - plan.swell_s - plan.wait_s) / plan.settle_s
    return (1.0 - min(max(u, 0.0), 1.0)) ** 2


def beats(step: DroneStep, table_hz: Sequence[float], share: float) -> tuple[Beat, ...]:
    """Return how the lowest note beats with each other one that comes near a simple interval once settled.

    `table_hz` are 128 frequencies; `share` is how much of the distances is left (`remaining_share`).
    """
    lowest, *others = step.notes
    found = []
    low_hz = float(table_hz[lowest.key])
    for note in others:
        hz = float(table_hz[note.key])
        pair = main_pair(low_hz, hz)
        if pair is None:
            continue
        now_hz = hz * 2.0 ** (share * note.off_cents / 1200.0)
        from_hz = low_hz * 2.0 ** (share * lowest.off_cents / 1200.0)
        rate_hz = beat_rate_hz(from_hz, now_hz, pair.partial, pair.other_partial)
        found.append(Beat(lowest.key, note.key, pair.partial, pair.other_partial, rate_hz))
    return tuple(found)


def toward(now: float, wanted: float, passed_s: float) -> float:
    """Return a volume in hundredths on its way to another."""
    step = 100.0 * passed_s / VOLUME_S
    return min(now + step, wanted) if wanted > now else max(now - step, wanted)
