"""Synths to be examined in virtual time, without ports or sound hardware.

`ProbedSynth` is a port and a sound source at once: bytes go in, and every stretch of sound that is read lets that much
time go by. It holds the built-in generator behind a filter of what it obeys; `tiny_synth` holds TinySoundFont instead.
`RenderedSynth` holds each trial by having a synth that plays files only play everything that it was ever sent.

Index: `ProbedSynth`, `tiny_synth`, `RenderedSynth`; filters: `is_rpn`, `bends_only`.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from bridge.engine.probe.trials import Trial
from bridge.engine.probe.verdicts import Hearing
from bridge.ports.base import OutPort
from bridge.sound.generator.synth import Generator
from bridge.sound.listening.probe_ear import shift_cents, tone_of
from support import synths

RATE = 48_000
BLOCK = 480
ORGAN = 19

Filter = Callable[[bytes], bytes | None]


class Instrument(Protocol):
    """What makes sound of bytes."""

    def feed(self, data: bytes) -> None:
        """Take a message."""

    def block(self, frames: int) -> NDArray[Any]:
        """Return the next frames, stereo."""


class ProbedSynth(OutPort):
    """An instrument, as a port that is played to and a source that is heard.

    Parameters
    ----------
    change : callable, optional
        Makes of each message what the instrument is told; None: nothing.
    noise_rms : float
        White noise that is heard besides.
    late_s : float
        How long sound takes to arrive.
    instrument : Instrument, optional
        The built-in generator where left out.
    """

    name = "probed"
    sample_rate = RATE

    def __init__(
        self,
        change: Filter | None = None,
        noise_rms: float = 0.0,
        late_s: float = 0.0,
        instrument: Instrument | None = None,
        gain: float = 1.0,
    ) -> None:
        self.instrument = Generator(RATE) if instrument is None else instrument
        self.received: list[bytes] = []
        self.closed = False
        self.heard_s = 0.0
        self.fails_at: int | None = None
        self.spoil: Callable[[NDArray[np.float64], float], NDArray[np.float64]] | None = None
        self._change = change or (lambda data: data)
        self._random = np.random.default_rng(7)
        self._noise_rms = noise_rms
        self._gain = gain
        self._late: list[NDArray[np.float64]] = [np.zeros(BLOCK)] * round(late_s * RATE / BLOCK)
        for channel in range(16):
            if channel != 9:
                self.instrument.feed(bytes((0xC0 | channel, ORGAN)))

    def emit(self, data: bytes) -> None:
        """Take a message; at the one that is to fail, be interrupted instead."""
        if self.fails_at is not None and len(self.received) >= self.fails_at:
            self.fails_at = None
            raise KeyboardInterrupt
        self.received.append(data)
        told = self._change(data)
        if told is not None:
            self.instrument.feed(told)

    def close(self) -> None:
        """Take no more."""
        self.closed = True

    def read(self, limit_s: float = 0.1) -> NDArray[np.float64]:
        """Return the next hundredth of a second; asked for what has come until now, nothing."""
        if limit_s == 0.0:
            return np.zeros(0)
        self.heard_s += BLOCK / RATE
        block = self._gain * np.asarray(self.instrument.block(BLOCK), dtype=np.float64).mean(axis=1)
        block = block + self._noise_rms * self._random.standard_normal(BLOCK)
        if self.spoil is not None:
            block = self.spoil(block, self.heard_s)
        self._late.append(block)
        return self._late.pop(0)


class _Tiny:
    """TinySoundFont, which knows channel messages only."""

    def __init__(self, soundfont: Path) -> None:
        self._synth = synths._tinysoundfont().Synth(gain=-20.0, samplerate=RATE)
        font = self._synth.sfload(str(soundfont), max_voices=64)
        for channel in range(16):
            self._synth.program_select(channel, font, 128 if channel == 9 else 0, 0, channel == 9)

    def feed(self, data: bytes) -> None:
        """Take a message."""
        synth, kind, channel = self._synth, data[0] >> 4, data[0] & 0x0F
        if kind == 0x9:
            synth.noteon(channel, data[1], data[2])
        elif kind == 0x8:
            synth.noteoff(channel, data[1])
        elif kind == 0xB:
            synth.control_change(channel, data[1], data[2])
        elif kind == 0xE:
            synth.pitchbend(channel, data[1] | data[2] << 7)

    def block(self, frames: int) -> NDArray[Any]:
        """Return the next frames."""
        return np.frombuffer(self._synth.generate(frames), dtype=np.float32).reshape(-1, 2)


def tiny_synth(soundfont: Path) -> ProbedSynth:
    """Return TinySoundFont as a synth to be examined."""
    return ProbedSynth(instrument=_Tiny(soundfont))


class RenderedSynth:
    """Holds trials on a synth that plays files: each time it is sent everything of before, then the trial.

    Parameters
    ----------
    render : callable
        Of `support.synths`.
    soundfont : Path
    key : int
    """

    def __init__(self, render: Callable[..., synths.Rendering], soundfont: Path, key: int = 69) -> None:
        self._render = render
        self._font = soundfont
        self._key = key
        self._before: list[bytes] = []

    def hold(self, trial: Trial) -> Hearing:
        """Hold a trial, as `bridge.live.probe.examine.Prober.hold` does."""
        events: list[tuple[float, bytes]] = []
        now_s = 0.0

        def send(messages: tuple[bytes, ...] | list[bytes]) -> None:
            nonlocal now_s
            for data in messages:
                events.append((now_s, data))
                now_s += 0.002

        off = bytes((0x80 | trial.channel - 1, self._key, 64))
        send(self._before)
        windows: list[float] = []
        length_s = 0.5 if any(step.precise for step in trial.steps) else 0.3
        for number, step in enumerate(trial.steps):
            if step.strike:
                if number:
                    send([off])
                now_s += 0.1
                send(step.messages)
                send([bytes((0x90 | trial.channel - 1, self._key, 100))])
            else:
                send(step.messages)
            windows.append(now_s + 0.1)
            now_s += 0.15 + length_s
        send([off])
        sound = self._render(events, self._font)
        tones = [tone_of(sound.window(at_s, length_s), sound.rate_hz) for at_s in windows]
        self._before += [data for step in trial.steps for data in step.messages]
        self._before += trial.undo
        cents = tuple(shift_cents(tones[0], tone) for tone in tones)
        troubles = [tone.trouble for tone in tones if tone.trouble]
        return Hearing(cents, troubles[0] if troubles else "")


def is_rpn(data: bytes) -> bool:
    """Whether a message belongs to a registered parameter."""
    return len(data) == 3 and data[0] & 0xF0 == 0xB0 and data[1] in (6, 38, 100, 101)


def bends_only(data: bytes) -> bytes | None:
    """A synth that obeys notes and bends, in a range of two semitones that cannot be set."""
    return None if is_rpn(data) or data[0] == 0xF0 else data
