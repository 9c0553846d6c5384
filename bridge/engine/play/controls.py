"""What a musician's hands and feet do that is no music: messages from the keyboard that choose tables.

Actions (a name, and a number where it needs one)
--------------------------------------------------
=================  =======================================================
``table`` n        choose table n (from 1)
``next``           the next table
``previous``       the table before
``piece`` n        the beginning of piece n (from 1)
``next-piece``     the beginning of the next piece
``previous-piece`` the beginning of the piece before
``tonic`` p        the tonic of pitch class p (0 = C)
``equal``          change between just and equal
``trim`` c         move the reference by c cents
``follow``         follow the harmony, or no longer
``next-chord``     the next chord of the chart; after the last, the first
``previous-chord`` the chord before
``first-chord``    the first chord
``drone``          begin or end the drone
``drone-volume`` p make the drone louder by p hundredths, or softer
``pause``          let the track wait, or go on
``bar-back``       let the track go back to the beginning of the bar before
``mute`` n         leave part n of the track out (from 1), or let it play again
``hush``           let the drone be silent, whether it is on or not, until ``unhush``
``panic``          end all sound, and set the synth up again
``listen``         hear the reference string, and move all tables
``undo``           take that back
=================  =======================================================

Where they come from
--------------------
- A program change on the control channel chooses a table, or a piece: the first program is table or piece 1; one that
  was made a foot switch does what that does. It goes no further.
- A controller that was made a foot switch acts when it goes down (64 or more, after less) and goes no further; a key
  that was made one acts when it is struck, and is silent.
- A switch key chooses a tonic by its name, or a table or piece, counted from the lowest of them.
  Switch keys are silent: their note-ons, note-offs and pressures go no further.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from bridge.errors import ValueProblem, near_names
from bridge.tuning.notes import parse_note

TRIM_STEP_CENTS = 0.5
VOLUME_STEP = 10
"""A drone is made louder or softer by so many hundredths."""


class Action(NamedTuple):
    """Something to do; see the module's text."""

    name: str
    number: float = 0


FOOT_ACTIONS: dict[str, Action] = {
    "next": Action("next"),
    "previous": Action("previous"),
    "next-piece": Action("next-piece"),
    "previous-piece": Action("previous-piece"),
    "drone": Action("drone"),
    "drone-louder": Action("drone-volume", VOLUME_STEP),
    "drone-softer": Action("drone-volume", -VOLUME_STEP),
    "pause": Action("pause"),
    "bar-back": Action("bar-back"),
    "follow": Action("follow"),
    "next-chord": Action("next-chord"),
    "previous-chord": Action("previous-chord"),
    "first-chord": Action("first-chord"),
    "equal": Action("equal"),
    "trim-up": Action("trim", TRIM_STEP_CENTS),
    "trim-down": Action("trim", -TRIM_STEP_CENTS),
    "panic": Action("panic"),
    "listen": Action("listen"),
    "undo": Action("undo"),
}
"""What a foot switch may do; ``table-3`` and ``mute-3`` besides."""

TRACK_ACTIONS = frozenset(("pause", "bar-back", "mute"))
"""What is asked of a track."""

PEDALS = {
    4: "foot pedal",
    11: "expression pedal",
    64: "sustain pedal",
    65: "portamento pedal",
    66: "sostenuto pedal",
    67: "soft pedal",
    68: "legato pedal",
    69: "hold pedal",
}
"""Controllers by the trade's names for their pedals (MIDI 1.0, table of controller numbers: foot controller,
expression, damper or sustain, portamento, sostenuto, soft pedal, legato footswitch, hold 2)."""

_UNFIT = frozenset((0, 6, 32, 38, *range(96, 102), *range(120, 128)))
"""Controllers that mean something else: banks, parameters, channel modes."""


def unfit_controller(controller: int) -> bool:
    """Tell whether a controller means something that cannot be taken from it: it can be no foot switch."""
    return not 0 <= controller <= 119 or controller in _UNFIT


def parse_foot(text: str) -> tuple[int, Action]:
    """Read ``66=next``: a controller's number, and what it does.

    ValueProblem if it is not that, or the controller has a meaning that cannot be taken from it.
    """
    number, sign, name = text.partition("=")
    if not sign or not _number(number):
        raise ValueProblem(f"{text!r} is no foot switch", _FOOT_HINT)
    controller = int(number)
    if unfit_controller(controller):
        raise ValueProblem(
            f"controller {controller} cannot be a foot switch", "1 to 95 and 102 to 119, without 6, 32 and 38"
        )
    return controller, _foot_action(str(controller), name)


class Feet(NamedTuple):
    """What foot switches of all kinds do."""

    controllers: dict[int, Action]
    programs: dict[int, Action]
    keys: dict[int, Action]


def parse_feet(texts: Iterable[str]) -> Feet:
    """Read foot switches of all kinds: ``66=next``, ``program 5=listen``, ``key A0=undo``.

    Raises
    ------
    ValueProblem
        One is none, or cannot be one.
    """
    found = Feet({}, {}, {})
    for text in texts:
        what, sign, name = text.partition("=")
        kind, _, which = " ".join(what.split()).partition(" ")
        match kind.lower() if sign and which else "":
            case "program":
                if not _number(which) or not 1 <= int(which) <= 128:
                    raise ValueProblem(f"there is no program {which}", "1 to 128, such as program 5=listen")
                found.programs[int(which)] = _foot_action(f"program {which}", name)
            case "key":
                found.keys[parse_note(which)] = _foot_action(f"key {which}", name)
            case _:
                controller, action = parse_foot(text)
                found.controllers[controller] = action
    return found


_FOOT_HINT = "write a controller and what it does, such as 66=next; or program 5=next, or key A0=next"


def _number(text: str) -> bool:
    return text.strip().isdecimal() and text.isascii() and len(text.strip()) < 5


def _foot_action(switch: str, name: str) -> Action:
    """Read what a foot switch does."""
    name = name.strip()
    if name.startswith("slot-"):
        raise ValueProblem(
            f"a foot switch cannot do {name!r}: tables are numbered now",
            f"type {switch}=table-{name.removeprefix('slot-')}",
        )
    table = name.removeprefix("table-")
    if name != table and _number(table) and 1 <= int(table) <= 128:
        return Action("table", int(table))
    part = name.removeprefix("mute-")
    if name != part and _number(part) and 1 <= int(part) <= 99:
        return Action("mute", int(part))
    if name not in FOOT_ACTIONS:
        raise ValueProblem(
            f"a foot switch cannot do {name!r}",
            near_names(name, (*FOOT_ACTIONS, "table-1", "table-2", "mute-1")),
        )
    return FOOT_ACTIONS[name]


@dataclass(frozen=True)
class Controls:
    """Which messages choose tables, and what else is done to the playing.

    ValueProblem if a value is out of range.
    """

    channel: int | None = 16  # the control channel, 1 to 16; None: there is none
    programs: Literal["table", "piece"] = "table"  # what they choose
    # Controllers that are foot switches, on any channel.
    feet: dict[int, Action] = field(default_factory=dict)
    # Programs of the control channel, from 1, and keys that do the same.
    foot_programs: dict[int, Action] = field(default_factory=dict)
    foot_keys: dict[int, Action] = field(default_factory=dict)
    zone: tuple[int, int] | None = None  # lowest and highest of the switch keys
    # What its keys choose.
    zone_means: Literal["tonic", "table", "piece"] = "tonic"
    max_velocity: int = 127  # what the hardest stroke becomes, 1 to 127; softer ones in proportion
    play_on: int | None = None  # channel to which the playing goes; None: as it comes

    def __post_init__(self) -> None:
        for what, channel in (("control channel", self.channel), ("channel", self.play_on)):
            if channel is not None and not 1 <= channel <= 16:
                raise ValueProblem(f"{what} {channel} is out of range", "MIDI channels are 1 to 16")
        if not 1 <= self.max_velocity <= 127:
            raise ValueProblem(f"a velocity of {self.max_velocity} is out of range", "1 to 127")
        if self.zone is not None:
            low, high = self.zone
            if not 0 <= low <= high <= 127:
                raise ValueProblem(f"switch keys from {low} to {high} are impossible", "lowest key first")
            if (low, high) == (0, 127):
                raise ValueProblem("the switch keys are the whole keyboard", "leave keys to play on")
        if self.foot_programs and self.channel is None:
            raise ValueProblem(
                "programs as foot switches need a control channel", "name it with --control-channel"
            )
        if self.programs not in ("table", "piece"):
            raise ValueProblem(f"program changes cannot choose {self.programs!r}", "table or piece")
        if self.zone_means not in ("tonic", "table", "piece"):
            raise ValueProblem(f"zone keys cannot choose {self.zone_means!r}", "tonic, table or piece")

    @property
    def by_port(self) -> bool:
        """Whether there are foot switches or switch keys, which come by a port."""
        return bool(self.feet or self.foot_programs or self.foot_keys) or self.zone is not None


class ControlReader:
    """Tells controls from music in a stream of whole channel messages."""

    def __init__(self, controls: Controls) -> None:
        self.controls = controls
        self._low, self._high = controls.zone or (128, -1)
        self._zone_means = controls.zone_means
        self._feet = controls.feet
        self._keys = controls.foot_keys
        self._down: set[int] = set()
        self._program = 0xC0 | controls.channel - 1 if controls.channel is not None else -1
        scale = controls.max_velocity / 127.0
        self._velocities = [0] + [max(1, round(value * scale)) for value in range(1, 128)]
        self._scales = controls.max_velocity != 127
        self._nibble = None if controls.play_on is None else controls.play_on - 1

    @property
    def plain(self) -> bool:
        """Whether nothing at all is changed or taken out."""
        return not (
            self._scales
            or self._feet
            or self._keys
            or self._program >= 0
            or self._high >= 0
            or self._nibble is not None
        )

    def take(self, data: bytes) -> tuple[Action | None, bytes | None]:
        """Take a whole channel message; return what it does, and what of it goes on as music."""
        status = data[0]
        kind = status & 0xF0
        if kind <= 0xA0:
            key = data[1]
            if key in self._keys:
                return (self._keys[key] if kind == 0x90 and data[2] else None), None
            if self._low <= key <= self._high:
                if kind != 0x90 or not data[2]:
                    return None, None
                means = self._zone_means
                return Action(means, key % 12 if means == "tonic" else key - self._low + 1), None
            data = self.soften(data)
        elif kind == 0xB0:
            action = self._feet.get(data[1])
            if action is not None:
                was_down = data[1] in self._down
                if data[2] < 64:
                    self._down.discard(data[1])
                    return None, None
                self._down.add(data[1])
                return (None if was_down else action), None
        elif status == self._program:
            number = data[1] + 1
            return self.controls.foot_programs.get(number) or Action(self.controls.programs, number), None
        if self._nibble is not None and data[0] & 0x0F != self._nibble:
            data = bytes((data[0] & 0xF0 | self._nibble,)) + data[1:]
        return None, data

    def soften(self, data: bytes) -> bytes:
        """Return a whole message, the velocity of a note-on scaled."""
        if self._scales and data[0] & 0xF0 == 0x90:
            return bytes((data[0], data[1], self._velocities[data[2]]))
        return data
