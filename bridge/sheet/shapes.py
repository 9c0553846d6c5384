"""Pictures as plain shapes, and how they become SVG.

Conventions
-----------
Millimetres from the top left corner, y downward. Shades run from 0 (black) to 1 (white); nothing has a colour, so that
what is printed looks like what was seen. `Text` stands on its baseline; its size is the font's, in millimetres.
A shape's `note` is what a browser shows when the pointer rests on it.

Sources
-------
Scalable Vector Graphics 1.1 (W3C Recommendation, 2011).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias
from xml.sax.saxutils import escape, quoteattr

BLACK, WHITE = 0.0, 1.0
FONTS = "'DejaVu Sans', Verdana, 'Bitstream Vera Sans', Helvetica, Arial, sans-serif"
"""Wide and sturdy letters that are found nearly everywhere, for a browser; those on paper are narrower."""

NOTE_MM, FIGURE_MM = 4.95, 3.2
"""Letters of what is read while playing, on a stand 70 cm away (14 points), and the smallest of all others (9)."""


@dataclass(frozen=True)
class Line:
    """A straight line; `dash` is drawn and left out in turn, in millimetres."""

    x1: float
    y1: float
    x2: float
    y2: float
    width: float = 0.3
    shade: float = BLACK
    dash: float = 0.0


@dataclass(frozen=True)
class Box:
    """A rectangle; `fill` and `shade` (its edge) may be None."""

    x: float
    y: float
    width: float
    height: float
    fill: float | None = None
    shade: float | None = BLACK
    line: float = 0.3
    radius: float = 0.0


@dataclass(frozen=True)
class Disc:
    """A circle round a point."""

    x: float
    y: float
    radius: float
    fill: float | None = None
    shade: float | None = BLACK
    line: float = 0.3
    dash: float = 0.0
    note: str = ""


@dataclass(frozen=True)
class Text:
    """A line of text."""

    x: float
    y: float
    text: str
    size: float = 3.0
    anchor: Literal["start", "middle", "end"] = "start"
    bold: bool = False
    shade: float = BLACK


Shape: TypeAlias = Line | Box | Disc | Text


@dataclass(frozen=True)
class Picture:
    """Shapes on a white ground, later ones over earlier ones."""

    title: str  # what it shows, for those who cannot see it
    # Its size.
    width_mm: float
    height_mm: float
    shapes: tuple[Shape, ...]  # what is drawn


def picture_svg(picture: Picture, *, alone: bool = True, notes: bool = True) -> str:
    """Return a picture as SVG, a file of its own or else a part of a page and as wide as that allows.

    With `notes`, shapes tell more when a browser's pointer rests on them.
    """
    width, height = _number(picture.width_mm), _number(picture.height_mm)
    size = f'width="{width}mm" height="{height}mm" ' if alone else ""
    lines = ['<?xml version="1.0" encoding="UTF-8"?>'] if alone else []
    lines.append(
        f'<svg xmlns="http://www.w3.org/2000/svg" {size}viewBox="0 0 {width} {height}" role="img" '
        f'aria-label={quoteattr(picture.title)} font-family="{FONTS}">'
    )
    lines.append(f"<title>{escape(picture.title)}</title>")
    if alone:
        lines.append(f'<rect width="{width}" height="{height}" fill="#fff"/>')
    lines += [_shape(shape, notes) for shape in picture.shapes]
    lines.append("</svg>\n")
    return "\n".join(lines)


def _shape(shape: Shape, notes: bool) -> str:
    if isinstance(shape, Line):
        ends = _attributes(x1=shape.x1, y1=shape.y1, x2=shape.x2, y2=shape.y2)
        return f"<line {ends}{_stroke(shape.shade, shape.width, shape.dash)}/>"
    if isinstance(shape, Box):
        box = _attributes(x=shape.x, y=shape.y, width=shape.width, height=shape.height)
        round_ = f' rx="{_number(shape.radius)}"' if shape.radius else ""
        return f"<rect {box}{round_}{_fill(shape.fill)}{_stroke(shape.shade, shape.line)}/>"
    if isinstance(shape, Disc):
        disc = _attributes(cx=shape.x, cy=shape.y, r=shape.radius)
        inside = f"><title>{escape(shape.note)}</title></circle>" if shape.note and notes else "/>"
        return f"<circle {disc}{_fill(shape.fill)}{_stroke(shape.shade, shape.line, shape.dash)}{inside}"
    place = _attributes(x=shape.x, y=shape.y)
    anchor = "" if shape.anchor == "start" else f' text-anchor="{shape.anchor}"'
    bold = ' font-weight="bold"' if shape.bold else ""
    size = f' font-size="{_number(shape.size)}"'
    return f"<text {place}{size}{anchor}{bold}{_fill(shape.shade)}>{escape(shape.text)}</text>"


def _attributes(**values: float) -> str:
    return " ".join(f'{name}="{_number(value)}"' for name, value in values.items())


def _fill(shade: float | None) -> str:
    return ' fill="none"' if shade is None else f' fill="{_grey(shade)}"'


def _stroke(shade: float | None, width: float, dash: float = 0.0) -> str:
    if shade is None or width <= 0:
        return ""
    dashes = f' stroke-dasharray="{_number(dash)}"' if dash else ""
    return f' stroke="{_grey(shade)}" stroke-width="{_number(width)}"{dashes}'


def _grey(shade: float) -> str:
    level = round(255 * min(max(shade, 0.0), 1.0))
    return f"#{level:02x}{level:02x}{level:02x}"


def _number(value: float) -> str:
    """Write a length to a hundredth of a millimetre, without needless zeros."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
