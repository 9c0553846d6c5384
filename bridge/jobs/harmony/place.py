"""From chosen variants back to a file: tables that change where a note is struck at another variant.

A segment's variant holds for its pitch class, in all octaves, until the next segment of that class. So every change is
a table at a place, as an engine takes it, whatever the method; and because a segment ends before its class changes,
nothing that sounds moves. Classes that have not sounded yet have their first variant from the start.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from bridge.harmony.choice.follow import Following
from bridge.jobs.harmony.notes import Music
from bridge.tuning.notes import KEYS
from bridge.tuning.ratios import cents_to_ratio
from bridge.tuning.tables import Table


@dataclass(frozen=True)
class Placed:
    """Tables as they hold through a piece."""

    first: list[float]  # 128 frequencies in Hz at the start
    changes: list[tuple[int, list[float]]]  # ticks, ascending, and the frequencies that hold from there
    tonics: list[str]  # the tonic in force at the start and at each change


def placed_tables(following: Following, music: Music, tables: Sequence[tuple[int, Table]]) -> Placed:
    """Turn the variants of a piece into tables at ticks.

    Parameters
    ----------
    following : Following
        The choice; its notes are those of `music`.
    music : Music
        Where the notes stand in the file.
    tables : sequence of (int, Table)
        The table at the start (tick 0) and each that was asked for later, by tick.
    """
    starts = [tick for tick, _ in tables]
    rows: dict[tuple[int, int, float], list[float]] = {}

    def row(place: int, pitch_class: int, offset_cents: float) -> list[float]:
        """Return the frequencies of a class in all octaves, the same objects for the same pitch."""
        known = rows.get((place, pitch_class, offset_cents))
        if known is None:
            hz = tables[place][1].hz[pitch_class::12]
            moved = hz * cents_to_ratio(offset_cents) if offset_cents else hz
            known = rows[place, pitch_class, offset_cents] = [float(value) for value in moved]
        return known

    hz: list[float] = [float(value) for value in tables[0][1].hz]
    held: dict[int, list[float]] = {}
    steps: list[tuple[int, int, list[float]]] = []
    for segment, variant in zip(following.segments, following.variants, strict=True):
        tick = music.ticks[segment.notes[0]]
        place = max(bisect_right(starts, tick) - 1, 0)
        wanted = row(place, segment.pitch_class, variant.offset_cents)
        before = held.get(segment.pitch_class)
        held[segment.pitch_class] = wanted
        if before is None:
            hz[segment.pitch_class : KEYS : 12] = wanted
        elif before != wanted:
            steps.append((tick, segment.pitch_class, wanted))
    first = list(hz)
    changes: list[tuple[int, list[float]]] = []
    tonics = [tables[0][1].tonic]
    for tick, pitch_class, wanted in steps:
        hz[pitch_class:KEYS:12] = wanted
        if changes and changes[-1][0] == tick:
            changes[-1][1][pitch_class:KEYS:12] = wanted
            continue
        changes.append((tick, list(hz)))
        tonics.append(tables[max(bisect_right(starts, tick) - 1, 0)][1].tonic)
    return Placed(first, changes, tonics)
