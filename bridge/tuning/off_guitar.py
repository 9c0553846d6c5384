"""Where the electronics do not agree with the guitar: one sentence, the same at every door.

Conventions
-----------
A table disagrees where an open string as it is tuned, or the reference itself, lies more than `SILENT_CENTS` from the
table's note of that key. Strings that lie alike are said together; so are tables that disagree alike.
"""

from __future__ import annotations

from collections.abc import Iterable

from bridge.tuning.chords.cures import Cure
from bridge.tuning.chords.judged import costs_of
from bridge.tuning.notes import parse_pitch_class
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.scales import Interval
from bridge.tuning.tables import Table

SILENT_CENTS = 2.0
"""Up to here nothing is said: about an equal fifth's distance from a pure one."""

OFF = "off the guitar: "
"""How the sentence begins."""

_OPEN_STRINGS_WIN = "--open-strings-win (in a session: open_strings_win = true)"
_OF_THE_REFERENCE = "leave it out, or name a reference that lies in the scale"


def off_guitar(tables: Iterable[tuple[str, Table]]) -> str:
    """Say where tables disagree with the guitar, and what to do; empty if they all agree.

    Each table comes with where it holds (``bar 17``; empty: everywhere).
    """
    places: dict[str, list[str]] = {}
    advice, price = "", ""
    for place, table in tables:
        said, strings = _disagreeing(table)
        if said:
            places.setdefault(said, []).append(place)
            advice = f"leave {'it' if strings == 1 else 'them'} out, or {_OPEN_STRINGS_WIN}"
            price = as_degree(table)
            if not strings:
                advice, price = _OF_THE_REFERENCE, ""
    if not places:
        return ""
    if price and len(places) == 1:
        advice = f"{advice}, which is {price}"
    parts = []
    for said, where in places.items():
        named = list(dict.fromkeys(one for one in where if one))
        parts.append(f"{', '.join(named)}: {said}" if named else said)
    return f"{OFF}{'; '.join(parts)}; {advice}"


def as_degree(table: Table) -> str:
    """Say which one degree, changed, lays the table on its strings, and which triads that costs; empty if none does.

    ``6=27/16 and costs IV, vi``: in open D with the tonic C the strings' A is 3/2 of D, which is 9/8 of C.
    """
    off = [one for one in table.strings if abs(one.cents_from_table) > SILENT_CENTS]
    tonic = parse_pitch_class(table.tonic)
    degrees = {(one.key - tonic) % 12 for one in off}
    if len(degrees) != 1 or 0 in degrees:
        return ""
    string, (degree,) = off[0], degrees
    base = table.ratios[string.key - degree] if string.key >= degree else None
    if string.ratio is None or base is None:
        return ""
    change = Cure(degree, Interval.of_ratio(string.ratio / base))
    costs = costs_of(table.hz, tonic, (change,))
    return f"{change} and costs {', '.join(costs)}" if costs else str(change)


def _disagreeing(table: Table) -> tuple[str, int]:
    """Say which strings lie off a table, else the reference; and how many strings it is."""
    groups: dict[str, list[tuple[int, str]]] = {}
    for string in table.strings:
        if abs(string.cents_from_table) > SILENT_CENTS:
            groups.setdefault(_distance(string.cents_from_table), []).append((string.number, string.note))
    if groups:
        return ", ".join(_strings(found, distance) for distance, found in groups.items()), sum(
            map(len, groups.values())
        )
    key, hz = table.sounding_reference
    cents = hz_to_cents(hz, float(table.hz[key]))
    if abs(cents) > SILENT_CENTS:
        return f"the reference {table.note(key)} {_distance(cents)} the table", 0
    return "", 0


def _strings(found: list[tuple[int, str]], distance: str) -> str:
    numbers = ", ".join(str(number) for number, _ in found)
    notes = ", ".join(note for _, note in found)
    return f"string{'s' if len(found) > 1 else ''} {numbers} ({notes}) {distance} the table"


def _distance(cents: float) -> str:
    return f"{abs(cents):.1f} cents {'above' if cents > 0 else 'below'}"
