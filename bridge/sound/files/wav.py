"""Sound files, written whole or not at all, the same bytes on every run.

WAV is written here, because a header is simpler than the ways in which libraries put dates into it; FLAC goes
through soundfile. Sound comes in blocks and is first kept, as 32-bit floats, in a nameless file beside the output, so
that a piece of any length needs little memory; then it is scaled as a whole, if its peak is above the ceiling,
and written. A constant scale changes no pitch and no beat, which a limiter would not promise.

Conventions: blocks are float32 of shape (frames, channels), full scale 1; encodings are ``pcm16`` (with dither from a
fixed source), ``pcm24`` and ``float``.

Source: the layout of RIFF WAVE: IBM and Microsoft, *Multimedia Programming Interface and Data Specifications 1.0*
(1991); format tag 3 with a ``fact`` chunk: Microsoft, *New Multimedia Data Types and Data Techniques* (1994).
"""

from __future__ import annotations

import os
import struct
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import IO, BinaryIO

import numpy as np
from numpy.typing import NDArray

from bridge.errors import OutputProblem, ValueProblem, near_names
from bridge.store.files import PathName, check_output, open_atomic

CEILING = 10.0 ** (-1.0 / 20.0)
"""Files are scaled down to this peak, −1 dB, if they would go beyond."""

ENCODINGS = ("pcm16", "pcm24", "float")
KINDS = (".wav", ".flac")

_BYTES = {"pcm16": 2, "pcm24": 3, "float": 4}
_RIFF_MAX_BYTES = 0xFFFFFFFF - 64
_PIECE = 65536


@dataclass(frozen=True)
class SoundReport:
    """What was written."""

    # Length, and samples a second.
    frames: int
    sample_rate: int
    peak: float  # highest sample before scaling
    gain: float  # what everything was multiplied by, 1 or less

    @property
    def seconds(self) -> float:
        """Length in seconds."""
        return self.frames / self.sample_rate


def write_sound(
    path: PathName,
    blocks: Iterable[NDArray[np.float32]],
    sample_rate: int,
    *,
    encoding: str = "pcm24",
    overwrite: bool = False,
) -> SoundReport:
    """Write a sound file.

    Parameters
    ----------
    path : path
        Ends in ``.wav`` or ``.flac``.
    blocks : iterable of ndarray, shape (frames, channels)
        The sound; one block at least, all with the same number of channels. Taken only after the path was checked.
    encoding : {"pcm24", "pcm16", "float"}
        How samples are stored; FLAC has no ``float``.

    Raises
    ------
    ValueProblem
        Unknown encoding or kind of file.
    OutputProblem
        The output exists or cannot be written, or is too long for WAV.
    """
    kind = _kind(path, encoding)
    check_output(path, overwrite)
    folder = os.path.dirname(os.path.abspath(os.fspath(path)))
    with _spool(path, folder) as spool:
        frames, channels, peak = _keep(path, blocks, spool)
        gain = CEILING / peak if peak > CEILING else 1.0
        if kind == ".wav":
            size = frames * channels * _BYTES[encoding]
            if size > _RIFF_MAX_BYTES:
                hours = _RIFF_MAX_BYTES / (channels * _BYTES[encoding] * sample_rate * 3600)
                raise OutputProblem(
                    f"{os.fspath(path)}: {frames / sample_rate / 3600:.1f} hours are too long for a WAV file",
                    f"it holds {hours:.1f} hours of this sound; write FLAC, or render in parts",
                )
            with open_atomic(path, overwrite) as stream:
                stream.write(_wav_header(frames, channels, sample_rate, encoding))
                dither = _Dither()
                for block in _scaled(spool, channels, gain):
                    stream.write(_encoded(block, encoding, dither))
                if size % 2:
                    stream.write(b"\0")
        else:
            with open_atomic(path, overwrite) as stream:
                _write_flac(stream, _scaled(spool, channels, gain), channels, sample_rate, encoding)
    return SoundReport(frames, sample_rate, peak, gain)


def _kind(path: PathName, encoding: str) -> str:
    if encoding not in ENCODINGS:
        raise ValueProblem(f"there is no sound encoding {encoding!r}", near_names(encoding, ENCODINGS))
    name = os.fspath(path)
    kind = os.path.splitext(name)[1].lower()
    if kind not in KINDS and not (os.path.exists(name) and not os.path.isfile(name)):
        raise ValueProblem(f"{name}: sound is written as {' or '.join(KINDS)}", "give the output such a name")
    if kind == ".flac" and encoding == "float":
        raise ValueProblem("FLAC holds whole numbers only", "choose pcm24 or pcm16, or write a .wav file")
    return ".flac" if kind == ".flac" else ".wav"


def _spool(path: PathName, folder: str) -> IO[bytes]:
    try:
        return tempfile.TemporaryFile(dir=folder if os.access(folder, os.W_OK) else None)
    except OSError as error:
        raise OutputProblem(f"cannot write {os.fspath(path)}: {error.strerror or error}") from None


def _keep(path: PathName, blocks: Iterable[NDArray[np.float32]], spool: IO[bytes]) -> tuple[int, int, float]:
    """Write blocks to the spool; return frames, channels and peak."""
    frames, channels, peak = 0, 2, 0.0
    for block in blocks:
        channels = block.shape[1]
        frames += len(block)
        loudest = max(float(block.max()), -float(block.min())) if len(block) else 0.0
        peak = max(peak, loudest)
        try:
            if loudest == 0.0:  # silence is a hole in the file
                spool.truncate(spool.seek(block.size * 4, os.SEEK_CUR))
            else:
                spool.write(np.ascontiguousarray(block, dtype=np.float32).data)
        except OSError as error:
            raise OutputProblem(
                f"cannot write {os.fspath(path)}: {error.strerror or error}",
                "rendering needs about 0.35 MB a second on the disk for as long as it takes",
            ) from None
    spool.seek(0)
    return frames, channels, peak


def _scaled(spool: IO[bytes], channels: int, gain: float) -> Iterator[NDArray[np.float32]]:
    while True:
        data = spool.read(_PIECE * channels * 4)
        if not data:
            return
        block = np.frombuffer(data, dtype=np.float32).reshape(-1, channels)
        yield block if gain == 1.0 else block * np.float32(gain)


def _wav_header(frames: int, channels: int, sample_rate: int, encoding: str) -> bytes:
    width = _BYTES[encoding]
    size = frames * channels * width
    tag = 3 if encoding == "float" else 1
    form = struct.pack(
        "<HHIIHH", tag, channels, sample_rate, sample_rate * channels * width, channels * width, 8 * width
    )
    if encoding == "float":
        form += struct.pack("<H", 0)
    chunks = b"fmt " + struct.pack("<I", len(form)) + form
    if encoding == "float":
        chunks += b"fact" + struct.pack("<II", 4, frames)
    total = 4 + len(chunks) + 8 + size + size % 2
    return b"RIFF" + struct.pack("<I", total) + b"WAVE" + chunks + b"data" + struct.pack("<I", size)


class _Dither:
    """Triangular noise of one step, the same on every run."""

    def __init__(self) -> None:
        self._random = np.random.default_rng(16)

    def __call__(self, shape: tuple[int, ...]) -> NDArray[np.float64]:
        return np.asarray(self._random.random(shape) - self._random.random(shape))


def _encoded(block: NDArray[np.float32], encoding: str, dither: _Dither) -> bytes | memoryview:
    if encoding == "float":
        return block.astype("<f4").tobytes()
    if encoding == "pcm16":
        steps = block * 32767.0 + dither(block.shape)
        return np.clip(np.rint(steps), -32768, 32767).astype("<i2").tobytes()
    if not block.any():
        return bytes(3 * block.size)
    exact = block.astype(np.float64)
    exact *= 8388607.0
    whole = np.clip(np.rint(exact, out=exact), -8388608, 8388607, out=exact).astype("<i4")
    four = whole.view(np.uint8).reshape(-1, 4)
    three = np.empty((len(four), 3), dtype=np.uint8)
    for place in range(3):  # one copy of all three would go sample by sample, six times slower
        three[:, place] = four[:, place]
    return three.data


def _write_flac(
    stream: BinaryIO, blocks: Iterable[NDArray[np.float32]], channels: int, sample_rate: int, encoding: str
) -> None:
    import soundfile

    subtype = {"pcm16": "PCM_16", "pcm24": "PCM_24"}[encoding]
    with soundfile.SoundFile(stream, "w", sample_rate, channels, subtype, format="FLAC") as file:
        for block in blocks:
            file.write(block)
