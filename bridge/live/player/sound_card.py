"""The sound card as the output of a system of ports, whose inputs are those of a MIDI system.

So whatever plays to a synth's port plays to the sound card as well, with the same care on the way out. The sound is
made in a process of its own (`bridge.live.player.sound_process`). One that ends is a port that is lost: it is started
again, and has its place again once it has said which sound cards are there.
"""

from __future__ import annotations

import queue
import subprocess
import time
from collections.abc import Callable

from bridge.errors import PortProblem
from bridge.live.frames import Leave, Refused
from bridge.live.piped import Piped
from bridge.live.player.sound_process import CLOSE_S, FromSound, Listed, Open, Opened, Send
from bridge.ports.base import InPort, MidiSystem, OutPort, Receive

USUAL = "the usual sound card"
"""Name of the output that is used when none is named."""

ANSWER_S = 12.0
"""So long the sound system may take to say what is there, and to open it: some wait for others that have left."""
SILENT_S = 3.0
"""One that plays and gives no sign of life for so long hangs."""
ASLEEP_S = 1.5
"""Who has not looked for so long was stopped himself, and cannot tell whether the process was silent."""
_STEP_S = 0.1
_DEATHS = 5
_DEATHS_S = 20.0
"""So many ends within that time are too many."""
_SLOW_S = 0.02
"""What is struck and heard so much later is felt (common practice)."""


def no_card() -> PortProblem:
    """Return what is told where there is no sound output: nobody has typed the name of a port."""
    return PortProblem(
        "there is no sound output on this computer",
        "connect or switch on a sound card or start the sound server; or play on a synth: --out NAME; "
        "or make a file to listen to: stillbeat render, or drone -o",
    )


class _SoundPort(OutPort):
    """The tone generator on one device."""

    def __init__(self, name: str, process: Piped[FromSound], delay_s: float) -> None:
        self.name = name
        self._process = process
        self.about = f"what you play is heard {1000 * delay_s:.0f} ms later on the sound card"
        if delay_s > _SLOW_S:
            self.about += "; for less, choose a smaller buffer in its own settings"

    def emit(self, data: bytes) -> None:
        self._process.tell(Send(data))

    def close(self) -> None:
        """Fade out, and let the sound card go."""
        self.closed = True
        _leave(self._process)


def _leave(process: Piped[FromSound]) -> None:
    """Let the process fade out and end, and wait for that; one that hangs is ended by force."""
    process.tell(Leave())
    try:
        process.popen.wait(CLOSE_S)
    except subprocess.TimeoutExpired:
        process.popen.kill()


class SoundSystem(MidiSystem):
    """Sound outputs, each a synth that obeys every method, beside the keyboards of a MIDI system.

    Parameters
    ----------
    keyboards : MidiSystem or None
        Where the inputs are; None: there are none.
    alive : callable
        Called now and then while the sound card is waited for.
    """

    def __init__(self, keyboards: MidiSystem | None = None, alive: Callable[[], None] = lambda: None) -> None:
        self._keyboards = keyboards
        self._alive = alive
        self.title = keyboards.title if keyboards is not None else "sound card"
        self.can_make_ports = keyboards is not None and keyboards.can_make_ports
        self._told: queue.SimpleQueue[tuple[int, FromSound | None]] = queue.SimpleQueue()
        self._generation = 0
        self._names: tuple[str, ...] | None = None
        self._deaths: list[float] = []
        self._port: _SoundPort | None = None
        self._process = self._start()

    def _start(self) -> Piped[FromSound]:
        self._generation += 1
        self._heard_s = self._looked_s = time.monotonic()
        number = self._generation
        return Piped(
            "bridge.live.player.sound_process", FromSound, lambda told: self._told.put((number, told))
        )

    def inputs(self) -> list[str]:
        """Return the keyboards."""
        return self._keyboards.inputs() if self._keyboards is not None else []

    def outputs(self) -> list[str]:
        """Return the devices, as they are known by now."""
        while self._next(ANSWER_S if self._names is None else 0.0) is not None:
            continue
        now_s = time.monotonic()
        if now_s - self._looked_s > ASLEEP_S:
            self._heard_s = now_s
        self._looked_s = now_s
        plays = self._port is not None and not self._port.closed
        if now_s - self._heard_s > (SILENT_S if plays else ANSWER_S):
            self._process.popen.kill()  # its end is told
        return [USUAL, *self._names] if self._names else []

    def _next(self, limit_s: float) -> FromSound | None:
        """Take the next thing that the process tells, and return it; None where none comes, or it was started again.

        Raises
        ------
        PortProblem
            It cannot play, does not answer within the limit (if that is not 0), or has ended too often.
        """
        until_s = time.monotonic() + limit_s
        while True:
            try:
                generation, told = self._told.get(timeout=min(_STEP_S, limit_s))
            except queue.Empty:
                if not limit_s:
                    return None
                self._alive()
                if time.monotonic() > until_s:
                    self._process.popen.kill()
                    raise PortProblem(
                        "the sound system does not answer",
                        "look at its settings, or choose another: --card NAME",
                    ) from None
                continue
            if generation != self._generation:
                continue
            self._heard_s = time.monotonic()
            match told:
                case Refused(message, hint):
                    raise PortProblem(message, hint)
                case Listed(names):
                    self._names = names
                case None:
                    self._begin_again()
            return told

    def _begin_again(self) -> None:
        """The process has ended: start another; PortProblem where that is of no use."""
        how, now_s = self._process.how_it_ended(), time.monotonic()
        self._process.end()
        self._deaths = [at_s for at_s in self._deaths if now_s - at_s < _DEATHS_S] + [now_s]
        if self._port is None or len(self._deaths) > _DEATHS:
            self.given_up = True
            what = "cannot be started here" if self._port is None else "ends again and again"
            raise PortProblem(
                f"the sound system {what} ({how})",
                "let another program play first, and look at its sound settings; or write a file with -o",
            )
        self._names = ()
        self._process = self._start()

    def open_input(self, name: str, receive: Receive, *, label: str = "in") -> InPort:
        """Listen to a keyboard."""
        return self._inputs_of(name).open_input(name, receive, label=label)

    def open_output(self, name: str, *, label: str = "out") -> OutPort:
        """Open a device and swell up."""
        if self._port is not None and not self._port.closed:
            raise PortProblem(f"{self._port.name} is open already", "one sound output at a time")
        self._process.tell(Open(None if name == USUAL else name))
        while not isinstance(told := self._next(ANSWER_S), Opened):
            if told is None:
                raise PortProblem("the sound system has ended", "it is started again")
        self._port = _SoundPort(name, self._process, told.delay_s)
        return self._port

    def make_input(self, receive: Receive, *, label: str = "in") -> InPort:
        """Make a port that a keyboard can connect to."""
        return self._inputs_of("a sound card").make_input(receive, label=label)

    def make_output(self, *, label: str = "out") -> OutPort:
        """Refuse: nothing connects to a sound card."""
        raise PortProblem("a sound card has no ports of our own", "name one of its outputs")

    def _inputs_of(self, name: str) -> MidiSystem:
        if self._keyboards is None:
            raise PortProblem(f"{name} is a sound card, not a keyboard", "name a keyboard's port")
        return self._keyboards

    def close(self) -> None:
        """Close what is open, and take leave of the sound system."""
        _leave(self._process)
        self._process.end()
        if self._keyboards is not None:
            self._keyboards.close()
