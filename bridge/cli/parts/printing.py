"""How commands write to the terminal: plain tables that also read well through a pipe, and figures with units."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING

from bridge.errors import visible

if TYPE_CHECKING:
    from rich.console import Console

MANY_ROWS = 1000


@cache
def console() -> Console:
    """Return the console for standard output (imported late: rich is not needed for ``--help``)."""
    from rich.console import Console

    class Page(Console):
        def on_broken_pipe(self) -> None:
            stop_printing()  # the reader has gone (``| head``), the work goes on

    screen = Page(highlight=False, soft_wrap=True)
    if not screen.is_terminal:
        screen.width = 160  # a file or pipe has no edge at which to break a table
    return screen


def stop_printing() -> None:
    """Let whatever is still printed go nowhere."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.close(nowhere)


def show_note(text: str) -> None:
    """Tell, on standard error, what is worth knowing and is no error."""
    import click

    click.echo(f"note: {' '.join(visible(text).split())}", err=True)


def say_search(seconds: float, title: str = "this") -> None:
    """Say, before a long search, how long following the harmony will take."""
    show_note(f"{title} is a long piece: to choose the pitch of every note takes about {seconds:.0f} s")


def show(text: str = "") -> None:
    """Write a line; square brackets are plain text."""
    console().print(visible(text), markup=False)


def show_bold(text: str) -> None:
    """Write a line in bold letters."""
    console().print(visible(text), markup=False, style="bold")


def show_table(
    headings: Sequence[str], rows: Iterable[Sequence[str]], left: Iterable[int] = (0,), title: str = ""
) -> None:
    """Write rows of cells in columns; those in `left` hold words, the others hold figures and stand to the right.

    Words of a table that is longer than `MANY_ROWS` are not folded: that would take seconds.
    """
    from rich.cells import cell_len
    from rich.table import Table
    from rich.text import Text

    wordy = set(left)
    cells = [[visible(cell) for cell in row] for row in rows]
    if title:
        show_bold(title)
    if len(cells) > MANY_ROWS:
        lines = [list(headings), *cells]
        widths = [max(map(cell_len, column)) for column in zip(*lines, strict=True)]
        for line in lines:
            for index, (cell, width) in enumerate(zip(line, widths, strict=True)):
                room = " " * (width - cell_len(cell))
                line[index] = cell + room if index in wordy else room + cell
        console().out("\n".join("   ".join(line).rstrip() for line in lines), highlight=False)
        return
    grid = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0), header_style="bold")
    for index, heading in enumerate(headings):
        grid.add_column(heading, justify="left" if index in wordy else "right", no_wrap=index not in wordy)
    for row in cells:
        grid.add_row(*map(Text, row))
    console().print(grid, soft_wrap=False)


def cents(value: float, digits: int = 1) -> str:
    """Write a signed number of cents; what rounds to nothing is ``0``."""
    rounded = round(value, digits)
    return f"{rounded:+.{digits}f}" if rounded else f"{0:.{digits}f}"


def sure(value: float, digits: int = 2) -> str:
    """Write a standard deviation; one too small to show as such, not as nought."""
    least = 10.0**-digits
    return f"{value:.{digits}f}" if value >= 0.5 * least else f"<{least:.{digits}f}"


def hertz(value: float) -> str:
    """Write a frequency with the digits that matter for beats."""
    return f"{value:.3f}"


@contextmanager
def progress_bar() -> Iterator[Callable[[str, float], None]]:
    """Show progress on stderr where a person watches; nothing where none does.

    What it yields is called with the name of the work and how much of it is done, 0 to 1.
    """
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeRemainingColumn

    screen = Console(stderr=True)
    bars: dict[str, TaskID] = {}
    with Progress(
        TextColumn("{task.description}", markup=False),  # a title may hold square brackets
        BarColumn(),
        TimeRemainingColumn(),
        console=screen,
        transient=True,
        disable=not screen.is_terminal,
    ) as progress:

        def advance(name: str, done: float) -> None:
            if name not in bars:
                bars[name] = progress.add_task(name, total=1.0)
            progress.update(bars[name], completed=done)

        yield advance
