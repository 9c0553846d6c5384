"""Live sound: the built-in tone generator on a sound card.

`LiveSound` opens an output through sounddevice (PortAudio; the extra ``audio``) and plays what it is sent from any
thread; how messages reach the sound card's thread stands in `bridge.sound.device.mixer`.

Hearing. A program cannot know how loud a sound card is. What it can do, it does: sound swells up from nothing in
`SWELL_S` when the output opens, a limiter keeps every sample below `mixer.CEILING`, and closing fades out. Start with
the volume turned down.

If the sound server dies, its thread simply stops calling; watch `LiveSound.stalled_s`. PortAudio then hangs in whatever
is asked of it (measured with JACK 1.9.21 and PortAudio 19.6): `LiveSound.close` gives up after `CLOSE_S`, and from
then on this process can open no sound output any more. A program that must survive a sound server keeps `LiveSound`
in a child process which it can replace.

Threads: `start` and `close` belong to one thread; the rest as in `Mixer`.
"""

from __future__ import annotations

import time
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from bridge.errors import PortProblem
from bridge.sound.device.mixer import CEILING, Mixer
from bridge.sound.device.outputs import StreamRefused, end_stream, give_up, open_stream, pick_output

SWELL_S = 2.0
FADE_OUT_S = 0.2
_FIRST_BLOCK_S = 0.5
CLOSE_S = 2.0
"""A sound system that takes longer than this to close an output is taken for dead."""


class LiveSound(Mixer):
    """A tone generator that plays on a sound card while the object is open; use it in a ``with`` block.

    PortProblem if there is no such output, or it cannot be opened.

    Parameters
    ----------
    device : str, optional
        Part of an output's name; None: the default output.
    swell_s : float
        Time in which the sound comes up from nothing after `start`.
    """

    def __init__(
        self,
        device: str | None = None,
        *,
        ceiling: float = CEILING,
        swell_s: float = SWELL_S,
    ) -> None:
        self.output = pick_output(device)  # where it plays
        super().__init__(self.output.sample_rate, ceiling=ceiling)
        self._swell_s = swell_s
        self._called = 0.0
        self._block_s = 0.0
        self._stream: Any = None

    @property
    def running(self) -> bool:
        """Whether the output is open."""
        return self._stream is not None

    @property
    def stalled_s(self) -> float:
        """Seconds since the sound card last asked for sound; 0 when closed. More than one: it is gone."""
        return time.perf_counter() - self._called if self.running else 0.0

    def delay_s(self) -> float:
        """Return how long after `send` something is heard; waits for the sound card's first block."""
        until_s = time.perf_counter() + _FIRST_BLOCK_S
        while not self._block_s and time.perf_counter() < until_s:
            time.sleep(0.002)
        return self._block_s + float(self._stream.latency) if self.running else 0.0

    def start(self) -> Self:
        """Open the output and swell up."""
        if self._stream is not None:
            return self
        self._called = time.perf_counter()
        self.fade(1.0, self._swell_s)
        # The size of blocks is whatever suits the sound system, which may have one of its own.
        how = {"samplerate": self.sample_rate, "blocksize": 0}
        try:
            stream = open_stream(self.output, "output", self._callback, CLOSE_S, **how)
        except StreamRefused as error:
            if self.output.system.startswith("JACK"):
                # Its server has ended since PortAudio looked; asked to end, PortAudio would take the process along.
                give_up()
                raise PortProblem(
                    f"the sound server has ended: {error}",
                    "start the JACK server again, then start Stillbeat again",
                ) from None
            raise PortProblem(
                f"the sound output {self.output.name} cannot be opened: {error}",
                "is another program using it? Another sample rate or output may work",
            ) from None
        self._stream = stream
        return self

    def _callback(self, out: NDArray[np.float32], frames: int, when: object, status: Any) -> None:
        self._called = time.perf_counter()
        self._block_s = frames / self.sample_rate
        self.fill(out)

    def close(self, fade_s: float = FADE_OUT_S) -> None:
        """Fade out and close the output; a sound card that is gone is not waited for."""
        stream, self._stream = self._stream, None
        if stream is None:
            return
        if time.perf_counter() - self._called < 1.0:
            self.fade(0.0, fade_s)
            self.faded.wait(fade_s + 1.0)
            # What has been written is still on its way out.
            time.sleep(min(float(stream.latency), 0.5))
        end_stream(stream, "output", CLOSE_S)
        self.panic()  # nothing of now is to sound if it is opened again

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
