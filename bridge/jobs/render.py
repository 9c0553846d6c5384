"""Playing MIDI files into sound files with the built-in tone generator."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

from bridge.errors import InputProblem
from bridge.sound.files.wav import SoundReport
from bridge.sound.render import MOST_EFFORT, render_file
from bridge.store.files import check_output
from bridge.store.playing import sequences
from bridge.store.smf import MidiFile, read_midi

MOST_HOURS = 1.0
"""A piece is rendered up to this length, unless more is asked for: sound takes 1.3 GB an hour on the disk meanwhile."""


def timed_events(midi: MidiFile) -> Iterator[tuple[float, bytes]]:
    """Yield (seconds, data) of a whole file; the pieces of a format 2 file follow one another."""
    start_s = 0.0
    for playing in sequences(midi):
        time_s = 0.0
        for time_s, data in playing:
            yield start_s + time_s, data
        start_s += time_s


def length_s(midi: MidiFile) -> float:
    """Return the length of a file in seconds, up to its last event."""
    total = 0.0
    for playing in sequences(midi):
        if len(playing):
            total += playing.tempo.seconds(playing.events[-1][0])
    return total


def render_midi_file(
    source: Path,
    output: Path,
    sample_rate: int = 44100,
    encoding: str = "pcm24",
    overwrite: bool = False,
    progress: Callable[[float], None] | None = None,
    most_hours: float = MOST_HOURS,
) -> SoundReport:
    """Play the MIDI file `source` into the sound file `output`.

    InputProblem if the input is no MIDI file, or too long; OutputProblem if the output cannot be written;
    ValueProblem if the rate or encoding does not exist.

    Parameters
    ----------
    source, output : Path
        A MIDI file, and a ``.wav`` or ``.flac`` file that appears whole or not at all.
    encoding : str
        ``pcm16``, ``pcm24`` or ``float``.
    progress : callable, optional
        Called with how much is done, 0 to 1.
    most_hours : float
        A longer piece is refused, before anything is written; so is one with more sound than that many hours of four
        held notes.
    """
    check_output(output, overwrite=overwrite, inputs=(source,))
    midi = read_midi(source)
    return _render(midi, output, sample_rate, encoding, overwrite, progress, most_hours)


def render_midi(
    midi: MidiFile, sample_rate: int = 44100, progress: Callable[[float], None] | None = None
) -> bytes:
    """Play a MIDI file in memory and return the bytes of a WAV file (24 bits)."""
    with tempfile.TemporaryDirectory(prefix="stillbeat-") as folder:
        path = Path(folder) / "sound.wav"
        _render(midi, path, sample_rate, "pcm24", False, progress)
        return path.read_bytes()


def _render(
    midi: MidiFile,
    output: Path,
    sample_rate: int,
    encoding: str,
    overwrite: bool,
    progress: Callable[[float], None] | None,
    most_hours: float = MOST_HOURS,
) -> SoundReport:
    whole_s = max(length_s(midi), 1e-9)
    if whole_s > most_hours * 3600.0:
        raise InputProblem(
            f"{midi.name or 'the piece'} lasts {whole_s / 3600.0:.1f} hours, more than {most_hours:g}",
            "is an event far behind the music? --hours 24 renders up to a day, at 1.3 GB an hour on the disk",
        )

    def report(seconds: float) -> None:
        if progress is not None:
            progress(min(seconds / whole_s, 1.0))

    return render_file(
        output,
        timed_events(midi),
        sample_rate,
        encoding=encoding,
        overwrite=overwrite,
        progress=report,
        most_effort=max(1.0, most_hours) * MOST_EFFORT,
    )
