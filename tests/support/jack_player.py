"""Plays sound into a JACK server, as a guitar on an input would: a program of its own, and the class that starts it.

To other programs the client is a sound input, called by its name. As a program (``python jack_player.py SERVER NAME``)
it reads file names of raw 32-bit floats, one a line, plays each, and answers ``begun TIME`` at its first sample (in
seconds of `time.monotonic`, which all processes share) and ``done`` after its last.

Index: `JackPlayer`.
"""

from __future__ import annotations

import sys
import tempfile
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import Any, Self


def main(server: str, name: str) -> int:
    """Play what is asked for until standard input ends."""
    import jack
    import numpy as np

    client = jack.Client(name, servername=server, no_start_server=True, use_exact_name=True)
    port = client.outports.register("out_1")
    waiting: list[Any] = []
    state: dict[str, Any] = {"sound": None, "at": 0}
    begun, done = threading.Event(), threading.Event()

    def process(frames: int) -> None:
        buffer = port.get_array()
        buffer[:] = 0.0
        if state["sound"] is None and waiting:
            state["sound"], state["at"] = waiting.pop(), 0
            state["time_s"] = time.monotonic()
            begun.set()
        sound = state["sound"]
        if sound is not None:
            part = sound[state["at"] : state["at"] + frames]
            buffer[: part.size] = part
            state["at"] += frames
            if state["at"] >= sound.size:
                state["sound"] = None
                done.set()

    client.set_process_callback(process)
    client.activate()
    print(f"ready {client.samplerate}", flush=True)
    for line in sys.stdin:
        begun.clear()
        done.clear()
        waiting.append(np.fromfile(line.strip(), dtype="<f4"))
        begun.wait()
        print(f"begun {state['time_s']}", flush=True)
        done.wait()
        print("done", flush=True)
    client.deactivate()
    client.close()
    return 0


class JackPlayer:
    """The program, started and ended; use it in a ``with`` block.

    Parameters
    ----------
    server : JackServer
    name : str
        What others see it called, before the server's number.
    """

    def __init__(self, server: Any, name: str = "guitar") -> None:
        self.server, self.name = server, server.client(name)
        self.rate_hz = 0
        self._log = tempfile.TemporaryFile()  # noqa: SIM115 - closed in __exit__
        self._folder = tempfile.TemporaryDirectory(prefix="stillbeat-player-")
        self._process: Any = None

    def __enter__(self) -> Self:
        from support.children import Child

        command = [sys.executable, "-P", str(Path(__file__)), self.server.name, self.name]
        self._process = Child(command, self.server.env, log=self._log)
        self.rate_hz = int(self._process.line(20.0).split()[1])
        return self

    def begin(self, samples: Any) -> float:
        """Play sound; return the moment of its first sample, by `time.monotonic`."""
        path = Path(self._folder.name) / "sound"
        samples.astype("<f4").tofile(path)
        self._process.say(str(path))
        return float(self._process.line(10.0).split()[1])

    def finish(self, limit_s: float = 60.0) -> None:
        """Wait until it has all been played."""
        assert self._process.line(limit_s) == "done"

    def play(self, samples: Any) -> None:
        """Play sound to its end."""
        self.begin(samples)
        self.finish()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._process is not None:
            self._process.end()
        self._log.close()
        self._folder.cleanup()


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
