"""One table on paper and on a screen: notes, keyboard, neck, chords, how its guitar is tuned; for singer and violin."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction

from bridge.jobs.strings import plan_strings
from bridge.sheet.content.sheets import VOICES
from bridge.sheet.html import sheet_html
from bridge.sheet.paper import sheet_pdf, sheet_svg
from bridge.sheet.phrases import signed, tuner_words
from bridge.sheet.records import PieceSheet, SessionInfo, StringsSheet, TableSheet
from bridge.store.descriptions import load_guitar
from bridge.tuning.notes import note_name
from bridge.tuning.off_guitar import off_guitar
from bridge.tuning.reference import Reference
from bridge.tuning.spec import TableSpec
from bridge.tuning.strings.order import MAX_CAPO
from bridge.tuning.tables import Table, build_table


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


def drifted(reference: Reference, tonic: str, where: str, command: str) -> str:
    """Say what to do when the reference string sounds otherwise than paper has it; `where` is where to do it."""
    note = note_name(reference.key, tonic)
    example = round(reference.cents_from_equal - 5.0)
    return (
        f"This holds while a tuner shows {signed(reference.cents_from_equal)} cents for {note}. If it shows something "
        f"else, such as {signed(example, 0)}, make everything anew, {where}: stillbeat {command} --overwrite "
        f"--reference {note}{example:+.0f}c. It says what differs."
    )


def table_sheet(spec: TableSpec, title: str) -> PieceSheet:
    """Return the sheet of one table."""
    table = replace(build_table(spec), name=spec.name)
    cautions = []
    if said := off_guitar([("", table)]):
        cautions.append(f"{said[0].upper()}{said[1:]}.")
    if spec.fret and spec.guitar is not None:
        cautions.append(capo_check(spec))
    if spec.scale is not None:
        command = f"export {shlex.quote(title)}.table.toml -o ."
        cautions.append(drifted(spec.reference, spec.home, "in the folder of this sheet", command))
    return PieceSheet(
        title=title, tables=(TableSheet(table),), strings=strings_sheet(spec), cautions=tuple(cautions)
    )


def violin_hz(table: Table) -> Mapping[str, float]:
    """Return the open strings of a violin whose A is the table's, pure fifths apart, by note."""
    violin = load_guitar("violin")
    hz = violin.hz(float(table.hz[violin.reference_key]))
    return {violin.note_of(string.number): hz[string.number] for string in violin.strings}


def sheet_files(spec: TableSpec, stem: str) -> dict[str, bytes]:
    """Return ``STEM.sheet.pdf``, ``.html`` and ``.svg`` (one picture, as tall as it needs to be), and
    ``STEM.singer-violin.pdf`` and ``.html``.

    MethodProblem if the libraries for sheets are not installed, or refuse what is to be set.
    """
    pieces = (table_sheet(spec, stem),)
    (picture,) = sheet_svg(pieces)
    others = SessionInfo(stem, violin_hz=violin_hz(pieces[0].tables[0].table))
    return {
        f"{stem}.sheet.pdf": sheet_pdf(pieces),
        f"{stem}.sheet.html": sheet_html(pieces).encode("utf-8"),
        f"{stem}.sheet.svg": picture,
        f"{stem}.singer-violin.pdf": sheet_pdf(pieces, others, form=VOICES),
        f"{stem}.singer-violin.html": sheet_html(pieces, others, VOICES).encode("utf-8"),
    }
