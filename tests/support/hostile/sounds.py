"""Makers of hostile sound files.

Sources of the structure: *Multimedia Programming Interface and Data Specifications 1.0* (RIFF WAVE); RFC 9639 (FLAC).
"""

from __future__ import annotations

import io
import random
import struct
from functools import cache


def song(rng: random.Random) -> bytes:
    """A short take of a voice: notes with and without vibrato, rests, glides, noise, two at once; or any sound file."""
    import numpy as np
    import soundfile

    if rng.random() < 0.1:
        return sound(rng)
    rate = rng.choice((8000, 16_000, 44_100))
    dice = np.random.default_rng(rng.randrange(2**32))
    parts, clean = [], rng.random() < 0.6
    for _ in range(rng.choice((0, 1, 2, 3))):
        time_s = np.arange(round(rng.choice((0.8, 1.2) if clean else (0.002, 0.3, 0.8)) * rate)) / rate
        hz = rng.choice(
            (110.0, 156.0, 183.1, 247.0, 330.0, 440.0)
            if clean
            else (20.0, 73.4, 146.5, 147.0, 220.0, 1174.0, 3900.0)
        )
        kind = rng.choice((0, 1, 1, 2) if clean else range(7))
        swing = {1: 0.02 * np.sin(2 * np.pi * 5.5 * time_s), 2: time_s}.get(kind, 0.0 * time_s)
        turns = np.cumsum(hz * (1.0 + swing)) / rate
        voice = sum(np.sin(2 * np.pi * number * turns) / number for number in (1, 2, 3))
        if kind == 3:
            voice = dice.standard_normal(len(time_s))
        elif kind == 4:
            voice = voice + np.sin(2 * np.pi * 1.26 * turns)
        elif kind == 5:
            voice = 0.0 * time_s + rng.choice((0.0, 1.0))
        elif kind == 6:
            voice = np.sign(voice) * 5.0  # clipped
        parts.append(rng.choice((0.3, 0.3, 0.3 if clean else 1e-6)) * voice)
    whole = np.concatenate(parts) if parts else np.zeros(rng.choice((0, 1, 100)))
    stream = io.BytesIO()
    form, kind_of_file = rng.choice((("WAV", "PCM_16"), ("WAV", "FLOAT"), ("FLAC", "PCM_16")))
    soundfile.write(stream, np.clip(whole, -1.0, 1.0), rate, format=form, subtype=kind_of_file)
    return stream.getvalue()


@cache
def _whole(form: str, kind: str, rate: int, channels: int) -> bytes:
    import numpy as np
    import soundfile

    time_s = np.arange(4_000) / rate
    sound = 0.3 * np.sin(2 * np.pi * 220.0 * time_s)
    stream = io.BytesIO()
    soundfile.write(stream, np.stack([sound] * channels, axis=1), rate, format=form, subtype=kind)
    return stream.getvalue()


def sound(rng: random.Random) -> bytes:
    """A sound file: whole, of several forms, or a WAV file whose head tells anything."""
    if rng.random() < 0.4:
        forms = (
            ("FLAC", "PCM_16"),
            ("FLAC", "PCM_24"),
            ("OGG", "VORBIS"),
            ("WAV", "FLOAT"),
            ("AIFF", "PCM_16"),
        )
        return _whole(*rng.choice(forms), rng.choice((8000, 44100, 96000)), rng.choice((1, 2, 8)))
    return _wav(rng)


def _wav(rng: random.Random) -> bytes:
    channels, rate = (
        rng.choice((0, 1, 2, 8, 300, 65535)),
        rng.choice((0, 1, 8, 8000, 44100, 192000, 0xFFFFFFFF)),
    )
    tag, bits = rng.choice(((1, 16), (1, 8), (1, 24), (3, 32), (3, 64), (7, 8), (0xFFFE, 16)))
    data = rng.choice(
        (b"", bytes(rng.randrange(256) for _ in range(400)), struct.pack("<d", 1e300) * 400, b"\0" * 4000)
    )
    form = struct.pack(
        "<HHIIHH", tag, channels, rate, (rate * 4) & 0xFFFFFFFF, max(1, channels * bits // 8) & 0xFFFF, bits
    )
    size = rng.choice((len(data), 0xFFFFFFFF, 0))
    body = b"WAVE" + b"fmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", size) + data
    return b"RIFF" + struct.pack("<I", len(body)) + body
