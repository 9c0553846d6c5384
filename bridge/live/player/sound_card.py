"""The sound card as a system of ports: its one output per device plays the built-in tone generator.

So whatever plays to a synth's port plays to the sound card as well, with the same care on the way out.

A dead sound server takes PortAudio along (see `bridge.sound.device.output`): once no sound has been asked for in
`STALLED_S`, `gone` is called, which should end the process and let another take its place.
"""

from __future__ import annotations

from collections.abc import Callable

from bridge.errors import PortProblem
from bridge.live.plan import SOUND_CARD
from bridge.ports.base import InPort, MidiSystem, OutPort, Receive
from bridge.sound.device.output import LiveSound
from bridge.sound.device.outputs import end_portaudio, sound_outputs

USUAL = "the usual sound card"
"""Name of the output that is used when none is named."""

STALLED_S = 1.0

END_S = 1.0
"""The sound system has so long to let us go."""


def no_card() -> PortProblem:
    """Return what is told where there is no sound output: nobody has typed the name of a port."""
    return PortProblem(
        "there is no sound output on this computer",
        "connect or switch on a sound card or start the sound server; or play on a synth: --out NAME; "
        "or make a file to listen to: stillbeat render, or drone -o",
    )


class _SoundPort(OutPort):
    """The tone generator on one device."""

    def __init__(self, name: str, sound: LiveSound) -> None:
        self.name = name
        self.sound = sound

    def emit(self, data: bytes) -> None:
        self.sound.send(data)

    def close(self) -> None:
        self.closed = True
        self.sound.close()


class SoundSystem(MidiSystem):
    """Sound outputs, each a synth that obeys every method.

    Parameters
    ----------
    gone : callable
        Called when the sound card has stopped asking for sound.
    """

    title = SOUND_CARD
    can_make_ports = False

    def __init__(self, gone: Callable[[], None]) -> None:
        self._gone = gone
        self._names: list[str] | None = None
        self._port: _SoundPort | None = None

    def inputs(self) -> list[str]:
        """Return none."""
        return []

    def outputs(self) -> list[str]:
        """Return the devices; PortAudio can look for new ones only while none is open."""
        port = self._port
        if port is not None and not port.closed:
            if port.sound.failure is not None:
                raise RuntimeError(
                    f"the tone generator failed: {port.sound.failure!r}"
                ) from port.sound.failure
            if port.sound.stalled_s > STALLED_S:
                self._gone()
            assert self._names is not None
            return self._names
        found = sound_outputs(rescan=self._names is not None)
        names = list(dict.fromkeys(output.name for output in found))
        self._names = [USUAL, *names] if names else []
        return self._names

    def open_input(self, name: str, receive: Receive, *, label: str = "in") -> InPort:
        """Refuse: a sound card plays."""
        raise PortProblem(f"{name} is a sound card, not a keyboard", "name a keyboard's port")

    def open_output(self, name: str, *, label: str = "out") -> OutPort:
        """Open a device and swell up."""
        if self._port is not None and not self._port.closed:
            raise PortProblem(f"{self._port.name} is open already", "one sound output at a time")
        sound = LiveSound(None if name == USUAL else name)
        sound.start()
        self._port = _SoundPort(name, sound)
        return self._port

    def make_input(self, receive: Receive, *, label: str = "in") -> InPort:
        """Refuse (see `open_input`)."""
        raise PortProblem("a sound card has no ports of our own", "name one of its outputs")

    def make_output(self, *, label: str = "out") -> OutPort:
        """Refuse: nothing connects to a sound card."""
        raise PortProblem("a sound card has no ports of our own", "name one of its outputs")

    def close(self) -> None:
        """Close what is open, and take leave of the sound system."""
        if self._port is not None:
            self._port.close()
        end_portaudio(END_S)
