"""One page a piece: what a player needs while playing, at the distance of a music stand, and nothing else.

Tuning and capo, what changes where, the twelve notes with what moves of them, the chords that are sour and what cures
them, programs, drone, cautions. Everything else stands once in the appendix (`bridge.sheet.content.appendix`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from bridge.sheet.content.compared import (
    changed_cents,
    cure_words,
    octave_cents,
    safe_words,
    stretch_words,
)
from bridge.sheet.content.table import neck_cells, neck_figure, sheet_chords
from bridge.sheet.content.titles import summary, table_title
from bridge.sheet.document import Block, Figure, Grid, Heading, Items, Paragraph
from bridge.sheet.keyboard import octave_keys
from bridge.sheet.phrases import signed
from bridge.sheet.records import PieceSheet
from bridge.tuning.notes import parse_pitch_class, pitch_class_name

SOUR = ("rough", "sour")


_BODY_MM, _LINE_MM, _SMALL_MM, _HEAD_MM = 245.0, 6.2, 4.6, 18.0
_LETTERS, _SMALL_LETTERS = 70, 105
"""What a page holds, a line takes and a line says, on the smaller paper and with room to spare."""


def page_blocks(piece: PieceSheet) -> Iterable[Block]:
    """Yield the page of a piece; the neck stands on it where there is room, else in the appendix alone."""
    neck = neck_figure(piece.tables[0].table, piece.capo_instead) if shows_neck(piece) else None
    yield from _page_blocks(piece, neck)


def shows_neck(piece: PieceSheet) -> bool:
    """Whether there is room for the neck on the page of a piece."""
    neck = neck_figure(piece.tables[0].table)
    return neck is not None and _tall(tuple(_page_blocks(piece))) + neck.picture.height_mm <= _BODY_MM


def _tall(blocks: Sequence[Block]) -> float:
    """Estimate how much of a page some blocks take, in mm."""
    total = 0.0
    for block in blocks:
        if isinstance(block, Heading):
            total += _HEAD_MM
        elif isinstance(block, Paragraph):
            lines = -(-len(block.text) // (_LETTERS if block.playing else _SMALL_LETTERS))
            total += lines * (_LINE_MM if block.playing else _SMALL_MM)
        elif isinstance(block, Items):
            total += sum(-(-len(text) // _SMALL_LETTERS) for text in block.texts) * _SMALL_MM
        elif isinstance(block, Grid):
            wide = _LETTERS if block.even else 0
            for row in block.rows:
                letters = wide or max(
                    1, _LETTERS - sum(len(cell) for cell in row if cell is not max(row, key=len))
                )
                longest = 1 if block.even else len(max(row, key=len))
                total += _LINE_MM * -(-longest // max(letters, 12))
            total += _LINE_MM
    return total


def _page_blocks(piece: PieceSheet, neck: Figure | None = None) -> Iterable[Block]:
    table = piece.tables[0].table
    yield Heading(piece.title, 1, "" if piece.number is None else str(piece.number))
    yield Paragraph(summary(piece), strong=True, playing=True)
    if piece.retune:
        yield Paragraph(f"Before it: {'; '.join(piece.retune)}.", playing=True)
    yield from notes_blocks(piece.notes)
    if len(piece.stretches) > 1:
        yield _stretches_grid(piece)
    else:
        yield Paragraph(f"{table_title(table)}, from the start to the end.", playing=True)
    yield notes_grid(piece)
    yield Paragraph(_notes_words(piece), small=True)
    yield from _sour_blocks(piece)
    cells = neck_cells(table)
    if cells:
        yield Paragraph(safe_words(cells, table.fret), strong=True, playing=True)
    if neck is not None:
        yield neck
    yield from _others_blocks(piece)
    if piece.cautions:
        yield Items(piece.cautions)


def notes_blocks(text: str) -> Iterable[Block]:
    """Yield a paragraph for every line of notes for the players."""
    for line in text.splitlines():
        if line.strip():
            yield Paragraph(line.strip(), playing=True)


def _stretches_grid(piece: PieceSheet) -> Grid:
    titles = any(stretch.title for stretch in piece.stretches)
    programs = [
        (number, name)
        for number, name in enumerate(piece.program_synths)
        if any(stretch.programs for stretch in piece.stretches)
    ]
    rows = []
    for number, stretch in enumerate(piece.stretches):
        figures = (stretch.programs[index] for index, _ in programs)
        rows.append(
            (
                stretch.place,
                *((stretch.title,) if titles else ()),
                stretch_words(piece, number),
                *("" if figure is None else str(figure) for figure in figures),
            )
        )
    headings = (
        "from",
        *(("",) if titles else ()),
        "what changes",
        *(f"program {name}" for _, name in programs),
    )
    return Grid(headings, tuple(rows), frozenset(range(2 + titles)), playing=True)


def notes_grid(piece: PieceSheet) -> Grid:
    """Return the twelve notes from the tonic, and in a row for each later table those that it moves."""
    first = piece.tables[0].table
    tonic = parse_pitch_class(first.tonic)
    order = [(tonic + step) % 12 for step in range(12)]
    cents = octave_cents(first)
    keys = {key % 12: key for key in octave_keys(first)}
    rows = [
        ("", *(first.degrees[keys[one]] or "" for one in order)),
        (
            piece.stretches[0].place if len(piece.stretches) > 1 else "tuner",
            *(signed(cents[one]) for one in order),
        ),
    ]
    for number, sheet in enumerate(piece.tables[1:], 1):
        place = next((stretch.place for stretch in piece.stretches if stretch.table == number), "")
        moved = changed_cents(first, sheet.table)
        now = octave_cents(sheet.table)
        if place:
            rows.append((place, *(signed(now[one]) if one in moved else "" for one in order)))
    names = [pitch_class_name(one, first.tonic) for one in order]
    return Grid(
        ("", *names),
        tuple(rows),
        frozenset({0}),
        frozenset(range(2, len(rows))),
        even=True,
        playing=True,
    )


def _notes_words(piece: PieceSheet) -> str:
    said = "Cents above (+) or below (-) what a tuner at A4 = 440 Hz shows."
    if len(piece.tables) > 1:
        said += " Bold: what has moved there; where nothing stands, the note is as at the start."
    return said


# -- chords


def _sour_blocks(piece: PieceSheet) -> Iterable[Block]:
    rows: dict[tuple[str, str, str], list[str]] = {}
    well: dict[str, None] = {}
    for number, sheet in enumerate(piece.tables):
        places = [stretch.place for stretch in piece.stretches if stretch.table == number]
        for chord in sheet_chords(sheet):
            if chord.verdict in SOUR:
                row = (
                    f"{chord.name}\N{NO-BREAK SPACE}({chord.numeral})",
                    chord.verdict,
                    cure_words(chord, sheet.table),
                )
                rows.setdefault(row, []).extend(places)
            else:
                well[chord.name] = None
    several = len(piece.tables) > 1
    if rows:
        yield Grid(
            ("chord", *(("where",) if several else ()), "sounds", "what cures it"),
            tuple(
                (
                    name,
                    *((_places(where),) if several else ()),
                    verdict,
                    cure or "nothing simple: leave it out",
                )
                for (name, verdict, cure), where in rows.items()
            ),
            frozenset(range(3 + several)),
            playing=True,
        )
    named = any(sheet.chords for sheet in piece.tables)
    if well and not rows:
        which = "All its chords are in tune" if named else "The usual chords are in tune"
        yield Paragraph(f"{which}: {', '.join(well)}.", playing=True)


def _places(where: Sequence[str]) -> str:
    return ", ".join(dict.fromkeys(where))


# -- the others


def _others_blocks(piece: PieceSheet) -> Iterable[Block]:
    said = []
    if len(piece.stretches) == 1 and piece.program_synths:
        for name, program in zip(piece.program_synths, piece.stretches[0].programs, strict=False):
            if program is not None:
                said.append(f"{name}: program {program}")
    said += piece.ready
    if said:
        yield Paragraph(" · ".join(said), playing=True)
    if piece.drone:
        yield Paragraph(f"Drone: {piece.drone}", playing=True)
