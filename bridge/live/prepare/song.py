"""From a MIDI file that a person named to a track that plays: its tables by bars, its chords, what to call it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from bridge.jobs.changes import PlacedChange, place_changes
from bridge.jobs.harmony.notes import Music, read_music
from bridge.jobs.transposed import transposed_midi
from bridge.live.backing import Backing, make_backing
from bridge.live.desk.track_labels import TrackLabels
from bridge.store.playing import sequences
from bridge.store.smf import read_midi
from bridge.tuning.changes import parse_at
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import Table, build_table

MOST_NOTES = 60_000
"""The chords of a longer file are not looked for."""
SOON_NOTES = 3_000
"""Those of a file of more notes are looked for while it plays already: it must begin soon."""


@dataclass(frozen=True)
class SongRequest:
    """A file to play, and how; bars count from 1."""

    file: Path
    count_in: int | None = None
    """Bars of clicks before it; None: one, where the file has bars."""
    loop: tuple[int, int] | None = None
    tempo: float = 1.0
    at: tuple[str, ...] = ()
    """Changes of table by bars, as `stillbeat retune` reads them."""


@dataclass(frozen=True)
class Song:
    """A file that was read."""

    backing: Backing
    labels: TrackLabels
    specs: tuple[tuple[str, TableSpec], ...]
    """Tables that it needs besides home, with their names: numbers 2 and on."""
    said: tuple[str, ...] = ()
    """What one should know of the changes."""
    music: Music | None = None
    """Its notes; None where they are too many to look at before it begins."""
    placed: tuple[PlacedChange, ...] = ()
    """Its changes of table."""


def read_song(request: SongRequest, home: TableSpec) -> Song:
    """Read a file and lay out its tables.

    Parameters
    ----------
    home : TableSpec
        What it begins with.

    Raises
    ------
    StillbeatError
        The file cannot be read or is a recording; a bar or change makes no sense.
    """
    midi = transposed_midi(read_midi(request.file), home.transposed)
    backing = make_backing(midi, request.file.name, request.count_in, request.loop, request.tempo)
    playing = sequences(midi)[0]
    only = playing.numbers[0] if midi.format == 2 else None
    placed = place_changes(midi, home, [parse_at(text) for text in request.at], track=only)
    specs, tables = _numbered(home, placed, playing.tempo.seconds)
    if tables:
        backing = replace(backing, tables=tables)
    words = tuple((playing.tempo.seconds(change.tick), f"{change.place}: {change.what}") for change in placed)
    said = tuple(
        f"{change.place}: {change.what}"
        + (f"; against home, {', '.join(change.moved)}" if change.moved else "")
        for change in placed
    )
    music = read_music(midi, playing, only) if len(playing) <= 2 * MOST_NOTES else None
    chords: list[tuple[float, str]] = []
    if music is not None:
        if len(music.notes) <= SOON_NOTES:
            chords.extend(_chords(music))
        else:
            threading.Thread(target=lambda: chords.extend(_chords(music)), daemon=True).start()
    return Song(backing, TrackLabels(backing, chords, words), specs, said, music, tuple(placed))


def _numbered(
    home: TableSpec, placed: Sequence[PlacedChange], seconds: Callable[[float], float]
) -> tuple[tuple[tuple[str, TableSpec], ...], tuple[tuple[float, int], ...]]:
    """Number the tables of a piece, each once: home is 1, and coming home is home.

    Returns
    -------
    specs : tuple of (str, TableSpec)
        All but home.
    tables : tuple of (float, int)
        From when on which one holds; empty where nothing changes.
    """
    known = [_sound(build_table(home))]
    specs: list[tuple[str, TableSpec]] = []
    tables = [(0.0, 1)]
    for change in placed:
        sound = _sound(change.table)
        if sound not in known:
            known.append(sound)
            specs.append((change.what, change.table.spec))
        tables.append((seconds(change.tick), known.index(sound) + 1))
    return tuple(specs), tuple(tables) if placed else ()


def _sound(table: Table) -> tuple[str, tuple[float, ...]]:
    """What tells tables apart, however they were said: tonic and frequencies."""
    return table.tonic, tuple(float(hz) for hz in table.hz)


def _chords(music: Music) -> tuple[tuple[float, str], ...]:
    """Hear the chords of a piece: from when on which one."""
    from bridge.harmony.heard.hear import hear

    if not music.bar_starts_s or not music.notes:
        return ()
    found: list[tuple[float, str]] = []
    for heard in hear(music.notes, music.bar_starts_s).chords:
        name = str(heard.chord) if heard.chord is not None else ""
        if not found or found[-1][1] != name:
            found.append((heard.start_s, name))
    return tuple(found)
