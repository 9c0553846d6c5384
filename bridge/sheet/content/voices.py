"""The sheet of a singer and of a violinist: the notes, how far each lies from a piano's, which open string disagrees.

Conventions
-----------
Two measures stand side by side: cents from a tuner at A4 = 440 Hz, for an instrument, and cents from the same step
above a tempered tonic, for the ear. A violin's strings are those of `SessionInfo.violin_hz`; one that lies more than
`SILENT_CENTS` off a table disagrees with it. Alone, a piece has them tuned from its own A.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from bridge.sheet.content.compared import octave_cents
from bridge.sheet.content.page import notes_grid
from bridge.sheet.content.titles import summary
from bridge.sheet.document import Block, Grid, Heading, Paragraph
from bridge.sheet.phrases import signed, tuner_words
from bridge.sheet.records import PieceSheet, SessionInfo
from bridge.tuning.notes import parse_note, parse_pitch_class
from bridge.tuning.off_guitar import SILENT_CENTS
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.tables import Table


def voices_blocks(session: SessionInfo, pieces: Sequence[PieceSheet]) -> Iterable[Block]:
    """Yield the sheet."""
    yield Heading(f"{session.title}: singer and violin", 1)
    moves = any(len(piece.tables) > 1 for piece in pieces)
    yield Paragraph(
        "First figures: cents above (+) or below (-) a tuner at A4 = 440 Hz. Ear: against a piano whose tonic is ours."
        + " Bold: what has moved there; where nothing stands, the note is as at the start." * moves
    )
    if session.violin_hz:
        shown = ", ".join(tuner_words(hz, note, parse_note(note)) for note, hz in session.violin_hz.items())
        yield Paragraph(f"Violin: the A from us, then pure fifths: {shown}.", strong=True)
    for piece in pieces:
        yield Heading(piece.title, 2, "" if piece.number is None else str(piece.number))
        yield Paragraph(summary(piece), playing=True)
        yield _with_the_ear(piece)
        back = back_words(piece)
        if back:
            yield Paragraph(back, strong=True, playing=True)
        if session.violin_hz:
            yield Paragraph(violin_words(piece, session.violin_hz), strong=True, playing=True)


def _with_the_ear(piece: PieceSheet) -> Grid:
    """The notes as on the page of the piece, and how far each lies from a piano tuned to its tonic."""
    grid = notes_grid(piece)
    table = piece.tables[0].table
    tonic = parse_pitch_class(table.tonic)
    cents = octave_cents(table)
    ear = ("ear", *(signed(cents[(tonic + step) % 12] - cents[tonic], 0) for step in range(12)))
    rows = (*grid.rows[:2], ear, *grid.rows[2:])
    strong = frozenset(index + 1 for index in grid.strong)
    return Grid(grid.headings, rows, grid.words, strong, even=True, playing=True)


def back_words(piece: PieceSheet) -> str:
    """Say from where on the notes are again as they were before; empty where they never are."""
    first: dict[int, str] = {}
    parts = []
    for stretch in piece.stretches:
        before = first.setdefault(stretch.table, stretch.place)
        if before != stretch.place:
            parts.append(f"{stretch.place} as {'at the start' if before == 'start' else f'from {before}'}")
    return f"Then from {', from '.join(parts)}." if parts else ""


def violin_words(piece: PieceSheet, violin_hz: Mapping[str, float]) -> str:
    """Say which open strings of a violin disagree with the tables of a piece, and where."""
    said: dict[str, list[str]] = {}
    for number, sheet in enumerate(piece.tables):
        off = _off(sheet.table, violin_hz)
        places = [stretch.place for stretch in piece.stretches if stretch.table == number]
        if off:
            said.setdefault(off, []).extend(places)
    if not said:
        return f"Open strings: {' '.join(note.rstrip('-0123456789') for note in violin_hz)} all agree."
    alone = len(piece.tables) == 1
    parts = [off if alone else f"{', '.join(places)}: {off}" for off, places in said.items()]
    lowest = next(iter(violin_hz)).rstrip("-0123456789")
    stop = (
        f"Stop the note on the string below; leave {lowest} out"
        if any(f"{lowest} is" in off for off in said)
        else "Stop the note on the string below"
    )
    others = any(off.count(" is ") < len(violin_hz) for off in said)
    return f"Open strings: {'; '.join(parts)}. {stop}.{' The others agree.' * others}"


def _off(table: Table, violin_hz: Mapping[str, float]) -> str:
    parts = []
    for note, hz in violin_hz.items():
        cents = hz_to_cents(hz, float(table.hz[parse_note(note)]))
        if abs(cents) > SILENT_CENTS:
            name = note.rstrip("-0123456789")
            parts.append(f"{name} is {abs(cents):.1f} cents too {'high' if cents > 0 else 'low'}")
    return ", ".join(parts)
