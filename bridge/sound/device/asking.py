"""Asking the sound system first in a process of its own: a broken one can hang whoever asks it, or take him along."""

from __future__ import annotations

import json
import subprocess
from typing import TYPE_CHECKING, Literal, NamedTuple

from bridge import children
from bridge.errors import PortProblem

if TYPE_CHECKING:
    from bridge.sound.device.microphone import Microphone

LOOK_S = 10.0
"""How long the answer may take."""

NO_ANSWER = "the sound system does not answer"
BROKEN = "the sound system cannot be used"

_LOOK = """
import sys
from bridge.errors import StillbeatError
from bridge.sound.device.inputs import pick_input
from bridge.sound.device.outputs import pick_output
try:
    (pick_input if sys.argv[1] == "input" else pick_output)(sys.argv[2] or None)
except StillbeatError as error:
    print("-" + error.message + (f" ({error.hint})" if error.hint else ""))
else:
    print("+")
"""


_LIST = """
import json
from bridge.errors import StillbeatError
from bridge.sound.device.inputs import sound_inputs
from bridge.sound.device.outputs import sound_outputs
try:
    found = [
        (one.name, way, one.system, one.default)
        for way, some in (("sound in", sound_inputs()), ("sound out", sound_outputs()))
        for one in some
    ]
except StillbeatError as error:
    print("-" + error.message + (f" ({error.hint})" if error.hint else ""))
else:
    print("+" + json.dumps(found))
"""


class Place(NamedTuple):
    """Where sound can come in or go out."""

    name: str
    way: str  # ``sound in`` or ``sound out``
    system: str
    usual: bool  # whether it is taken where none is named


def sound_places(limit_s: float = LOOK_S) -> tuple[list[Place], str]:
    """Return where sound can come in and go out, and why that cannot be told; empty where it can."""
    try:
        done = children.ask(_LIST, limit_s=limit_s)
    except (OSError, subprocess.TimeoutExpired):
        return [], NO_ANSWER
    answers = [line for line in done.stdout.splitlines() if line[:1] in "+-"]
    if not answers:
        return [], BROKEN
    if answers[-1][0] == "-":
        return [], answers[-1][1:]
    return [Place(*one) for one in json.loads(answers[-1][1:])], ""


def sound_problem(
    which: Literal["input", "output"], device: str | None = None, limit_s: float = LOOK_S
) -> str:
    """Return why no sound can come in or go out by a device, the usual one for None; empty if it can."""
    try:
        done = children.ask(_LOOK, which, device or "", limit_s=limit_s)
    except (OSError, subprocess.TimeoutExpired):
        return NO_ANSWER
    answers = [line for line in done.stdout.splitlines() if line[:1] in "+-"]
    return answers[-1][1:] if answers else BROKEN


def usable_microphone(device: str | None = None) -> Microphone:
    """Return a microphone once it is sure that asking for it cannot end the program.

    PortProblem if there is no such input, or the sound system is broken.
    """
    problem = sound_problem("input", device)
    if problem in (NO_ANSWER, BROKEN):
        raise PortProblem(
            problem, "let another program record first, and look at its sound settings; or listen to a file"
        )
    from bridge.sound.device.microphone import Microphone

    return Microphone(device)
