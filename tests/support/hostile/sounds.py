"""Makers of hostile sound files.

Sources of the structure: *Multimedia Programming Interface and Data Specifications 1.0* (RIFF WAVE); RFC 9639 (FLAC).
"""

from __future__ import annotations

import io
import random
import struct
from functools import cache


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
