"""Headings and sentences in the terminal: broken between words at its edge, so that they read from a music stand."""

from __future__ import annotations

import textwrap

from bridge.cli.parts.printing import console, show, show_bold
from bridge.sheet.phrases import glued

MIN_WIDTH = 40
MAX_WIDTH = 100
PIPED_WIDTH = 80


def page_width() -> int:
    """Return the columns that text may fill: those of the terminal, within reason; 80 for a file or pipe."""
    screen = console()
    return min(max(screen.width, MIN_WIDTH), MAX_WIDTH) if screen.is_terminal else PIPED_WIDTH


def show_heading(text: str) -> None:
    """Write a heading with an empty line above."""
    show()
    show_bold(text)


def show_paragraph(text: str, indent: int = 0, hang: int = 0) -> None:
    """Write sentences, broken between words, but not between a figure and its unit.

    They stand `indent` columns from the edge, and lines after the first `hang` columns more.
    """
    lines = textwrap.wrap(
        glued(text),
        page_width(),
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent + hang),
        break_on_hyphens=False,
    )
    for line in lines:
        show(line.replace("\N{NO-BREAK SPACE}", " "))
