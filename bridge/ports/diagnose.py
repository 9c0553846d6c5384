"""Why there are no MIDI ports, and what to do about it, in words for a musician."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from bridge.errors import PortProblem
from bridge.ports.base import MidiSystem

_ALSA_DEVICE = Path("/dev/snd/seq")


def advice(platform: str = sys.platform) -> str:
    """Return in one sentence what to try where no system answers."""
    if platform == "linux":
        if not _ALSA_DEVICE.exists():
            return (
                "load the kernel's MIDI sequencer (sudo modprobe snd-seq), or start a JACK server; in a container "
                "pass /dev/snd on"
            )
        if not os.access(_ALSA_DEVICE, os.R_OK | os.W_OK):
            return "your user may not use MIDI: sudo usermod -aG audio $USER, then log in again"
        return "is another program holding the MIDI sequencer?"
    if platform == "darwin":
        return "open Audio MIDI Setup once, or log in again: the MIDI server of the system does not answer"
    return "is the device plugged in, and its driver installed?"


def explain(
    systems: list[MidiSystem], problems: list[PortProblem], platform: str = sys.platform
) -> list[str]:
    """Say, a sentence each, what is wrong with the systems that answer and with those that do not, and what to do.

    Empty if there are inputs and outputs; `platform` as in `sys.platform`.
    """
    said = []
    ins = [name for system in systems for name in system.inputs()]
    outs = [name for system in systems for name in system.outputs()]
    if ins and outs:
        return []
    about = [about_silent(problem, platform) for problem in problems]
    if not systems:
        reasons = "; ".join(about) or "no MIDI system is known here"
        return [f"no MIDI system answers: {reasons} ({advice(platform)})"]
    said += about
    titles = " and ".join(system.title for system in systems)
    if not ins:
        said.append(
            f"{titles}: no input; plug in a keyboard and switch it on, or start the program that plays"
        )
    if not outs:
        said.append(f"{titles}: no output; switch the synth on, or start a software synth")
    makers = [system.title for system in systems if system.can_make_ports]
    if makers:
        said.append(
            f"{' and '.join(makers)} can also make ports of our own for other programs to connect to: "
            "stillbeat play --in new --out new"
        )
    else:
        said.append(f"{titles} has no virtual ports: to connect programs, install a loop-back MIDI driver")
    return said


def about_silent(problem: PortProblem, platform: str = sys.platform) -> str:
    """Say what one silent system means."""
    if problem.message.startswith("JACK"):
        return "JACK: no server is running; start one if your synth uses JACK"
    if problem.message.startswith("ALSA"):
        return "ALSA: the MIDI sequencer cannot be opened"
    return problem.message
