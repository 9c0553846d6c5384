"""``stillbeat ports``: which MIDI ports, sound inputs and outputs there are, and what is wrong when there are none."""

from __future__ import annotations

import click


@click.command("ports")
def ports_command() -> None:
    """List the MIDI ports, keyboards to play from and synths to play to; and where sound comes in and goes out.

    A part of a name is enough wherever a port is wanted, as long as it fits only one. If a port is missing, the list
    says what to do about it. Stillbeat's own ports are not in it. They are called stillbeat; where two runs play at
    once, STILLBEAT_NAME=organ in the environment of one gives its ports that name.

    After the list stands the library that the ports come through: python-rtmidi or rtmidi2. Where both are installed,
    STILLBEAT_PORTS=rtmidi2 in the environment takes the other one. Then comes whether the system lets what plays go
    before other programs (real-time priority).

    Sound inputs are microphones and interfaces. Every command names one by --mic NAME, a sound output by --card NAME.

    \b
      stillbeat ports
      stillbeat play --guitar open-d --in keys --out synth
    """
    from bridge.cli.parts.printing import show, show_table
    from bridge.errors import PortProblem
    from bridge.live.player.priority import promptness
    from bridge.ports.diagnose import explain
    from bridge.ports.find import answering_systems
    from bridge.ports.library import chosen_library
    from bridge.ports.rtmidi_ports import quiet
    from bridge.sound.device.asking import sound_places

    library = chosen_library()
    with quiet():
        systems, problems = answering_systems()
        rows = [(name, "in", system.title) for system in systems for name in system.inputs()]
        rows += [(name, "out", system.title) for system in systems for name in system.outputs()]
        said = explain(list(systems), problems)
        for system in systems:
            system.close()
    places, problem = sound_places()
    rows += [(one.name, one.way, one.system + (", the usual one" if one.usual else "")) for one in places]
    if rows:
        show_table(("port", "side", "system"), rows, left=(0, 1, 2))
    for way in ("in", "out"):
        if not problem and not any(one.way == f"sound {way}" for one in places):
            what = "input: no microphone to listen to" if way == "in" else "output: drones can go to files"
            show(f"no sound {what}")
    if problem:
        show(f"sound inputs and outputs cannot be listed: {problem}")
    show(f"MIDI ports through {library.name} {library.version}")
    show(promptness())
    if not systems:
        raise PortProblem("; ".join(said) or "no MIDI system answers")
    for line in said:
        show(line)
