"""From pieces and a session to the document that stands on their sheets.

A sheet is a page or two for each piece; a session has a page of its own before them. Everybody gets the same sheet.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from string import ascii_uppercase

from bridge.sheet.content.guitar import strings_blocks
from bridge.sheet.content.table import table_blocks, table_title, written_notes
from bridge.sheet.document import Block, Document, Grid, Heading, Items, Paragraph
from bridge.sheet.records import LoadList, PieceSheet, SessionInfo
from bridge.tuning.ratios import format_ratio
from bridge.tuning.tables import Table


def sheet_document(pieces: Sequence[PieceSheet], session: SessionInfo | None = None) -> Document:
    """Lay out the sheets of some pieces.

    Parameters
    ----------
    session : SessionInfo, optional
        What stands on a page before them.
    """
    parts = [tuple(_session_blocks(session, pieces))] if session is not None else []
    parts += [tuple(_piece_blocks(piece, session)) for piece in pieces]
    title = session.title if session is not None else ", ".join(piece.title for piece in pieces)
    return Document(title, tuple(parts))


# -- the session


def _session_blocks(session: SessionInfo, pieces: Sequence[PieceSheet]) -> Iterable[Block]:
    yield Heading(session.title, 1)
    for line in session.lines:
        yield Paragraph(line, strong=True, playing=True)
    yield from _notes(session.notes)
    yield Heading("The pieces, in order")
    rows = []
    for piece in pieces:
        table = piece.tables[0].table
        names = list(
            dict.fromkeys(sheet.table.tonic for sheet in piece.tables[1:] if sheet.table.tonic != table.tonic)
        )
        capo = f"fret {table.fret}" if table.fret else ""
        read = tuple(written_notes(table, name)[0] for name in session.transposing)
        number = "" if piece.number is None else str(piece.number)
        rows.append((number, piece.title, table.tonic, *read, ", ".join(names), capo))
    reads = tuple(f"{name} reads" for name in session.transposing)
    yield Grid(
        ("", "piece", "starts in", *reads, "goes to", "capo"),
        tuple(rows),
        frozenset(range(5 + len(reads))),
        playing=True,
    )
    if session.strings is not None:
        yield Heading(f"Tuning the guitar: {session.strings.plan.guitar.title}")
        yield from strings_blocks(session.strings)
    yield from _load(session.load, "What to load")
    yield from _cautions(session.cautions)


# -- a piece


def _piece_blocks(piece: PieceSheet, session: SessionInfo | None) -> Iterable[Block]:
    yield Heading(piece.title, 1, "" if piece.number is None else str(piece.number))
    yield Paragraph(_summary(piece.tables[0].table), strong=True, playing=True)
    yield from _notes(piece.notes)
    letters = [ascii_uppercase[index % 26] * (index // 26 + 1) for index in range(len(piece.tables))]
    if len(piece.stretches) > 1:
        titles = any(stretch.title for stretch in piece.stretches)
        yield Grid(
            ("from", *(("",) if titles else ()), "table", "what changes"),
            tuple(
                (
                    stretch.place,
                    *((stretch.title,) if titles else ()),
                    letters[stretch.table],
                    stretch.what or table_title(piece.tables[stretch.table].table),
                )
                for stretch in piece.stretches
            ),
            frozenset({0, 1, 2, 3}),
            playing=True,
        )
    for index, sheet in enumerate(piece.tables):
        several = len(piece.tables) > 1
        yield Heading(table_title(sheet.table), 2, letters[index] if several else "")
        if several:
            places = [stretch.place for stretch in piece.stretches if stretch.table == index]
            yield Paragraph(f"from {', '.join(places)}" if places else "", playing=True)
        yield from table_blocks(sheet, piece.transposing)
    if piece.strings is not None and (session is None or session.strings != piece.strings):
        yield Heading(f"Tuning the guitar: {piece.strings.plan.guitar.title}")
        yield from strings_blocks(piece.strings)
    yield from _load(piece.load, "What to load")
    yield from _cautions(piece.cautions)


def _summary(table: Table) -> str:
    """Say in a line what a piece stands in."""
    key, hz = table.sounding_reference
    parts = [f"in {table.tonic}"]
    if table.tonic != table.home and not table.shift_semitones:
        parts.append(f"home is {table.home}")
    if table.spec.guitar is not None:
        parts.append(table.spec.guitar.title)
    if table.fret:
        parts.append(f"capo at fret {table.fret}")
    if table.slide != 1:
        parts.append(f"slide at {format_ratio(table.slide)}")
    name = table.note(key) if key < 128 else "reference"
    parts.append(f"{name} = {hz:.2f} Hz")
    return " · ".join(parts)


def _notes(text: str) -> Iterable[Block]:
    for line in text.splitlines():
        if line.strip():
            yield Paragraph(line.strip(), playing=True)


def _load(lists: Sequence[LoadList], title: str) -> Iterable[Block]:
    if not lists:
        return
    yield Heading(title)
    for one in lists:
        yield Heading(one.where, 3)
        yield Items(one.lines, numbered=len(one.lines) > 1)


def _cautions(cautions: Sequence[str]) -> Iterable[Block]:
    if cautions:
        yield Heading("Cautions")
        yield Items(cautions if isinstance(cautions, tuple) else tuple(cautions))
