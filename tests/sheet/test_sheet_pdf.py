"""Sheets as PDF: whole files, nothing cut or over anything else, words that can be read back, the same bytes always."""

from __future__ import annotations

import re
import subprocess
import sys
import zlib
from functools import cache
from pathlib import Path

import pytest
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath
from support.needs import program
from support.sheets import SESSION, odd, open_d

from bridge.errors import MethodProblem, ValueProblem
from bridge.sheet import needs
from bridge.sheet.content import sheet_document
from bridge.sheet.document import Grid
from bridge.sheet.html import sheet_html
from bridge.sheet.pdf import BOTTOM_MM, SIDE_MM, TOP_MM, lay_out, sheet_pdf
from bridge.sheet.pdf_grid import column_widths
from bridge.sheet.pdf_letters import letters
from bridge.sheet.pdf_paper import PAPERS
from bridge.sheet.shapes import Box, Disc, Line, Text

ALL = (open_d(), *odd())


def poppler(*command: str, data: bytes) -> str:
    """Run a tool of Poppler, an independent reader, on a PDF."""
    done = subprocess.run(
        [program(command[0]), *command[1:]], input=data, capture_output=True, check=True, timeout=120
    )
    assert not done.stderr, done.stderr.decode()
    return done.stdout.decode("utf-8")


@cache
def measured(text: str, bold: bool) -> float:
    """How wide a text is as a part of its size, by an independent library."""
    if not text.strip():
        return 0.0
    font = FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")
    return float(TextPath((0, 0), text.replace("$", r"\$"), size=10, prop=font).get_extents().x1) / 10


def extent(text: Text) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of a text."""
    wide = text.size * measured(letters().written(text.text, text.bold), text.bold)
    left = text.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[text.anchor] * wide
    return left, text.y - 0.73 * text.size, left + wide, text.y


@pytest.mark.slow
@pytest.mark.parametrize("paper", PAPERS)
def test_nothing_is_cut_and_no_words_lie_over_others(paper: str) -> None:
    width, height = PAPERS[paper]
    for page in lay_out(sheet_document(ALL, SESSION), paper):
        words = []
        for shape in page.shapes:
            if isinstance(shape, Text):
                left, top, right, bottom = extent(shape)
                assert left >= SIDE_MM - 0.1, shape
                assert right <= width - SIDE_MM + 0.1, shape
                assert top >= TOP_MM - 0.1, shape
                assert bottom <= height - 7.0, shape
                if shape.y < height - BOTTOM_MM:
                    words.append((left, top, right, bottom, shape.text))
            elif isinstance(shape, Line):
                assert max(shape.x1, shape.x2) <= width - SIDE_MM + 0.1
                assert max(shape.y1, shape.y2) <= height - BOTTOM_MM + 1.0
            elif isinstance(shape, Box):
                assert shape.x + shape.width <= width - SIDE_MM + 0.1
                assert shape.y + shape.height <= height - BOTTOM_MM + 0.1
            else:
                assert isinstance(shape, Disc)
                assert shape.x + shape.radius <= width - SIDE_MM + 0.1
        words.sort(key=lambda word: word[1])
        for index, (left, top, right, bottom, text) in enumerate(words):
            for other_left, other_top, other_right, _, other in words[index + 1 :]:
                if other_top >= bottom - 0.25:
                    break
                apart = other_left >= right - 0.25 or left >= other_right - 0.25
                assert apart or other_top - top > 0.75 * (bottom - top), (text, other)


def test_the_file_is_whole() -> None:
    data = sheet_pdf(ALL, SESSION)
    assert data.startswith(b"%PDF-1.7\n")
    start = int(data[data.rindex(b"startxref") + 9 :].split()[0])
    assert data[start:].startswith(b"xref\n0 ")
    entries = data[start : data.index(b"trailer", start)].splitlines()[2:]
    assert entries[0] == b"0000000000 65535 f "
    for number, entry in enumerate(entries[1:], 1):
        assert data[int(entry[:10]) :].startswith(b"%d 0 obj\n" % number)
    for head, length in re.findall(rb"(<< /Length (\d+) /Filter /FlateDecode[^\n]*\nstream\n)", data):
        place = data.index(head) + len(head)
        assert data[place + int(length) :].startswith(b"\nendstream")
        zlib.decompress(data[place : place + int(length)])
    assert data.count(b"/Type /Page ") == len(lay_out(sheet_document(ALL, SESSION), "a4"))


def test_an_independent_reader_finds_the_words() -> None:
    text = " ".join(poppler("pdftotext", "-layout", "-", "-", data=sheet_pdf([open_d()])).split())
    for words in (
        "Low Water",
        "Breathe together.",
        "F#3 5/4 -17.6 183.12",
        "Safe on every string: open, 5, 7, 12.",
    ):
        assert words in text
    assert "enter +18 -12 0 +12 +4 +16 -14 -2 -10 +2 +14 -16" in text
    names = poppler("pdftotext", "-", "-", data=sheet_pdf(odd()))
    assert "Старый мост, Żółw, □□□" in names  # letters that the font does not have are boxes
    assert "<angles> & an ampersand" in " ".join(names.split())


def test_an_independent_reader_finds_fonts_and_paper() -> None:
    about = poppler("pdfinfo", "-", data=sheet_pdf([open_d()], paper="letter"))
    assert "612 x 792 pts (letter)" in about
    assert "Title:           Low Water" in about
    assert "Date" not in about
    fonts = poppler("pdffonts", "-", data=sheet_pdf([open_d()]))
    rows = [line.split() for line in fonts.splitlines()[2:]]
    assert [row[0] for row in rows] == ["STILLB+DejaVuSans", "STILLB+DejaVuSans-Bold"]
    assert all(row[-5:-2] == ["yes", "yes", "yes"] for row in rows)  # embedded, a subset, with Unicode


@pytest.mark.slow
def test_the_same_bytes_in_every_process(tmp_path: Path) -> None:
    code = (
        "import sys; sys.path.insert(0, sys.argv[1])\n"
        "from support.sheets import SESSION, odd, open_d\n"
        "from bridge.sheet.html import sheet_html\n"
        "from bridge.sheet.pdf import sheet_pdf\n"
        "pieces = (open_d(), *odd())\n"
        "sys.stdout.buffer.write(sheet_pdf(pieces, SESSION) + sheet_html(pieces, SESSION).encode())\n"
    )
    here = sheet_pdf(ALL, SESSION) + sheet_html(ALL, SESSION).encode()
    assert here == sheet_pdf(ALL, SESSION) + sheet_html(ALL, SESSION).encode()
    run = subprocess.run(
        [sys.executable, "-W", "error", "-c", code, str(Path(__file__).parents[1])],
        env={"PYTHONHASHSEED": "77", "TZ": "Asia/Tokyo", "HOME": str(tmp_path)},
        capture_output=True,
        check=True,
        timeout=120,
    )
    assert run.stdout == here
    assert run.stderr == b""


def test_html_and_pdf_say_the_same() -> None:
    """Every word of the page stands on paper too, apart from how lines are broken."""
    from support.sheets import seen

    text = poppler("pdftotext", "-", "-", data=sheet_pdf([open_d()], SESSION))
    paper = set(text.replace("\N{NO-BREAK SPACE}", " ").split())
    assert set(seen(sheet_html([open_d()], SESSION)).text.split()) <= paper


def test_pages_fill_and_headings_stay_with_what_follows() -> None:
    pages = lay_out(sheet_document([open_d()]), "a4")
    assert len(pages) <= 3
    for page in pages:
        lowest = max(
            shape.y for shape in page.shapes if isinstance(shape, Text) and shape.y < 297 - BOTTOM_MM
        )
        last = [shape for shape in page.shapes if isinstance(shape, Text) and shape.y == lowest]
        assert not any(shape.bold and shape.size > 3.8 for shape in last)


def test_lines_break_between_words_and_not_before_units() -> None:
    lines = letters().lines("stop at fret 4, 4 mm towards the nut", 3.0, 24.0)
    assert " ".join(lines) == "stop at fret 4, 4 mm towards the nut"
    assert all(letters().width(line, 3.0) <= 24.0 for line in lines)
    assert not any(line.endswith(("fret", "4,  4")) or line.startswith("mm") for line in lines)
    assert "".join(letters().lines("x" * 100, 3.0, 24.0)) == "x" * 100
    assert letters().lines("", 3.0, 24.0) == [""]


@pytest.mark.parametrize("text", ["F#3 -17.6", "Open D: Five-limit", "Żółw, Старый мост", "gjpqy @%&"])
@pytest.mark.parametrize("bold", [False, True])
def test_letters_are_measured_as_an_independent_library_does(text: str, bold: bool) -> None:
    # Without kerning a text may be a little wider, by the side bearings of its last letter as well.
    assert letters().width(text, 1.0, bold) == pytest.approx(measured(text, bold), abs=0.35)
    assert letters().width(text, 1.0, bold) >= measured(text, bold) - 0.01


def test_columns_share_the_room() -> None:
    grid = Grid(("a", "words", "figure"), (("x", "many words " * 20, "183.12"),), frozenset({0, 1}))
    widths = column_widths(grid, 100.0, 3.0, 3.0)
    assert sum(widths) + 6.0 == pytest.approx(100.0, abs=0.01)
    assert widths[2] == pytest.approx(letters().width("183.12", 3.0), abs=1.5)
    assert widths[1] > 70


def test_unknown_paper_and_missing_libraries(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ValueProblem, match=r"'a5' .*a4"):
        sheet_pdf([open_d()], paper="a5")
    monkeypatch.setitem(sys.modules, "jinja2", None)
    with pytest.raises(MethodProblem, match=r"jinja2.*pip install 'stillbeat\[sheets\]'"):
        needs.needed("jinja2")


def test_letters_that_the_pdf_has_not_are_known_beforehand() -> None:
    text = "Żółw, Старый мост ♯♭ é ﬁ"
    assert letters().missing(text) == ""
    # Chinese signs are not in DejaVu Sans; Hebrew and Arabic letters would stand in the wrong order.
    assert letters().missing("A 海辺海 B שלום") == "海辺שלום"
    assert letters().written("海 ש") == "□ □"
