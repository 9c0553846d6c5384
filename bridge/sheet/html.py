"""Sheets as HTML: one file that needs nothing else, reads on a phone and prints on A4 and Letter.

The page holds its style and its pictures; it asks nothing of the network. The same sheets give the same bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from importlib import resources
from typing import Any

from bridge.errors import visible
from bridge.sheet.content.sheets import WHOLE, sheet_document
from bridge.sheet.document import Beside, Block, Figure, Grid, Heading, Items
from bridge.sheet.needs import needed
from bridge.sheet.phrases import breakable, glued
from bridge.sheet.records import PieceSheet, SessionInfo
from bridge.sheet.shapes import picture_svg

CARDS_FROM = 8
"""A grid of so many columns, some of words, becomes a card for each row on a phone."""

BROAD_MM = 150
"""A picture that is wider may be scrolled on a phone."""

WHOLE_ROWS = 15
"""A grid of so few rows stays on one page."""


def sheet_html(pieces: Sequence[PieceSheet], session: SessionInfo | None = None, form: str = WHOLE) -> str:
    """Return the sheets of some pieces as a page of HTML.

    MethodProblem if the package jinja2 is not installed.

    Parameters
    ----------
    pieces : sequence of PieceSheet
        In order; each begins on a page of its own when printed.
    session : SessionInfo, optional
        What stands on the page before them.
    form : str
        As of `bridge.sheet.content.sheets`.
    """
    document = sheet_document(pieces, session, form)
    template, css = _template()
    sizes: dict[str, str] = {}
    parts = [[_shown(block, sizes) for block in part] for part in document.parts]
    rules = [f".{name} {{ {rule} }}" for name, rule in sizes.items()]
    page = visible(template.render(title=document.title, css=css, rules=rules, parts=parts))
    return page + "\n" * (not page.endswith("\n"))


@cache
def _template() -> tuple[Any, Any]:
    """Return the template, and the style as it stands."""
    jinja2 = needed("jinja2")
    markup = needed("markupsafe")
    folder = resources.files("bridge.sheet")
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, keep_trailing_newline=True
    )
    template = environment.from_string((folder / "page.html.jinja").read_text(encoding="utf-8"))
    return template, markup.Markup((folder / "page.css").read_text(encoding="utf-8").strip())


def _sized(sizes: dict[str, str], letter: str, size: float, rule: str) -> str:
    """Return a class for a size, and note its rule: where a page is served, no style stands in an element."""
    name = f"{letter}{size:g}".replace(".", "-")
    sizes[name] = rule.format(f"{size:g}")
    return name


def _shown(block: Block, sizes: dict[str, str]) -> dict[str, Any]:
    """Return what the template asks of a block; the rules of its sizes are added to `sizes`."""
    shown: dict[str, Any] = {"kind": type(block).__name__}
    if isinstance(block, Figure):
        svg = needed("markupsafe").Markup(picture_svg(block.picture, alone=False, notes=False).strip())
        width_mm = block.picture.width_mm
        style = _sized(sizes, "wide", width_mm, "max-width: {}mm")
        style = ("broad " if width_mm > BROAD_MM else "") + style
        return {**shown, "svg": svg, "style": style}
    if isinstance(block, Beside):
        for side, share in (("left", block.share), ("right", 1 - block.share)):
            shown[f"{side}_share"] = _sized(sizes, "share", round(share, 6), "flex: {} 1 0")
            shown[side] = [_shown(one, sizes) for one in getattr(block, side)]
        return shown
    if isinstance(block, Grid):
        sides = ["word" if index in block.words else "figure" for index in range(len(block.headings))]
        style = "even" if block.even else "plain"
        if not block.even and len(block.headings) >= CARDS_FROM:
            style += " cards"
        rows = tuple(tuple(breakable(glued(cell)) for cell in row) for row in block.rows)
        style += " playing" if block.playing else ""
        style += " whole" if len(rows) <= WHOLE_ROWS else ""
        return {**shown, **vars(block), "rows": rows, "sides": sides, "style": style}
    if isinstance(block, Items):
        return {**shown, "texts": tuple(map(glued, block.texts)), "tag": "ol" if block.numbered else "ul"}
    if isinstance(block, Heading):
        return {**shown, "text": block.text, "level": block.level, "mark": block.mark}
    style = " ".join(name for name in ("strong", "small", "playing") if getattr(block, name))
    return {**shown, "text": glued(block.text), "style": style}
