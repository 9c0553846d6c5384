"""The pictures of a table and of a sheet in README: made by this script, with a digest of what they show beside them.

Run: ``PYTHONPATH=tests python -m support.paper_pictures``. Needs typst. A test compares the digest, not the pictures:
they change where a word that they show, or the template that sets them, has changed.
"""

from __future__ import annotations

import hashlib
import io
from contextlib import redirect_stdout, suppress
from html import escape
from pathlib import Path

from bridge.cli.parts.printing import console
from bridge.jobs.session.manifest import Manifest
from bridge.jobs.session.paper.pages import Sheets
from bridge.jobs.session.plan import plan_session
from bridge.jobs.session.takes import open_session
from bridge.sheet import paper
from bridge.sheet.content.sheets import PAGE, sheet_document
from bridge.sheet.records import PieceSheet

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "examples/pictures"
DIGEST = FOLDER / "paper.sha256"
COMMAND = ("table", "--guitar", "open-g", "--reference", "G3=195.1")
SESSION = ROOT / "examples/evening/evening.toml"
PIXELS_PER_INCH = 96.0
_LINE_PX, _LETTER_PX, _MARGIN_PX = 20, 8.5, 16


def table_text() -> str:
    """Return what the command prints, as a file gets it."""
    from bridge.cli import main

    said = io.StringIO()
    console.cache_clear()
    try:
        with redirect_stdout(said), suppress(SystemExit):
            main(COMMAND)
    finally:
        console.cache_clear()
    lines = [line.rstrip() for line in said.getvalue().splitlines()]
    return "\n".join([f"$ stillbeat {' '.join(COMMAND)}", *lines]).rstrip() + "\n"


def table_svg() -> str:
    """Return the picture of the table: its lines in letters of one width."""
    lines = table_text().splitlines()
    width = round(max(map(len, lines)) * _LETTER_PX + 2 * _MARGIN_PX)
    height = len(lines) * _LINE_PX + 2 * _MARGIN_PX
    rows = "\n".join(
        f'<text x="{_MARGIN_PX}" y="{_MARGIN_PX + _LINE_PX * number + 14}" xml:space="preserve">{escape(line)}</text>'
        for number, line in enumerate(lines)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" font-family="monospace" font-size="14" fill="#111">\n'
        f'<rect width="{width}" height="{height}" rx="6" fill="#f6f6f4"/>\n{rows}\n</svg>\n'
    )


def sheet() -> PieceSheet:
    """Return the sheet that is shown: the first piece of the example's evening."""
    plan = plan_session(open_session(SESSION))
    return Sheets(plan, Manifest()).piece(plan.pieces[0])


def digest() -> str:
    """Return a digest of the texts and the templates of both pictures."""
    found = hashlib.sha256(table_svg().encode())
    found.update(repr(sheet_document([sheet()], None, PAGE)).encode())
    found.update(paper._template())
    return found.hexdigest()


def make() -> None:
    """Make the pictures, and write their digest."""
    FOLDER.mkdir(exist_ok=True)
    (FOLDER / "table.svg").write_text(table_svg(), encoding="utf-8")
    (page,) = paper.sheet_png([sheet()], paper="a4", pixels_per_inch=PIXELS_PER_INCH, form=PAGE)
    (FOLDER / "sheet.png").write_bytes(page)
    DIGEST.write_text(digest() + "\n", encoding="ascii")


if __name__ == "__main__":
    make()
