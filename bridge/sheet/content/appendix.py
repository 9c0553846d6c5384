"""What is looked up, not played from, each thing once: tuning by ear, what to load, every table in full."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from bridge.sheet.content.guitar import strings_blocks
from bridge.sheet.content.page import shows_neck
from bridge.sheet.content.table import FRETS_TITLE, table_blocks
from bridge.sheet.content.titles import table_title
from bridge.sheet.document import Beside, Block, Figure, Grid, Heading, Items, Paragraph
from bridge.sheet.records import LoadList, PieceSheet, SessionInfo, StringsSheet, TableSheet

LOOK_UP = "To look up"
"""The title of the appendix."""


def appendix_blocks(session: SessionInfo, pieces: Sequence[PieceSheet]) -> Iterable[Block]:
    """Yield the appendix of a session."""
    yield Heading(LOOK_UP, 1)
    for strings, where in _tunings(session, pieces):
        yield Heading(f"Tuning by ear: {strings.plan.guitar.title}{where}")
        yield from strings_blocks(strings)
    yield from _load_blocks(session, pieces)
    told: set[str] = set()
    for sheet, where, neck in _tables(pieces):
        yield Heading(table_title(sheet.table))
        yield Paragraph(where, strong=True)
        for block in _neck_last(table_blocks(sheet, session.transposing)):
            if isinstance(block, Paragraph) and block.small:
                if block.text in told:
                    continue
                told.add(block.text)
            if isinstance(block, Figure) and neck:
                yield Paragraph(f"The neck stands on the page of {neck}.")
                continue
            yield _for_reading(block, told)


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
    return ", ".join(piece.title if piece.number is None else f"{piece.number}" for piece in pieces)


# -- what to load


def _load_blocks(session: SessionInfo, pieces: Sequence[PieceSheet]) -> Iterable[Block]:
    if not session.load and not any(piece.load for piece in pieces):
        return
    yield Heading("What to load")
    names = dict.fromkeys(
        one.where for one in (*session.load, *(load for piece in pieces for load in piece.load))
    )
    for where in names:
        yield Heading(where, 3)
        for one in session.load:
            if one.where == where:
                yield Items(one.lines, numbered=len(one.lines) > 1)
        mine = [(piece, one) for piece in pieces for one in piece.load if one.where == where]
        if not mine:
            continue
        always = [line for line in mine[0][1].lines if all(line in one.lines for _, one in mine)]
        rows = [
            ("" if piece.number is None else str(piece.number), piece.title, "; ".join(rest))
            for piece, one in mine
            if (rest := [line for line in one.lines if line not in always])
        ]
        if rows:
            yield Grid(("", "piece", "what to load, and when"), tuple(rows), frozenset({0, 1, 2}))
        if always:
            yield Paragraph(f"For every piece: {'; '.join(line.rstrip('.') for line in always)}.", small=True)


# -- tables


def _neck_last(blocks: Iterable[Block]) -> Iterable[Block]:
    """Put what is said of the neck behind everything else: its picture is tall, and small things fill a page better."""
    neck: list[Block] = []
    there = False
    for block in blocks:
        if isinstance(block, Heading):
            there = block.text == FRETS_TITLE
        if there:
            neck.append(block)
        else:
            yield block
    yield from neck


def _tables(pieces: Sequence[PieceSheet]) -> Iterable[tuple[TableSheet, str, str]]:
    """Yield every table once, with all the chords that are played under it, where it is used, and where its neck is."""
    found: dict[str, tuple[TableSheet, list[str]]] = {}
    necks: dict[str, str] = {}
    for piece in pieces:
        for number, sheet in enumerate(piece.tables):
            key = repr((replace(sheet.table.spec, name=""), sheet.panel, sheet.panel_note))
            places = [stretch.place for stretch in piece.stretches if stretch.table == number]
            said = f"{piece.title}: {', '.join(places)}" if len(piece.stretches) > 1 else piece.title
            standing, where = found.setdefault(key, (sheet, []))
            chords = dict.fromkeys((*standing.chords, *sheet.chords))
            found[key] = (replace(standing, chords=tuple(chords)), where)
            where.append(said)
            if number == 0 and shows_neck(piece):
                necks.setdefault(key, piece.title)
    for key, (sheet, where) in found.items():
        yield sheet, "; ".join(where), necks.get(key, "")


def _for_reading(block: Block, told: set[str]) -> Block:
    """What is not played from needs no large letters; what was explained is not explained again."""
    if isinstance(block, Beside):
        left = tuple(_for_reading(one, told) for one in block.left)
        right = [
            one for one in block.right if not (isinstance(one, Paragraph) and one.small and one.text in told)
        ]
        told.update(one.text for one in right if isinstance(one, Paragraph) and one.small)
        return replace(block, left=left, right=tuple(_for_reading(one, told) for one in right))
    if isinstance(block, Grid | Paragraph):
        return replace(block, playing=False)
    return block


def load_only(load: Sequence[LoadList]) -> Iterable[Block]:
    """Yield what to load for a piece that stands alone."""
    if load:
        yield Heading("What to load")
    for one in load:
        yield Heading(one.where, 3)
        yield Items(one.lines, numbered=len(one.lines) > 1)
