"""A drone that is held beside the keyboard, and follows the tables: which messages are due when.

Every table has the keys that its drone holds. While the drone is on, a change of table lets go of the keys that the new
one does not hold and adds those that it does; what both hold goes on sounding, and whatever retunes the keyboard
retunes it. A change of voice fades out first. The drone rises from nothing and falls to nothing by expression
(controller 11) on a channel of its own; its volume is changed by the same, as slowly as it falls. It has no clock, port
or table.

Sources: MIDI 1.0 Detailed Specification (expression, controller 11).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from bridge.engine.channel_state import EXPRESSION
from bridge.engine.lifetimes import ALL_NOTES_OFF, ALL_SOUND_OFF, RESET_CONTROLLERS
from bridge.engine.play.drones.messages import STEP_S, expression, let_go, quieter, struck
from bridge.engine.play.drones.plan import MOST_EXPRESSION, toward
from bridge.errors import ValueProblem
from bridge.wire.resets import reset_kind

HELD_SWELL_S = 2.0
"""How long it takes to rise: as slowly as `stillbeat drone` at the least."""
HELD_FADE_S = 0.4
HELD_VELOCITY = 80
TOP_EXPRESSION = 90
"""Expression of one note at the usual volume: it accompanies, and somebody plays over it."""
USUAL_VOLUME = 70
"""In hundredths; at 100 one note has all the expression that there is."""

AFTER_RESET_S = 0.2
"""So long after a reset of the synth it rises anew."""

_ENDS_NOTES = (ALL_SOUND_OFF, *range(ALL_NOTES_OFF, 128))


@dataclass(frozen=True)
class HeldKeys:
    """What the drone of one table holds."""

    keys: tuple[int, ...] = ()  # MIDI keys; empty: nothing
    program: int | None = None  # its sound as a MIDI program from 0; None: what the synth is set to

    def __post_init__(self) -> None:
        for key in self.keys:
            if not 0 <= key <= 127:
                raise ValueProblem(f"a drone on MIDI key {key}", "0 to 127")


@dataclass(frozen=True)
class HoldPlan:
    """The drones of all tables."""

    # One for each table, and for each tonic (none where there are no tonics).
    tables: tuple[HeldKeys, ...]
    tonics: tuple[HeldKeys, ...] = ()
    channel: int = 16  # where it sounds, 1 to 16

    def __post_init__(self) -> None:
        if not 1 <= self.channel <= 16:
            raise ValueProblem(f"a drone on channel {self.channel}", "MIDI channels are 1 to 16")

    def at(self, number: int, tonic: int | None) -> HeldKeys:
        """Return what is held where a table (from 1), or a tonic chosen since then, holds."""
        if tonic is not None and self.tonics:
            return self.tonics[tonic]
        return self.tables[number - 1]


@dataclass
class HeldDrone:
    """The drone as it plays; a source of notes beside the keyboard."""

    plan: HoldPlan
    on: bool = False  # whether it is to sound
    volume: int = USUAL_VOLUME  # how loud it is meant to be, in hundredths
    _wanted: HeldKeys = field(default_factory=HeldKeys)
    level: float = 0.0  # how far it has risen, 0 to 1
    _held: list[int] = field(default_factory=list)
    _program: int | None = None
    _set_up: bool = False
    _sent_level: int = -1
    _volume: float = USUAL_VOLUME  # how loud it is on the way there
    _since_s: float = 0.0
    _next_s: float | None = None
    _anew: bool = False

    @property
    def keys(self) -> tuple[int, ...]:
        """What it holds at the moment."""
        return tuple(self._held)

    def follow(self, number: int, tonic: int | None, on: bool, now_s: float) -> None:
        """Take notice of what holds now; what that changes is due at once."""
        wanted = self.plan.at(number, tonic)
        if on == self.on and wanted == self._wanted:
            return
        self.on, self._wanted = on, wanted
        self._since_s = now_s
        self._next_s = now_s

    def turn(self, volume: int, now_s: float) -> None:
        """Be as loud as that, in hundredths, in a while."""
        if volume == self.volume:
            return
        self.volume = volume
        if not self._held:
            self._volume = volume
        elif self._next_s is None:
            self._since_s = self._next_s = now_s

    def strike_anew(self, now_s: float) -> None:
        """Let what sounds be struck again, as loud as it is: where sounding notes keep the pitch of an old table."""
        if self._held and self.on:
            self._anew = True
            self._next_s = now_s

    def heard(self, data: bytes, now_s: float) -> None:
        """Take notice of a message that the synth gets from elsewhere, if it takes the drone's notes or loudness."""
        if not self._held or not data:
            return
        if data[0] == 0xFF or (data[0] == 0xF0 and reset_kind(data) is not None):
            self.again(now_s + AFTER_RESET_S)
        elif data[0] == 0xB0 | self.plan.channel - 1:
            if data[1] in _ENDS_NOTES:
                self.again(now_s)
            elif data[1] in (EXPRESSION, RESET_CONTROLLERS):
                self._sent_level = -1
                self._next_s = now_s

    # ---- what drives it

    @property
    def next_s(self) -> float | None:
        """When `due` wants to be called next. It never ends: infinite while nothing is to be done."""
        return math.inf if self._next_s is None else self._next_s

    def due(self, now_s: float) -> list[tuple[float, bytes]]:
        """Return what is due by now: the time at which it was due, and one whole message."""
        if self._next_s is None or self._next_s > now_s:
            return []
        at_s = self._next_s
        passed_s, self._since_s = max(0.0, now_s - self._since_s), now_s
        self._volume = toward(self._volume, self.volume, passed_s)
        return [(at_s, data) for data in self._do(now_s, passed_s)]

    def release(self) -> list[bytes]:
        """Let go of everything, and be off; return the note-offs."""
        self.on = self._anew = False
        self._next_s = None
        self.level = 0.0
        return self._offs(self._held)

    def again(self, now_s: float) -> None:
        """The synth was away and has forgotten all: rise anew."""
        self._held, self._set_up, self.level, self._sent_level = [], False, 0.0, -1
        self._anew = False
        self._since_s = now_s
        self._next_s = now_s if self.on else None

    @property
    def used(self) -> bool:
        """Whether anything was sent that has to be put back (`bridge.engine.play.drones.messages.restored`)."""
        return self._set_up

    # ---- inside

    def _do(self, now_s: float, passed_s: float) -> list[bytes]:
        wanted = self._wanted if self.on else HeldKeys()
        if self._held and (not wanted.keys or not self._in_voice(wanted)):
            return self._fall(now_s, passed_s)
        if not wanted.keys:
            self._next_s = None
            return []
        sent: list[bytes] = []
        channel = self.plan.channel
        if not self._held:
            self.level = passed_s = 0.0
            if not self._in_voice(wanted) and wanted.program is not None:
                sent.append(bytes((0xC0 | channel - 1, wanted.program)))
            self._program, self._set_up = wanted.program, True
            sent += self._loudness(wanted)
        anew, self._anew = self._anew, False
        sent += self._offs([key for key in self._held if anew or key not in wanted.keys])
        for key in wanted.keys:
            if key not in self._held:
                self._held.append(key)
                sent.append(struck(channel, key, HELD_VELOCITY))
        self.level = min(1.0, self.level + passed_s / HELD_SWELL_S)
        sent += self._loudness(wanted)
        self._next_s = None if self.level >= 1.0 and self._volume == self.volume else now_s + STEP_S
        return sent

    def _in_voice(self, wanted: HeldKeys) -> bool:
        return self._set_up and self._program == wanted.program

    def _fall(self, now_s: float, passed_s: float) -> list[bytes]:
        """Fade; at the bottom let go, and look what is wanted then."""
        self.level = max(0.0, self.level - passed_s / HELD_FADE_S)
        sent = self._loudness(self._wanted)
        self._next_s = now_s + STEP_S
        if self.level == 0.0:
            sent += self._offs(self._held)
            if not self.on or not self._wanted.keys:
                self._next_s = None
        return sent

    def _offs(self, keys: list[int]) -> list[bytes]:
        gone = list(keys)
        self._held = [key for key in self._held if key not in gone]
        return [let_go(self.plan.channel, key) for key in gone]

    def _loudness(self, wanted: HeldKeys) -> list[bytes]:
        """Return the expression of this moment; the power of several notes together stays the same."""
        notes = max(len(self._held), len(wanted.keys))
        top = min(TOP_EXPRESSION * self._volume / USUAL_VOLUME, MOST_EXPRESSION)
        value = round(self.level * top / quieter(notes))
        if value == self._sent_level:
            return []
        self._sent_level = value
        return [expression(self.plan.channel, value)]
