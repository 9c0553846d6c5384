"""A PDF file: objects, streams, pages and the fonts that it carries.

Conventions
-----------
Nothing in a file says when or where it was made: the same pages give the same bytes. Text is kept as text, so that it
can be searched and read aloud. Pages come as content streams, in which ``/F0`` is the plain and ``/F1`` the bold face.

Index
-----
`pdf_bytes`, `glyph_text`

Sources
-------
ISO 32000-1:2008 (PDF 1.7): 7.3 objects, 7.5 file structure, 9.7 composite fonts, 9.10 extraction of text.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence

from bridge.sheet.pdf_letters import Face

FACES = {False: "F0", True: "F1"}
"""Names of the faces in content streams, by whether they are bold."""

_LEVEL = 6
_PER_BLOCK = 100  # lines that a block of a character map may hold


def glyph_text(text: str, face: Face) -> str:
    """Write a text as a string of glyphs in hexadecimal, as a content stream has it."""
    return "<" + "".join(f"{face.glyphs[letter]:04X}" for letter in text) + ">"


def pdf_bytes(
    contents: Sequence[bytes], size_points: tuple[float, float], faces: Sequence[Face], title: str
) -> bytes:
    """Return a PDF.

    Parameters
    ----------
    contents : sequence of bytes
        Content stream of each page.
    size_points : tuple of float
        Width and height of every page, in points.
    faces : sequence of Face
        The plain and the bold face.
    title : str
        Title of the document.
    """
    file = _File()
    catalog, pages, info = file.reserve(), file.reserve(), file.reserve()
    fonts = [_font(file, face) for face in faces]
    named = " ".join(f"/F{index} {font} 0 R" for index, font in enumerate(fonts))
    resources = file.add(f"<< /Font << {named} >> >>")
    kids = []
    for content in contents:
        stream = file.add_stream(content)
        kids.append(
            file.add(
                f"<< /Type /Page /Parent {pages} 0 R /Contents {stream} 0 R /Resources {resources} 0 R >>"
            )
        )
    box = " ".join(_number(value) for value in (0.0, 0.0, *size_points))
    listed = " ".join(f"{kid} 0 R" for kid in kids)
    file.fill(pages, f"<< /Type /Pages /Count {len(kids)} /MediaBox [{box}] /Kids [{listed}] >>")
    view = "/ViewerPreferences << /DisplayDocTitle true >>"
    file.fill(catalog, f"<< /Type /Catalog /Pages {pages} 0 R /Lang (en) {view} >>")
    file.fill(info, f"<< /Title {_text(title)} /Creator (Stillbeat) >>")
    return file.finished(catalog, info)


class _File:
    """Objects in the order of their numbers."""

    def __init__(self) -> None:
        self._objects: list[bytes] = []

    def reserve(self) -> int:
        """Give a number to an object that is filled later."""
        self._objects.append(b"")
        return len(self._objects)

    def fill(self, number: int, body: str) -> None:
        self._objects[number - 1] = body.encode("latin-1")

    def add(self, body: str) -> int:
        number = self.reserve()
        self.fill(number, body)
        return number

    def add_stream(self, data: bytes, entries: str = "") -> int:
        number = self.reserve()
        packed = zlib.compress(data, _LEVEL)
        head = f"<< /Length {len(packed)} /Filter /FlateDecode{entries} >>\nstream\n".encode("latin-1")
        self._objects[number - 1] = head + packed + b"\nendstream"
        return number

    def finished(self, catalog: int, info: int) -> bytes:
        """Return the whole file, with the table of where each object stands."""
        parts = [b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n"]
        length = len(parts[0])
        places = []
        for number, body in enumerate(self._objects, 1):
            places.append(length)
            whole = b"%d 0 obj\n" % number + body + b"\nendobj\n"
            parts.append(whole)
            length += len(whole)
        parts.append(b"xref\n0 %d\n0000000000 65535 f \n" % (len(places) + 1))
        parts += [b"%010d 00000 n \n" % place for place in places]
        trailer = f"trailer\n<< /Size {len(places) + 1} /Root {catalog} 0 R /Info {info} 0 R >>\n"
        parts.append(trailer.encode("latin-1") + b"startxref\n%d\n%%%%EOF\n" % length)
        return b"".join(parts)


def _font(file: _File, face: Face) -> int:
    """Add a face as a composite font whose codes are glyphs; return its number."""
    program = file.add_stream(face.data, f" /Length1 {len(face.data)}")
    box = " ".join(_number(value) for value in face.box)
    descriptor = file.add(
        f"<< /Type /FontDescriptor /FontName /{face.name} /Flags 4 /FontBBox [{box}] /ItalicAngle 0 "
        f"/Ascent {_number(face.ascent)} /Descent {_number(face.descent)} /CapHeight {_number(face.cap_height)} "
        f"/StemV {160 if face.name.endswith('Bold') else 90} /FontFile2 {program} 0 R >>"
    )
    codes = sorted((glyph, letter) for letter, glyph in face.glyphs.items())
    widths = " ".join(f"{glyph} [{_number(face.widths[letter])}]" for glyph, letter in dict(codes).items())
    system = "/CIDSystemInfo << /Registry (Adobe) /Ordering (Identity) /Supplement 0 >>"
    descendant = file.add(
        f"<< /Type /Font /Subtype /CIDFontType2 /BaseFont /{face.name} {system} /FontDescriptor {descriptor} 0 R "
        f"/DW 600 /W [{widths}] /CIDToGIDMap /Identity >>"
    )
    unicode = file.add_stream(_character_map(codes))
    return file.add(
        f"<< /Type /Font /Subtype /Type0 /BaseFont /{face.name} /Encoding /Identity-H "
        f"/DescendantFonts [{descendant} 0 R] /ToUnicode {unicode} 0 R >>"
    )


def _character_map(codes: Sequence[tuple[int, str]]) -> bytes:
    """Say which letter each glyph stands for."""
    lines = [
        "/CIDInit /ProcSet findresource begin 12 dict begin begincmap",
        "/CIDSystemInfo << /Registry (Adobe) /Ordering (UCS) /Supplement 0 >> def",
        "/CMapName /Adobe-Identity-UCS def /CMapType 2 def",
        "1 begincodespacerange <0000> <FFFF> endcodespacerange",
    ]
    for start in range(0, len(codes), _PER_BLOCK):
        block = codes[start : start + _PER_BLOCK]
        lines.append(f"{len(block)} beginbfchar")
        lines += [f"<{glyph:04X}> <{letter.encode('utf-16-be').hex().upper()}>" for glyph, letter in block]
        lines.append("endbfchar")
    lines.append("endcmap CMapName currentdict /CMap defineresource pop end end")
    return "\n".join(lines).encode("ascii")


def _text(text: str) -> str:
    return f"<FEFF{text.encode('utf-16-be').hex().upper()}>"


def _number(value: float) -> str:
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
