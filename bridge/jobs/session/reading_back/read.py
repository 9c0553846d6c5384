"""Reading single files of a bundle back: SysEx and MIDI into a synth on paper, WAV by measuring.

Everything is compared with tables that are built anew from the session; nothing is taken from the manifest but what a
file is said to be. Distances are in cents.
"""

from __future__ import annotations

import io
import math
import wave
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.engine.mts.octave import STEP_CENTS
from bridge.errors import InputProblem
from bridge.sound.generator.receiver import Receiver
from bridge.store.playing import sequences
from bridge.store.smf import MidiFile
from bridge.tuning.notes import key_to_hz, note_name
from bridge.wire.frequency import STEP_CENTS as NOTE_STEP_CENTS
from bridge.wire.frequency import in_reach
from bridge.wire.profile import SynthProfile

ROUNDING_CENTS = 1e-6
SOUND_CENTS = 0.1
"""How nearly a drone must sound its table: a tenth of what a good ear tells apart, and what measuring costs."""

_SAME_HZ, _BEATING_HZ = 1e-6, 3.0
_FAINT = 1e-3
_EQUAL_CENTS = 1e-6
_LOWEST_HZ, _HIGHEST_HZ = 440.0 * 2.0 ** (-69 / 12), 440.0 * 2.0 ** ((128 - 69 - 1 / 16384) / 12)


@dataclass(frozen=True)
class Verdict:
    """How a file compares."""

    worst_cents: float  # the largest distance
    limit_cents: float  # what is allowed
    where: str = ""  # where the largest distance is, for a reader

    @property
    def good(self) -> bool:
        """Whether it is within what is allowed."""
        return self.worst_cents <= self.limit_cents

    def worse(self, other: Verdict) -> Verdict:
        """Return the one of two that is nearer to, or further beyond, its limit."""
        return other if other.worst_cents - other.limit_cents > self.worst_cents - self.limit_cents else self


def half_step_cents(method: str, profile: SynthProfile) -> float:
    """Return the resolution of a tuning-message method: half a step, in cents."""
    if method == "octave":
        return STEP_CENTS[profile.octave_form] / 2
    return NOTE_STEP_CENTS / 2


def lifted_hz(key: int, hz: float, lift_cents: float) -> float:
    """Return what is sent for a key: higher by a synth's lift, unless it stays in equal temperament."""
    if abs(1200.0 * math.log2(hz / key_to_hz(key))) < _EQUAL_CENTS:
        return float(hz)
    return float(hz * 2.0 ** (lift_cents / 1200.0))


def listener(messages: Iterable[bytes]) -> Receiver:
    """Return a synth on paper that has received messages."""
    receiver = Receiver()
    for message in messages:
        if message and message[0] != 0xFF:
            receiver.message(message)
    return receiver


def messages_of(midi: MidiFile) -> list[bytes]:
    """Return all messages of a MIDI file in playing order."""
    return [data for playing in sequences(midi) for _, data in playing if data and data[0] != 0xFF]


def program_verdict(
    receiver: Receiver, bank: int, program: int, hz: Sequence[float], limit_cents: float
) -> Verdict:
    """Compare a tuning program with a table; keys beyond the reach of tuning messages lie at the end of the range."""
    pitches = receiver.tunings.program(bank, program)
    heard = [440.0 * 2.0 ** ((pitch - 69.0) / 12.0) for pitch in pitches]
    return _compared(heard, hz, limit_cents, f"tuning program {program}", clamped=True)


def channel_verdict(
    receiver: Receiver, channels: Iterable[int], hz: Sequence[float], limit_cents: float, clamped: bool
) -> Verdict:
    """Compare what channels would sound, key by key, with a table."""
    verdict = Verdict(0.0, limit_cents)
    for channel in channels:
        heard = [receiver.hz(channel, key) for key in range(128)]
        verdict = verdict.worse(_compared(heard, hz, limit_cents, f"channel {channel}", clamped))
    return verdict


def _compared(
    heard: Sequence[float], hz: Sequence[float], limit_cents: float, where: str, clamped: bool
) -> Verdict:
    worst, at = 0.0, 0
    for key, (one, wanted) in enumerate(zip(heard, hz, strict=True)):
        if clamped and not in_reach(wanted):
            wanted = min(max(wanted, _LOWEST_HZ), _HIGHEST_HZ)
        off = abs(1200.0 * math.log2(one / wanted))
        if off > worst:
            worst, at = off, key
    return Verdict(worst, limit_cents + ROUNDING_CENTS, f"{note_name(at)}, {where}")


# -- sound


def wav_verdict(data: bytes, hz: Sequence[float], name: str) -> Verdict:
    """Measure tones of these frequencies in a WAV file that messages call `name`.

    One that beats with a partial of another cannot be told apart.
    """
    sound, rate = read_wav(data, name)
    middle = sound[len(sound) // 4 : 3 * len(sound) // 4]
    verdict = Verdict(0.0, SOUND_CENTS)
    for wanted in hz:
        partials = [
            abs(number * other - wanted) for other in hz for number in range(1, 13) if other != wanted
        ]
        apart = [distance for distance in partials if distance > _SAME_HZ]
        gap_hz = min(apart, default=wanted)
        if gap_hz < _BEATING_HZ:
            continue
        found = measure_hz(middle, rate, wanted, gap_hz)
        off = abs(1200.0 * math.log2(found / wanted)) if found else math.inf
        verdict = verdict.worse(Verdict(off, SOUND_CENTS, f"{wanted:.2f} Hz"))
    return verdict


def read_wav(data: bytes, name: str) -> tuple[NDArray[np.float64], int]:
    """Return the samples of a WAV file of 16 bits, mono, and their rate."""
    try:
        with wave.open(io.BytesIO(data)) as file:
            if file.getsampwidth() != 2:
                raise InputProblem(
                    f"{name} holds samples of {8 * file.getsampwidth()} bits", "16 are expected"
                )
            samples = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2").astype(np.float64)
            return samples.reshape(-1, file.getnchannels()).mean(axis=1) / 32768.0, file.getframerate()
    except (wave.Error, EOFError, ValueError) as error:
        raise InputProblem(f"{name} is no WAV file: {error}", "build the session again") from None


def measure_hz(sound: NDArray[np.float64], rate: int, near_hz: float, gap_hz: float) -> float | None:
    """Measure a steady tone by the turn of its phase between neighbouring stretches, longer and longer ones.

    It is expected within an eighth of `gap_hz`, the distance to the nearest other tone; None if there is no
    tone.
    """
    length = min(round(4.0 * rate / gap_hz), len(sound) // 2)
    hz = near_hz
    while True:
        window = np.hanning(length)
        at = np.arange(length)
        first, second = (
            np.sum(part * window * np.exp(-2j * np.pi * hz / rate * (at + start)))
            for part, start in ((sound[:length], 0), (sound[length : 2 * length], length))
        )
        if min(abs(first), abs(second)) * 2 / window.sum() < _FAINT:
            return None
        hz += float(np.angle(second / first)) / (2 * np.pi) * rate / length
        if length == len(sound) // 2:
            return hz
        length = min(2 * length, len(sound) // 2)
