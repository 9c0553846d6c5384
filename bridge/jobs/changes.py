"""Changes inside a piece: from bars, key signatures and what was asked for to tables at ticks.

Every change is laid out over the one before it (`bridge.tuning.changes`), but its tonic always takes its pitch
from the home table, so nothing drifts and returning home is exact.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from bridge.store.descriptions import load_table
from bridge.store.smf import MidiFile
from bridge.store.timeline import BarMap, key_signatures
from bridge.tuning.changes import Change, apply_change, moved_notes
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import Table, build_table


@dataclass(frozen=True)
class PlacedChange:
    """A table that holds from a place of the piece on."""

    tick: int  # where it starts
    place: str  # the same for a reader: ``bar 17`` or ``bar 17, beat 3``
    table: Table  # what holds from there
    what: str  # what was asked for: ``tonic A``, ``2=10/9``, ``fret 5``
    moved: tuple[str, ...]  # how far the reference note and open strings move against home, a phrase each


@dataclass(frozen=True)
class Inferred:
    """What a key signature was taken for."""

    place: str  # bar (and beat) of the signature
    text: str  # what it was taken for, or why it was not followed
    followed: bool  # whether it became a change


def follow_signatures(
    midi: MidiFile, track: int | None = None
) -> tuple[list[tuple[int, Change]], list[Inferred]]:
    """Turn the key signatures of a file into changes of tonic, each with its tick, and a record for each signature.

    A doubtful signature (no mode, the file's default C) is not followed; the record says so.
    """
    changes: list[tuple[int, Change]] = []
    inferred: list[Inferred] = []
    bars: BarMap | None = None
    for signature in key_signatures(midi, track):
        place = f"tick {signature.tick}"
        bar = 1
        if midi.ticks_per_quarter is not None:
            bars = bars or BarMap(midi, track)
            bar = bars.bar_beat(signature.tick)[0]
            place = place_name(bars, signature.tick)
        if signature.doubted:
            text = f"{signature}, not followed: {signature.doubted}; if it is meant, say --at {bar}={signature.tonic}"
            inferred.append(Inferred(place, text, False))
            continue
        inferred.append(Inferred(place, f"{signature}: tonic {signature.tonic}", True))
        changes.append((signature.tick, Change(bar=bar, beat=1.0, tonic=signature.tonic)))
    return changes, inferred


def place_name(bars: BarMap, tick: int) -> str:
    """Name a tick by its bar, and its beat unless that is the first."""
    bar, beat = bars.bar_beat(tick)
    return f"bar {bar}" if beat == 1 else f"bar {bar}, beat {float(beat):g}"


def place_changes(
    midi: MidiFile,
    spec: TableSpec,
    asked: Iterable[Change],
    signatures: Iterable[tuple[int, Change]] = (),
    track: int | None = None,
) -> list[PlacedChange]:
    """Build the table for every change inside a piece, by tick; several changes at one tick become one.

    ValueProblem if a bar or beat does not exist, or the file counts in SMPTE time and has no bars.

    Parameters
    ----------
    spec : TableSpec
        The table that it starts from: home for all that follows.
    asked : iterable of Change
        What was asked for by bar; wins over a signature at the same tick.
    signatures : iterable of (int, Change)
        Changes that key signatures make.
    track : int, optional
        Track (from 0) of a format 2 file.
    """
    timed = [(tick, 0, change) for tick, change in signatures]
    wanted = list(asked)
    bars: BarMap | None = None
    if wanted or timed:
        bars = BarMap(midi, track) if wanted or midi.ticks_per_quarter is not None else None
    for change in wanted:
        assert bars is not None
        timed.append((bars.tick(change.bar, change.beat), 1, change))
    timed.sort(key=lambda item: item[:2])
    home = build_table(spec)
    placed: list[PlacedChange] = []
    now = spec
    for tick, _, change in timed:
        named = load_table(change.table) if change.table else None
        now = apply_change(now, spec, change, named)
        table = build_table(now)
        what = change.describe(spec.transposed, spec.shapes_kept)
        if placed and placed[-1].tick == tick:
            what = f"{placed.pop().what}, {what}"
        place = place_name(bars, tick) if bars else f"tick {tick}"
        placed.append(PlacedChange(tick, place, table, what, moved_notes(home, table)))
    return placed
