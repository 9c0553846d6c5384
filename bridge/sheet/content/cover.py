"""The page before the pieces: the order with tuning and capo, what is done between pieces, how to begin."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from bridge.sheet.content.appendix import LOOK_UP
from bridge.sheet.content.guitar import near_blocks
from bridge.sheet.content.page import notes_blocks
from bridge.sheet.content.table import written_notes
from bridge.sheet.document import Block, Grid, Heading, Items, Paragraph
from bridge.sheet.records import PieceSheet, SessionInfo


def cover_blocks(session: SessionInfo, pieces: Sequence[PieceSheet]) -> Iterable[Block]:
    """Yield the page before the pieces."""
    yield Heading(session.title, 1)
    for line in session.lines:
        yield Paragraph(line, strong=True, playing=True)
    yield from notes_blocks(session.notes)
    rest = f"this page and those of the pieces. The rest, “{LOOK_UP}”, is the appendix."
    yield Paragraph(f"For the stand print {rest}", counted=f"For the stand print pages 1 to #: {rest}")
    yield Heading("The pieces, in order")
    yield _order_grid(session, pieces)
    yield from _between_blocks(pieces)
    if session.strings is not None:
        yield Heading(f"Before the first piece: {session.strings.plan.guitar.title}")
        yield from near_blocks(session.strings)
    if session.drifted:
        yield Heading("When the string has drifted", 3)
        yield Paragraph(session.drifted)
    if session.cautions:
        yield Heading("Cautions", 3)
        yield Items(tuple(session.cautions))


def _order_grid(session: SessionInfo, pieces: Sequence[PieceSheet]) -> Grid:
    rows = []
    for piece in pieces:
        table = piece.tables[0].table
        capo = piece.capo_instead or table.fret
        guitar = table.spec.guitar
        goes = [sheet.table.tonic for sheet in piece.tables[1:] if sheet.table.tonic != table.tonic]
        read = tuple(written_notes(table, name)[0] for name in session.transposing)
        rows.append(
            (
                "" if piece.number is None else str(piece.number),
                piece.title,
                "" if guitar is None else guitar.title,
                str(capo) if capo else "none" if guitar is not None else "",
                table.tonic,
                *read,
                ", ".join(dict.fromkeys(goes)),
            )
        )
    reads = tuple(f"{name} reads" for name in session.transposing)
    headings = ("", "piece", "tuning", "capo", "in", *reads, "goes to")
    return Grid(headings, tuple(rows), frozenset(range(len(headings))), playing=True)


def _between_blocks(pieces: Sequence[PieceSheet]) -> Iterable[Block]:
    """What is done before each piece but the first; nothing is said where no piece has a guitar."""
    if not any(piece.retune for piece in pieces):
        if sum(piece.tables[0].table.spec.guitar is not None for piece in pieces) > 1:
            yield Paragraph("The guitar stays as it is from the first piece to the last.", playing=True)
        return
    yield Heading("From piece to piece", 3)
    yield Grid(
        ("before", "", "what to do to the guitar"),
        tuple(
            ("" if piece.number is None else str(piece.number), piece.title, "; ".join(piece.retune))
            for piece in pieces
            if piece.retune
        ),
        frozenset({0, 1, 2}),
    )
    yield Paragraph(
        "It stands large on the page of each piece. Before the others nothing is turned. A string that was turned "
        "moves the others a little: check the reference string and go round once more.",
        small=True,
    )
