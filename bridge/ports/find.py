"""The MIDI system that has the ports which were asked for.

A computer may have several systems at once (ALSA and JACK). Where one is named, that is it; else the first that has
every port asked for.
"""

from __future__ import annotations

from collections.abc import Sequence

from bridge.errors import PortProblem
from bridge.ports.base import NEW_PORT, MidiSystem
from bridge.ports.pick import pick_port, same_port
from bridge.ports.rtmidi_ports import RtMidiSystem, midi_systems, open_system, quiet


def answering_systems() -> tuple[list[RtMidiSystem], list[PortProblem]]:
    """Return the systems that answer, and why the others do not.

    PortProblem if no library for MIDI ports is installed.
    """
    systems: list[RtMidiSystem] = []
    problems: list[PortProblem] = []
    for title, number in midi_systems().items():
        try:
            with quiet():
                systems.append(RtMidiSystem(title, number))
        except PortProblem as problem:
            problems.append(problem)
    return systems, problems


def find_system(title: str | None, ins: Sequence[str | None], outs: Sequence[str | None]) -> MidiSystem:
    """Return the system of a title, or else one that has the ports asked for.

    Ports are named by part of their names; None and `NEW_PORT` are found anywhere. PortProblem if no system
    answers, or none has all the ports.
    """
    if title is not None:
        try:
            with quiet():
                return open_system(title)
        except PortProblem as problem:
            from bridge.ports.diagnose import about_silent, advice

            raise PortProblem(about_silent(problem), problem.hint or advice()) from None
    systems, problems = answering_systems()
    if not systems:
        from bridge.ports.diagnose import explain

        raise PortProblem(*explain([], problems))
    wanted_ins = [name for name in ins if name not in (None, NEW_PORT)]
    wanted_outs = [name for name in outs if name not in (None, NEW_PORT)]
    failed: PortProblem | None = None
    chosen: RtMidiSystem | None = None
    for system in systems:
        try:
            for name in wanted_ins:
                _check(str(name), system.inputs(), "input")
            for name in wanted_outs:
                _check(str(name), system.outputs(), "output")
        except PortProblem as problem:
            failed = failed or problem
        else:
            chosen = system
            break
    for system in systems:
        if system is not chosen:
            system.close()
    if chosen is None:
        assert failed is not None
        raise failed
    return chosen


def _check(name: str, names: Sequence[str], side: str) -> None:
    if same_port(name, names) is None:
        pick_port(name, names, "input" if side == "input" else "output")
