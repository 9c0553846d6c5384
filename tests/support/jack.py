"""A real sound and MIDI server without any hardware: JACK with its dummy driver, started by the tests.

:class:`JackServer` runs ``jackd`` under a name of its own, so that it disturbs no server of the user's, nor those of
tests that run beside it. :class:`JackFluidSynth` is FluidSynth as a client of it, with its shell open. :class:`JackTap`
records what sounds, records MIDI, and plays MIDI; it lives in a process of its own (`jack_tap`), so that nothing
here can hang when a server dies. All three are context managers; every wait ends as soon as what is waited for is
there, and at the latest after a stated limit.

Clients in other processes get :attr:`JackServer.env`; a client inside the test process finds the server when these
variables are set in `os.environ` (the fixture ``jack_server`` does so).

JACK knows its clients' sockets by their names alone, whatever server they belong to: of two that start in the same
moment under one name, on two servers, one fails or waits for five seconds (measured with jackd2 1.9.21: 10 of 800). So
every client here bears the number of its server, Stillbeat's own ones too; and because PortAudio's name cannot be
chosen, servers for it run one at a time.

On a busy machine a client may miss a period, which bends a measured pitch. The server therefore waits for its clients
(sound may come late, but is complete) unless ``synchronous=False`` is asked for, as is right where time is measured; a
recording knows its dropouts, and :meth:`Recording.clean` finds a stretch without any.

Index: :class:`JackServer`, :class:`JackFluidSynth`, :class:`JackTap`, :class:`Recording`.

Sources: jackd(1) and the JACK API (jackaudio.org), fluidsynth(1) and its shell commands.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Self

import numpy as np
from numpy.typing import NDArray

from support import needs, synths
from support.children import Child, ChildError

READY_S = 20.0
"""Limit for a server or client to be ready."""
ANSWER_S = 10.0
"""Limit for an answer to a command, beyond the time that the command itself takes."""
NAME_S = 120.0
"""Limit for a server name to become free."""

TURN_S = 600.0
"""Limit for what only one test may use at a time."""

_NAMES = 5
_numbers = itertools.count(1)


def require_jack() -> str:
    """Return the path of jackd, or skip (fail under CI) if it or the Python client is missing."""
    needs.uses("jack")
    program = needs.program("jackd")
    needs.jack_client()
    return program


def _locked(path: Path) -> IO[str] | None:
    """Return a lock file that is ours until it is closed; None if another process has it."""
    import fcntl  # not everywhere, nor is jackd

    lock = path.open("w")
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        lock.close()
        return None
    return lock


class _Name:
    """A server name out of a small pool, held by a file lock until :meth:`free`.

    JACK keeps a register of servers with eight places for the whole machine, and gives a place back only when its
    server ends properly or one of the same name starts. So names are used again and again, by one test at a time.
    """

    def __init__(self) -> None:
        limit = time.monotonic() + NAME_S
        while True:
            for number in range(1, _NAMES + 1):
                name = f"stillbeat-{os.getuid()}-{number}"
                lock = _locked(Path(tempfile.gettempdir()) / f"{name}.lock")
                if lock is None:
                    continue
                self.text = name
                self.number = number
                self._lock = lock
                return
            if time.monotonic() > limit:
                raise ChildError(f"all {_NAMES} names for JACK servers were in use for {NAME_S} s")
            time.sleep(0.05)

    def free(self) -> None:
        """Let others use the name."""
        self._lock.close()


class _Turn:
    """A turn at what only one test process of this user may use at a time, from :meth:`take` to :meth:`give`."""

    def __init__(self, what: str) -> None:
        self.what = what
        self._users = 0
        self._lock: IO[str] | None = None

    def take(self) -> None:
        """Wait for it, unless this process has it already."""
        path = Path(tempfile.gettempdir()) / f"stillbeat-{os.getuid()}-{self.what}.lock"
        limit = time.monotonic() + TURN_S
        while self._lock is None:
            self._lock = _locked(path)
            if self._lock is None:
                if time.monotonic() > limit:
                    raise ChildError(f"others used {self.what} for {TURN_S} s")
                time.sleep(0.05)
        self._users += 1

    def give(self) -> None:
        """Let others have it, once all here are done with it."""
        self._users -= 1
        if not self._users and self._lock is not None:
            self._lock.close()
            self._lock = None


_PORTAUDIO = _Turn("portaudio")


class JackServer:
    """``jackd`` with the dummy driver, on a server name of its own.

    Parameters
    ----------
    rate_hz, frames
        Sample rate, and frames to a period.
    synchronous
        Whether the server waits for its clients in every period: right for sound that is recorded for its pitch. For
        measurements of time, ask for the ordinary way, in which it does not.
    portaudio
        Whether sound goes through PortAudio on this server.
    """

    def __init__(
        self, *, rate_hz: int = 48_000, frames: int = 64, synchronous: bool = True, portaudio: bool = False
    ) -> None:
        require_jack()
        self._portaudio = portaudio
        if portaudio:
            _PORTAUDIO.take()
        self.rate_hz = rate_hz
        self.frames = frames
        self.synchronous = synchronous
        self._name = _Name()
        self._process: Child | None = None
        self._left_behind = False
        self._log = tempfile.TemporaryFile()  # noqa: SIM115 - closed in stop()

    @property
    def name(self) -> str:
        """Name of the server, the same until :meth:`stop`."""
        return self._name.text

    @property
    def env(self) -> dict[str, str]:
        """The environment for clients of this server."""
        return {
            **os.environ,
            "JACK_DEFAULT_SERVER": self.name,
            "JACK_NO_START_SERVER": "1",
            "STILLBEAT_NAME": self.client("stillbeat"),
        }

    def client(self, name: str) -> str:
        """Return the name of a client as it is on this server alone."""
        return f"{name}-{self._name.number}"

    @property
    def alive(self) -> bool:
        """Whether the server's process runs."""
        return self._process is not None and self._process.alive

    @property
    def log(self) -> str:
        """What the server has written so far."""
        self._log.flush()
        position = self._log.tell()
        self._log.seek(0)
        text = self._log.read().decode(errors="replace")
        self._log.seek(position)
        return text

    def start(self) -> Self:
        """Start the server and wait until it takes clients; also again, after :meth:`kill`."""
        if self.alive:
            raise ChildError(f"server {self.name} runs already")
        sync = ["-S"] if self.synchronous else []
        driver = ["-d", "dummy", "-r", str(self.rate_hz), "-p", str(self.frames)]
        # -r: without real-time priority, which a test machine rarely grants.
        command = [require_jack(), "-n", self.name, "-r", *sync, *driver]
        self._process = Child(command, self.env, log=self._log)
        probe = subprocess.run(
            [*_TAP, "--probe", self.name, str(READY_S)],
            env=self.env,
            capture_output=True,
            timeout=2 * READY_S,
            check=False,
        )
        if probe.returncode != 0 or not self.alive:
            self._end(signal.SIGTERM)
            raise ChildError(f"jackd was not ready within {READY_S} s: {self.log}")
        self._left_behind = False
        return self

    def kill(self) -> None:
        """Kill the server at once, as a crash would; clients are left behind."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """End the server properly, and for good."""
        self._end(signal.SIGTERM)
        if self._left_behind:  # only a server of this name can give back the dead one's place in the register
            with contextlib.suppress(ChildError):
                self.start()
            self._end(signal.SIGTERM)
        self._name.free()
        if self._portaudio:
            _PORTAUDIO.give()
        self._log.close()

    def _end(self, number: signal.Signals) -> None:
        if self._process is not None:
            self._process.signal(number)
            self._process.end()
            self._left_behind = self._process.popen.returncode == -signal.SIGKILL
            self._process = None

    def __enter__(self) -> Self:
        try:
            return self.start()
        except BaseException:
            self.stop()
            raise

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()


class _Client:
    """What both clients share: a process with a log, and waiting for ports."""

    def __init__(self) -> None:
        self._process: Child | None = None
        self._log = tempfile.TemporaryFile()  # noqa: SIM115 - closed in stop()

    def _running(self) -> Child:
        if self._process is None:
            raise ChildError("not started")
        return self._process

    def stop(self) -> None:
        """End the client, whether or not its server still lives."""
        if self._process is not None:
            self._process.end()
            self._process = None
        self._log.close()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def _said(self) -> str:
        self._log.seek(0)
        return self._log.read().decode(errors="replace")


class JackFluidSynth(_Client):
    """FluidSynth on a JACK server: ports ``NAME-1:left``, ``NAME-1:right`` (sound) and ``NAME-1:midi_00`` (MIDI in).

    Its shell stays open; :meth:`command` talks to it. Reverb and chorus are off.
    """

    def __init__(
        self, server: JackServer, soundfont: Path, *, name: str = "synth", gain: float = 0.2
    ) -> None:
        super().__init__()
        self.server = server
        self.soundfont = soundfont
        self.name = server.client(name)
        self.gain = gain

    @property
    def midi_port(self) -> str:
        """Full name of the MIDI input port."""
        return f"{self.name}:midi_00"

    @property
    def sound_ports(self) -> tuple[str, str]:
        """Full names of the two sound output ports."""
        return f"{self.name}:left", f"{self.name}:right"

    def __enter__(self) -> Self:
        program = needs.program("fluidsynth")
        settings = {
            "audio.jack.id": self.name,
            "audio.jack.server": self.server.name,
            "midi.jack.id": self.name,
            "midi.jack.server": self.server.name,
            "audio.realtime-prio": "0",
            "midi.realtime-prio": "0",
            "synth.polyphony": "512",
        }
        options = ["-a", "jack", "-m", "jack", "-q", "-R", "0", "-C", "0", "-g", str(self.gain)]
        options += ["-r", str(self.server.rate_hz), "-f", os.devnull]
        for key, value in settings.items():
            options += ["-o", f"{key}={value}"]
        self._process = Child([program, *options, str(self.soundfont)], self.server.env, log=self._log)
        try:
            self.command("")  # the shell answers once the drivers stand and the soundfont is loaded
        except ChildError as error:
            said = self._said()
            self.stop()
            raise ChildError(f"FluidSynth did not start: {error}; {said}") from error
        return self

    def command(self, text: str) -> list[str]:
        """Give one shell command and return the lines it printed."""
        process = self._running()
        mark = f"done-{next(_numbers)}"
        process.say(text)
        process.say(f"echo {mark}")
        printed: list[str] = []
        limit = time.monotonic() + ANSWER_S
        while True:
            line = process.line(max(0.01, limit - time.monotonic()))
            while line.startswith("> "):
                line = line[2:]
            if line.strip() == mark:
                return printed
            if line.strip() and line not in (text, f"echo {mark}"):  # the shell repeats what it is told
                printed.append(line)

    def stored_table(self, bank: int = 0, program: int = 0) -> NDArray[np.float64]:
        """Tuning stored in the synth, in cents above key 0, shape ``(128,)``, as printed (whole hundredths)."""
        cents = [
            float(line.rsplit(None, 1)[1])
            for line in self.command(f"dumptuning {bank} {program}")
            if "pitch" in line
        ]
        if len(cents) != 128:
            raise ChildError(f"no tuning in bank {bank}, program {program}")
        return np.array(cents)


@dataclass(frozen=True, eq=False)
class Recording(synths.Rendering):
    """Sound (as :class:`~support.synths.Rendering`) and MIDI that a tap recorded.

    `dropouts_s` are times at which sound was lost, or may have been because a client was late and the server did not
    wait; `midi` holds ``(time_s, message)``, times since the recording began.
    """

    dropouts_s: tuple[float, ...] = ()
    midi: list[tuple[float, bytes]] = field(default_factory=list)

    def clean(self, length_s: float, *, after_s: float = 0.0) -> NDArray[np.float64]:
        """Return the first stretch of this length without a dropout, mono."""
        margin_s = 0.02
        start = after_s
        for dropout in (*sorted(self.dropouts_s), self.length_s + margin_s):
            if dropout - margin_s >= start + length_s:
                return self.window(start, length_s)
            start = max(start, dropout + margin_s)
        raise ChildError(
            f"no {length_s} s without a dropout: {len(self.dropouts_s)} in {self.length_s:.2f} s"
        )


PORTAUDIO_PORTS = ("PortAudio:out_0", "PortAudio:out_1")
"""Where the sound of PortAudio comes out."""


class JackTap(_Client):
    """A client that records (``NAME-1:in_1``, ``NAME-1:in_2``, ``NAME-1:midi_in``) and plays (``NAME-1:midi_out``)."""

    def __init__(self, server: JackServer, *, name: str = "tap") -> None:
        super().__init__()
        self.server = server
        self.name = server.client(name)

    @property
    def midi_in(self) -> str:
        """Full name of the port that records MIDI."""
        return f"{self.name}:midi_in"

    @property
    def midi_out(self) -> str:
        """Full name of the port that plays MIDI."""
        return f"{self.name}:midi_out"

    def __enter__(self) -> Self:
        command = [*_TAP, self.server.name, self.name]
        self._process = Child(command, self.server.env, log=self._log)
        try:
            self._running().line(READY_S)
        except ChildError as error:
            said = self._said()
            self.stop()
            raise ChildError(f"the tap did not start: {error}; {said}") from error
        return self

    def _ask(self, limit_s: float, **order: object) -> dict[str, Any]:
        process = self._running()
        process.say(json.dumps(order))
        answer: dict[str, Any] = json.loads(process.line(limit_s))
        if "error" in answer:
            raise ChildError(f"{order['do']}: {answer['error']}")
        return answer

    def ports(self) -> list[str]:
        """Names of all ports on the server now."""
        return list(self._ask(ANSWER_S, do="ports")["ports"])

    def wait_for_port(self, wanted: str | Callable[[str], bool], *, limit_s: float = READY_S) -> str:
        """Wait until a port exists, given by its full name or by a test of names; return its name."""
        fits = wanted if callable(wanted) else wanted.__eq__
        limit = time.monotonic() + limit_s
        while True:
            names = self.ports()
            for name in names:
                if fits(name):
                    return name
            if time.monotonic() > limit:
                raise ChildError(f"no such port within {limit_s} s: {wanted}; there are {names}")
            time.sleep(0.01)

    def connect(self, source: str, destination: str) -> None:
        """Connect two ports, waiting for both to appear."""
        self.wait_for_port(source)
        self.wait_for_port(destination)
        self._ask(ANSWER_S, **{"do": "connect", "from": source, "to": destination})

    def disconnect(self, source: str, destination: str) -> None:
        """Take a connection away."""
        self._ask(ANSWER_S, **{"do": "disconnect", "from": source, "to": destination})

    def hear(self, ports: tuple[str, ...]) -> None:
        """Connect sound ports to this tap, left first."""
        for number, port in enumerate(ports, start=1):
            self.connect(port, f"{self.name}:in_{number}")

    def listen_to(self, synth: JackFluidSynth) -> None:
        """Connect a synth's sound to this tap, and this tap's MIDI output to the synth."""
        self.hear(synth.sound_ports)
        self.connect(self.midi_out, synth.midi_port)

    def send(self, *messages: bytes) -> None:
        """Play messages now, in order."""
        self._ask(ANSWER_S, do="send", messages=[message.hex() for message in messages])

    def start(self) -> None:
        """Begin to record sound and MIDI."""
        self._ask(ANSWER_S, do="start")

    def stop_recording(self) -> Recording:
        """End the recording begun by :meth:`start`."""
        return self._fetch(ANSWER_S, do="stop")

    def heard(self) -> list[tuple[float, bytes]]:
        """Return the MIDI recorded since :meth:`start`, and go on recording."""
        answer = self._ask(ANSWER_S, do="heard")
        return [(time_s, bytes.fromhex(text)) for time_s, text in answer["midi"]]

    def record(self, seconds: float) -> Recording:
        """Record that much from now on."""
        return self._fetch(ANSWER_S + 5 * seconds, do="record", seconds=seconds)

    def _fetch(self, limit_s: float, **order: object) -> Recording:
        with tempfile.TemporaryDirectory(prefix="stillbeat-tap-") as folder:
            path = Path(folder) / "sound"
            answer = self._ask(limit_s, path=str(path), **order)
            sound = np.fromfile(path, dtype="<f4").astype(np.float64).reshape(-1, 2)
        rate_hz = int(answer["rate_hz"])
        frames = set(answer["gaps"]) | (set() if self.server.synchronous else set(answer["late"]))
        return Recording(
            sound,
            rate_hz,
            tuple(frame / rate_hz for frame in sorted(frames)),
            [(time_s, bytes.fromhex(text)) for time_s, text in answer["midi"]],
        )


# -P: or the tap would find this module under the name of the package that it needs.
_TAP = (sys.executable, "-P", str(Path(__file__).with_name("jack_tap.py")))
