"""Where sound can come in: microphones and instrument inputs of this computer, by name.

PortAudio is loaded by `bridge.sound.device.outputs`, late, and what holds there about a sound server that dies
holds here.
"""

from __future__ import annotations

from bridge.errors import PortProblem
from bridge.sound.device.outputs import SoundDevice, pick_by_name, portaudio


class SoundInput(SoundDevice):
    """A place where sound can come in."""


def sound_inputs() -> list[SoundInput]:
    """Return the inputs that there are.

    Raises
    ------
    PortProblem
        sounddevice or PortAudio is missing.
    """
    library = portaudio()
    systems = library.query_hostapis()
    default = library.default.device[0]
    if default < 0:
        default = next(
            (int(s["default_input_device"]) for s in systems if int(s["default_input_device"]) >= 0), -1
        )
    return [
        SoundInput(
            index,
            str(device["name"]),
            str(systems[device["hostapi"]]["name"]),
            int(device["max_input_channels"]),
            round(device["default_samplerate"]),
            index == default,
        )
        for index, device in enumerate(library.query_devices())
        if device["max_input_channels"] > 0
    ]


def pick_input(name: str | None = None) -> SoundInput:
    """Return the input whose name contains `name` (any case), or the default one.

    Raises
    ------
    PortProblem
        There is none, none of that name, or several.
    """
    inputs = sound_inputs()
    if not inputs:
        raise PortProblem(
            "there is no microphone or other sound input on this computer",
            "connect one or start the sound server; or record a take and listen to the file",
        )
    return pick_by_name(inputs, name, "sound input")
