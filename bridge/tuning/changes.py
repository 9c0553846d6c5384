"""Changes inside a piece: how they are written, and what table they make.

How a change is written
-----------------------
``BAR[.BEAT]=`` and what changes, separated by commas. Bars and beats count from 1; a beat may have decimals.

============================  ==========================================================================
``17=A``                      tonic A: starts again from the piece's own scale
``17=A,b7=7/4``               tonic A, with this degree replaced besides
``5=,2=10/9``                 keeps the tonic and every degree as it stands, and replaces this one
``9.3=fret:5``                a barre at fret 5 from the third beat on; ``fret:0`` takes it away; so does ``capo:5``
``17=rehearsal``              another table, by name or as a file ``some.table.toml``
============================  ==========================================================================

What it makes
-------------
- A named tonic is laid on the piece's own scale, home and reference (`apply_change`'s `home`), whatever went
  before; it describes the open strings. Naming the home tonic therefore returns home, bit for bit.
- Without a tonic, tonic and degrees stay as they stand.
- ``fret:n`` sets the fret absolutely. Fret and slide stay until they are set again, whatever else changes.
- In a piece that is transposed, tonics, tables and frets are named as it is written (`bridge.tuning.transposing`).
- A table takes the place of everything; tonics named later start from the piece again, not from that table.

Index
-----
`Change`, `parse_at`, `parse_change`, `apply_change` · `Move`, `moves`, `moved_notes`
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from bridge.errors import StillbeatError, ValueProblem
from bridge.tuning.frets import check_fret
from bridge.tuning.notes import KEYS, note_name, parse_tonic
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.scales import DEGREES, Interval, parse_degree_change
from bridge.tuning.spec import TableSpec, merge_degrees
from bridge.tuning.tables import Table
from bridge.tuning.transposing import moved_tonic, transposed

AUDIBLE_CENTS = 0.05
"""Moves smaller than this are not worth saying: they would print as 0.0 cents, or nearly."""

_PLACE = re.compile(r"(?P<bar>\d{1,6})(?:\.(?P<beat>\d{1,4}(?:\.\d+)?))?", re.ASCII)
_FRET = re.compile(r"(?:fret|capo)\s*[:\s]\s*(?P<fret>-?\d{1,4})", re.ASCII | re.IGNORECASE)
_TONIC = re.compile(r"[A-Ha-h](?:[#♯b♭]{1,2}|is|es|s)?|[A-Za-z][#♯♭]?")
_TO_A_TONIC = re.compile(r"(?:^|[,;]\s*)(\d+=[A-G][#b♯♭]?)(?=\s*(?:[,;]|$))")
_HINT = "write the bar, = and what changes: 17=A, 5=,2=10/9, 9.3=fret:5 or 17=some.table.toml"


@dataclass(frozen=True)
class Change:
    """Something that changes at a bar."""

    bar: int  # bar, from 1
    beat: float = 1.0  # beat in the bar, from 1
    tonic: str | None = None  # new tonic of the open strings; None keeps it
    degrees: tuple[tuple[int, Interval], ...] = ()  # degrees (index 1 to 11) replaced above the tonic
    fret: int | None = None  # fret from there on; None keeps it
    table: str | None = None  # name or path of a table that takes the place of everything

    def __post_init__(self) -> None:
        if self.bar < 1:
            raise ValueProblem(f"bar {self.bar}", "bars count from 1; a pickup is bar 1")
        if not self.beat >= 1:
            raise ValueProblem(f"beat {self.beat:g} of bar {self.bar}", "beats count from 1")
        if self.tonic is not None and self.table is not None:
            raise ValueProblem(
                f"bar {self.bar} names a tonic ({self.tonic}) and a table ({self.table})",
                "a table has its own tonic; name one of them",
            )
        if self.fret is not None:
            check_fret(self.fret)

    @property
    def place(self) -> str:
        """Where it happens: ``bar 17`` or ``bar 9, beat 3``."""
        return f"bar {self.bar}" if self.beat == 1 else f"bar {self.bar}, beat {self.beat:g}"

    def describe(self, moved: int = 0, shapes_kept: bool = False) -> str:
        """What changes: ``tonic A, b7=7/4, fret 5``; moved for a singer ``tonic G (written A)``."""
        parts = [f"table {self.table}"] if self.table is not None else []
        if self.tonic is not None:
            sounding = moved_tonic(self.tonic, 0 if shapes_kept else moved)
            parts.append(f"tonic {sounding}" + (f" (written {self.tonic})" if sounding != self.tonic else ""))
        parts += [f"{DEGREES[index]}={interval}" for index, interval in self.degrees]
        if self.fret is not None:
            fret = self.fret + (moved if shapes_kept else 0)
            written = f" (written {self.fret})" if fret != self.fret else " (open)" if not fret else ""
            parts.append(f"fret {fret}{written}")
        return ", ".join(parts) or "nothing"


def parse_at(text: str) -> Change:
    """Read a change such as ``17=A``, ``5=,2=10/9``, ``9.3=fret:5`` or ``17=some.table.toml``.

    ValueProblem if the place or a part is malformed, or nothing changes.
    """
    place, equals, what = text.strip().partition("=")
    several = _TO_A_TONIC.findall(text.strip())
    if len(several) > 1:
        meant = " ".join(f"--at {one}" for one in several)
        raise ValueProblem(f"{text.strip()!r} is more than one change", f"write {meant}")
    if not equals:
        said = re.fullmatch(r"(\d+)\s*[:\s]\s*(\S+)", text.strip())
        meant = f"did you mean {said[1]}={said[2]}? " if said else ""
        raise ValueProblem(f"{text.strip()!r} is not a change at a bar", meant + _HINT)
    bar, beat = _parse_place(place.strip(), text.strip())
    try:
        change = parse_change(what)
    except NothingChanges:
        raise ValueProblem(f"{text.strip()!r} changes nothing", _HINT) from None
    except StillbeatError as problem:
        raise ValueProblem(f"in {text.strip()!r}: {problem.message}", problem.hint) from problem
    return replace(change, bar=bar, beat=beat)


class NothingChanges(ValueProblem):
    """A change was asked for, and nothing said what changes."""


def parse_change(what: str) -> Change:
    """Read what changes, without its place: ``A``, ``D,b7=7/4``, ``2=10/9,fret:5``, ``some.table.toml``.

    ValueProblem if a part is malformed or there twice; `NothingChanges` if there is none.

    Returns
    -------
    Change
        At the beginning of bar 1.
    """
    tonic: str | None = None
    table: str | None = None
    fret: int | None = None
    degrees: dict[int, Interval] = {}
    for item in (part.strip() for part in what.split(",")):
        if not item:
            continue
        fret_match = _FRET.fullmatch(item)
        if fret_match is not None:
            if fret is not None:
                raise ValueProblem("two frets", "name one")
            fret = int(fret_match["fret"])
            check_fret(fret)
        elif "=" in item:
            index, interval = parse_degree_change(item)
            if index in degrees:
                raise ValueProblem(f"degree {DEGREES[index]} is replaced twice", "name it once")
            degrees[index] = interval
        elif _TONIC.fullmatch(item):
            if tonic is not None:
                raise ValueProblem(f"two tonics, {tonic} and {item}", "name one")
            tonic = parse_tonic(item)
        else:
            _check_table_name(item)
            if table is not None:
                raise ValueProblem(f"two tables, {table} and {item}", "name one")
            table = item
    if tonic is None and table is None and fret is None and not degrees:
        raise NothingChanges("nothing changes", "name a tonic, degrees, a fret or a table")
    if tonic is not None and table is not None:
        raise ValueProblem(
            f"it names a tonic ({tonic}) and a table ({table})",
            "a table has its own tonic; name one of them",
        )
    named = tuple(sorted(degrees.items(), key=lambda change: change[0]))
    return Change(1, 1.0, tonic, named, fret, table)


def _parse_place(place: str, whole: str) -> tuple[int, float]:
    """Read ``BAR`` or ``BAR.BEAT``."""
    match = _PLACE.fullmatch(re.sub(r"^bar\s*", "", place, flags=re.IGNORECASE))
    if match is None:
        raise ValueProblem(f"{place!r} in {whole!r} is not a bar", f"bars and beats count from 1; {_HINT}")
    bar, beat = int(match["bar"]), float(match["beat"] or 1)
    if bar < 1:
        raise ValueProblem(f"bar {bar} in {whole!r}", "bars count from 1; a pickup is bar 1")
    if beat < 1:
        raise ValueProblem(f"beat {beat:g} in {whole!r}", "beats count from 1")
    return bar, beat


def _check_table_name(item: str) -> None:
    """Refuse what cannot be the name of a table and looks like something else."""
    if re.fullmatch(r"(capo|barre|barré)\s*[:\s]?\s*\d+", item, re.IGNORECASE):
        number = re.sub(r"\D", "", item)
        raise ValueProblem(f"{item!r} is not a change", f"write fret:{number}")
    if re.fullmatch(r"fret(\s*[:\s].*|\d+)", item, re.IGNORECASE):
        raise ValueProblem(f"{item!r} is not a fret", "write fret:5; frets run from 0 (open) to 24")
    if re.fullmatch(r"[A-Ga-g][#♯b♭]?\s*(m|min|minor|maj|major|dur|moll)", item):
        letter = item[:2] if item[1] in "#♯b♭" else item[:1]
        raise ValueProblem(
            f"{item!r} is not a tonic",
            f"a tonic is a note alone: {parse_tonic(letter)}; the scale serves major and minor",
        )


def apply_change(
    current: TableSpec, home: TableSpec, change: Change, named: TableSpec | None = None
) -> TableSpec:
    """Return the table that a change makes; the rules stand in the module's docstring.

    Parameters
    ----------
    current : TableSpec
        The table that holds before the change.
    home : TableSpec
        What the piece starts from: its own scale, home, reference and guitar.
    named : TableSpec, optional
        The table that `Change.table` names, loaded.

    Raises
    ------
    ValueProblem
        If the named table was not loaded.
    TuningProblem
        If a tonic or degree changes over a table without a scale.
    """
    if change.table is not None:
        if named is None:
            raise ValueProblem(f"table {change.table!r} is not loaded", "give the table beside the change")
        spec = transposed(named, home.transposed, home.shapes_kept)
    elif change.tonic is not None:
        moved = 0 if home.shapes_kept else home.transposed
        tonic = moved_tonic(change.tonic, moved)
        spec = replace(home.at_tonic(tonic), fret=current.fret, slide=current.slide)
    else:
        spec = current
    if change.degrees:
        spec = replace(spec, degree_changes=merge_degrees(spec.degree_changes, change.degrees))
    if change.fret is not None:
        spec = replace(spec, fret=change.fret + (home.transposed if home.shapes_kept else 0))
    return spec


@dataclass(frozen=True)
class Move:
    """How far one table moves a note that another holds."""

    what: str  # ``reference``, ``string 5``, or both: ``reference, string 4``
    key: int  # MIDI key of the note in the first table
    note: str
    # How far it moves up (negative: down), apart from what fret and slide do to the strings themselves.
    cents: float

    def __str__(self) -> str:
        return f"{self.what} ({self.note}) {self.cents:+.1f} cents"


def moves(before: Table, after: Table) -> tuple[Move, ...]:
    """Compare two tables at the reference note and at every string.

    Returns
    -------
    tuple of Move
        The reference first, then strings from the last to the first; only what moves by 0.05 cents or more.

    Notes
    -----
    A barre moves strings and table together, which is no move. Where the tables have different guitars or
    reference notes, the keys of `before` are compared as they are.
    """
    old_key, old_hz = before.sounding_reference
    places = [("reference", old_key, old_key, 1.0)]
    if before.spec.guitar == after.spec.guitar and before.reference.key == after.reference.key:
        # What a fret does to a string is no move; another frequency of the reference is one.
        level = before.reference.hz / after.reference.hz
        new_key, new_hz = after.sounding_reference
        places = [("reference", old_key, new_key, level * new_hz / old_hz)]
        for old, new in zip(before.strings, after.strings, strict=True):
            places.append((f"string {old.number}", old.key, new.key, level * new.hz / old.hz))
    else:
        places += [(f"string {old.number}", old.key, old.key, 1.0) for old in before.strings]
    found: dict[int, Move] = {}
    for what, old_key, new_key, fretting in places:
        if max(old_key, new_key) >= KEYS:
            continue
        cents = hz_to_cents(float(after.hz[new_key]), float(before.hz[old_key]) * fretting)
        if abs(cents) < AUDIBLE_CENTS:
            continue
        if old_key in found:
            found[old_key] = replace(found[old_key], what=f"{found[old_key].what}, {what}")
        else:
            found[old_key] = Move(what, old_key, note_name(old_key, before.tonic), cents)
    return tuple(found.values())


def moved_notes(before: Table, after: Table) -> tuple[str, ...]:
    """Say how far a new table moves the reference note and the strings, a phrase for each.

    Returns
    -------
    tuple of str
        Such as ``"string 5 (A2) -21.5 cents"``; empty if nothing moves (see `moves`).
    """
    return tuple(str(move) for move in moves(before, after))
