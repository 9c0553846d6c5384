"""Sheets on paper: nothing cut or over anything else, large enough for a stand, readable again, always the same bytes.

Read with Poppler's tools, which share nothing with the library that sets the pages.
"""

from __future__ import annotations

import html
import re
import socket
import subprocess
import sys
from collections import Counter
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.needs import program
from support.sheets import SESSION, odd, open_d, seen, spec

import bridge.sheet
import bridge.sheet.paper as paper_module
from bridge.errors import MethodProblem, ValueProblem
from bridge.sheet import needs
from bridge.sheet.content.sheets import sheet_document
from bridge.sheet.document import Beside, Block, Heading
from bridge.sheet.html import sheet_html
from bridge.sheet.letters import missing_letters, written
from bridge.sheet.paper import sheet_pdf, sheet_png, sheet_svg
from bridge.sheet.records import PieceSheet, TableSheet
from bridge.tuning.tables import build_table

pytestmark = pytest.mark.slow

ALL = (open_d(), *odd())
MM = 72 / 25.4
SIDE, TOP = 14 * MM, 13 * MM
# Libertinus Serif: ascender 894, descender -246 in 1000 (its table hhea); Poppler's boxes are as high as both.
ASCENDER, DESCENDER = 0.894, 0.246
PAPERS = {"a4": (595.28, 841.89), "letter": (612.0, 792.0)}  # in points: ISO 216, ANSI Y14.1
# What Poppler says of tagged files that are right: Suspects is a boolean (ISO 32000-1, table 321), and BorderColor an
# array (table 343).
KNOWN = {
    "Syntax Error: Suspects object is wrong type (boolean)",
    "Syntax Warning: Attribute BorderColor value is of wrong type (array)",
}


def poppler(*command: str, data: bytes) -> bytes:
    """Run a tool of Poppler, an independent reader, on a PDF."""
    done = subprocess.run(
        [program(command[0]), *command[1:]], input=data, capture_output=True, check=True, timeout=120
    )
    assert set(done.stderr.decode().splitlines()) <= KNOWN
    return done.stdout


def text_of(data: bytes, *options: str) -> str:
    """The words of a PDF in its order, with hyphens for minus signs and spaces that break."""
    text = poppler("pdftotext", *options, "-", "-", data=data).decode("utf-8")
    return text.replace("\N{NO-BREAK SPACE}", " ").replace("\N{MINUS SIGN}", "-")


@dataclass(frozen=True)
class Word:
    """A word where it stands, in points from the top left corner; its box ends on the baseline, without descenders."""

    text: str
    left: float
    top: float
    right: float
    bottom: float
    size: float


def words_of(data: bytes) -> list[list[Word]]:
    """The words of each page."""
    pages: list[list[Word]] = []
    for line in poppler("pdftotext", "-bbox", "-", "-", data=data).decode("utf-8").splitlines():
        if "<page " in line:
            pages.append([])
        found = re.search(r'<word xMin="(.*?)" yMin="(.*?)" xMax="(.*?)" yMax="(.*?)">(.*)</word>', line)
        if found:
            left, top, right, bottom = map(float, found.groups()[:4])
            size = (bottom - top) / (ASCENDER + DESCENDER)
            box = (left, top + 0.22 * size, right, bottom - DESCENDER * size)
            pages[-1].append(Word(html.unescape(found[5]), *box, size))
    return pages


@cache
def pdf_of_all(paper: str) -> bytes:
    return sheet_pdf(ALL, SESSION, paper)


@cache
def pages_of_all(paper: str) -> list[list[Word]]:
    return words_of(pdf_of_all(paper))


@pytest.mark.parametrize("paper", PAPERS)
def test_no_words_are_cut_or_lie_over_others(paper: str) -> None:
    width, height = PAPERS[paper]
    for page in pages_of_all(paper):
        for word in page:
            assert word.left >= SIDE - 0.5, word
            assert word.right <= width - SIDE + 0.5, word
            assert word.top >= TOP - 0.5, word
            assert word.bottom <= height - 7 * MM, word
        words = sorted(page, key=lambda word: word.top)
        for index, one in enumerate(words):
            for other in words[index + 1 :]:
                if other.top >= one.bottom - 0.5:
                    break
                assert other.left >= one.right - 0.5 or one.left >= other.right - 0.5, (one, other)


@pytest.mark.parametrize("paper", PAPERS)
def test_nothing_is_drawn_in_the_margins(paper: str) -> None:
    """Rendered by Poppler, the margins are white, but for the foot."""
    drawn = poppler(
        "pdftoppm", "-gray", "-r", "50.8", "-", data=pdf_of_all(paper)
    )  # half a millimetre a pixel
    pages = 0
    while drawn:
        head = re.match(rb"P5\s+(\d+)\s+(\d+)\s+255\s", drawn)
        assert head is not None
        width, height = int(head[1]), int(head[2])
        page = np.frombuffer(drawn, np.uint8, width * height, head.end()).reshape(height, width)
        drawn = drawn[head.end() + width * height :]
        pages += 1
        margin = 25
        assert page[:, :margin].min() == page[:, -margin:].min() == page[:margin].min() == 255
        assert page[-12:].min() == 255
        assert page.min() < 128
    assert pages == len(pages_of_all(paper))


@pytest.mark.parametrize("paper", PAPERS)
def test_letters_are_large_enough_for_a_stand(paper: str) -> None:
    for page in pages_of_all(paper):
        assert not [word for word in page if word.size < 8.99]
    first, *others = words_of(sheet_pdf([open_d()], paper=paper))
    pages = 1 + len(others)
    said = [word for word in first if re.fullmatch(r"[A-G][#b]?|[b#]?[1-7]|\d\d?|-?\d+\.\d+", word.text)]
    assert {"D", "F#", "Eb", "b7", "12", "183.12"} <= {word.text for word in said}
    # Notes, degrees, frets and figures are read while playing; not so the zero line and a bar of zero cents, the
    # legend (within 5, up to 17, tonic D), and the number of the page.
    small = Counter(word.text for word in said if word.size < 14.0)
    assert small == Counter(("0", "0", "5", "17", "D", "1", str(pages)))
    for text in ("Low", "Breathe", "Safe", "146.50"):
        assert max(word.size for word in first if word.text == text) >= 14.0
    five = words_of(sheet_pdf([odd()[-1]], paper=paper))[0]
    assert min(word.size for word in five if word.text in ("bar", "Verse", "Chorus", "b7=7/4")) >= 14.0


def test_the_file_is_whole_and_can_be_read_aloud() -> None:
    data = pdf_of_all("a4")
    assert data.startswith(b"%PDF-1.7\n")
    about = poppler("pdfinfo", "-", data=data).decode()
    assert re.search(r"Tagged: +yes", about)
    assert re.search(rf"Pages: +{len(pages_of_all('a4'))}\n", about)
    assert "Date" not in about
    tree = poppler("pdfinfo", "-struct", "-", data=data).decode("utf-8", "replace")
    assert tree.count("\n") > 100
    kinds = Counter(re.findall(r"^ *([A-Z]\w*)", tree, re.MULTILINE))
    assert set(kinds) >= {"H1", "H2", "H3", "P", "Table", "TH", "TD", "LI", "Figure"}
    assert kinds["H1"] == 2 + len(ALL)  # a page before the pieces, and one to look things up


def test_an_independent_reader_finds_the_words() -> None:
    text = " ".join(text_of(sheet_pdf([open_d()]), "-layout").split())
    for words in (
        "Low Water",
        "Breathe together.",
        "F#3 5/4 -17.6 183.12",
        "Safe on every string: open, 5, 7, 12.",
    ):
        assert words in text
    assert "enter +18 -12 0 +12 +4 +16 -14 -2 -10 +2 +14 -16" in text
    names = " ".join(text_of(sheet_pdf(odd())).split())
    assert "Старый мост, Żółw, □□□" in names  # letters that there are not are boxes
    assert "<angles> & an ampersand, past the end of every line there is" in names


def test_an_independent_reader_finds_fonts_and_paper() -> None:
    about = poppler("pdfinfo", "-", data=sheet_pdf([open_d()], paper="letter")).decode()
    assert "612 x 792 pts (letter)" in about
    assert "Title:           Low Water" in about
    fonts = poppler("pdffonts", "-", data=sheet_pdf([open_d()])).decode()
    rows = [line.split() for line in fonts.splitlines()[2:]]
    assert {re.sub(r"^[A-Z]{6}\+|-Identity-H$", "", row[0]) for row in rows} == {
        "LibertinusSerif-Regular",
        "LibertinusSerif-Bold",
    }
    assert all(row[-5:-2] == ["yes", "yes", "yes"] for row in rows)  # embedded, a subset, with Unicode


@pytest.mark.slow
def test_the_same_bytes_in_every_process(tmp_path: Path) -> None:
    code = (
        "import sys; sys.path.insert(0, sys.argv[1])\n"
        "from support.sheets import SESSION, odd, open_d\n"
        "from bridge.sheet.html import sheet_html\n"
        "from bridge.sheet.paper import sheet_pdf, sheet_png, sheet_svg\n"
        "pieces = (open_d(), *odd())\n"
        "sys.stdout.buffer.write(sheet_pdf(pieces, SESSION) + sheet_html(pieces, SESSION).encode())\n"
        "sys.stdout.buffer.write(b''.join(sheet_svg(pieces[:1]) + sheet_png(pieces[:1])))\n"
    )
    here = sheet_pdf(ALL, SESSION) + sheet_html(ALL, SESSION).encode()
    here += b"".join(sheet_svg(ALL[:1]) + sheet_png(ALL[:1]))
    run = subprocess.run(
        [sys.executable, "-W", "error", "-c", code, str(Path(__file__).parents[1])],
        env={"PYTHONHASHSEED": "77", "TZ": "Asia/Tokyo", "HOME": str(tmp_path), "SOURCE_DATE_EPOCH": "1000"},
        cwd=tmp_path,
        capture_output=True,
        check=True,
        timeout=120,
    )
    assert run.stdout == here
    assert run.stderr == b""
    assert list(tmp_path.iterdir()) == []


def test_html_and_pdf_say_the_same() -> None:
    """Every word of the page stands on paper too, apart from how lines are broken."""
    paper = set(text_of(sheet_pdf([open_d()], SESSION)).split())
    assert set(seen(sheet_html([open_d()], SESSION)).text.split()) <= paper


def headings(blocks: tuple[Block, ...]) -> set[str]:
    found: set[str] = set()
    for block in blocks:
        if isinstance(block, Heading):
            found.add(" ".join(filter(None, (block.mark, block.text))))
        elif isinstance(block, Beside):
            found |= headings(block.left) | headings(block.right)
    return found


@pytest.mark.parametrize("paper", PAPERS)
def test_headings_stay_with_what_follows_and_no_page_is_empty(paper: str) -> None:
    document = sheet_document(ALL, SESSION)
    titles = set().union(*(headings(part) for part in document.parts))
    assert "The tables in full" in titles
    assert len(words_of(sheet_pdf([open_d()], paper=paper))) <= 3
    for page in pages_of_all(paper):
        foot = max(word.bottom for word in page)
        body = [word for word in page if word.bottom < foot - 2]
        assert len(body) > 8
        lowest = max(word.bottom for word in body)
        line = " ".join(word.text for word in body if word.bottom > lowest - 1)
        assert line not in titles, line


def test_long_words_are_broken_and_figures_keep_their_units() -> None:
    long = "x" * 150
    piece = PieceSheet("y" * 90, (TableSheet(build_table(spec(tonic="D"))),), notes=f"{long} and on")
    said = re.sub(r"[\s\N{ZERO WIDTH SPACE}]", "", text_of(sheet_pdf([piece])))
    assert "y" * 90 in said
    assert f"{long}andon" in said
    for page in pages_of_all("a4"):
        for number, unit in pairwise(page):
            if re.search(r"\d$", number.text) and re.fullmatch(r"(?:mm|cents|Hz)", unit.text):
                assert not 1 < unit.bottom - number.bottom < 2 * unit.size, (number, unit)


# -- nothing that is written can act


NASTY = '#import "@preview/cetz:0.3.0": *; #panic("x") $x^2$ *b* _c_ [d] <e> @f `g` \\ // /* "h" #read("/etc/passwd")'


def test_what_is_written_stays_text() -> None:
    piece = open_d(title=NASTY, notes=NASTY, cautions=(NASTY,), tables=open_d().tables)
    said = re.sub(r"[\s\N{ZERO WIDTH SPACE}]", "", text_of(sheet_pdf([piece])))
    assert said.count(re.sub(r"\s", "", NASTY)) == 3


def test_the_template_asks_for_nothing_from_elsewhere() -> None:
    template = (Path(bridge.sheet.__file__).parent / "page.typ").read_text(encoding="utf-8")
    assert not re.search(
        r"@\w|#?\b(?:import|include|read|plugin|eval|image|csv|yaml|toml|xml|datetime)\b", template
    )


def test_nothing_is_fetched() -> None:
    """All traffic of the process is sent to a port here: making sheets brings none, a package in a template does."""
    code = (
        "import sys; sys.path.insert(0, sys.argv[1])\n"
        "from support.sheets import open_d\n"
        "from bridge.sheet.letters import typesetter\n"
        "from bridge.sheet.paper import sheet_pdf, sheet_svg\n"
        "if sys.argv[2] == 'control':\n"
        "    try:\n"
        "        typesetter().compile(b'#import \"@preview/stillbeat-no-such:0.0.1\"', format='pdf')\n"
        "    except Exception: pass\n"
        "else:\n"
        f"    piece = open_d(title={NASTY!r})\n"
        "    sheet_pdf([piece]), sheet_svg([piece])\n"
    )
    for what, fetches in (("sheets", False), ("control", True)):
        with socket.create_server(("127.0.0.1", 0)) as server:
            server.settimeout(0)
            proxy = f"http://127.0.0.1:{server.getsockname()[1]}"
            names = ("HTTPS_PROXY", "HTTP_PROXY", "ALL_PROXY", "https_proxy", "http_proxy", "all_proxy")
            child = subprocess.Popen(
                [sys.executable, "-c", code, str(Path(__file__).parents[1]), what],
                env=dict.fromkeys(names, proxy),
            )
            try:
                if fetches:
                    server.settimeout(60)
                    server.accept()[0].close()
                else:
                    assert child.wait(60) == 0
                    with pytest.raises(BlockingIOError):
                        server.accept()
            finally:
                child.kill()
                child.wait()


# -- letters


def test_letters_that_there_are_not_are_known_beforehand() -> None:
    assert missing_letters("Żółw, Старый мост ♯♭♮ é ﬁ · × – … שלום") == ""
    # No Chinese letters come with the library, nor double sharps and flats.
    assert missing_letters("A 海辺海 B 𝄞") == "海辺𝄞"
    assert written("海 F𝄪 B𝄫") == "□ F♯♯ B♭♭"
    assert missing_letters("F𝄪 B𝄫 □") == ""
    assert written("-3.9 C-1 5-7 - (-2)") == "−3.9 C-1 5-7 - (−2)"
    assert written("a\u202eb\u200dc\td\ue000\x07") == "abc d□□"
    assert written("e\u0301 x\u0338\ufe0f") == "é x\u0338\ufe0f"


def test_a_letter_without_a_glyph_is_never_drawn_as_a_box_in_silence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(paper_module, "written", lambda text: text)
    with pytest.raises(MethodProblem, match=r"cannot be set on paper.*海"):
        sheet_pdf([open_d(title="海")])


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(st.text(max_size=40))
def test_every_title_can_be_set(title: str) -> None:
    """A PDF that can be read aloud refuses letters without a glyph: none is left after what stands for them."""
    piece = PieceSheet(title or "-", (TableSheet(_TABLE),))
    assert sheet_pdf([piece], paper="long").startswith(b"%PDF-")


_TABLE = build_table(spec(tonic="D"))


# -- pictures of pages


def test_svg_and_png_show_the_same_pages() -> None:
    pages = len(words_of(sheet_pdf([open_d()])))
    svgs, pngs = sheet_svg([open_d()], paper="a4"), sheet_png([open_d()], paper="a4", pixels_per_inch=72)
    assert len(svgs) == len(pngs) == pages
    for svg, png in zip(svgs, pngs, strict=True):
        root = ElementTree.fromstring(svg)
        size = [float(length) for length in root.attrib["viewBox"].split()]
        assert size == pytest.approx([0, 0, *PAPERS["a4"]], abs=0.01)
        assert not re.search(rb"""(?:href|src)=["'](?!#)""", svg)  # asks for nothing from elsewhere
        assert png.startswith(b"\x89PNG\r\n\x1a\n")
        wide, high = int.from_bytes(png[16:20], "big"), int.from_bytes(png[20:24], "big")
        assert (wide, high) == pytest.approx(PAPERS["a4"], abs=1)


def test_one_long_page_holds_everything() -> None:
    (svg,) = sheet_svg(ALL[:3], SESSION)
    (png,) = sheet_png(ALL[:3], SESSION, pixels_per_inch=36)
    _, _, wide, high = (float(length) for length in ElementTree.fromstring(svg).attrib["viewBox"].split())
    assert wide == pytest.approx(PAPERS["a4"][0], abs=0.01)
    assert high > 3 * PAPERS["a4"][1]
    assert int.from_bytes(png[20:24], "big") == pytest.approx(high / 2, abs=2)
    (words,) = words_of(sheet_pdf(ALL[:3], SESSION, "long"))
    assert {"Thursday", "Low", "Старый"} <= {word.text for word in words}
    assert all(word.bottom <= high for word in words)


def test_unknown_paper_and_missing_libraries(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ValueProblem, match=r"'a5' .*a4"):
        sheet_pdf([open_d()], paper="a5")
    monkeypatch.setitem(sys.modules, "jinja2", None)
    with pytest.raises(MethodProblem, match=r"jinja2.*pip install 'stillbeat\[sheets\]'"):
        needs.needed("jinja2")
