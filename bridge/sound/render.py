"""Whole pieces: timed MIDI bytes to an array or a sound file.

Events are pairs of a time in seconds and the bytes of one MIDI message or of one event of a Standard MIDI File:
meta events (``FF`` with a type) are passed over, escapes (``F7``) give what stands behind them. Each takes effect
at the nearest sample, those of the same sample in the order given. After the last event everything that still
sounds is let go, and the sound ends when it has died away.

The result is scaled down as a whole if it would go beyond `wav.CEILING`; nothing is clipped or limited.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from bridge.errors import InputProblem, ValueProblem
from bridge.sound.files.wav import CEILING, SoundReport, write_sound
from bridge.sound.generator.synth import Generator
from bridge.store.files import PathName

DEFAULT_SAMPLE_RATE = 44100

LONGEST_TAIL_S = 12.0
"""Sound that has not died away by then is faded out."""

CUT_FADE_S = 1.0
"""So long that fade takes."""

LONGEST_S = 24 * 3600.0
"""Times beyond this are taken for a mistake."""

MOST_EFFORT = 1.25e9
"""Work that a piece may ask for unasked: about an hour of four held notes at 44,100 samples a second, a few seconds
of the processor. The unit is a sample of one tone."""

_BLOCK = 32768
_QUIET = bytes(
    byte
    for channel in range(16)
    for byte in (0xB0 | channel, 64, 0, 0xB0 | channel, 66, 0, 0xB0 | channel, 123, 0)
)


def render_blocks(
    events: Iterable[tuple[float, bytes]],
    sample_rate: int = DEFAULT_SAMPLE_RATE,
    *,
    progress: Callable[[float], None] | None = None,
    most_effort: float = math.inf,
) -> Iterator[NDArray[np.float32]]:
    """Yield the sound of a piece in blocks, as it is; it may go beyond 1.

    ValueProblem if a time is negative, no number or beyond a day, or the sample rate is out of range; InputProblem if
    the piece asks for more than `most_effort`.

    Parameters
    ----------
    events : iterable of (float, bytes)
        Time in seconds from the start (not falling; an earlier time counts as now), and the bytes.
    progress : callable, optional
        Called with the seconds rendered so far, after each block.

    Yields
    ------
    ndarray of float32, shape (frames, 2)
    """
    generator = Generator(sample_rate)

    def block(frames: int) -> NDArray[np.float32]:
        sound = generator.block(frames)
        if generator.effort > most_effort:
            raise InputProblem(
                f"there is more sound in the piece than in {most_effort / MOST_EFFORT:g} h of four held notes",
                "--hours 24 renders up to a day of them: that may take minutes"
                if most_effort < 24 * MOST_EFFORT
                else "render it in parts",
            )
        if progress is not None:
            progress(generator.position / sample_rate)
        return sound

    last = 0
    for time_s, data in events:
        if not 0 <= time_s <= LONGEST_S:
            raise ValueProblem(
                f"an event at {time_s:g} seconds cannot be rendered",
                f"allowed: 0 to {LONGEST_S:g} seconds, a day",
            )
        at = max(last, round(time_s * sample_rate))
        while at >= generator.position + _BLOCK:
            yield block(_BLOCK)
        last = at
        if data[:1] == b"\xff":
            continue
        generator.feed(data[1:] if data[:1] == b"\xf7" else data, at)
    generator.feed(_QUIET, last)
    yield block(last - generator.position)
    tail = round(LONGEST_TAIL_S * sample_rate)
    fade = round(CUT_FADE_S * sample_rate)
    while tail > fade and not generator.silent:
        size = min(8192, tail - fade)
        yield block(size)
        tail -= size
    if not generator.silent:
        yield block(fade) * np.linspace(1.0, 0.0, fade, dtype=np.float32)[:, None]


def render_events(
    events: Iterable[tuple[float, bytes]],
    sample_rate: int = DEFAULT_SAMPLE_RATE,
    *,
    progress: Callable[[float], None] | None = None,
) -> NDArray[np.float32]:
    """Return the sound of a piece as one array of shape (frames, 2), peak at most `CEILING`.

    Parameters and errors are those of `render_blocks`.
    """
    blocks = list(render_blocks(events, sample_rate, progress=progress))
    sound = np.concatenate(blocks) if blocks else np.zeros((0, 2), dtype=np.float32)
    peak = float(np.max(np.abs(sound))) if len(sound) else 0.0
    return sound if peak <= CEILING else sound * np.float32(CEILING / peak)


def render_file(
    path: PathName,
    events: Iterable[tuple[float, bytes]],
    sample_rate: int = DEFAULT_SAMPLE_RATE,
    *,
    encoding: str = "pcm24",
    overwrite: bool = False,
    progress: Callable[[float], None] | None = None,
    most_effort: float = math.inf,
) -> SoundReport:
    """Write the sound of a piece to a WAV or FLAC file, whole or not at all, in little memory.

    Parameters and errors are those of `render_blocks` and `wav.write_sound`.
    """
    blocks = render_blocks(events, sample_rate, progress=progress, most_effort=most_effort)
    return write_sound(path, blocks, sample_rate, encoding=encoding, overwrite=overwrite)
