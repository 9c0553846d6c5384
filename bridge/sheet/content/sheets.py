"""From pieces and a session to the document that stands on their sheets, in the form that is asked for.

==========  ================================================================================================
form        what it is
==========  ================================================================================================
`WHOLE`     without a session: everything about each piece, one after the other; with one: a page before them,
            a page for each piece, and at the end, once, what is only looked up
`PAGE`      one page a piece, for the stand, and nothing else
`VOICES`    the sheet of a singer and a violinist; needs a session
==========  ================================================================================================
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from string import ascii_uppercase

from bridge.sheet.content.appendix import appendix_blocks, load_only
from bridge.sheet.content.cover import cover_blocks
from bridge.sheet.content.guitar import near_blocks, steps_blocks
from bridge.sheet.content.page import notes_blocks, page_blocks
from bridge.sheet.content.table import table_blocks
from bridge.sheet.content.titles import summary, table_title
from bridge.sheet.content.voices import voices_blocks
from bridge.sheet.document import Block, Document, Grid, Heading, Items, Paragraph
from bridge.sheet.records import PieceSheet, SessionInfo

WHOLE, PAGE, VOICES = "whole", "page", "voices"


def sheet_document(
    pieces: Sequence[PieceSheet], session: SessionInfo | None = None, form: str = WHOLE
) -> Document:
    """Lay out the sheets of some pieces.

    Parameters
    ----------
    session : SessionInfo, optional
        The session that they belong to.
    form : str
        `WHOLE`, `PAGE` or `VOICES`.
    """
    title = session.title if session is not None else ", ".join(piece.title for piece in pieces)
    if form == VOICES:
        if session is None:
            raise ValueError("the sheet of a singer and a violinist belongs to a session")
        return Document(title, (tuple(voices_blocks(session, pieces)),))
    if form == PAGE:
        return Document(title, tuple(tuple(page_blocks(piece)) for piece in pieces))
    if session is None:
        return Document(title, tuple(tuple(_piece_blocks(piece)) for piece in pieces))
    parts = [tuple(cover_blocks(session, pieces))]
    parts += [tuple(page_blocks(piece)) for piece in pieces]
    parts.append(tuple(appendix_blocks(session, pieces)))
    return Document(title, tuple(parts))


# -- a piece by itself


def _piece_blocks(piece: PieceSheet) -> Iterable[Block]:
    yield Heading(piece.title, 1, "" if piece.number is None else str(piece.number))
    yield Paragraph(summary(piece), strong=True, playing=True)
    yield from notes_blocks(piece.notes)
    if piece.cautions:
        yield Items(tuple(piece.cautions))
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
    if piece.strings is not None:
        yield Heading(f"Tuning the guitar: {piece.strings.plan.guitar.title}")
        yield from near_blocks(piece.strings)
        yield from steps_blocks(piece.strings)
    yield from load_only(piece.load)
