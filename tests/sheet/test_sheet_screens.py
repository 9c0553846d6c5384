"""Sheets in a browser: one file that asks for nothing, valid, fitting on a phone, a laptop, A4 and Letter."""

from __future__ import annotations

import re
import subprocess
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest
from support.needs import program, uses
from support.sheets import SESSION, neck, odd, open_d, seen, spec

from bridge.sheet.html import sheet_html
from bridge.sheet.keyboard import keyboard_picture
from bridge.sheet.shapes import picture_svg
from bridge.tuning.tables import build_table

ALL = (open_d(), *odd())


class Balance(HTMLParser):
    """Checks that every element that is opened is closed in its place."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        pass

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_a_page_is_balanced_and_asks_for_nothing() -> None:
    html = sheet_html(ALL, SESSION)
    balance = Balance()
    balance.feed(html)
    balance.close()
    assert balance.open == []
    assert seen(html).outside == []
    assert "url(" not in html
    assert "<script" not in html
    for svg in re.findall(r"<svg.*?</svg>", html, re.DOTALL):
        ElementTree.fromstring(svg)


def test_pages_have_no_colour() -> None:
    for colour in re.findall(r"[:\"]\s*(#[0-9a-fA-F]{3,6})\b", sheet_html(ALL, SESSION)):
        third = (len(colour) - 1) // 3
        assert colour[1 : 1 + third] == colour[1 + third : 1 + 2 * third] == colour[1 + 2 * third :], colour


def browse(*options: str) -> str:
    """Run a headless browser; return what it prints."""
    uses("browser")
    browser = program("chromium", "chromium-browser", "google-chrome")
    command = [browser, "--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", *options]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=180)
    return done.stdout


@pytest.mark.browser
@pytest.mark.parametrize("width", [360, 768, 1366])
def test_nothing_is_wider_than_the_screen(width: int, tmp_path: Path) -> None:
    """A frame as wide as the screen says how wide its page is, and which elements reach beyond it."""
    (tmp_path / "sheet.html").write_text(sheet_html(ALL, SESSION), encoding="utf-8")
    (tmp_path / "frame.html").write_text(
        f"""<!DOCTYPE html><iframe id="f" src="sheet.html" style="border:0;width:{width}px;height:900px"></iframe>
        <pre id="said"></pre><script>f.onload = () => {{
          const page = f.contentDocument, wide = [];
          for (const one of page.querySelectorAll("td, th"))
            if (one.scrollWidth > one.clientWidth + 1) wide.push("in a cell: " + one.textContent);
          for (const one of page.querySelectorAll("body *:not(svg *):not(figure.broad *)"))
            if (one.getBoundingClientRect().right > {width} + 0.5) wide.push(one.tagName + one.textContent);
          said.textContent = "width " + page.documentElement.scrollWidth + " " + wide.slice(0, 5).join(" | ");
        }}</script>""",
        encoding="utf-8",
    )
    profile = f"--user-data-dir={tmp_path / 'profile'}"
    found = browse(
        *("--allow-file-access-from-files", profile, f"--window-size={width + 100},1000"),
        *("--virtual-time-budget=5000", "--dump-dom", (tmp_path / "frame.html").as_uri()),
    )
    said = re.search(r'<pre id="said">(.*?)</pre>', found, re.DOTALL)
    assert said is not None
    assert said[1].strip() == f"width {width}"


PICTURES = [
    neck(guitar, fret)
    for guitar in ("open-d", "open-e", "banjo-open-g", "bass", "ukulele", "mandolin", "standard-comma-g-b")
    for fret in (0, 2, 7)
] + [
    keyboard_picture(build_table(spec(tonic=tonic, scale=scale)))
    for tonic, scale in (
        ("D", "five-limit"),
        ("Ab", "five-limit"),
        ("G#", "five-limit"),
        ("Bb", "seven-limit"),
    )
]


@pytest.mark.browser
def test_no_words_of_a_picture_are_cut_or_lie_over_others(tmp_path: Path) -> None:
    """The browser says where each word stands, in the picture's millimetres and in the wide letters of screens."""
    svgs = "".join(picture_svg(picture, alone=False, notes=False) for picture in PICTURES)
    (tmp_path / "pictures.html").write_text(
        f"""<!DOCTYPE html><meta charset="utf-8">{svgs}<pre id="said"></pre><script>
        const found = [];
        document.querySelectorAll("svg").forEach((svg, number) => {{
          const page = svg.viewBox.baseVal;
          const words = [...svg.querySelectorAll("text")].map((text) => {{
            const box = text.getBBox(), size = parseFloat(text.getAttribute("font-size"));
            const y = parseFloat(text.getAttribute("y"));
            return [text.textContent, box.x, y - 0.73 * size, box.x + box.width, y];
          }});
          words.forEach((one, index) => {{
            if (one[1] < 0 || one[2] < 0 || one[3] > page.width || one[4] > page.height)
              found.push([number, "cut", one]);
            for (const other of words.slice(index + 1)) {{
              const wide = Math.min(one[3], other[3]) - Math.max(one[1], other[1]);
              const high = Math.min(one[4], other[4]) - Math.max(one[2], other[2]);
              if (wide > 0.4 && high > 0.3) found.push([number, one, other]);
            }}
          }});
        }});
        said.textContent = "found " + JSON.stringify(found.slice(0, 6));
        </script>""",
        encoding="utf-8",
    )
    shown = browse(
        *(f"--user-data-dir={tmp_path / 'profile'}", "--virtual-time-budget=5000", "--dump-dom"),
        (tmp_path / "pictures.html").as_uri(),
    )
    said = re.search(r'<pre id="said">(.*?)</pre>', shown, re.DOTALL)
    assert said is not None
    assert said[1] == "found []"


@pytest.mark.browser
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_it_prints_on_both_papers(paper: str, tmp_path: Path) -> None:
    reader = program("pdftotext")
    html = sheet_html([open_d()], SESSION).replace("@page { margin", f"@page {{ size: {paper}; margin")
    (tmp_path / "sheet.html").write_text(html, encoding="utf-8")
    printed = tmp_path / "printed.pdf"
    browse(
        *(f"--user-data-dir={tmp_path / 'profile'}", "--no-pdf-header-footer", f"--print-to-pdf={printed}"),
        (tmp_path / "sheet.html").as_uri(),
    )
    text = subprocess.run([reader, "-layout", str(printed), "-"], capture_output=True, text=True, check=True)
    pages = text.stdout.split("\f")[:-1]
    assert 4 <= len(pages) <= 6
    assert "Thursday evening" in pages[0]
    assert "Low Water" in pages[0]  # the order
    assert [page.lstrip().startswith("1 Low Water") for page in pages].count(True) == 1  # its own page
    assert all(page.strip() for page in pages)
