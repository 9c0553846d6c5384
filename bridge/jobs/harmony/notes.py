"""From a MIDI file to timed notes: pedals applied, drums left out, parts told apart, bars found.

Conventions
-----------
A part is a channel of a track. A note that the source bends while it sounds is marked. Files that count in SMPTE time
have no bars; neither has one whose bars would be more than `MOST_BARS`, since no music has so many. The pieces of a
format 2 file share them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bridge.engine.score import read_score
from bridge.harmony.notes import TimedNote
from bridge.store.playing import Playing
from bridge.store.smf import MidiFile
from bridge.store.timeline import BarMap
from bridge.tuning.notes import KEYS

MOST_BARS = 10_000


@dataclass(frozen=True)
class Music:
    """The notes of a file, or of one piece of it."""

    notes: tuple[TimedNote, ...]  # in the order of `bridge.harmony.notes.sorted_notes`
    ticks: tuple[int, ...]  # the tick at which each begins
    bar_starts_s: tuple[float, ...] = ()  # when each bar begins, bar 1 first; empty where there are no bars
    beats_per_bar: tuple[int, ...] = ()  # beats of each bar

    def bar_at(self, time_s: float) -> int:
        """Return the bar at a time, from 1; 0 where there are no bars."""
        return int(np.searchsorted(np.asarray(self.bar_starts_s), time_s + 1e-6, side="right"))


def read_music(midi: MidiFile, playing: Playing, track: int | None = None) -> Music:
    """Read the notes of what plays together in a file.

    Parameters
    ----------
    playing : Playing
        Its events in playing order, without markers.
    track : int, optional
        Track (from 0) of a format 2 file.
    """
    score = read_score(playing, [0.0] * KEYS, {})
    events, tracks = playing.events, playing.tracks
    found = []
    for number, (anchor, source, key) in enumerate(zip(score.starts, score.sources, score.keys, strict=True)):
        tick, data = events[anchor]
        part = 16 * tracks[anchor] + source
        note = TimedNote(
            score.starts_s[number], score.ends_s[number], key, data[2] & 0x7F, part, number in score.bent
        )
        found.append((note, tick))
    found.sort(key=lambda one: (one[0].start_s, one[0].key, one[0].part, one[0].end_s))
    starts_s, beats = _bars(midi, playing, track, max((note.end_s for note, _ in found), default=0.0))
    return Music(tuple(note for note, _ in found), tuple(tick for _, tick in found), starts_s, beats)


def _bars(
    midi: MidiFile, playing: Playing, track: int | None, last_s: float
) -> tuple[tuple[float, ...], tuple[int, ...]]:
    """Return when each bar begins, and its beats, as far as notes sound."""
    if midi.ticks_per_quarter is None:
        return (), ()
    bars = BarMap(midi, track)
    last = min(bars.bars, bars.bar_beat(int(playing.tempo.tick(last_s)))[0])
    if last > MOST_BARS // (max(1, len(midi.tracks)) if midi.format == 2 else 1):
        return (), ()
    starts_s, beats = [], []
    place = 0
    for bar in range(1, last + 1):
        while place + 1 < len(bars.signatures) and bars.signatures[place + 1].bar <= bar:
            place += 1
        starts_s.append(playing.tempo.seconds(bars.tick(bar)))
        beats.append(bars.signatures[place].beats)
    return tuple(starts_s), tuple(beats)


def pairs_at_most(notes: Sequence[TimedNote]) -> int:
    """Return a bound for how many pairs of notes sound together, without listing them."""
    starts = np.array([note.start_s for note in notes])
    ends = np.array([note.end_s for note in notes])
    return int((np.searchsorted(starts, ends, side="right") - np.arange(len(notes))).sum())
