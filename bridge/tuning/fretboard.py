"""Where frets and table disagree: every string at every fret, the frets that suit a chord, the table for a barre.

Conventions
-----------
Frets are tempered: a string at fret n sounds its open pitch times 2^((n − m)/12), where m is the fret at which it
starts to sound (0, a capo, or the fret of a short string's own nut). A measured compensation in cents, what a string
frets sharp, may be added at any frets; between these it is interpolated, from 0 at the nut; beyond the last it stays.
`cents` is positive where the fretted note is sharper than the table's.

Index
-----
`fretboard` → `FretCell` · `frets_for_chord` → `ChordFrets` · `barre_fits` → `BarreFit`

Sources
-------
Frets in equal temperament, and that pressing a string stretches it sharp: common practice. Beats: see
`bridge.tuning.beats`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bridge.errors import TuningProblem, ValueProblem
from bridge.tuning.beats import PartialPair, main_pair
from bridge.tuning.frets import MAX_FRET, check_fret, fret_factor
from bridge.tuning.guitars import Guitar
from bridge.tuning.notes import note_name, pitch_class_name
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import Table, build_table

SAFE_CENTS = 5.0
"""A fretted note this near to the table goes well with it: a tempered fifth is 2 cents off, a tempered third 14."""

SUITS_CENTS = 3.0
"""A barre whose strings all lie this near to a table goes well with it."""

MAX_COMPENSATION_CENTS = 100.0


@dataclass(frozen=True)
class FretCell:
    """One string at one fret."""

    string: int
    # Counted from the nut, as drawn on the neck; of an open string, the fret at which it starts to sound.
    fret: int
    open: bool  # whether nothing is pressed (but a capo)
    hz: float  # what sounds
    # MIDI key of the table's nearest note, and its name.
    key: int
    note: str
    table_hz: float  # frequency of that note
    # The simplest partials of drone (first) and string that nearly coincide; None without a drone, or if
    # none do.
    drone: PartialPair | None

    @property
    def cents(self) -> float:
        """How far the string lies above the table's nearest note."""
        return hz_to_cents(self.hz, self.table_hz)

    @property
    def drone_beats_hz(self) -> float | None:
        """Beats per second against the drone; None where no partials are near each other."""
        return None if self.drone is None else self.drone.beats_hz


@dataclass(frozen=True)
class ChordFrets:
    """The places of a chord's notes on the neck."""

    safe: tuple[FretCell, ...]  # near enough to the table to go with a pure chord
    # Notes of the chord that lie too far off there: bend, use another string, or leave them out.
    doubtful: tuple[FretCell, ...]


@dataclass(frozen=True)
class BarreFit:
    """Which table goes with a barre at a fret."""

    fret: int  # the barre
    tonic: str  # tonic of the open strings' table as it sounds there
    # The largest distance of a barred string from the table as it is, from the table moved to that tonic
    # with its pitch from home, and from the table moved up with the barre.
    home_cents: float
    tonic_cents: float
    fret_cents: float

    @property
    def suits(self) -> str:
        """The least change that goes well: ``home``, ``tonic`` or ``fret``; else the one that is least off."""
        off = {"home": self.home_cents, "tonic": self.tonic_cents, "fret": self.fret_cents}
        return next(
            (name for name, cents in off.items() if cents <= SUITS_CENTS),
            min(off, key=lambda name: off[name]),
        )


def fretboard(
    table: Table,
    last_fret: int | None = None,
    *,
    drone_hz: float | None = None,
    compensation_cents: Mapping[int, Mapping[int, float]] | None = None,
    open_hz: Mapping[int, float] | None = None,
) -> tuple[FretCell, ...]:
    """Compare every string at every fret with a table.

    Parameters
    ----------
    table : Table
        A table with a guitar; its fret is a capo that stays on.
    last_fret : int, optional
        Highest fret shown; None: the instrument's last.
    drone_hz : float, optional
        A drone to beat against, such as the open reference string.
    compensation_cents : mapping of int to mapping of int to float, optional
        By string number and fret: how much sharper than its fret a pressed string was measured.
    open_hz : mapping of int to float, optional
        Measured frequencies of the strings, open or with the capo; the others sound as the guitar is tuned.

    Returns
    -------
    tuple of FretCell
        From the last string to the first, each from its open string upward.

    Raises
    ------
    TuningProblem
        If the table has no guitar or one without frets, or is moved by a slide.
    ValueProblem
        If a fret, string, frequency or compensation is out of range.
    """
    guitar = _fretted(table)
    last = min(guitar.frets, MAX_FRET) if last_fret is None else last_fret
    check_fret(last)
    sounding = {string.number: string.hz for string in table.strings}
    _check_strings(guitar, open_hz or {}, "frequency")
    _check_strings(guitar, compensation_cents or {}, "compensation")
    sounding.update(open_hz or {})
    log_hz = np.log2(table.hz)
    cells = []
    for string in guitar.strings:
        nut = max(table.fret, string.starts_at_fret)
        points = _points(string.number, nut, (compensation_cents or {}).get(string.number, {}))
        for fret in range(nut, max(last, nut) + 1):
            extra_cents = float(np.interp(fret, *points))
            hz = sounding[string.number] * fret_factor(fret - nut) * 2.0 ** (extra_cents / 1200.0)
            cells.append(_cell(table, log_hz, string.number, fret, fret == nut, hz, drone_hz))
    return tuple(cells)


def frets_for_chord(
    cells: Iterable[FretCell], keys: Collection[int], within_cents: float = SAFE_CENTS
) -> ChordFrets:
    """Sort the places of a chord's notes into safe, within so many cents, and doubtful.

    Keys may be pitch classes, and stand for all octaves; `bridge.tuning.chords.judged.Chord.keys` fits.
    """
    classes = {key % 12 for key in keys}
    belong = [cell for cell in cells if cell.key % 12 in classes]
    return ChordFrets(
        safe=tuple(cell for cell in belong if abs(cell.cents) <= within_cents),
        doubtful=tuple(cell for cell in belong if abs(cell.cents) > within_cents),
    )


def barre_fits(spec: TableSpec, last_fret: int = 12) -> tuple[BarreFit, ...]:
    """Find the table that goes with a barre at each fret up to `last_fret` (24 at most), the open strings (fret 0)
    first.

    A fret or slide of the spec's own is left aside. TuningProblem if there is no guitar or no scale;
    ValueProblem if the fret is out of range.
    """
    check_fret(last_fret)
    if spec.guitar is None or spec.scale is None:
        raise TuningProblem(
            f"table {spec.name!r} has no {'guitar' if spec.scale else 'scale'}", "a barre needs both"
        )
    home = replace(spec, fret=0, slide=type(spec.slide)(1))
    home_hz = build_table(home).hz
    fits = []
    for fret in range(last_fret + 1):
        barred = build_table(replace(home, fret=fret))
        tonic = home.tonic if fret % 12 == 0 else pitch_class_name(home.tonic_class + fret)
        moved = home if tonic == home.tonic else home.at_tonic(tonic)
        fits.append(
            BarreFit(
                fret=fret,
                tonic=tonic,
                home_cents=_worst_cents(barred, home_hz),
                tonic_cents=_worst_cents(barred, build_table(moved).hz),
                fret_cents=_worst_cents(barred, barred.hz),
            )
        )
    return tuple(fits)


def _fretted(table: Table) -> Guitar:
    """Return the table's guitar if it has frets that sound as they stand."""
    guitar = table.spec.guitar
    if guitar is None:
        raise TuningProblem(
            f"table {table.name!r} has no guitar", "name one, such as open-d, to see its frets"
        )
    if guitar.frets == 0:
        raise TuningProblem(
            f"{guitar.title} has no frets", "see where a slide stands for pure intervals instead"
        )
    if table.slide != 1:
        raise TuningProblem("frets do not sound under a slide", "leave the slide out to see the frets")
    return guitar


def _check_strings(guitar: Guitar, given: Mapping[int, object], what: str) -> None:
    for number in given:
        if not 1 <= number <= len(guitar.strings):
            raise ValueProblem(
                f"{what} of string {number}", f"{guitar.title} has strings 1 to {len(guitar.strings)}"
            )


def _points(number: int, nut: int, measured: Mapping[int, float]) -> tuple[list[int], list[float]]:
    """Return frets and cents between which a compensation is interpolated."""
    for fret, cents in measured.items():
        check_fret(fret)
        if not abs(cents) <= MAX_COMPENSATION_CENTS:
            raise ValueProblem(
                f"compensation of {cents:g} cents on string {number} at fret {fret}",
                f"at most {MAX_COMPENSATION_CENTS:g} either way; are these cents?",
            )
    frets = sorted({nut, *(fret for fret in measured if fret > nut)})
    return frets, [0.0 if fret == nut else measured[fret] for fret in frets]


def _cell(
    table: Table,
    log_hz: NDArray[np.float64],
    string: int,
    fret: int,
    is_open: bool,
    hz: float,
    drone_hz: float | None,
) -> FretCell:
    key = int(np.argmin(np.abs(log_hz - np.log2(hz))))
    return FretCell(
        string=string,
        fret=fret,
        open=is_open,
        hz=hz,
        key=key,
        note=note_name(key, table.tonic),
        table_hz=float(table.hz[key]),
        drone=None if drone_hz is None else main_pair(drone_hz, hz),
    )


def _worst_cents(barred: Table, table_hz: NDArray[np.float64]) -> float:
    """Return the largest distance of a barred string from a table's note of the same key."""
    return max(abs(hz_to_cents(string.hz, float(table_hz[string.key]))) for string in barred.strings)
