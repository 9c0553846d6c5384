"""Live sound from a microphone or an instrument input, block by block.

`Microphone` opens an input through sounddevice (PortAudio; the extra ``audio``). Sound waits in a queue until it is
read, so that whoever reads may take its time; what does not fit any more is dropped and counted.

If the sound server dies, its thread simply stops calling: `Microphone.read` says so after `STALLED_S`. PortAudio may
then hang in whatever is asked of it; closing gives up after `CLOSE_S` (see `bridge.sound.device.outputs`).

Conventions: samples float64, full scale 1, shape ``(n,)``: the mean of the first two channels.

Threads: all methods belong to one thread; the sound system's own thread only fills the queue.
"""

from __future__ import annotations

import contextlib
import queue
import time
from types import TracebackType
from typing import Any, Protocol, Self

import numpy as np
from numpy.typing import NDArray

from bridge.errors import PortProblem
from bridge.sound.device.inputs import pick_input
from bridge.sound.device.outputs import StreamRefused, end_stream, open_stream

#: An input that has brought nothing for so long is gone.
STALLED_S = 2.0
#: A sound system that takes longer than this to close an input is taken for dead.
CLOSE_S = 2.0
#: Blocks that may wait to be read.
MOST_WAITING = 4000
#: Length asked for a block where the sound system has no size of its own.
BLOCK_S = 0.01

Floats = NDArray[np.float64]


class Input(Protocol):
    """A microphone that is open, as those who listen to it need it."""

    @property
    def sample_rate(self) -> int:
        """Samples a second."""
        ...

    def read(self, limit_s: float = 0.1) -> NDArray[np.float64]:
        """Return what has come."""
        ...


class Microphone:
    """An input that is open, by part of its name (None: the default one); use it in a ``with`` block.

    PortProblem if there is no such input, or it cannot be opened.
    """

    def __init__(self, device: str | None = None) -> None:
        self.input = pick_input(device)
        self.sample_rate = self.input.sample_rate
        # Times that sound was lost, or may have been as the sound system says, because the computer
        # was too slow.
        self.dropped = 0
        self._waiting: queue.SimpleQueue[NDArray[np.float32]] = queue.SimpleQueue()
        self._heard_s = 0.0
        self._stream: Any = None

    def start(self) -> Self:
        """Open the input."""
        if self._stream is not None:
            return self
        # JACK has blocks of its own; elsewhere short ones keep the delay short.
        size = 0 if self.input.system.startswith("JACK") else round(BLOCK_S * self.sample_rate)
        how = {"samplerate": self.sample_rate, "blocksize": size}
        try:
            stream = open_stream(self.input, "input", self._callback, CLOSE_S, **how)
        except StreamRefused as error:
            raise PortProblem(
                f"the sound input {self.input.name} cannot be opened: {error}",
                "is another program using it, or is it forbidden to use the microphone?",
            ) from None
        self._heard_s = time.monotonic()
        self._stream = stream
        return self

    def _callback(self, block: NDArray[np.float32], frames: int, when: object, status: Any) -> None:
        # In the sound system's thread: only copies, never waits.
        self._heard_s = time.monotonic()
        if status.input_overflow or self._waiting.qsize() > MOST_WAITING:
            self.dropped += 1
        if self._waiting.qsize() <= MOST_WAITING:
            self._waiting.put(block.copy())

    def read(self, limit_s: float = 0.1) -> Floats:
        """Return all sound that has come since the last time, shape (n,); wait for some, at most `limit_s`.

        PortProblem if the input has brought nothing for `STALLED_S`.
        """
        blocks = []
        with contextlib.suppress(queue.Empty):
            blocks.append(self._waiting.get(timeout=limit_s))
            while True:
                blocks.append(self._waiting.get_nowait())
        if not blocks:
            if self._stream is not None and time.monotonic() - self._heard_s > STALLED_S:
                raise PortProblem(
                    f"the sound input {self.input.name} has gone silent: not even noise comes from it any more",
                    "was it unplugged, or has the sound server ended?",
                )
            return np.zeros(0)
        return np.asarray(np.concatenate(blocks).mean(axis=1), dtype=np.float64)

    def close(self) -> None:
        """Close the input; one that is gone is not waited for."""
        stream, self._stream = self._stream, None
        if stream is not None:
            end_stream(stream, "input", CLOSE_S)

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def record(seconds: float, microphone: Microphone) -> tuple[Floats, int]:
    """Record mono sound from a microphone, which is opened and closed here; return samples and sample rate.

    Ctrl-C ends it early; what was heard until then is returned. PortProblem if it cannot be opened, or goes
    away.
    """
    blocks: list[Floats] = [np.zeros(0)]
    wanted, got = round(seconds * microphone.sample_rate), 0
    with microphone, contextlib.suppress(KeyboardInterrupt):
        while got < wanted:
            blocks.append(microphone.read())
            got += blocks[-1].size
    return np.concatenate(blocks)[:wanted], microphone.sample_rate
