"""A backend for mido: a program written with mido plays in tune with the guitar by changing one line.

    mido.set_backend("bridge.mido_backend")
    port = mido.open_output("synth", guitar="open-d", reference="D3=146.5", synth="fluidsynth")

Where the program cannot be changed at all, the environment does it; the options are those of the command:

    MIDO_BACKEND=bridge.mido_backend STILLBEAT_PLAY='--guitar open-d --reference D3=146.5' python program.py

Outputs retune what is sent to them; inputs pass through. Of the words of one port, keywords or the variable hold,
never both: keywords win. A port may be named by part of its name.
"""

from __future__ import annotations

from typing import Any

from bridge.door.inputs import PureInput as Input
from bridge.door.inputs import port_names, system_title
from bridge.door.output import PureOutput as Output
from bridge.door.problems import as_mido_expects

__all__ = ["Input", "Output", "get_api_names", "get_devices"]


def get_devices(api: str | None = None, **_words: Any) -> list[dict[str, Any]]:
    """Return the ports that there are, as mido asks for them."""
    with as_mido_expects():
        ins, outs = port_names(system_title(api))
    return [
        {"name": name, "is_input": name in ins, "is_output": name in outs}
        for name in dict.fromkeys([*ins, *outs])
    ]


def get_api_names() -> list[str]:
    """Return the MIDI systems of this computer, as they may stand after the slash of the backend's name."""
    from bridge.ports.rtmidi_ports import midi_systems

    with as_mido_expects():
        return [title.split()[0].lower() for title in midi_systems()]
