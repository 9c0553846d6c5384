"""One table on paper and on a screen: its notes, keyboard, neck, chords, and how the guitar is tuned to it."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from bridge.jobs.strings import plan_strings
from bridge.sheet.html import sheet_html
from bridge.sheet.paper import sheet_pdf, sheet_svg
from bridge.sheet.phrases import tuner_words
from bridge.sheet.records import PieceSheet, StringsSheet, TableSheet
from bridge.tuning.off_guitar import off_guitar
from bridge.tuning.spec import TableSpec
from bridge.tuning.strings.order import MAX_CAPO
from bridge.tuning.tables import build_table


def capo_check(spec: TableSpec) -> str:
    """Say what two strings shall sound with the capo on: it pulls them sharp, and unevenly."""
    table = build_table(replace(spec, slide=Fraction(1)))
    assert spec.guitar is not None
    strings = {string.number: string for string in table.strings}
    first = spec.guitar.reference_string
    second = max(strings, key=lambda number: (abs(number - first), -number))
    said = " and ".join(
        f"string {number} {tuner_words(strings[number].hz, strings[number].note, strings[number].key)}"
        for number in (first, second)
    )
    return (
        f"The capo pulls the strings sharp, and unevenly. With it on, a tuner shall show {said}. Where one is off, set "
        "the capo nearer to the fret and press less; what is left, tune with the capo on."
    )


def strings_sheet(spec: TableSpec) -> StringsSheet | None:
    """Return how the guitar of a table is tuned; None without a guitar, or with a capo higher than any."""
    if spec.guitar is None or spec.fret > MAX_CAPO:
        return None
    found = plan_strings(spec)
    return StringsSheet(
        plan=found.plan,
        tension=found.tension if found.usual is not None else {},
        usual=found.usual.title if found.usual is not None else "",
        slack=found.slack,
    )


def table_sheet(spec: TableSpec, title: str) -> PieceSheet:
    """Return the sheet of one table."""
    table = replace(build_table(spec), name=spec.name)
    cautions = []
    if said := off_guitar([("", table)]):
        cautions.append(f"{said[0].upper()}{said[1:]}.")
    if spec.fret and spec.guitar is not None:
        cautions.append(capo_check(spec))
    return PieceSheet(
        title=title, tables=(TableSheet(table),), strings=strings_sheet(spec), cautions=tuple(cautions)
    )


def sheet_files(spec: TableSpec, stem: str) -> dict[str, bytes]:
    """Return ``STEM.sheet.pdf``, ``.html`` and ``.svg`` (one picture, as tall as it needs to be).

    MethodProblem if the libraries for sheets are not installed, or refuse what is to be set.
    """
    pieces = (table_sheet(spec, stem),)
    (picture,) = sheet_svg(pieces)
    return {
        f"{stem}.sheet.pdf": sheet_pdf(pieces),
        f"{stem}.sheet.html": sheet_html(pieces).encode("utf-8"),
        f"{stem}.sheet.svg": picture,
    }
