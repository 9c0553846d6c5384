"""Sheets as PDF, for A4 or Letter: the same document as in HTML, laid out in strips down the pages.

Conventions
-----------
Everything becomes strips, each as wide as the page and drawn whole. A strip may be bound to the next, as a heading to
what follows; a grid that goes on overleaf repeats its headings. Parts begin on new pages; each page says the title and
its number.

Index
-----
`sheet_pdf`, `lay_out`
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from bridge.errors import ValueProblem, near_names
from bridge.sheet.content.sheets import sheet_document
from bridge.sheet.document import Beside, Block, Document, Figure, Grid, Heading, Items, Paragraph
from bridge.sheet.pdf_grid import grid_strips
from bridge.sheet.pdf_letters import letters
from bridge.sheet.pdf_paper import PAPERS, Page, pages_pdf
from bridge.sheet.pdf_strips import Strip
from bridge.sheet.records import PieceSheet, SessionInfo
from bridge.sheet.shapes import BLACK, WHITE, Box, Line, Text

SIDE_MM, TOP_MM, BOTTOM_MM = 14.0, 13.0, 15.0
"""Margins; the foot of the page stands in the lowest."""

_SIZES = {1: 7.2, 2: 4.9, 3: 4.1}
_GAPS = {1: 0.0, 2: 6.0, 3: 4.2}
_TEXT, _SMALL, _LEADING, _GAP = 3.6, 2.95, 1.36, 1.7
_FOOT = 2.6
_BESIDE = 6.0
_WHOLE_LINES = 9


def sheet_pdf(pieces: Sequence[PieceSheet], session: SessionInfo | None = None, paper: str = "a4") -> bytes:
    """Return the sheets of some pieces as PDF.

    Parameters
    ----------
    pieces : sequence of PieceSheet
        In order; each begins on a page of its own.
    session : SessionInfo, optional
        What stands on the page before them.
    paper : str
        ``a4`` or ``letter``.

    Raises
    ------
    MethodProblem
        The package matplotlib is not installed.
    ValueProblem
        If the paper is unknown.
    """
    if paper not in PAPERS:
        raise ValueProblem(f"paper {paper!r}", near_names(paper, PAPERS))
    document = sheet_document(pieces, session)
    pages = lay_out(document, paper)
    return pages_pdf(pages, paper, document.title)


def lay_out(document: Document, paper: str) -> list[Page]:
    """Lay a document out on pages of a paper of `PAPERS`."""
    width_mm, height_mm = PAPERS[paper]
    room_mm = height_mm - TOP_MM - BOTTOM_MM
    pages: list[Page] = []
    for part in document.parts:
        pages += _filled(_strips(part, width_mm - 2 * SIDE_MM), room_mm)
    foot = height_mm - 8.0
    title, *more = letters().lines(document.title, _FOOT, width_mm - 2 * SIDE_MM - 25.0)
    for number, page in enumerate(pages, 1):
        page.draw(
            (
                Text(SIDE_MM, foot, title + (" …" if more else ""), _FOOT),
                Text(width_mm - SIDE_MM, foot, f"{number} / {len(pages)}", _FOOT, "end"),
            )
        )
    return pages


def _filled(strips: Sequence[Strip], room_mm: float) -> list[Page]:
    """Lay strips down pages; those that are bound together stay together while a page can hold them."""
    pages = [Page()]
    y = 0.0
    for bound in _bound(strips):
        height = sum(strip.height + strip.gap for strip in bound)
        if y > 0 and y + height > room_mm and (height - bound[0].gap <= room_mm or y > 0.6 * room_mm):
            pages.append(Page())
            y = 0.0
        for strip in bound:
            if y > 0 and y + strip.gap + strip.height > room_mm:
                pages.append(Page())
                y = 0.0
            if y == 0.0 and strip.head is not None:
                strip.head.draw(pages[-1], SIDE_MM, TOP_MM)
                y = strip.head.height
            elif y > 0:
                y += strip.gap
            strip.draw(pages[-1], SIDE_MM, TOP_MM + y)
            y += strip.height
    return pages


def _bound(strips: Sequence[Strip]) -> Iterable[list[Strip]]:
    """Group strips that are bound together."""
    group: list[Strip] = []
    for strip in strips:
        group.append(strip)
        if not strip.bound:
            yield group
            group = []
    if group:
        yield group


# -- blocks


def _strips(blocks: Iterable[Block], width_mm: float) -> list[Strip]:
    found: list[Strip] = []
    after_heading = False
    for block in blocks:
        strips = _block(block, width_mm)
        if after_heading and isinstance(block, Paragraph) and strips:
            strips[-1] = replace(
                strips[-1], bound=True
            )  # what a heading says further belongs to what follows
        after_heading = isinstance(block, Heading)
        if found and isinstance(block, Paragraph) and block.small:
            found[-1] = replace(found[-1], bound=True)  # and what explains a grid, to the grid
        found += strips
    if found:
        found[-1] = replace(found[-1], bound=False)
    return found


def _block(block: Block, width_mm: float) -> list[Strip]:
    if isinstance(block, Heading):
        return [_heading(block, width_mm)]
    if isinstance(block, Paragraph):
        size = _SMALL if block.small else _TEXT
        return _lines(block.text, size, width_mm, block.strong)
    if isinstance(block, Items):
        return _items(block, width_mm)
    if isinstance(block, Grid):
        return grid_strips(block, width_mm)
    if isinstance(block, Figure):
        scale = min(1.0, width_mm / block.picture.width_mm)

        def draw(page: Page, x: float, y: float) -> None:
            page.draw(block.picture.shapes, x, y, scale)

        return [Strip(block.picture.height_mm * scale, draw, _GAP)]
    return [_beside(block, width_mm)]


def _heading(heading: Heading, width_mm: float) -> Strip:
    size = _SIZES[heading.level]
    mark_mm = 0.0
    mark = letters().written(heading.mark, bold=True)
    if mark:
        mark_mm = max(letters().width(mark, size, bold=True) + 0.7 * size, 1.5 * size)
    start = mark_mm + (0.5 * size if mark else 0.0)
    lines = letters().lines(heading.text, size, width_mm - start, bold=True)
    above = {1: 0.0, 2: 1.8, 3: 0.0}[heading.level]
    below = {1: 2.6, 2: 0.6, 3: 0.2}[heading.level]
    height = above + len(lines) * size * 1.22 + below

    def draw(page: Page, x: float, y: float) -> None:
        if heading.level == 2:
            page.draw((Line(x, y, x + width_mm, y, 0.5),))
        if heading.level == 1:
            page.draw((Line(x, y + height - 0.6, x + width_mm, y + height - 0.6, 1.1),))
        base = y + above + 0.93 * size
        if mark:
            page.draw(
                (
                    Box(x, y + above, mark_mm, 1.22 * size, BLACK, None, 0.0, 0.8),
                    Text(x + mark_mm / 2, base, mark, size, "middle", True, WHITE),
                )
            )
        for number, line in enumerate(lines):
            page.draw((Text(x + start, base + number * size * 1.22, line, size, "start", True),))

    return Strip(height, draw, _GAPS[heading.level], bound=True)


def _lines(
    text: str, size: float, width_mm: float, strong: bool = False, mark: str = "", indent: float = 0.0
) -> list[Strip]:
    """A paragraph, or an item with a mark before it; its first two lines and its last two stay together."""
    if not text:
        return []
    lines = letters().lines(text, size, width_mm - indent, strong)
    step = size * _LEADING

    def line_strip(number: int, line: str) -> Strip:
        def draw(page: Page, x: float, y: float) -> None:
            base = y + 0.98 * size
            if mark and number == 0:
                page.draw((Text(x + indent - 1.6, base, mark, size, "end"),))
            page.draw((Text(x + indent, base, line, size, "start", strong),))

        bound = number in (0, len(lines) - 2) and number < len(lines) - 1
        return Strip(step, draw, (0.9 if mark else _GAP) if number == 0 else 0.0, bound=bound)

    return [line_strip(number, line) for number, line in enumerate(lines)]


def _items(items: Items, width_mm: float) -> list[Strip]:
    """A list; a short one is not broken."""
    marks = [f"{number}." if items.numbered else "-" for number in range(1, len(items.texts) + 1)]
    indent = max((letters().width(mark, _TEXT) for mark in marks), default=0.0) + 3.0
    strips = [
        strip
        for mark, text in zip(marks, items.texts, strict=True)
        for strip in _lines(text, _TEXT, width_mm, mark=mark, indent=indent)
    ]
    if len(strips) <= _WHOLE_LINES:
        strips[:-1] = [replace(strip, bound=True) for strip in strips[:-1]]
    return strips


def _beside(block: Beside, width_mm: float) -> Strip:
    left_mm = (width_mm - _BESIDE) * block.share
    right_mm = width_mm - _BESIDE - left_mm
    columns = ((0.0, _strips(block.left, left_mm)), (left_mm + _BESIDE, _strips(block.right, right_mm)))

    def down(strips: Sequence[Strip], each: Callable[[Strip, float], None] | None = None) -> float:
        y = 0.0
        for strip in strips:
            y += strip.gap if y else 0.0
            if each is not None:
                each(strip, y)
            y += strip.height
        return y

    def draw(page: Page, x: float, y: float) -> None:
        for offset, strips in columns:
            down(strips, lambda strip, below, offset=offset: strip.draw(page, x + offset, y + below))  # type: ignore[misc]

    return Strip(max(down(strips) for _, strips in columns), draw, _GAP)
