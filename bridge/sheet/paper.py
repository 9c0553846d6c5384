"""Sheets on paper, for A4 or Letter: the same document as in HTML, as PDF, SVG or PNG.

All three come from one template (`page.typ`), which a library sets. What a sheet says reaches it as data, so that no
title can be taken for an instruction. The same sheets give the same bytes on every machine: nothing in a file says when
or where it was made, and letters come from inside the library. A PDF is made so that it can be searched and read
aloud; the library then refuses any letter that it has not.

Sources
-------
ISO 216 (A4); ANSI/ASME Y14.1 (Letter). ISO 14289-1:2014 (PDF/UA-1).
"""

from __future__ import annotations

import json
import textwrap
from collections.abc import Sequence
from dataclasses import asdict
from functools import cache
from importlib import resources
from typing import Any

from bridge.errors import MethodProblem, ValueProblem, near_names
from bridge.sheet.content.sheets import WHOLE, sheet_document
from bridge.sheet.document import Block, Document, Figure, Grid, Heading, Items, Paragraph
from bridge.sheet.letters import typesetter, written
from bridge.sheet.needs import needed
from bridge.sheet.phrases import breakable, glued
from bridge.sheet.records import PieceSheet, SessionInfo
from bridge.sheet.shapes import Picture, Shape, Text

PAPERS: dict[str, tuple[float, float | None]] = {
    "a4": (210.0, 297.0),
    "letter": (215.9, 279.4),
    "long": (210.0, None),
}
"""Width and height in millimetres; the last is one page as tall as it needs to be, for screens."""

PIXELS_PER_INCH = 144.0

_WHOLE_ROWS, _WHOLE_ITEMS = 14, 9
_FOOT_LETTERS = 90


def sheet_pdf(
    pieces: Sequence[PieceSheet],
    session: SessionInfo | None = None,
    paper: str = "a4",
    form: str = WHOLE,
) -> bytes:
    """Return the sheets of some pieces as PDF.

    Parameters
    ----------
    pieces : sequence of PieceSheet
        In order; each begins on a page of its own.
    session : SessionInfo, optional
        What stands on the page before them.
    paper : str
        Of `PAPERS`.
    form : str
        As of `bridge.sheet.content.sheets`.

    Raises
    ------
    MethodProblem
        The package typst is not installed, or refuses what is to be set.
    ValueProblem
        If the paper is unknown.
    """
    (pdf,) = _set(sheet_document(pieces, session, form), paper, format="pdf", pdf_standards="ua-1")
    return pdf


def sheet_svg(
    pieces: Sequence[PieceSheet], session: SessionInfo | None = None, paper: str = "long"
) -> tuple[bytes, ...]:
    """Return the sheets of some pieces as SVG, a file a page; parameters and problems as of `sheet_pdf`."""
    return _set(sheet_document(pieces, session), paper, format="svg")


def sheet_png(
    pieces: Sequence[PieceSheet],
    session: SessionInfo | None = None,
    paper: str = "long",
    pixels_per_inch: float = PIXELS_PER_INCH,
    form: str = WHOLE,
) -> tuple[bytes, ...]:
    """Return the sheets of some pieces as PNG, a file a page; parameters and problems as of `sheet_pdf`."""
    return _set(sheet_document(pieces, session, form), paper, format="png", ppi=pixels_per_inch)


def _set(document: Document, paper: str, **options: Any) -> tuple[bytes, ...]:
    """Set a document on a paper; return its files."""
    if paper not in PAPERS:
        raise ValueProblem(f"paper {paper!r}", near_names(paper, PAPERS))
    width_mm, height_mm = PAPERS[paper]
    title = _said(document.title)
    sheet = {
        "title": title,
        "foot": textwrap.shorten(title, _FOOT_LETTERS, placeholder=" …"),
        "width": width_mm,
        "height": height_mm,
        "parts": [_blocks(part) for part in document.parts],
    }
    inputs = {"sheet": json.dumps(sheet)}
    try:
        made = typesetter().compile(_template(), sys_inputs=inputs, **options)
    except needed("typst").TypstError as error:
        raise MethodProblem(
            f"the sheets cannot be set on paper: {error}", "print the HTML page instead"
        ) from error
    return (made,) if isinstance(made, bytes) else tuple(made)


@cache
def _template() -> bytes:
    return (resources.files("bridge.sheet") / "page.typ").read_bytes()


def _said(text: str) -> str:
    return breakable(written(glued(text)))


# -- what the template asks of each block


def _blocks(blocks: Sequence[Block]) -> list[dict[str, Any]]:
    """Blocks in order. What a heading says further belongs to what follows, and what explains a grid, to the grid."""
    shown = [_shown(block) for block in blocks]
    for index, block in enumerate(blocks[:-1]):
        after = blocks[index + 1]
        explained = isinstance(block, Grid) and isinstance(after, Paragraph) and after.small
        led = isinstance(block, Paragraph) and index > 0 and isinstance(blocks[index - 1], Heading)
        shown[index]["sticky"] = explained or led
    return shown


def _shown(block: Block) -> dict[str, Any]:
    kind = {"kind": type(block).__name__, "sticky": False}
    if isinstance(block, Heading):
        return {**kind, "level": block.level, "mark": _said(block.mark), "text": _said(block.text)}
    if isinstance(block, Paragraph):
        return {
            **kind,
            **asdict(block),
            "text": _said(block.text),
            "counted": _said(block.counted).split("#"),
        }
    if isinstance(block, Items):
        texts = [_said(text) for text in block.texts]
        return {**kind, "texts": texts, "numbered": block.numbered, "whole": len(texts) <= _WHOLE_ITEMS}
    if isinstance(block, Grid):
        return {
            **kind,
            "headings": [_said(text) for text in block.headings],
            "headed": any(block.headings),
            "rows": [[_said(text) for text in row] for row in block.rows],
            "words": sorted(block.words),
            "strong": sorted(block.strong),
            "even": block.even,
            "playing": block.playing,
            "whole": len(block.rows) <= _WHOLE_ROWS,
        }
    if isinstance(block, Figure):
        return {**kind, **_pictured(block.picture)}
    left, right = _blocks(block.left), _blocks(block.right)
    return {**kind, "left": left, "right": right, "share": block.share}


def _pictured(picture: Picture) -> dict[str, Any]:
    shapes = [_drawn(shape) for shape in picture.shapes]
    return {
        "title": _said(picture.title),
        "width": picture.width_mm,
        "height": picture.height_mm,
        "shapes": shapes,
    }


def _drawn(shape: Shape) -> dict[str, Any]:
    kind = {"kind": type(shape).__name__}
    if isinstance(shape, Text):
        return {**kind, **vars(shape), "text": written(shape.text)}
    return {**kind, **vars(shape)}
