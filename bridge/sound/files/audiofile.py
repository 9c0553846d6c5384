"""Reads a take into one channel: WAV, FLAC, MP3, Ogg and whatever else libsndfile knows.

A file is read block by block and mixed on the way, so that many channels, or a small file that unpacks to a great
deal, need little memory.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from bridge.errors import InputProblem
from bridge.sound.analysis.spectrum import Floats
from bridge.sound.listening.mono import BLOCK_SAMPLES, Mono, check_rate, mono_of

#: Longer files are surely not a take of a few strings.
MOST_S = 600.0
#: Samples in a channel: ten minutes at 48,000 a second, less at higher rates.
MOST_FRAMES = 28_800_000
#: Samples in all channels together: ten minutes of four channels at 48,000 a second.
MOST_SAMPLES = 120_000_000


def read_take(path: str | Path) -> tuple[Mono, int]:
    """Read a sound file.

    InputProblem where the file is missing, is no sound that can be read, is empty or damaged, has a sample
    rate that no take has, or is too long: more than ten minutes, or more samples than `MOST_FRAMES` and
    `MOST_SAMPLES`.
    """
    file = Path(path)
    if not os.path.exists(file):
        raise InputProblem(f"{file}: there is no such file")
    if file.is_dir():
        raise InputProblem(f"{file} is a folder, not a sound file")
    if not file.is_file():
        raise InputProblem(f"{file} is a device or a pipe, not a sound file", "name a recording")
    if file.stat().st_size == 0:
        raise InputProblem(f"{file} is empty", "was the recording stopped before it began?")
    import soundfile

    try:
        with soundfile.SoundFile(file) as sound:
            rate = int(sound.samplerate)
            try:
                check_rate(rate)
                _check_length(sound.frames, sound.channels, rate)
                take = mono_of(lambda: _blocks(sound, rate), rate)
            except InputProblem as problem:
                raise InputProblem(f"{file}: {problem.message}", problem.hint) from None
    except (soundfile.SoundFileError, OSError) as problem:
        reason = str(problem).split(":")[-1].strip().rstrip(".")
        raise InputProblem(
            f"{file} cannot be read as sound: {reason}", "WAV, FLAC, MP3 and Ogg can be read"
        ) from None
    if not take.sound.size:
        raise InputProblem(f"{file} holds no sound")
    return take, rate


def _check_length(frames: int, channels: int, rate: int) -> None:
    most = min(int(MOST_S * rate), MOST_FRAMES, MOST_SAMPLES // channels)
    if frames > most:
        kept = f"{channels} channels at {rate} samples a second" if most < int(MOST_S * rate) else "a take"
        raise InputProblem(
            f"the sound lasts {_minutes(frames / rate)} minutes; of {kept} at most {_minutes(most / rate)} minutes "
            "are listened to",
            "cut out the take with the strings",
        )


def _minutes(seconds: float) -> str:
    return f"{seconds / 60:.3g}"


def _blocks(sound: Any, rate: int) -> Iterator[Floats]:
    """Blocks of an open file from its start, shape (n, channels); what its head says of its length is not believed."""
    sound.seek(0)
    step = max(1, BLOCK_SAMPLES // sound.channels)
    frames = 0
    while True:
        block = sound.read(step, dtype="float64", always_2d=True)
        if not block.shape[0]:
            return
        frames += block.shape[0]
        _check_length(frames, sound.channels, rate)
        yield np.asarray(block, dtype=np.float64)
