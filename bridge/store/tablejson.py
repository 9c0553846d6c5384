"""Tables as JSON and CSV, for scripts and spreadsheets.

Conventions
-----------
The JSON form is a contract: its entries are only ever added to. Frequencies are in Hz. Ratios are texts such as
``"5/4"``, and their names say to what: ``ratio_to_reference`` to the reference as fretted, ``ratio_above_tonic`` to the
tonic at or below the note; ``ratio`` is the older name of the first, and stays in JSON. Notes are ASCII and spelled by
the tonic, cents against equal temperament at A4 = 440 Hz; what does not exist is null in JSON and an empty cell in CSV.
"""

from __future__ import annotations

import csv
import io
from fractions import Fraction
from typing import Any

from bridge.tuning.notes import KEYS, note_name
from bridge.tuning.ratios import format_ratio
from bridge.tuning.tables import Table

SCHEMA = 1


def table_to_json(table: Table) -> dict[str, Any]:
    """Return a table in its JSON form.

    It has ``schema`` (1); ``home``; ``tonic`` as it sounds; ``fret``; ``slide``, only if there is one;
    ``reference`` of the open strings (``note``, ``hz``); ``keys``, 128 of ``key``, ``note``, ``hz``,
    ``degree``, ``ratio``, ``ratio_to_reference``, ``ratio_above_tonic``, ``cents_from_equal``; ``strings``, only with a
    guitar, from the last to the first: ``string``, ``note``, ``hz``, ``ratio``, ``ratio_to_reference``,
    ``cents_from_equal``, ``cents_from_table``.
    """
    form: dict[str, Any] = {"schema": SCHEMA, "home": table.home, "tonic": table.tonic, "fret": table.fret}
    if table.slide != 1:
        form["slide"] = format_ratio(table.slide)
    form["reference"] = {"note": note_name(table.reference.key, table.home), "hz": float(table.reference.hz)}
    form["keys"] = [
        {
            "key": key,
            "note": table.note(key),
            "hz": float(table.hz[key]),
            "degree": table.degrees[key],
            "ratio": _ratio(table.ratios[key]),
            "ratio_to_reference": _ratio(table.ratios[key]),
            "ratio_above_tonic": _ratio(table.ratios_above_tonic[key]),
            "cents_from_equal": float(table.cents_from_equal[key]),
        }
        for key in range(KEYS)
    ]
    if table.strings:
        form["strings"] = [
            {
                "string": string.number,
                "note": string.note,
                "hz": string.hz,
                "ratio": _ratio(string.ratio),
                "ratio_to_reference": _ratio(string.ratio),
                "cents_from_equal": string.cents_from_equal,
                "cents_from_table": string.cents_from_table,
            }
            for string in table.strings
        ]
    return form


def table_to_csv(table: Table) -> str:
    """Return a table as CSV: a line of headings and a line for each of the 128 keys.

    Columns are ``key,note,hz,degree,ratio_to_reference,ratio_above_tonic,cents_from_equal``; Hz with all the digits
    that a float64 needs.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(
        ["key", "note", "hz", "degree", "ratio_to_reference", "ratio_above_tonic", "cents_from_equal"]
    )
    for key in range(KEYS):
        writer.writerow(
            [
                key,
                table.note(key),
                repr(float(table.hz[key])),
                table.degrees[key] or "",
                _ratio(table.ratios[key]) or "",
                _ratio(table.ratios_above_tonic[key]) or "",
                f"{table.cents_from_equal[key]:.6f}",
            ]
        )
    return text.getvalue()


def _ratio(ratio: Fraction | None) -> str | None:
    return None if ratio is None else format_ratio(ratio)
