"""Where sound can come in: microphones and instrument inputs of this computer, by name.

PortAudio is loaded by `bridge.sound.device.outputs`, late, and what holds there about a sound server that dies
holds here.
"""

from __future__ import annotations

from bridge.errors import PortProblem
from bridge.sound.device.outputs import SoundDevice, list_devices, pick_by_name


class SoundInput(SoundDevice):
    """A place where sound can come in."""


def sound_inputs() -> list[SoundInput]:
    """Return the inputs that there are; PortProblem if sounddevice or PortAudio is missing."""
    return list_devices("input", SoundInput)


def pick_input(name: str | None = None) -> SoundInput:
    """Return the input whose name contains `name` (any case), or the default one.

    PortProblem if there is none, none of that name, or several.
    """
    inputs = sound_inputs()
    if not inputs:
        raise PortProblem(
            "there is no microphone or other sound input on this computer",
            "connect one or start the sound server; or record a take and listen to the file",
        )
    return pick_by_name(inputs, name, "sound input")
