"""What is looked up, not played from, each thing once and close together: tuning by ear, what to load, the tables.

Two tables stand side by side, each with its beats; what explains them stands once before them. What needs the width of
the page, necks for which their pieces' pages have no room, comes last.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from bridge.engine.report import spans
from bridge.sheet.content.guitar import near_blocks, steps_blocks
from bridge.sheet.content.page import shows_neck
from bridge.sheet.content.table import (
    CLASSES,
    beats_words,
    neck_cells,
    neck_figure,
    octave_words,
    sheet_chords,
    table_column,
    written_grid,
)
from bridge.sheet.content.titles import table_title
from bridge.sheet.document import Beside, Block, Grid, Heading, Items, Paragraph
from bridge.sheet.records import LoadList, PieceSheet, SessionInfo, StringsSheet, TableSheet
from bridge.tuning.tables import Table

_OF_STRINGS = re.compile(r"\bstrings? \d", re.IGNORECASE)

LOOK_UP = "To look up"
"""The title of the appendix."""


@dataclass
class _Used:
    """A table of a session, and where it is used."""

    sheet: TableSheet  # with all the chords that are played under it
    start: Table | None  # the table from which its first piece starts; None: this one
    capo_instead: int  # as of `PieceSheet`
    places: list[tuple[PieceSheet, tuple[str, ...]]] = field(default_factory=list)
    neck: bool = False  # whether its neck stands on a page

    def where(self, short: bool = False) -> str:
        """Say where it is used; `short` names pieces by their numbers."""
        said = []
        for piece, places in self.places:
            name = str(piece.number) if short and piece.number is not None else piece.title
            several = len(piece.stretches) > 1
            said.append(f"{name}: {', '.join(places)}" if several else name)
        return "; ".join(said)


def appendix_blocks(session: SessionInfo, pieces: Sequence[PieceSheet]) -> Iterable[Block]:
    """Yield the appendix of a session."""
    yield Heading(LOOK_UP, 1)
    told: set[str] = set()
    for strings, where in _tunings(session, pieces):
        yield Heading(f"Tuning by ear: {strings.plan.guitar.title}{where}")
        if strings != session.strings:  # else the cover has it
            yield from near_blocks(strings)
        yield from _once(steps_blocks(strings), told)
    tables = _tables(pieces)
    yield from _load_blocks(session, pieces)
    yield from _panel_blocks(tables)
    yield Heading("The tables in full")
    yield from _explained(tables)
    columns = [_column(one) for one in tables]
    for left, right in zip(columns[::2], [*columns[1::2], ()], strict=False):
        yield Beside(left, right, 0.5)
    if session.transposing:
        yield Heading("The same notes as players read them", 3)
        written = written_grid(tables[0].sheet.table, session.transposing)
        yield replace(written, rows=written.rows[:-1], playing=False)
    yield from _neck_blocks(tables)


def _tunings(session: SessionInfo, pieces: Sequence[PieceSheet]) -> Iterable[tuple[StringsSheet, str]]:
    """Yield every way to tune once, and for which pieces it is, where there are several."""
    found: dict[str, tuple[StringsSheet, list[PieceSheet]]] = {}
    for piece in pieces:
        if piece.strings is not None:
            key = repr(piece.strings)
            found.setdefault(key, (piece.strings, []))[1].append(piece)
    if not found and session.strings is not None:
        yield session.strings, ""
    for strings, users in found.values():
        yield strings, f" ({_named(users)})" if len(found) > 1 else ""


def _named(pieces: Sequence[PieceSheet]) -> str:
    if all(piece.number is not None for piece in pieces):
        return spans(piece.number for piece in pieces)
    return ", ".join(_number(piece) or piece.title for piece in pieces)


def _once(blocks: Iterable[Block], told: set[str]) -> Iterable[Block]:
    """Leave out sentences that were told before, but for those that name strings."""
    for block in blocks:
        if isinstance(block, Items):
            fresh = tuple(text for text in block.texts if text not in told or _OF_STRINGS.search(text))
            told.update(fresh)
            if fresh:
                yield replace(block, texts=fresh)
        elif not isinstance(block, Paragraph):
            yield block
        elif block.text not in told:
            told.add(block.text)
            yield block


def _number(piece: PieceSheet) -> str:
    return "" if piece.number is None else str(piece.number)


# -- what to load


def _load_blocks(session: SessionInfo, pieces: Sequence[PieceSheet]) -> Iterable[Block]:
    if not session.load and not any(piece.load for piece in pieces):
        return
    yield Heading("What to load")
    for one in session.load:
        yield Heading(one.where, 3)
        yield Items(one.lines, numbered=len(one.lines) > 1)
    rows = []
    for piece in pieces:
        synths: dict[str, list[str]] = {}
        for one in piece.load:
            for line in one.lines:
                synths.setdefault(line, []).append(one.where)
        lines: dict[str, list[str]] = {}
        for line, wheres in synths.items():
            every = len(session.load) == len(wheres) > 2
            lines.setdefault("all of them" if every else ", ".join(wheres), []).append(line)
        rows += [(_number(piece), piece.title, "; ".join(said), where) for where, said in lines.items()]
    if rows:
        yield Grid(("", "piece", "what to play", "on"), tuple(rows), frozenset({0, 1, 2, 3}))


def load_only(load: Sequence[LoadList]) -> Iterable[Block]:
    """Yield what to load for a piece that stands alone."""
    if load:
        yield Heading("What to load")
    for one in load:
        yield Heading(one.where, 3)
        yield Items(one.lines, numbered=len(one.lines) > 1)


# -- tables


def _tables(pieces: Sequence[PieceSheet]) -> list[_Used]:
    """Return every table once."""
    found: dict[str, _Used] = {}
    for piece in pieces:
        for number, sheet in enumerate(piece.tables):
            key = repr(
                (replace(sheet.table.spec, name=""), sheet.panel, sheet.panel_note, piece.capo_instead)
            )
            start = piece.tables[0].table if number else None
            one = found.setdefault(key, _Used(sheet, start, piece.capo_instead))
            chords = dict.fromkeys((*one.sheet.chords, *sheet.chords))
            one.sheet = replace(one.sheet, chords=tuple(chords))
            places = tuple(stretch.place for stretch in piece.stretches if stretch.table == number)
            one.places.append((piece, places))
            one.neck |= number == 0 and shows_neck(piece)
    return list(found.values())


def _explained(tables: Sequence[_Used]) -> Iterable[Block]:
    """Say once what the figures of all tables mean."""
    said = list(dict.fromkeys(octave_words(one.sheet.table) for one in tables))
    if any(one.start is not None for one in tables):
        said.append("Bold: what differs from the start of its piece.")
    yield Paragraph(" ".join(said), small=True)
    if any(neck_cells(one.sheet.table) for one in tables):
        yield Paragraph(
            "On a neck: a fret that shows - is bent up to the note; one that shows + is too high: leave it out, or "
            "bend up from the fret before it. A fret can be bent up, never down.",
            small=True,
        )
    for words in beats_words([chord for one in tables for chord in sheet_chords(one.sheet)]):
        yield Paragraph(words, small=True)


def _column(used: _Used) -> tuple[Block, ...]:
    head = (Heading(table_title(used.sheet.table), 3), Paragraph(used.where(), strong=True))
    return (*head, *table_column(used.sheet, used.start))


def _panel_blocks(tables: Sequence[_Used]) -> Iterable[Block]:
    panels = [(one, one.sheet.panel) for one in tables if one.sheet.panel is not None]
    notes = [f"{one.where()}: {one.sheet.panel_note}" for one in tables if one.sheet.panel_note]
    if panels or notes:
        yield Heading("By hand, where a panel takes whole cents", 3)
    for a4_hz in dict.fromkeys(panel.a4_hz for _, panel in panels):
        rows = tuple(
            (one.where(short=True), *(f"{value:+d}" if value else "0" for value in panel.cents))
            for one, panel in panels
            if panel.a4_hz == a4_hz
        )
        yield Paragraph(
            f"Master tuning A4 = {a4_hz:.1f} Hz, then twelve whole cents. Notes are up to half a cent off then: a pure "
            "third or fifth still beats a little.",
            small=True,
        )
        yield Grid(("", *CLASSES), rows, frozenset({0}), even=True)
    for said in notes:
        yield Paragraph(said)


def _neck_blocks(tables: Sequence[_Used]) -> Iterable[Block]:
    """The necks that stand on no page; where the tonic stays and only degrees change, the page says enough."""
    explained = False
    for one in tables:
        known = one.neck or (one.start is not None and one.start.tonic == one.sheet.table.tonic)
        neck = None if known else neck_figure(one.sheet.table, one.capo_instead, not explained)
        if neck is not None:
            explained = True
            yield Heading(f"Neck, {table_title(one.sheet.table)} ({one.where()})", 3)
            yield neck
