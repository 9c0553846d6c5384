"""What stands on a page, whatever shows it: headings, paragraphs, grids and pictures in order.

`bridge.sheet.html` and `bridge.sheet.paper` show the same document, so that both say the same. What is read while
playing is marked `playing`: on paper its letters are larger, for a stand that is 70 cm away.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from bridge.sheet.shapes import Picture


@dataclass(frozen=True)
class Heading:
    """A heading."""

    text: str
    level: int = 2  # 1 for a piece or session, 2 for its parts, 3 for what is in them
    mark: str = ""  # a number or letter that stands in a black field before it; may be empty


@dataclass(frozen=True)
class Paragraph:
    """Sentences; `strong` ones stand out, `small` ones explain, `playing` ones are read while playing."""

    text: str
    strong: bool = False
    small: bool = False
    playing: bool = False
    # What stands in its place on pages that are counted; ``#`` is the number of the last page before the last part.
    counted: str = ""


@dataclass(frozen=True)
class Items:
    """A list; numbered where the order matters."""

    texts: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True)
class Grid:
    """Rows in columns."""

    headings: tuple[str, ...]  # one for each column
    rows: tuple[tuple[str, ...], ...]  # cells
    # Columns of words, which stand to the left and may be broken; the others hold figures.
    words: frozenset[int] = frozenset({0})
    strong: frozenset[int] = frozenset()  # rows that stand out
    even: bool = False  # whether the columns after the first are equally wide, as of twelve notes
    playing: bool = False  # whether it is read while playing


@dataclass(frozen=True)
class Figure:
    """A picture, as wide as there is room, at most as wide as it is."""

    picture: Picture


@dataclass(frozen=True)
class Beside:
    """Two columns; on a narrow screen one under the other. `share` is the left one's part of the width."""

    left: tuple[Block, ...]
    right: tuple[Block, ...]
    share: float = 0.45


Block: TypeAlias = Heading | Paragraph | Items | Grid | Figure | Beside


@dataclass(frozen=True)
class Document:
    """Parts, each of which begins on a page of its own."""

    title: str
    parts: tuple[tuple[Block, ...], ...]
