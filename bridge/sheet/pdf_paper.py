"""Paper for sheets as PDF: shapes on pages, and pages in a file.

Conventions
-----------
Millimetres from the top left corner of a page, y downward, as in `bridge.sheet.shapes`.

Index
-----
`PAPERS` · `Page`, `pages_pdf`

Sources
-------
ISO 216 (A4); ANSI/ASME Y14.1 (Letter). ISO 32000-1:2008, 8.5 (paths) and 9.4 (text). Quarters of a circle as cubic
curves: their handles are 4/3 · (√2 − 1) of the radius long (derived: the curve meets the circle at its middle).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from bridge.sheet.pdf_file import FACES, glyph_text, pdf_bytes
from bridge.sheet.pdf_letters import Face, face, letters
from bridge.sheet.shapes import Box, Disc, Line, Shape, Text

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height in millimetres."""

_POINTS_PER_MM = 72.0 / 25.4
_HANDLE = 4.0 / 3.0 * (math.sqrt(2.0) - 1.0)


@dataclass
class Page:
    """A page that is being filled."""

    shapes: list[Shape] = field(default_factory=list)

    def draw(self, shapes: Iterable[Shape], x: float = 0.0, y: float = 0.0, scale: float = 1.0) -> None:
        """Draw shapes, moved and scaled."""
        self.shapes += [_moved(shape, x, y, scale) for shape in shapes]


def _moved(shape: Shape, x: float, y: float, scale: float) -> Shape:
    if isinstance(shape, Line):
        (x1, y1), (x2, y2) = (
            (x + scale * shape.x1, y + scale * shape.y1),
            (x + scale * shape.x2, y + scale * shape.y2),
        )
        return Line(x1, y1, x2, y2, scale * shape.width, shape.shade, scale * shape.dash)
    left, top = x + scale * shape.x, y + scale * shape.y
    if isinstance(shape, Text):
        return replace(shape, x=left, y=top, size=scale * shape.size)
    if isinstance(shape, Disc):
        line, dash = scale * shape.line, scale * shape.dash
        return replace(shape, x=left, y=top, radius=scale * shape.radius, line=line, dash=dash)
    wide, high = scale * shape.width, scale * shape.height
    line, radius = scale * shape.line, scale * shape.radius
    return replace(shape, x=left, y=top, width=wide, height=high, line=line, radius=radius)


def pages_pdf(pages: Sequence[Page], paper: str, title: str) -> bytes:
    """Return pages as a PDF; the same pages give the same bytes."""
    texts = [
        [
            replace(shape, text=letters().written(shape.text, shape.bold))
            if isinstance(shape, Text)
            else shape
            for shape in page.shapes
        ]
        for page in pages
    ]
    used = {
        bold: frozenset(
            "".join(s.text for page in texts for s in page if isinstance(s, Text) and s.bold == bold)
        )
        for bold in FACES
    }
    carried = {bold: face(bold, used[bold]) for bold in FACES}
    width, height = (length * _POINTS_PER_MM for length in PAPERS[paper])
    contents = [_content(page, height, carried) for page in texts]
    return pdf_bytes(contents, (width, height), [carried[bold] for bold in FACES], title)


def _content(shapes: Iterable[Shape], height: float, faces: dict[bool, Face]) -> bytes:
    """Write a page: millimetres downward become points upward once, at the start."""
    scale = _n(_POINTS_PER_MM)
    lines = [f"{scale} 0 0 -{scale} 0 {_n(height)} cm"]
    for shape in shapes:
        if isinstance(shape, Line):
            look = f"{_n(shape.shade)} G {_n(shape.width)} w {_dash(shape.dash)}"
            lines.append(f"{look} {_n(shape.x1)} {_n(shape.y1)} m {_n(shape.x2)} {_n(shape.y2)} l S")
        elif isinstance(shape, Text):
            lines.append(_letters(shape, faces[shape.bold]))
        elif isinstance(shape, Disc):
            edges = _round_box(
                shape.x - shape.radius,
                shape.y - shape.radius,
                2 * shape.radius,
                2 * shape.radius,
                shape.radius,
            )
            lines.append(_painted(edges, shape.fill, shape.shade, shape.line, shape.dash))
        else:
            lines.append(_painted(_edges(shape), shape.fill, shape.shade, shape.line, 0.0))
    return "\n".join(lines).encode("ascii")


def _letters(text: Text, face: Face) -> str:
    wide = letters().width(text.text, text.size, text.bold)
    x = text.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[text.anchor] * wide
    place = f"1 0 0 -1 {_n(x)} {_n(text.y)} Tm"
    return f"BT /{FACES[text.bold]} {_n(text.size)} Tf {_n(text.shade)} g {place} {glyph_text(text.text, face)} Tj ET"


def _painted(edges: str, fill: float | None, shade: float | None, line: float, dash: float) -> str:
    filled, drawn = fill is not None, shade is not None and line > 0
    how = {(True, True): "B", (True, False): "f", (False, True): "S", (False, False): "n"}[filled, drawn]
    look = f"{_n(fill)} g " if fill is not None else ""
    if shade is not None and drawn:
        look += f"{_n(shade)} G {_n(line)} w {_dash(dash)} "
    return f"{look}{edges} {how}"


def _edges(box: Box) -> str:
    if box.radius:
        return _round_box(box.x, box.y, box.width, box.height, box.radius)
    return f"{_n(box.x)} {_n(box.y)} {_n(box.width)} {_n(box.height)} re"


def _round_box(x: float, y: float, width: float, height: float, radius: float) -> str:
    """Edges of a box with round corners; a circle is one whose corners meet."""
    r = min(radius, width / 2, height / 2)
    k = r * (1 - _HANDLE)
    right, low = x + width, y + height
    corners = (
        ((right - r, y), (right - k, y), (right, y + k), (right, y + r)),
        ((right, low - r), (right, low - k), (right - k, low), (right - r, low)),
        ((x + r, low), (x + k, low), (x, low - k), (x, low - r)),
        ((x, y + r), (x, y + k), (x + k, y), (x + r, y)),
    )
    parts = [f"{_n(x + r)} {_n(y)} m"]
    for start, first, second, end in corners:
        parts.append(f"{_n(start[0])} {_n(start[1])} l")
        parts.append(" ".join(f"{_n(a)} {_n(b)}" for a, b in (first, second, end)) + " c")
    return " ".join(parts) + " h"


def _dash(dash: float) -> str:
    return f"[{_n(dash)}] 0 d" if dash > 0 else "[] 0 d"


def _n(value: float) -> str:
    """Write a number to a thousandth, without needless zeros."""
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
