"""The drone: which notes are held and how loud, when, and how far from the table, as messages with due times.

A `Drone` has no clock, port or table: it plays keys, and whatever retunes a keyboard retunes it too. It is a source of
notes beside the keyboard (`due`, `next_s`, `release`): for a file it is driven through simulated time, live by the
player's clock.

- *Loudness.* Every step begins at nothing, swells over `DronePlan.swell_s` (never less than `LEAST_SWELL_S`), and fades
  to nothing before its notes end, so that the rest after it is silent. Swelling is done by expression (controller 11);
  it never goes beyond `MOST_EXPRESSION`, and less the more notes sound.
- *Settling.* A note may begin some cents off. It is brought home by pitch bend on a channel of its own, on top of
  whatever tunes the synth, so that every synth whose bends move sounding notes can settle, by whatever method. The
  distance shrinks as (1 − u)², u running from 0 to 1 in `DronePlan.settle_s`: beats slow down quickly at first, the
  last ones are long, and then they stop.
- *Beats* are those of the lowest note with each other one: of the partials that coincide once all is settled.

Conventions: times in seconds; channels 1 to 16; a distance in cents is to the table, positive above it.

Index: `DroneNote`, `DroneStep`, `DronePlan`, `Drone` · `remaining_share`, `beats`, `Beat` · `restored`.

Sources: MIDI 1.0 Detailed Specification (expression, controller 11; pitch bend). Caution about continuous sound: NIOSH,
*Criteria for a Recommended Standard: Occupational Noise Exposure*, Publication 98-126 (1998).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from bridge.errors import ValueProblem
from bridge.tuning.beats import beat_rate_hz, main_pair
from bridge.wire.bend import bend_message, bend_value
from bridge.wire.rpn import bend_range

LEAST_SWELL_S = 2.0
MOST_NOTES = 8
MOST_OFF_CENTS = 100.0
MOST_EXPRESSION = 120
VELOCITY = 108
BEND_RANGE_SEMITONES = 2
FADE_S = 0.6
"""Time in which a step falls silent before its notes end."""
TAIL_S = 0.4
"""Time after the last note until its channel's expression is put back: what still dies away must not swell."""
STEP_S = 0.05
"""Time between two steps of a swell or of settling."""

_EXPRESSION = 11
_TIME_LIMIT_S = 24 * 3600.0


@dataclass(frozen=True)
class DroneNote:
    """A note to hold.

    Attributes
    ----------
    key : int
        MIDI key.
    off_cents : float
        How far above the table it begins where it settles; 0: it stands still.
    """

    key: int
    off_cents: float = 0.0


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
    """What a drone does.

    Parameters
    ----------
    steps : tuple of DroneStep
        One after the other; a drone that is simply held has one.
    channels : tuple of int
        Channels 1 to 16, one for each note that sounds at the same time.
    hold_s : float, optional
        How long each step sounds, swell and fade included; None: a single step until it is let go.
    rest_s : float
        Silence after each step, to sing into.
    rounds : int
        How often the steps are gone through.
    swell_s : float
        Time to full loudness, at least `LEAST_SWELL_S`.
    wait_s, settle_s : float
        How long the beats are left alone once it is loud, and how long settling then takes.
    level : float
        Loudness above 0, at most 1.
    program : int, optional
        MIDI program 0 to 127; None: the synth keeps its sound.
    bend_scale : float
        How far the synth bends for what is asked, 1 if exactly.

    Raises
    ------
    ValueProblem
        Something is out of range or does not go together.
    """

    steps: tuple[DroneStep, ...]
    channels: tuple[int, ...] = tuple(range(1, MOST_NOTES + 1))
    hold_s: float | None = None
    rest_s: float = 0.0
    rounds: int = 1
    swell_s: float = 3.0
    wait_s: float = 3.0
    settle_s: float = 12.0
    level: float = 0.8
    program: int | None = 19
    bend_scale: float = 1.0

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
        needed_s = self.swell_s + FADE_S
        what = f"the swell ({self.swell_s:g} s) and the fade ({FADE_S:g} s)"
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
        return self.rounds * len(self.steps) * (self.hold_s + self.rest_s) + TAIL_S

    def top_expression(self, notes: int) -> int:
        """Return the loudest expression for so many notes: the power of the sum stays the same."""
        return max(1, round(MOST_EXPRESSION * self.level / math.sqrt(math.sqrt(notes))))


@dataclass(frozen=True)
class Beat:
    """How fast two notes beat.

    Attributes
    ----------
    low_key, high_key : int
        The lowest note and the other one.
    partial, other_partial : int
        Which of their partials meet.
    rate_hz : float
        Beats per second.
    """

    low_key: int
    high_key: int
    partial: int
    other_partial: int
    rate_hz: float


def remaining_share(plan: DronePlan, at_s: float) -> float:
    """Return how much of the distance is left at a time from the step's beginning: 1 at first, 0 when settled."""
    u = (at_s - plan.swell_s - plan.wait_s) / plan.settle_s
    return (1.0 - min(max(u, 0.0), 1.0)) ** 2


def beats(step: DroneStep, table_hz: Sequence[float], share: float) -> tuple[Beat, ...]:
    """Return how the lowest note beats with each other one.

    Parameters
    ----------
    step : DroneStep
    table_hz : sequence of 128 float
        The table that holds.
    share : float
        How much of the distances is left (`remaining_share`).

    Returns
    -------
    tuple of Beat
        Only for notes that come near a simple interval once settled.
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


def restored(channels: Iterable[int]) -> list[bytes]:
    """Return what puts back what a drone changed beside notes and bends: expression, on every channel given."""
    return [bytes((0xB0 | channel - 1, _EXPRESSION, 127)) for channel in channels]


class Drone:
    """Plays a plan.

    Parameters
    ----------
    plan : DronePlan
    start_s : float
        When it begins.
    position_s : float
        Where in the plan to begin: at the beginning of the step which is there. A single step that has
        settled by then does not settle again.
    """

    def __init__(self, plan: DronePlan, start_s: float, position_s: float = 0.0) -> None:
        self.plan = plan
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
        self._next_s: float | None = start_s if self._phase == "begin" else None
        self._held: list[tuple[int, int]] = []
        self._expression = 0
        self._bends: dict[int, int] = {}

    @property
    def _count(self) -> int:
        return len(self.plan.steps) * self.plan.rounds

    # ---- what drives it

    @property
    def next_s(self) -> float | None:
        """When `due` wants to be called next, infinite while it is only held; None if nothing more comes."""
        return self._next_s

    def due(self, now_s: float) -> list[tuple[float, bytes]]:
        """Return what is due by now: the time at which it was due, and one whole message."""
        found: list[tuple[float, bytes]] = []
        while self._next_s is not None and self._next_s <= now_s:
            at_s = self._next_s
            found += [(at_s, data) for data in self._do(at_s)]
        return found

    def release(self) -> list[bytes]:
        """Let go of everything, for good; return the note-offs."""
        self._phase, self._next_s = "over", None
        return self._offs()

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
        """``begin``, ``sound``, ``rest``, ``tail`` (nothing sounds any more) or ``over``."""
        return self._phase

    @property
    def number(self) -> int:
        """Which step it is, counted from 1 through all rounds."""
        return min(self._number, self._count - 1) + 1

    @property
    def expression(self) -> int:
        """The expression that it was brought to, 0 to 127."""
        return self._expression

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
            for channel in self.channels:
                if plan.program is not None:
                    sent.append(bytes((0xC0 | channel - 1, plan.program)))
                sent += bend_range(channel, BEND_RANGE_SEMITONES)
        self._from_s = at_s
        self._phase = "sound"
        self._expression = 0
        self._bends = {}
        sent += [bytes((0xB0 | channel - 1, _EXPRESSION, 0)) for channel in self.channels]
        sent += self._settling(at_s)
        for note, channel in zip(self.step.notes, plan.channels, strict=False):
            sent.append(bytes((0x90 | channel - 1, note.key, VELOCITY)))
            self._held.append((channel, note.key))
        self._next_s = at_s + STEP_S
        return sent

    def _fall(self, at_s: float) -> list[bytes]:
        """End a step; what is left of its notes dies away at no loudness."""
        self._number += 1
        self._expression = 0
        sent = [bytes((0xB0 | channel - 1, _EXPRESSION, 0)) for channel in self.channels]
        sent += self._offs()
        if self._number < self._count:
            self._phase = "rest"
            self._next_s = at_s + self.plan.rest_s
        else:
            self._phase = "tail"
            self._next_s = at_s + max(self.plan.rest_s, TAIL_S)
        return sent

    def _offs(self) -> list[bytes]:
        held, self._held = self._held, []
        return [bytes((0x80 | channel - 1, key, 64)) for channel, key in held]

    def _loudness(self, at_s: float, end_s: float | None) -> list[bytes]:
        top = self.plan.top_expression(len(self.step.notes))
        part = (at_s - self._from_s) / self.plan.swell_s
        if end_s is not None:
            part = min(part, (end_s - at_s) / FADE_S)
        value = round(top * min(max(part, 0.0), 1.0))
        if value == self._expression:
            return []
        self._expression = value
        return [bytes((0xB0 | channel - 1, _EXPRESSION, value)) for channel, _ in self._held]

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
        if swelling:
            return at_s + STEP_S if end_s is None else min(at_s + STEP_S, end_s)
        times = [] if end_s is None else [max(end_s - FADE_S, at_s + STEP_S)]
        if settling:
            times.append(max(self._from_s + plan.swell_s + plan.wait_s, at_s + STEP_S))
        soon_s = min(times, default=math.inf)
        return soon_s if end_s is None else min(soon_s, end_s)
