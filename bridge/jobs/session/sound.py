"""Sounds of a session for those without a synth: drones, and the tone that the guitar is tuned to.

Both come from the built-in tone generator, which adds no chorus or vibrato: beats that are heard are in the tuning. A
drone is a continuous sound, so it starts at nothing, swells slowly, and its peak stays 12 dB below full scale.

Files are WAV, one channel, 44,100 samples a second, 16 bits.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bridge.engine.mts.tuner import Tuner
from bridge.engine.play.drones.sounds import SOUND, drone_program
from bridge.jobs.chart_drone import ChartDronePlan, chart_drone_events
from bridge.sound.files.wav import write_sound
from bridge.sound.render import render_events
from bridge.store.session.model import Drone
from bridge.tuning.notes import note_name
from bridge.tuning.reference import Reference
from bridge.tuning.tables import Table
from bridge.wire.profile import SynthProfile

SAMPLE_RATE = 44100
PEAK = 0.25
"""Highest sample of a drone: 12 dB below full scale."""

FILE_SWELL_S = 6.0
FILE_FADE_S = 3.0
REFERENCE_S = 30.0
_VELOCITY = 80
_GENERATOR = SynthProfile(
    name="generator", title="the built-in tone generator", source="this project", methods=("note",)
)


def drone_wav(drone: Drone, table: Table) -> bytes:
    """Return the sound of a drone as the bytes of a WAV file."""
    return _held(table.hz.tolist(), drone.keys(table.tonic), drone.sound, drone.seconds)


def chart_drone_wav(plan: ChartDronePlan, table: Table) -> bytes:
    """Return the sound of a drone that follows the chart of a track as the bytes of a WAV file."""
    samples = render_events(chart_drone_events(plan, table.hz.tolist()), SAMPLE_RATE).mean(axis=1)
    peak = float(np.max(np.abs(samples), initial=0.0))
    return _wav(samples * (PEAK / peak) if peak else samples)


def reference_wav(reference: Reference, seconds: float = REFERENCE_S) -> bytes:
    """Return a tone to tune the reference string to as the bytes of a WAV file."""
    hz = [440.0] * 128
    hz[reference.key] = reference.hz
    return _held(hz, (reference.key,), SOUND, seconds)


def reference_name(reference: Reference, tonic: str) -> str:
    """Return the name of a reference tone's file: ``F#3-182.40-Hz.wav`` is written ``Fs3-182.40-Hz.wav``."""
    note = note_name(reference.key, tonic).replace("#", "s")
    return f"{note}-{reference.hz:.2f}-Hz.wav"


def _held(hz: Sequence[float], keys: Iterable[int], sound: str, seconds: float) -> bytes:
    """Hold keys with the built-in generator, swelling and fading."""
    tuner = Tuner(_GENERATOR, "note", (1,))
    held = tuple(keys)
    events = [(0.0, message) for message in (*tuner.messages(hz), *tuner.select())]
    program = drone_program(sound)
    if program is not None:
        events.append((0.0, bytes((0xC0, program))))
    events += [(0.0, bytes((0x90, key, _VELOCITY))) for key in held]
    events += [(seconds, bytes((0x80, key, 64))) for key in held]
    samples = render_events(events, SAMPLE_RATE).mean(axis=1)[: round(seconds * SAMPLE_RATE)]
    peak = float(np.max(np.abs(samples)))
    swell = _ramp(len(samples), min(FILE_SWELL_S, seconds / 3))
    fade = _ramp(len(samples), min(FILE_FADE_S, seconds / 3))[::-1]
    return _wav(samples * (PEAK / peak) * swell * fade)


def _wav(samples: NDArray[Any]) -> bytes:
    samples = samples.astype(np.float32)
    with tempfile.TemporaryDirectory(prefix="stillbeat-") as folder:
        path = Path(folder) / "sound.wav"
        write_sound(path, [samples[:, None]], SAMPLE_RATE, encoding="pcm16")
        return path.read_bytes()


def _ramp(count: int, seconds: float) -> NDArray[np.float64]:
    """Return `count` samples that rise smoothly from 0 to 1 in so many seconds, and stay there."""
    rise = np.clip(np.arange(count) / (seconds * SAMPLE_RATE), 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * rise))
