"""Live sound without the sound card: a queue, the tone generator, and a fader.

Any thread may call `Mixer.send`: bytes go into a queue without a lock, and whoever calls `Mixer.fill` takes them out.
Each message takes effect one block after it came, to the sample, so that a rhythm keeps its shape whatever the size
of the blocks.

Threads. `fill` runs in the sound card's thread: it waits for nobody, writes no log, and an exception in it turns into
silence and `Mixer.failure`, never into a dead process. Everything else may be used from any other thread.

Conventions: samples are float32, shape (frames, channels), full scale 1; times in seconds; the clock is
`time.perf_counter` unless another is handed in.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections import deque
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from bridge.errors import ValueProblem
from bridge.sound.generator.synth import Generator

CEILING = 0.5
"""No live sample is higher than this, −6 dB."""

QUEUE_MESSAGES = 20_000
"""Messages waiting beyond this are dropped and counted: the sound card has stopped taking them."""

_SILENCE = bytes(
    byte
    for channel in range(16)
    for controller in (64, 66, 123, 120)
    for byte in (0xB0 | channel, controller, 0)
)


class Mixer:
    """The queue, the generator and the fader, without a sound card.

    `ceiling` is the highest sample, above 0 and at most 1; `clock` returns seconds.
    """

    def __init__(
        self,
        sample_rate: int,
        *,
        ceiling: float = CEILING,
        device_id: int | None = None,
        clock: Callable[[], float] = time.perf_counter,
    ) -> None:
        if not 0 < ceiling <= 1:
            raise ValueProblem(
                f"a ceiling of {ceiling:g} is out of range", "allowed: more than 0, at most 1 (full scale)"
            )
        self.sample_rate = sample_rate
        # What went wrong in the sound card's thread, if anything did; silence since then.
        self.failure: Exception | None = None
        self.dropped = 0  # messages that found the queue full
        self.peak = 0.0  # highest sample that went out so far
        self._clock = clock
        self._generator = Generator(sample_rate, ceiling=ceiling, device_id=device_id)
        self._queue: deque[tuple[float, bytes]] = deque()
        self._answers: deque[bytes] = deque()
        self._panic = False
        self._last = 0
        self._fade_at = 0.0
        self._fade: tuple[float, float] = (0.0, 1.0)
        self.faded = threading.Event()

    @property
    def reduction(self) -> float:
        """The limiter's gain now, 1 when nothing is too loud."""
        return self._generator.reduction

    @property
    def note_count(self) -> int:
        """Notes that sound now."""
        return self._generator.note_count

    def send(self, data: bytes) -> None:
        """Queue MIDI bytes, to take effect one block from now."""
        if len(self._queue) >= QUEUE_MESSAGES:
            self.dropped += 1
            return
        self._queue.append((self._clock(), bytes(data)))

    def answers(self) -> list[bytes]:
        """Return the generator's answers to dump requests since the last call."""
        result = []
        with contextlib.suppress(IndexError):
            while True:
                result.append(self._answers.popleft())
        return result

    def panic(self) -> None:
        """Silence everything now and forget what is waiting; tunings, programs and volumes stay."""
        self._queue.clear()
        self._panic = True

    def fade(self, to: float, seconds: float) -> None:
        """Move the loudness of the whole to `to` (0 silent, 1 full) over some seconds; `faded` tells when."""
        if not (0 <= to <= 1 and seconds >= 0):
            raise ValueProblem(
                f"a fade to {to:g} over {seconds:g} seconds is impossible", "0 to 1, over 0 seconds or more"
            )
        self.faded.clear()
        rate = 1.0 / (seconds * self.sample_rate) if seconds else 1.0
        self._fade = (to, rate)

    def fill(self, out: NDArray[np.float32]) -> None:
        """Write the next block into an array of shape (frames, channels).

        Both sides go to the first two channels (their mean if there is only one), silence to others.
        """
        try:
            if self.failure is not None:
                out.fill(0.0)
                return
            self._fill(out)
        except Exception as error:
            out.fill(0.0)
            self.failure = error

    def _fill(self, out: NDArray[np.float32]) -> None:
        frames = len(out)
        generator = self._generator
        if self._panic:
            self._panic = False
            generator.feed(_SILENCE)
        now = self._clock()
        for _ in range(len(self._queue)):
            try:
                came, data = self._queue.popleft()
            except IndexError:  # a panic has emptied it meanwhile
                break
            offset = min(max(frames - round((now - came) * self.sample_rate), 0), frames - 1)
            self._last = max(self._last, generator.position + offset)
            generator.feed(data, self._last)
        sound = generator.block(frames)
        sound *= self._faded_line(frames)[:, None]
        self._answers.extend(generator.replies())
        self.peak = max(self.peak, float(np.max(np.abs(sound), initial=0.0)))
        channels = out.shape[1]
        if channels == 1:
            out[:, 0] = sound.mean(axis=1)
        else:
            out[:, :2] = sound
            out[:, 2:] = 0.0

    def _faded_line(self, frames: int) -> NDArray[np.float32]:
        """Return the fader's gain for each sample; the loudness is the square of where the fader stands."""
        to, rate = self._fade
        at = self._fade_at
        if at == to:
            if not self.faded.is_set():
                self.faded.set()
            return np.full(frames, at * at, dtype=np.float32)
        move = rate * np.arange(1, frames + 1)
        line = np.minimum(at + move, to) if to > at else np.maximum(at - move, to)
        if frames:
            self._fade_at = float(line[-1])
        return np.asarray(line * line, dtype=np.float32)
