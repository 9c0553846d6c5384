"""A strip: what is drawn across a page in one piece."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from bridge.sheet.pdf_paper import Page


@dataclass(frozen=True)
class Strip:
    """Something as wide as the page that is not broken.

    Attributes
    ----------
    height : float
        In millimetres.
    draw : callable
        Draws it on a page, with its upper left corner at x and y.
    gap : float
        Room above it, unless it is the first of a page.
    bound : bool
        Whether it stays with the next strip.
    head : Strip or None
        What is drawn above it if it is the first of a page: the headings of its grid.
    """

    height: float
    draw: Callable[[Page, float, float], None]
    gap: float = 0.0
    bound: bool = False
    head: Strip | None = None
