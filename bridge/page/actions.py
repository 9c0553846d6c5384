"""What a browser may ask: a closed list. Nothing here ends the program, and nothing names a file."""

from __future__ import annotations

from typing import Literal, TypeAlias

import msgspec

from bridge.engine.play.controls import TRIM_STEP_CENTS, VOLUME_STEP, Action
from bridge.live.desk.sung_drone import DEGREES
from bridge.live.desk.typed import Command
from bridge.live.practise.keys import MOST_MOVE_CENTS

Name: TypeAlias = Literal[
    "next",
    "previous",
    "next-piece",
    "previous-piece",
    "table",
    "piece",
    "drone",
    "follow",
    "next-chord",
    "previous-chord",
    "drone-louder",
    "drone-softer",
    "pause",
    "bar-back",
    "mute",
    "equal",
    "trim-up",
    "trim-down",
    "untrim",
    "listen",
    "undo",
    "silence",
    "chord",
    "tuner",
    "degree",
    "first",
    "second",
    "wide",
    "narrow",
    "skip",
    "move",
    "done",
]

MOST_AGE_S = 2.0
"""What was asked longer ago comes too late: the network was away, and the music went on."""
MOST_BYTES = 2048
"""An action is longer than this for nobody."""

_PLAIN: dict[str, Command] = {
    "next": Action("next"),
    "previous": Action("previous"),
    "next-piece": Action("next-piece"),
    "previous-piece": Action("previous-piece"),
    "drone": Action("drone"),
    "follow": Action("follow"),
    "next-chord": Action("next-chord"),
    "previous-chord": Action("previous-chord"),
    "drone-louder": Action("drone-volume", VOLUME_STEP),
    "drone-softer": Action("drone-volume", -VOLUME_STEP),
    "pause": Action("pause"),
    "bar-back": Action("bar-back"),
    "equal": Action("equal"),
    "trim-up": Action("trim", TRIM_STEP_CENTS),
    "trim-down": Action("trim", -TRIM_STEP_CENTS),
    "untrim": "untrim",
    "listen": "listen",
    "undo": "undo",
}


class Ask(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a browser sends."""

    action: Name
    asked_s: float
    """When, on the server's clock as the browser knows it from the last that it was shown."""
    id: str
    """Its own for every touch: what a network brings twice is done once."""
    number: float = 0.0
    words: dict[str, str] = {}


_DECODER = msgspec.json.Decoder(Ask)


def read_ask(body: bytes) -> Ask | None:
    """Return what a browser asks; None if it is not in the list, or no such thing at all."""
    try:
        ask = _DECODER.decode(body)
    except (msgspec.DecodeError, ValueError):
        return None
    short = len(ask.id) <= 64 and all(len(key) <= 20 and len(value) <= 80 for key, value in ask.words.items())
    # A number that is none (NaN) is not JSON, and one without end is refused here.
    return ask if short and len(ask.words) <= 8 and abs(ask.number) <= 1e6 else None


def command_of(name: str, number: float) -> Command | None:
    """Return what an action means at the desk; None for one that means nothing there."""
    if name in ("table", "piece", "mute"):
        return Action(name, int(number)) if 1 <= number <= 128 else None
    if name == "degree":
        return f"degree {int(number)}" if number in DEGREES else None
    return _PLAIN.get(name)


PRACTISE = ("first", "second", "wide", "narrow", "skip", "move", "done", "pause")
"""What is answered while practising."""


def practise_command(name: str, number: float) -> str | None:
    """Return what an action means while practising; None for one that means nothing there."""
    if name == "move":
        return f"move {number}" if abs(number) <= MOST_MOVE_CENTS else None
    return name if name in PRACTISE else None


def actions_of(
    command: str,
    *,
    tables: int = 0,
    pieces: bool = False,
    drone: bool = False,
    listening: bool = False,
    follow: bool = False,
    chart: bool = False,
    track: bool = False,
    parts: bool = False,
) -> tuple[str, ...]:
    """Return what a command (as in `bridge.page.frames.Stand`) offers.

    `tables` is how many there are to switch between; the others say whether there are pieces, a drone under the
    playing, a string to listen to, a track, and parts in it.
    """
    if command == "page":
        return ("tuner",)
    if command == "tune":
        return ()
    if command == "sing":
        return ("degree", "drone")
    if command == "practise":
        return PRACTISE
    asked: list[str] = ["silence", "equal", "trim-up", "trim-down", "untrim", "chord"]
    if command == "play":
        asked += ["next", "previous"] if tables > 1 else []
        asked += ["next-piece", "previous-piece", "piece"] if pieces else ["table"] if tables > 1 else []
        asked += ["follow"] if follow else []
        asked += ["pause", "bar-back"] if track else []
        asked += ["mute"] if track and parts else []
        asked += ["listen", "undo"] if listening else []
    asked += ["next-chord", "previous-chord"] if chart and command in ("play", "drone") else []
    asked += ["drone", "drone-softer", "drone-louder"] if drone or command == "drone" else []
    return tuple(asked)
