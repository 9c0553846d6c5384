"""The fretboard of a table's guitar: what was asked for, worked out and as CSV.

The rules:

- The drone is the reference string as it sounds, unless a note or a frequency is named.
- A measured compensation is written ``STRING:FRET=CENTS``, a measured string ``STRING=HZ`` (with the capo on, if
  there is one).
- A chord is named as the table of chords names it: ``Em7``, or by its degree, ``ii7``.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from bridge.errors import TuningProblem, ValueProblem
from bridge.jobs.strings import parse_string
from bridge.sheet.neck import neck_picture
from bridge.sheet.shapes import Picture
from bridge.tuning.chords.judged import Chord, judge_named
from bridge.tuning.fretboard import SAFE_CENTS, FretCell, fretboard
from bridge.tuning.guitars import Guitar
from bridge.tuning.notes import note_name, parse_note
from bridge.tuning.ratios import ratio_to_cents
from bridge.tuning.reference import Reference
from bridge.tuning.scales import DEGREES
from bridge.tuning.spec import TableSpec
from bridge.tuning.strings.nodes import Place, slide_places
from bridge.tuning.tables import Table, build_table

NO_DRONE = "none"

_COMPENSATION = re.compile(
    r"(?P<string>[^:=]*):(?P<fret>\s*\d+\s*)=(?P<cents>\s*[+-]?\s*\d+(?:\.\d*)?)\s*(?:c|ct|cents?)?\s*",
    re.ASCII,
)
_CHORD = re.compile(r"(?P<root>[A-Ga-g][#♯b♭]?)(?P<rest>.*)", re.DOTALL)


@dataclass(frozen=True)
class SteadyNote:
    """A steady note to beat against."""

    name: str
    hz: float


@dataclass(frozen=True)
class FretStudy:
    """A fretboard worked out."""

    table: Table  # the table that the frets are compared with
    guitar: Guitar  # its guitar
    cells: tuple[FretCell, ...]  # from the last string to the first, each from its open string upward
    drone: SteadyNote | None  # what the beats are against

    def of_string(self, number: int) -> tuple[FretCell, ...]:
        """Return the cells of one string, from its open note upward."""
        return tuple(cell for cell in self.cells if cell.string == number)

    @property
    def safe_frets(self) -> tuple[int, ...]:
        """Frets at which every string that sounds there lies near the table."""
        by_fret: dict[int, list[bool]] = {}
        for cell in self.cells:
            by_fret.setdefault(cell.fret, []).append(abs(cell.cents) <= SAFE_CENTS)
        return tuple(sorted(fret for fret, safe in by_fret.items() if all(safe)))


def study_frets(
    spec: TableSpec,
    last_fret: int | None = None,
    *,
    drone: str | None = None,
    compensation: Sequence[str] = (),
    string_hz: Sequence[str] = (),
) -> FretStudy:
    """Work out a fretboard of a table with a guitar, whose fret is a capo.

    TuningProblem if the table has no guitar, or one without frets; ValueProblem if a text is malformed or a
    value out of range.

    Parameters
    ----------
    last_fret : int, optional
        Highest fret; None: the instrument's last.
    drone : str, optional
        ``D3``, ``D3=146.5`` or ``none``; None: the reference string.
    compensation : sequence of str
        What strings were measured to fret sharp: ``6:12=+7``.
    string_hz : sequence of str
        What strings were measured to sound: ``3=183.2``.
    """
    guitar = guitar_of(spec)
    if guitar.frets == 0:
        raise TuningProblem(f"{guitar.title} has no frets", "--slides tells where a slide or finger stands")
    table = build_table(spec)
    heard = parse_drone(drone, table)
    cells = fretboard(
        table,
        last_fret,
        drone_hz=None if heard is None else heard.hz,
        compensation_cents=parse_compensation(compensation, guitar),
        open_hz=parse_string_hz(string_hz, table, guitar),
    )
    return FretStudy(table, guitar, cells, heard)


def guitar_of(spec: TableSpec) -> Guitar:
    """Return the guitar of a table, or say that it has none."""
    if spec.guitar is None:
        raise TuningProblem(
            f"table {spec.name!r} has no guitar", "name one with --guitar, such as open-d, to see its frets"
        )
    return spec.guitar


def parse_drone(text: str | None, table: Table) -> SteadyNote | None:
    """Read a drone: a note of the table, a note at a frequency, or ``none``."""
    if text is None:
        key, hz = table.sounding_reference
        return SteadyNote(note_name(min(key, 127), table.tonic), hz)
    body = text.strip()
    if body.lower() == NO_DRONE:
        return None
    note, equals, value = body.partition("=")
    key = parse_note(note)
    name = note_name(key, table.tonic)
    if not equals:
        return SteadyNote(name, float(table.hz[key]))
    return SteadyNote(name, Reference(key, _hz(value, text)).hz)


def parse_compensation(texts: Iterable[str], guitar: Guitar) -> Mapping[int, Mapping[int, float]]:
    """Read what strings fret sharp: ``6:12=+7`` is string 6 at fret 12, seven cents."""
    found: dict[int, dict[int, float]] = {}
    for text in texts:
        match = _COMPENSATION.fullmatch(text)
        if match is None:
            raise ValueProblem(
                f"compensation {text!r}",
                "write string:fret=cents, such as 6:12=+7 where fret 12 is 7 cents sharp",
            )
        string = parse_string(match["string"], guitar, text)
        found.setdefault(string, {})[int(match["fret"])] = float(match["cents"].replace(" ", ""))
    return found


def parse_string_hz(texts: Iterable[str], table: Table, guitar: Guitar) -> Mapping[int, float]:
    """Read what strings were measured to sound, open or with the capo on: ``3=183.2``."""
    keys = {string.number: string.key for string in table.strings}
    found: dict[int, float] = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals:
            raise ValueProblem(f"measured string {text!r}", "write string=Hz, such as 3=183.2")
        string = parse_string(name, guitar, text)
        found[string] = Reference(keys[string], _hz(value, text)).hz
    return found


def _hz(value: str, text: str) -> float:
    try:
        hz = float(value.strip().removesuffix("Hz"))
    except ValueError:
        raise ValueProblem(
            f"{value.strip()!r} in {text!r} is no frequency", "Hz with a point, such as 146.5"
        ) from None
    if not math.isfinite(hz):
        raise ValueProblem(f"{value.strip()!r} in {text!r} is no frequency", "Hz with a point, such as 146.5")
    return hz


def find_chords(table: Table, names: Sequence[str]) -> tuple[Chord, ...]:
    """Find chords of a table by name (``Em7``) or degree (``ii7``), in the order named.

    ValueProblem if a name names no chord.
    """
    return judge_named(table, names)


def common_chords(table: Table) -> tuple[Chord, ...]:
    """Return the triads of the major scale on the tonic, from I to vii."""
    numerals = ("I", "ii", "iii", "IV", "V", "vi", "viidim")
    return find_chords(table, numerals)


def frets_csv(study: FretStudy) -> str:
    """Return a fretboard as CSV: a line of headings and a line for each string at each fret.

    Columns are
    ``string,fret,open,hz,key,note,table_hz,cents,safe,drone_beats_hz,drone_partial,string_partial``; cents
    and beats to four decimals, Hz with all the digits that a float64 needs; the last three are empty where
    nothing beats.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(
        (
            *("string", "fret", "open", "hz", "key", "note", "table_hz", "cents", "safe"),
            *("drone_beats_hz", "drone_partial", "string_partial"),
        )
    )
    for cell in study.cells:
        pair = cell.drone
        writer.writerow(
            (
                cell.string,
                cell.fret,
                "yes" if cell.open else "no",
                repr(cell.hz),
                cell.key,
                cell.note,
                repr(cell.table_hz),
                f"{cell.cents:.4f}",
                "yes" if abs(cell.cents) <= SAFE_CENTS else "no",
                "" if pair is None else f"{pair.beats_hz:.4f}",
                "" if pair is None else pair.partial,
                "" if pair is None else pair.other_partial,
            )
        )
    return text.getvalue()


@dataclass(frozen=True)
class Slide:
    """Where a slide stands for a pure interval."""

    ratio: Fraction  # the interval above the open string
    degree: str  # its degree above the open string's note
    place: Place  # where it lies
    cents_from_fret: float  # how far it sounds above the nearest fret


def slides_of(spec: TableSpec, scale_length_mm: float) -> tuple[Slide, ...]:
    """Return where a slide stands for each pure interval, above the open strings or the capo."""
    found = []
    for one in slide_places(scale_length_mm, nut_fret=spec.fret):
        interval_cents = ratio_to_cents(one.ratio)
        found.append(
            Slide(
                one.ratio,
                DEGREES[round(interval_cents / 100) % 12],
                one.place,
                100.0 * (one.place.frets - one.place.nearest_fret),
            )
        )
    return tuple(found)


def heading_of(study: FretStudy) -> str:
    """Say what a fretboard shows: guitar, reference, table."""
    table = study.table
    scale = table.spec.scale.title if table.spec.scale else "128 single pitches"
    key, hz = table.sounding_reference
    capo = f", capo at fret {table.fret}" if table.fret else ""
    return (
        f"{study.guitar.title}{capo}: frets against {scale} on {table.tonic}, "
        f"{note_name(min(key, 127), table.tonic)} = {hz:.3f} Hz"
    )


def neck_of(study: FretStudy, chord: Chord | None = None, scale_length_mm: float | None = None) -> Picture:
    """Draw a fretboard, or the notes of one chord on it."""
    subtitle = ""
    if chord is not None:
        notes = " ".join(note.rstrip("-0123456789") for note in chord.notes)
        subtitle = f"chord {chord.name} ({chord.numeral}): {notes}, {chord.verdict} in this table"
    return neck_picture(
        study.cells,
        heading_of(study),
        scale_length_mm=study.guitar.scale_length_mm if scale_length_mm is None else scale_length_mm,
        capo=study.table.fret,
        tonic=study.table.tonic,
        chord=None if chord is None else chord.keys,
        subtitle=subtitle,
    )
