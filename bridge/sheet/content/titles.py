"""How a table is called on a sheet, and what a piece stands in, in a line."""

from __future__ import annotations

from bridge.sheet.records import PieceSheet
from bridge.tuning.ratios import format_ratio
from bridge.tuning.scales import DEGREES
from bridge.tuning.tables import Table


def table_title(table: Table) -> str:
    """Name a table for a reader: tonic and scale, with what is replaced: ``D: Five-limit, b7 = 7/4``."""
    spec = table.spec
    if spec.scale is None:
        return f"{table.tonic}: 128 single pitches"
    changed = {**dict(spec.home_degree_changes), **dict(spec.degree_changes)}
    parts = [f"{table.tonic}: {spec.scale.title}"]
    parts += [f"{DEGREES[index]} = {interval}" for index, interval in sorted(changed.items())]
    if spec.open_strings_win:
        parts.append("open strings as the guitar is tuned")
    return ", ".join(parts)


def summary(piece: PieceSheet) -> str:
    """Say in a line what a piece stands in: tonic, tuning, capo, reference."""
    table = piece.tables[0].table
    key, hz = table.sounding_reference
    parts = [f"in {table.tonic}"]
    if table.tonic != table.home and not table.shift_semitones:
        parts.append(f"home is {table.home}")
    if table.spec.guitar is not None:
        parts.append(table.spec.guitar.title)
        parts.append(_capo_words(table, piece.capo_instead))
    elif table.fret:
        parts.append(f"capo at fret {table.fret}")
    if table.slide != 1:
        parts.append(f"slide at {format_ratio(table.slide)}")
    name = table.note(key) if key < 128 else "reference"
    parts.append(f"{name} = {hz:.2f} Hz")
    return " · ".join(parts)


def _capo_words(table: Table, instead: int) -> str:
    if instead:
        return f"capo at fret {instead} (frets count from it)"
    return f"capo at fret {table.fret}" if table.fret else "no capo"
