"""The letters of sheets on paper: which there are, and what stands for those that are missing.

They are those that come inside the library typst and no others, so that every machine breaks lines at the same places.
Where a letter is missing, the library draws a box and says nothing; so letters are tried beforehand.

Sources
-------
Unicode 15, chapter 3.12 (normalization) and annex 44 (general categories), as the standard library has them.
"""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

from bridge.sheet.needs import needed

UNKNOWN = "□"
"""Stands for a letter that is missing."""

_SPELT = {"\N{MUSICAL SYMBOL DOUBLE SHARP}": "♯♯", "\N{MUSICAL SYMBOL DOUBLE FLAT}": "♭♭"}
_NO_LETTER = "\uffff"  # never given to a letter, so that every font draws its box
_MINUS = re.compile(r"(?<![\w-])-(?=\d)")
_GLYPH = re.compile(rb'href="#(\w+)"')
_TRIED = b"""
#set document(date: none)
#set page(width: auto, height: auto)
#set text(font: ("Libertinus Serif", "DejaVu Sans Mono"))
#for one in json(bytes(sys.inputs.tried)) { page(one + strong(one)) }
"""


@cache
def typesetter() -> Any:
    """Return the compiler that makes all pages: with the letters inside it only, and no files but ours."""
    typst = needed("typst")
    return typst.Compiler(
        root=str(Path(__file__).parent),
        font_paths=typst.Fonts(include_system_fonts=False, include_embedded_fonts=True),
        ignore_system_fonts=True,
    )


def written(text: str) -> str:
    """Return a text as it stands on paper: letters that are missing lose their accents, or become boxes.

    A hyphen before a figure becomes a minus sign, which is seen from further away; double sharps and flats become two
    signs. What cannot be seen, such as marks that turn the direction of writing, is left out.
    """
    text = _MINUS.sub("\N{MINUS SIGN}", text)
    if text.isascii() and text.isprintable():
        return text
    clusters = _clusters(text)
    shown = _instead(clusters)
    return "".join(shown[one] for one in clusters)


def missing_letters(text: str) -> str:
    """Return the letters of a text that become boxes, each once, in order."""
    shown = _instead(_clusters(text))
    return "".join(one for one in shown if shown[one] == UNKNOWN != one)


def _clusters(text: str) -> list[str]:
    """Part a text into letters, each with the marks that stand over or under it."""
    found: list[str] = []
    for letter in unicodedata.normalize("NFC", text):
        if found and unicodedata.category(letter).startswith("M"):
            found[-1] += letter
        else:
            found.append(letter)
    return found


def _instead(clusters: Iterable[str]) -> dict[str, str]:
    """Return what is written for each letter."""
    forms = {one: _forms(one) for one in dict.fromkeys(clusters)}
    _try({form for tried in forms.values() for form in tried if not form.isascii()})
    return {
        one: next((form for form in tried if form.isascii() or _there[form]), UNKNOWN)
        for one, tried in forms.items()
    }


def _forms(cluster: str) -> tuple[str, ...]:
    """Return what may be written for a letter, the best first."""
    letter = cluster[0]
    if letter in _SPELT:
        return (_SPELT[letter],)
    if letter == "\N{NO-BREAK SPACE}":
        return (letter,)
    if letter.isspace():
        return (" ",)
    if unicodedata.category(letter) == "Cf":
        return ("",)
    forms = (cluster, letter, unicodedata.normalize("NFKD", letter)[0])
    return tuple(form for form in dict.fromkeys(forms) if form.isprintable())


_there: dict[str, bool] = {}
"""Whether there is a letter, plain and bold, for what has been tried."""


def _try(forms: Iterable[str]) -> None:
    """Learn which letters there are: a page is drawn for each, and compared with one that shows boxes."""
    new = sorted(set(forms) - _there.keys())
    if not new:
        return
    tried = json.dumps([_NO_LETTER, *new])
    boxes, *pages = typesetter().compile(_TRIED, format="svg", sys_inputs={"tried": tried})
    box = set(_GLYPH.findall(boxes))
    assert box, "the library shows no box for a letter that cannot be"
    for form, page in zip(new, pages, strict=True):
        _there[form] = not box & set(_GLYPH.findall(page))
