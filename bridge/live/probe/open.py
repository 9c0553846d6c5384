"""Opens what an examination needs, runs it, and leaves: ports, the sound input or the musician, signals.

Where no sound input is named, one that bears the synth's own name is taken (on a JACK server a soft synth is heard
directly), else the usual one; where there is none at all the musician is asked.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import TextIO

from bridge.engine.probe.course import Findings
from bridge.engine.probe.messages import ALL_DEVICES, Place
from bridge.errors import PortProblem, ValueProblem
from bridge.live.probe.ask import Asker, ask_musician
from bridge.live.probe.examine import Prober, Progress, examine
from bridge.live.probe.seat import VELOCITY, Guard, Memory, Seat, held_signals
from bridge.ports.base import NEW_PORT, MidiSystem
from bridge.ports.find import find_system
from bridge.ports.jack_watch import JackWatch
from bridge.ports.pick import device_of, pick_port, same_port
from bridge.ports.rtmidi_ports import quiet
from bridge.sound.device.asking import BROKEN, NO_ANSWER, sound_problem
from bridge.sound.device.inputs import SoundInput, pick_input, sound_inputs
from bridge.sound.device.microphone import Microphone
from bridge.sound.listening.probe_ear import Ear


@dataclass(frozen=True)
class ProbeRequest:
    """What was asked for; ports, system and sound input by parts of their names."""

    out_port: str
    reply_port: str | None = None
    system: str | None = None
    device: str | None = None
    ask: bool = False  # the musician, even if there is a sound input
    channel: int = 1  # where test notes are played, and on which key
    key: int = 69
    sound: int | None = None  # program to choose first, 1 to 128
    velocity: int = VELOCITY
    device_id: int = ALL_DEVICES  # the synth's, 0 to 127


@dataclass
class Stage:
    """What was found: nothing has been opened or sent yet."""

    system: MidiSystem
    port: str  # the synth's full name
    reply: str | None  # the port on which it answers
    input: SoundInput | None  # what it is heard through; None: the musician is asked
    why_asked: str = ""  # why that is so though it was not wished

    def close(self) -> None:
        """Let go of the system."""
        self.system.close()


def find_stage(request: ProbeRequest) -> Stage:
    """Find ports and the sound input; PortProblem if a port or an input that was named is not there."""
    if request.out_port.strip().lower() == NEW_PORT:
        raise ValueProblem(
            "a port of our own has no synth behind it yet", "name the synth's port; see: stillbeat ports"
        )
    system = find_system(request.system, [request.reply_port], [request.out_port])
    try:
        with quiet():
            outs, ins = system.outputs(), system.inputs()
            port = same_port(request.out_port, outs) or pick_port(request.out_port, outs, "output")
            reply = None
            if request.reply_port is not None:
                reply = same_port(request.reply_port, ins) or pick_port(request.reply_port, ins, "input")
            heard, why = (None, "") if request.ask else _find_input(request.device, port)
    except BaseException:
        system.close()
        raise
    return Stage(system, port, reply, heard, why)


def _find_input(device: str | None, port: str) -> tuple[SoundInput | None, str]:
    """Return the input to listen to, or None and why there is none."""
    problem = sound_problem("input")
    broken = problem in (BROKEN, NO_ANSWER)  # then it must not be asked from here
    if device is not None:
        if broken:
            raise PortProblem(problem, "look at its settings; or leave --mic away, and answer by ear")
        return pick_input(device), ""
    if broken:
        return None, problem
    try:
        for each in sound_inputs():
            if each.name.lower() == device_of(port):
                return each, ""
        return pick_input(None), ""
    except PortProblem as problem:
        return None, problem.message


def run_probe(
    request: ProbeRequest,
    stage: Stage,
    progress: Progress,
    answers: TextIO,
    say: Callable[[str], None],
) -> Findings:
    """Examine the synth, and put it back whatever happens.

    StillbeatError if the synth is not heard, or a port or input goes away.

    Parameters
    ----------
    stage : Stage
        As `find_stage` has it; closed here.
    progress : callable
        What is being tried, and how much is done, 0 to 1.
    answers : text stream
        A line for each answer, where the musician is asked.
    """
    place = Place(request.key, request.channel, 2 if request.channel == 1 else 1, request.device_id)
    with held_signals() as guard, contextlib.ExitStack() as opened:
        opened.callback(stage.close)
        microphone = None
        if (
            stage.input is not None
        ):  # opened before the port, and so closed after it: the synth is silenced first
            microphone = Microphone(stage.input.name)
            microphone.input = stage.input
            opened.enter_context(microphone)
        with quiet():
            port = stage.system.open_output(stage.port)
        seat = Seat(port, velocity=request.velocity, sound=request.sound)
        if stage.system.title == "JACK":
            watch = JackWatch(seat.gone.set)
            opened.callback(watch.close)
        opened.callback(_leave, guard, seat)
        if stage.reply is not None:
            memory = Memory(stage.system, stage.reply)
            opened.callback(memory.close)
            seat.keep(memory.ask(seat, request.device_id))
        if microphone is None:
            return ask_musician(Asker(seat, place, answers, say), place, lambda text: progress(text, 0.0))
        ear = Ear(microphone)
        seat.wait = ear.skip
        return examine(Prober(seat, ear, place), place, progress)


def _leave(guard: Guard, seat: Seat) -> None:
    """Leave the seat; signals change nothing any more."""
    try:
        guard.hold()
    finally:
        seat.leave()
