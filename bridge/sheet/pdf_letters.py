"""The letters of sheets as PDF: how wide they are, where lines break, and the part of a font that a file carries.

The letters are DejaVu Sans as it comes with matplotlib, so that every machine breaks lines at the same places. A file
carries only the letters that it needs; those that most sheets need go into all of them alike, for speed.

Index
-----
`Letters`, `letters` · `Face`, `faces`

Sources
-------
OpenType 1.9 (advance widths, character maps), as the library fontTools reads them.
"""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

from bridge.sheet.needs import needed
from bridge.sheet.phrases import glued

_FILES = {False: "DejaVuSans.ttf", True: "DejaVuSans-Bold.ttf"}
_USUAL = frozenset(chr(code) for code in range(0x20, 0x7F)) | frozenset("·×–—‘’“”…♯♭°äöüÄÖÜßéèêáàâçñåøæ□")
_UNKNOWN = "□"
_RIGHT_TO_LEFT = frozenset(("R", "AL"))  # letters that a line which runs to the right would turn round


class Letters:
    """The letters of a page, plain and bold."""

    def __init__(self) -> None:
        fonts = {bold: _font(bold) for bold in (False, True)}
        self._glyphs: dict[bool, Mapping[int, str]] = {
            bold: font.getBestCmap() for bold, font in fonts.items()
        }
        self._advances = {bold: font["hmtx"] for bold, font in fonts.items()}
        self._units = {bold: float(font["head"].unitsPerEm) for bold, font in fonts.items()}
        self._widths: dict[tuple[str, bool], float] = {}

    def width(self, text: str, size: float, bold: bool = False) -> float:
        """Return how wide a text is that `written` gave."""
        return size * sum(self._advance(letter, bold) for letter in text)

    def _advance(self, letter: str, bold: bool) -> float:
        known = self._widths.get((letter, bold))
        if known is None:
            known = self._advances[bold][self._glyphs[bold][ord(letter)]][0] / self._units[bold]
            self._widths[letter, bold] = known
        return known

    def written(self, text: str, bold: bool = False) -> str:
        """Return a text in letters that there are: others lose their accents, or become boxes."""
        if text.isascii() and text.isprintable():
            return text
        return "".join(self._letter(letter, bold) for letter in unicodedata.normalize("NFC", text))

    def _letter(self, letter: str, bold: bool) -> str:
        if letter.isspace():
            return " "
        if unicodedata.bidirectional(letter) not in _RIGHT_TO_LEFT:
            for one in (letter, unicodedata.normalize("NFKD", letter)[0]):
                if one.isprintable() and ord(one) in self._glyphs[bold]:
                    return one
        return _UNKNOWN

    def missing(self, text: str) -> str:
        """Return the letters of a text that become boxes, each once, in order."""
        usual = unicodedata.normalize("NFC", text)
        found = dict.fromkeys(letter for letter in usual if not letter.isascii())
        return "".join(
            letter
            for letter in found
            if letter != _UNKNOWN and _UNKNOWN in (self._letter(letter, False), self._letter(letter, True))
        )

    def lines(self, text: str, size: float, width_mm: float, bold: bool = False) -> list[str]:
        """Break a text between words into lines of a width; a word that is too long is broken itself."""
        lines: list[str] = []
        line = ""
        for word in (self.written(word, bold) for word in glued(text).split(" ")):
            longer = f"{line} {word}" if line else word
            if self.width(longer, size, bold) <= width_mm:
                line = longer
                continue
            if line:
                lines.append(line)
            line = word
            while len(line) > 1 and self.width(line, size, bold) > width_mm:
                fits = next(
                    count
                    for count in range(len(line) - 1, 0, -1)
                    if count == 1 or self.width(line[:count], size, bold) <= width_mm
                )
                lines.append(line[:fits])
                line = line[fits:]
        return [*lines, line] if line or not lines else lines


@cache
def letters() -> Letters:
    """Return the letters of all pages."""
    return Letters()


@dataclass(frozen=True)
class Face:
    """The part of a font that a file carries.

    Attributes
    ----------
    name : str
        As the file calls it.
    data : bytes
        A TrueType font.
    glyphs : mapping of str to int
        Number of the glyph of each letter.
    widths : mapping of str to float
        Width of each letter, in thousandths of its size.
    ascent, descent, cap_height : float
        In thousandths of the size; descent is negative.
    box : tuple of 4 float
        What holds every glyph: left, bottom, right, top.
    """

    name: str
    data: bytes
    glyphs: Mapping[str, int]
    widths: Mapping[str, float]
    ascent: float
    descent: float
    cap_height: float
    box: tuple[float, float, float, float]


def face(bold: bool, used: frozenset[str]) -> Face:
    """Return a face with the letters used, and with the usual ones."""
    return _face(bold, used | _USUAL)


@lru_cache(maxsize=32)
def _face(bold: bool, wanted: frozenset[str]) -> Face:
    subset = needed("fontTools.subset")
    options = subset.Options(
        drop_tables=["FFTM", "GSUB", "GPOS", "GDEF", "kern"],
        layout_features=[],
        hinting=False,
        notdef_outline=True,
        name_IDs=[6],
        glyph_names=False,
        legacy_kern=False,
    )
    font = _font(bold)
    maker = subset.Subsetter(options)
    maker.populate(unicodes=[ord(letter) for letter in sorted(wanted)])
    maker.subset(font)
    stream = io.BytesIO()
    font.save(stream, reorderTables=False)
    part = needed("fontTools.ttLib").TTFont(io.BytesIO(stream.getvalue()), recalcTimestamp=False)
    scale = 1000.0 / part["head"].unitsPerEm
    names = {chr(code): name for code, name in part.getBestCmap().items() if chr(code) in wanted}
    head, lines, os2 = part["head"], part["hhea"], part["OS/2"]
    return Face(
        name="STILLB+" + _FILES[bold].removesuffix(".ttf"),
        data=stream.getvalue(),
        glyphs={letter: part.getGlyphID(name) for letter, name in sorted(names.items())},
        widths={letter: part["hmtx"][name][0] * scale for letter, name in sorted(names.items())},
        ascent=lines.ascent * scale,
        descent=lines.descent * scale,
        cap_height=os2.sCapHeight * scale if os2.version >= 2 and os2.sCapHeight else 729.0,
        box=(head.xMin * scale, head.yMin * scale, head.xMax * scale, head.yMax * scale),
    )


def _font(bold: bool) -> Any:
    """Read a font; it says the time of its own making only."""
    folder = Path(needed("matplotlib").get_data_path()) / "fonts" / "ttf"
    return needed("fontTools.ttLib").TTFont(folder / _FILES[bold], recalcTimestamp=False)
