"""The state of things as a player tells it: values and nothing else, which go over a pipe."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import NamedTuple

from bridge.engine.play.drones.plan import Beat
from bridge.engine.play.tables import Kept


class Sounding(NamedTuple):
    """A note that sounds."""

    channel: int
    key: int
    cents: float
    """From equal temperament at A4 = 440 Hz."""


class KeyboardSeen(NamedTuple):
    """A keyboard that plays."""

    name: str
    """Of its port."""
    there: bool = True
    looped: bool = False
    """Whether what we send comes back on it, so that it is not heard."""


@dataclass(frozen=True)
class Counts:
    """What went through, and what did not."""

    received: int = 0
    sent: int = 0
    late: int = 0
    """Sent more than 5 ms after they were due."""
    lost: int = 0
    """Not sent, for want of a port."""
    dropped: int = 0
    """Came in and were no messages."""
    crowded: int = 0
    """Notes that had to give way."""
    clipped: int = 0
    """Bends that were cut at the end of the range."""
    worst_late_s: float = 0.0


@dataclass(frozen=True)
class Held:
    """The drone that follows the tables."""

    channel: int
    keys: tuple[int, ...]
    on: bool = False
    hushed: bool = False
    """Silent for a while whether it is on or not: somebody listens to the guitar."""
    level: float = 0.0
    """How far it has risen, 0 to 1."""
    others: tuple[int, ...] = ()
    """More channels on which it sounds."""

    @property
    def channels(self) -> tuple[int, ...]:
        """All channels on which it sounds."""
        return self.channel, *self.others


@dataclass(frozen=True)
class AtChord:
    """Where in a chart the playing is."""

    number: int
    """The chord that is now, from 0."""
    name: str
    bar: int
    section: str = ""
    coming: str = ""
    """The chord that comes next; empty where none does."""
    coming_bar: int = 0
    by_track: bool = False
    """Whether the bars of a track lead; else a foot or a key."""


@dataclass(frozen=True)
class Following:
    """How the harmony is followed."""

    on: bool
    can: bool
    """Whether the table that holds has anything to choose from."""
    offsets_cents: tuple[float, ...]
    """How far each pitch class lies above the table, from C to B."""


@dataclass(frozen=True)
class Lesson:
    """The drone that goes through steps (`stillbeat drone`)."""

    phase: str
    number: int
    name: str
    notes: tuple[tuple[int, float], ...]
    """Keys, and what they sound in hertz."""
    beats: tuple[Beat, ...]
    steps: int = 1
    """How many steps there are, rounds counted."""


@dataclass(frozen=True)
class TrackState:
    """The track that plays along."""

    paused: bool = False
    count_in: int = 0
    """Beats until it begins."""
    muted: tuple[int, ...] = ()
    """Parts that are left out, from 1."""


@dataclass(frozen=True, kw_only=True)
class State:
    """What holds in a player now."""

    kept: Kept
    """Which table."""
    own: tuple[bytes, ...] = ()
    """What sets the player's own bend range and tuning once more."""
    renewals: int = 0
    """How often all tables were renewed."""
    keyboard: str | None = None
    synth: str = ""
    """Names of their ports; those of several keyboards are set beside each other."""
    keyboards: tuple[KeyboardSeen, ...] = ()
    """The same one by one, in the order in which they were named."""
    keyboard_there: bool = False
    """Whether all of them are there."""
    synth_there: bool = False
    sounding: tuple[Sounding, ...] = ()
    counts: Counts = field(default_factory=Counts)
    held: Held | None = None
    following: Following | None = None
    chart: AtChord | None = None
    lesson: Lesson | None = None
    drone_volume: int | None = None
    """How loud the drone is meant to be, in hundredths; None where there is none."""
    track: TrackState | None = None
    position_s: float = 0.0
    """Where in the backing or the lesson it is."""
    bar: int | None = None

    @property
    def held_notes(self) -> tuple[Sounding, ...]:
        """Notes of the drone that is held beside the playing."""
        held = self.held
        if held is None:
            return ()
        return tuple(
            note for note in self.sounding if note.channel in held.channels and note.key in held.keys
        )

    @property
    def played(self) -> tuple[Sounding, ...]:
        """Notes that somebody plays, the drone's aside."""
        under = set(self.held_notes)
        return tuple(note for note in self.sounding if note not in under)

    def silent(self) -> State:
        """Return the same with nothing that sounds: what was played to is gone."""
        held = None if self.held is None else replace(self.held, keys=(), level=0.0)
        lesson = None if self.lesson is None else replace(self.lesson, notes=(), beats=())
        return replace(self, sounding=(), held=held, lesson=lesson)
