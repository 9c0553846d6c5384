"""Where the electronics do not agree with the guitar: one sentence, the same at every door.

Conventions
-----------
A table disagrees where an open string as it is tuned, or the reference itself, lies more than `SILENT_CENTS` from the
table's note of that key. Strings that lie alike are said together; so are tables that disagree alike.
"""

from __future__ import annotations

from collections.abc import Iterable

from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.tables import Table

SILENT_CENTS = 2.0
"""Up to here nothing is said: about an equal fifth's distance from a pure one."""

OFF = "off the guitar: "
"""How the sentence begins."""

_WHAT_TO_DO = "leave it out, or --open-strings-win (in a session: open_strings_win = true)"
_OF_THE_REFERENCE = "leave it out, or name a reference that lies in the scale"


def off_guitar(tables: Iterable[tuple[str, Table]]) -> str:
    """Say where tables disagree with the guitar, and what to do; empty if they all agree.

    Each table comes with where it holds (``bar 17``; empty: everywhere).
    """
    places: dict[str, list[str]] = {}
    advice = _WHAT_TO_DO
    for place, table in tables:
        said, by_strings = _disagreeing(table)
        if said:
            places.setdefault(said, []).append(place)
            advice = _WHAT_TO_DO if by_strings else _OF_THE_REFERENCE
    if not places:
        return ""
    parts = []
    for said, where in places.items():
        named = list(dict.fromkeys(one for one in where if one))
        parts.append(f"{', '.join(named)}: {said}" if named else said)
    return f"{OFF}{'; '.join(parts)}; {advice}"


def _disagreeing(table: Table) -> tuple[str, bool]:
    """Say which strings lie off a table, else the reference; and whether it is strings."""
    groups: dict[str, list[tuple[int, str]]] = {}
    for string in table.strings:
        if abs(string.cents_from_table) > SILENT_CENTS:
            groups.setdefault(_distance(string.cents_from_table), []).append((string.number, string.note))
    if groups:
        return ", ".join(_strings(found, distance) for distance, found in groups.items()), True
    key, hz = table.sounding_reference
    cents = hz_to_cents(hz, float(table.hz[key]))
    if abs(cents) > SILENT_CENTS:
        return f"the reference {table.note(key)} {_distance(cents)} the table", False
    return "", False


def _strings(found: list[tuple[int, str]], distance: str) -> str:
    numbers = ", ".join(str(number) for number, _ in found)
    notes = ", ".join(note for _, note in found)
    return f"string{'s' if len(found) > 1 else ''} {numbers} ({notes}) {distance} the table"


def _distance(cents: float) -> str:
    return f"{abs(cents):.1f} cents {'above' if cents > 0 else 'below'}"
