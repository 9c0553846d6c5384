"""Reads a sound file into samples: WAV, FLAC, MP3, Ogg and whatever else libsndfile knows.

Conventions: samples float64, full scale 1, shape ``(n, channels)``.

Index
-----
`read_audio`    samples and rate of a file
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bridge.errors import InputProblem

#: Longer files are surely not a take of a few strings.
MOST_S = 1800.0


def read_audio(path: str | Path) -> tuple[NDArray[np.float64], int]:
    """Read a sound file.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    (samples, sample_rate)
        `samples` of shape (n, channels).

    Raises
    ------
    InputProblem
        Where the file is missing, is no sound that can be read, is empty or damaged, or lasts longer than half an hour.
    """
    file = Path(path)
    if not file.exists():
        raise InputProblem(f"{file}: there is no such file")
    if file.is_dir():
        raise InputProblem(f"{file} is a folder, not a sound file")
    if file.stat().st_size == 0:
        raise InputProblem(f"{file} is empty", "was the recording stopped before it began?")
    import soundfile

    try:
        with soundfile.SoundFile(file) as sound:
            rate = int(sound.samplerate)
            if sound.frames > MOST_S * rate:
                raise InputProblem(
                    f"{file} lasts {sound.frames / rate / 60:.0f} minutes; at most {MOST_S / 60:.0f} are listened to",
                    "cut out the take with the strings",
                )
            samples = sound.read(dtype="float64", always_2d=True)
    except (soundfile.SoundFileError, OSError) as problem:
        reason = str(problem).split(":")[-1].strip().rstrip(".")
        raise InputProblem(
            f"{file} cannot be read as sound: {reason}", "WAV, FLAC, MP3 and Ogg can be read"
        ) from None
    if samples.shape[0] == 0:
        raise InputProblem(f"{file} holds no sound")
    if not np.all(np.isfinite(samples)):
        raise InputProblem(f"{file} holds values that are no numbers", "is the file damaged?")
    return np.asarray(samples, dtype=np.float64), rate
