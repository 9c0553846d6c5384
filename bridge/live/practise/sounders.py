"""How an exercise sounds: on the sound card, or on a synth.

On the sound card every sound of a trial is worked out beforehand, so that all are exactly equally loud and long. On a
synth the same notes are played as they come, each on a channel of its own, bent into tune (within 0.02 cents, which
every synth obeys that obeys pitch bend). Notes that are held (a drone; two notes to be tuned) are bent on both.

Whatever happens, `close` leaves silence: notes end, bends and expression go back to where they were.

Threads: one; another may set the event that stops what sounds.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Sequence
from typing import Protocol

from bridge.ear.trials import Played
from bridge.errors import PortProblem
from bridge.ports.base import MidiSystem, OutPort
from bridge.ports.find import find_system
from bridge.ports.jack_watch import JackWatch
from bridge.ports.pick import pick_port, same_port
from bridge.ports.rtmidi_ports import quiet
from bridge.sound.device.asking import sound_problem
from bridge.sound.device.outputs import END_S, end_portaudio
from bridge.sound.device.sample_player import SamplePlayer
from bridge.sound.trial import bend, nearest_key, prepare, release, strike, trial_sound

STALLED_S = 1.5
"""A sound card that has not asked for sound for so long is gone."""

SWELL_S, SWELL_STEPS = 0.8, 20
OPEN_S = 0.05
_EXPRESSION, _FULL = 11, 127


class Sounder(Protocol):
    """What plays an exercise."""

    @property
    def through(self) -> str:
        """``sound card`` or ``synth``."""
        ...

    def play(self, played: Played, level: float) -> None:
        """Play one sound of a trial, and wait for its end or until it is stopped."""
        ...

    def hold(self, hz: Sequence[float], level: float) -> None:
        """Hold notes, from silence; they take the place of others."""
        ...

    def move(self, hz: Sequence[float]) -> None:
        """Bring the notes that are held elsewhere."""
        ...

    def let_go(self) -> None:
        """End the notes that are held."""
        ...

    def close(self) -> None:
        """Leave silence, and everything as it was."""
        ...


class HeldNotes:
    """Notes on channels of their own, by MIDI.

    Parameters
    ----------
    send : callable
        Takes one message.
    wait : callable
        Lets so many seconds go by, or fewer where it is stopped.
    """

    def __init__(self, send: Callable[[bytes], None], wait: Callable[[float], object], timbre: str) -> None:
        self._send, self._wait, self._timbre = send, wait, timbre
        self._keys: list[int] = []
        self._used = 0

    def strike(self, hz: Sequence[float], level: float, swell_s: float = 0.0) -> None:
        """Begin notes; with a swell they come up from nothing."""
        self.let_go()
        channels = range(1, len(hz) + 1)
        self._used = max(self._used, len(hz))
        loud = round(_FULL * level**0.5)
        for channel in channels:
            for message in prepare(channel, self._timbre):
                self._send(message)
            self._express(channel, 0 if swell_s else loud)
        for channel, one in zip(channels, hz, strict=True):
            self._keys.append(nearest_key(one))
            for message in strike(channel, one):
                self._send(message)
        for step in range(1, SWELL_STEPS + 1 if swell_s else 1):
            self._wait(swell_s / SWELL_STEPS)
            for channel in channels:
                self._express(channel, round(loud * step / SWELL_STEPS))

    def _express(self, channel: int, value: int) -> None:
        self._send(bytes((0xB0 | channel - 1, _EXPRESSION, value)))

    def move(self, hz: Sequence[float]) -> None:
        """Bend the notes that sound."""
        for channel, (one, key) in enumerate(zip(hz, self._keys, strict=True), 1):
            self._send(bend(channel, one, key))

    def let_go(self) -> None:
        """End every note."""
        for channel, key in enumerate(self._keys, 1):
            self._send(bytes((0x80 | channel - 1, key, 64)))
        self._keys = []

    def leave(self) -> None:
        """Let go, and put every channel that was used back."""
        self.let_go()
        for message in release(range(1, self._used + 1)):
            self._send(message)


class CardSounder:
    """The sound card, with the built-in tone generator.

    Raises
    ------
    PortProblem
        There is none, or it cannot be used.
    """

    through = "sound card"

    def __init__(self, device: str | None, timbre: str, seconds: float, stop: threading.Event) -> None:
        problem = sound_problem("output", device)
        if problem:
            raise PortProblem(f"{problem}; or practise on a synth: --out NAME")
        self._timbre, self._seconds, self._stop = timbre, seconds, stop
        # Every sound has fades of its own, and the first ones are quiet.
        self._player = SamplePlayer(device, swell_s=OPEN_S)
        self._player.start()
        # Held notes last, whatever the exercise before sounded like.
        self._held = HeldNotes(self._player.send, stop.wait, "steady")

    def play(self, played: Played, level: float) -> None:
        """Play a sound that is worked out beforehand."""
        sound = trial_sound(played, self._timbre, self._seconds, self._player.sample_rate, level)
        playing = self._player.play(sound)
        while not playing.over.wait(0.02):
            self._check()
            if self._stop.is_set():
                self._player.cut()
                playing.over.wait(0.2)
                return

    def _check(self) -> None:
        if self._player.failure is not None:
            raise PortProblem(
                f"the sound failed: {self._player.failure}", "what was done so far is kept"
            ) from self._player.failure
        if self._player.stalled_s > STALLED_S:
            raise PortProblem("the sound card has stopped answering", "what was done so far is kept")

    def hold(self, hz: Sequence[float], level: float) -> None:
        """Hold notes on the tone generator."""
        self._check()
        self._held.strike(hz, level, SWELL_S)

    def move(self, hz: Sequence[float]) -> None:
        """Bend them."""
        self._check()
        self._held.move(hz)

    def let_go(self) -> None:
        """End them."""
        self._held.let_go()

    def close(self) -> None:
        """Fade out, and take leave of the sound system."""
        self._player.cut()
        self._held.leave()
        self._player.close()
        end_portaudio(END_S)


class SynthSounder:
    """A synth behind a MIDI port.

    Raises
    ------
    PortProblem
        There is no such port.
    """

    through = "synth"

    def __init__(
        self, port: OutPort, system: MidiSystem, timbre: str, seconds: float, stop: threading.Event
    ) -> None:
        self._port, self._system = port, system
        self._gone = threading.Event()
        self._watch = JackWatch(self._lost) if system.title == "JACK" else None
        self._seconds, self._stop = seconds, stop
        self._trial = HeldNotes(self._send, stop.wait, timbre)
        self._held = HeldNotes(self._send, stop.wait, "steady")

    def _lost(self) -> None:
        self._gone.set()

    def _send(self, data: bytes) -> None:
        if self._gone.is_set():  # whatever is sent now would end the program
            raise PortProblem("the MIDI server is gone", "start it again; what was done so far is kept")
        self._port.send(data)

    def play(self, played: Played, level: float) -> None:
        """Strike the notes, and let go of them."""
        self._trial.strike(played.hz, level)
        self._stop.wait(self._seconds)
        self._trial.let_go()

    def hold(self, hz: Sequence[float], level: float) -> None:
        """Hold notes."""
        self._held.strike(hz, level, SWELL_S)

    def move(self, hz: Sequence[float]) -> None:
        """Bend them."""
        self._held.move(hz)

    def let_go(self) -> None:
        """End them."""
        self._held.let_go()

    def close(self) -> None:
        """Silence the synth, put it back, and close the port."""
        with contextlib.suppress(PortProblem, OSError):
            self._trial.leave()
            self._held.leave()
        if self._watch is not None:
            self._watch.close()
        if self._gone.is_set():
            return
        with contextlib.suppress(PortProblem, OSError):
            self._port.close()
        self._system.close()


def synth_sounder(
    out_port: str, system: str | None, timbre: str, seconds: float, stop: threading.Event
) -> SynthSounder:
    """Open a synth's port by part of its name.

    Raises
    ------
    PortProblem
        There is no such port, or it cannot be opened.
    """
    found = find_system(system, [], [out_port])
    try:
        with quiet():
            names = found.outputs()
            port = found.open_output(same_port(out_port, names) or pick_port(out_port, names, "output"))
    except BaseException:
        found.close()
        raise
    return SynthSounder(port, found, timbre, seconds, stop)
