"""Grids on paper: how wide columns are, where their words are broken, and where a page may end.

Columns of figures are as wide as their longest figure. Columns of words share what is left: those that need little get
what they need, the others the rest alike. A grid of few rows is not broken.

Index
-----
`grid_strips`, `column_widths`
"""

from __future__ import annotations

from collections.abc import Sequence

from bridge.sheet.document import Grid
from bridge.sheet.pdf_letters import letters
from bridge.sheet.pdf_paper import Page
from bridge.sheet.pdf_strips import Strip
from bridge.sheet.phrases import glued
from bridge.sheet.shapes import Line, Shape, Text

SIZE, EVEN_SIZE, HEAD_SIZE = 3.35, 2.95, 2.85
"""Letters of cells, of cells in grids of twelve notes, of headings."""

WHOLE_ROWS = 14

_BETWEEN, _LEADING, _GAP = 3.0, 1.28, 1.8
_FIRST_OF_EVEN = 0.15
_SMALLEST = 0.7


def grid_strips(grid: Grid, width_mm: float) -> list[Strip]:
    """Return a grid as strips, a row each."""
    size = EVEN_SIZE if grid.even else SIZE
    between = 1.0 if grid.even else _BETWEEN
    widths = column_widths(grid, width_mm, size, between)
    while sum(widths) + between * (len(widths) - 1) > width_mm + 1e-6 and size > _SMALLEST * SIZE:
        size *= 0.96
        widths = column_widths(grid, width_mm, size, between)
    places = [sum(widths[:index]) + between * index for index in range(len(widths))]
    right = width_mm if grid.even else places[-1] + widths[-1]

    def row(cells: Sequence[str], size: float, strong: bool, heading: bool) -> tuple[float, list[Shape]]:
        broken = [
            letters().lines(cell, size, widths[index] + 0.01, strong) if cell else []
            for index, cell in enumerate(cells)
        ]
        step = size * _LEADING
        most = max(1, *(len(lines) for lines in broken))
        height = most * step + 0.9
        shapes: list[Shape] = [
            Line(0, height, right, height, 0.3 if heading else 0.1, 0.0 if heading else 0.55)
        ]
        for index, lines in enumerate(broken):
            first = most - len(lines) if heading else 0
            words = index in grid.words
            for number, line in enumerate(lines):
                x = places[index] + (0.0 if words else widths[index])
                y = 0.5 + 0.95 * size + (first + number) * step
                shapes.append(Text(x, y, line, size, "start" if words else "end", strong))
        return height, shapes

    def strip(made: tuple[float, list[Shape]], gap: float, bound: bool, head: Strip | None) -> Strip:
        height, shapes = made

        def draw(page: Page, x: float, y: float) -> None:
            page.draw(shapes, x, y)

        return Strip(height, draw, gap, bound, head)

    strips = []
    head = None
    if any(grid.headings):
        head = strip(row(grid.headings, min(HEAD_SIZE, size), False, True), _GAP, True, None)
        strips.append(head)
    last = len(grid.rows) - 1
    for number, cells in enumerate(grid.rows):
        bound = number < last and (last < WHOLE_ROWS or number == 0 or number == last - 1)
        gap = _GAP if head is None and number == 0 else 0.0
        made = row(cells, size, number in grid.strong, False)
        strips.append(strip(made, gap, bound, head if number else None))
    return strips


def column_widths(grid: Grid, width_mm: float, size: float, between: float) -> list[float]:
    """Return how wide the columns of a grid are.

    Parameters
    ----------
    grid : Grid
        What is shown.
    width_mm : float
        Room for all columns and what is between them; more is only taken if single words or figures need it.
    size : float
        Letters of the cells.
    between : float
        Room between columns.
    """
    count = len(grid.headings)
    if grid.even:
        first = _FIRST_OF_EVEN * width_mm
        return [first] + [(width_mm - first - between * (count - 1)) / (count - 1)] * (count - 1)
    head_size = min(HEAD_SIZE, size)
    whole, least = [], []
    for index in range(count):
        cells = [(row[index], size, number in grid.strong) for number, row in enumerate(grid.rows)]
        cells.append((grid.headings[index], head_size, False))
        pieces = [
            (word, of, bold)
            for number, (cell, of, bold) in enumerate(cells)
            for word in (
                glued(cell).split(" ") if index in grid.words or number == len(cells) - 1 else [cell]
            )
        ]
        measured = [letters().width(letters().written(cell, bold), of, bold) for cell, of, bold in cells]
        if index not in grid.words:
            measured = measured[:-1]
        least.append(
            max(letters().width(letters().written(word, bold), of, bold) for word, of, bold in pieces)
        )
        whole.append(max(*measured, least[-1]))
    room = width_mm - between * (count - 1)
    if sum(whole) <= room:
        return whole
    return _shared(whole, least, room)


def _shared(whole: Sequence[float], least: Sequence[float], room: float) -> list[float]:
    """Share room among columns: what is missing is taken from those that are widest beyond their longest word."""
    low, high = 0.0, max(whole)
    for _ in range(60):
        middle = (low + high) / 2
        total = sum(max(smallest, min(full, middle)) for full, smallest in zip(whole, least, strict=True))
        low, high = (middle, high) if total <= room else (low, middle)
    return [max(smallest, min(full, low)) for full, smallest in zip(whole, least, strict=True)]
