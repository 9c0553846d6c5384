"""Tables: a description of a tuning becomes 128 frequencies.

Conventions
-----------
A `TableSpec` says what is wanted, in terms of the open strings; `build_table` makes the `Table`. Keys are MIDI
keys 0–127 (C4 = 60); frequencies are in Hz, as float64; ratios are exact and relative to the reference.

How a pitch comes about
-----------------------
1. *Home.* The home tonic, the scale (with `home_degree_changes`) and the reference make the home table. The
   reference key has exactly the reference's frequency. With a guitar that has an open string on the home tonic, tied
   to the reference by pure unisons, the scale hangs on that string instead: a cello is tuned from its A, but a table on
   C begins on its C string, and its A then lies a comma above the table. A temperament goes through the reference.
2. *Tonic.* Another tonic takes its pitch from the home table, never from the table before, and the scale (with
   `home_degree_changes`, then `degree_changes`) stands on it. Home itself without `degree_changes` is the home
   table, bit for bit. At the home tonic `degree_changes` leave the tonic where it is; so they may move the
   reference note, if that is the degree which changes. One tonic is an exception: a whole tone below home it stands
   at 16/9 above home, whatever pure seventh the scale has, for that is where a barre at fret 10 puts it (3.9 cents
   away; 9/5 would be 17.6). A tempered seventh stays.
3. *Open strings.* With `open_strings_win` the keys of the guitar's strings follow the guitar, and their other
   octaves the nearest string (of two equally near, the lower). A tonic other than home that is a string's note
   then takes the string's pitch. The strings hang on the reference: it is the string whose key it is; if it is
   no string's key, the open tonic string (else the guitar's reference string) has the pitch of its key in the home
   table.
4. *Overrides.* `key_overrides` in Hz replace single keys and touch nothing else. 128 of them without a scale
   are a literal table, such as one that was read from a synth.
5. *Fret and slide.* A capo or barre at fret n moves all of this: table_n[k] = table_0[k − n] · 2^(n/12), and
   beyond the ends the same formulas hold (a literal table repeats its outer octave). A slide is not tempered:
   it multiplies by its exact ratio and moves to the nearest key. Both may be combined. A string that starts at
   a later fret is only touched beyond that fret. `Table.ratios` are to the reference as fretted.

A ratio is turned into a number last: hz = reference.hz · float(ratio · slide) · 2^(n/12).

Sources
-------
Derived from the definitions above; scales and guitars state their own sources. 16/9 is two fourths of 4/3, less an
octave: 996.09 cents, against ten equal semitones.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from bridge.errors import TuningProblem
from bridge.tuning.frets import fret_factor
from bridge.tuning.guitars import GuitarString
from bridge.tuning.notes import KEYS, key_to_hz, note_name
from bridge.tuning.pitches import OpenPitches, sound
from bridge.tuning.ratios import format_ratio, hz_to_cents
from bridge.tuning.reference import Reference
from bridge.tuning.scales import DEGREES, EQUAL, Interval
from bridge.tuning.spec import TableSpec

_TONIC_NAMES = ("C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")


@dataclass(frozen=True)
class TableString:
    """An open (or barred) string as it sounds, beside the table."""

    number: int  # the guitarist's number, 1 the highest as written
    key: int  # MIDI key nearest to its sound
    note: str  # name of that key, spelled by the table's tonic
    hz: float  # its frequency as the guitar is tuned
    ratio: Fraction | None  # exact ratio to the fretted reference, if there is one
    cents_from_equal: float  # distance from equal temperament at A4 = 440 Hz
    cents_from_table: float  # distance from the table's frequency of the same key


@dataclass(frozen=True, eq=False)
class Table:
    """128 frequencies, with the ratio and degree that each came from."""

    hz: NDArray[np.float64]  # frequency of every MIDI key; shape (128,)
    degrees: tuple[str | None, ...]  # degree above the tonic as it sounds; None in a literal table
    # Exact ratio to the reference as fretted; None where a key is tempered or overridden.
    ratios: tuple[Fraction | None, ...]
    name: str
    # Home tonic of the open strings, and the tonic as it sounds (moved by fret and slide).
    home: str
    tonic: str
    fret: int  # capo or barre, 0 for none
    slide: Fraction  # ratio of a slide, 1 for none
    reference: Reference  # the reference of the open strings
    strings: tuple[TableString, ...]  # from the last string to the first; empty without a guitar
    spec: TableSpec  # what the table was built from

    @cached_property
    def cents_from_equal(self) -> NDArray[np.float64]:
        """Distance of every key from equal temperament at A4 = 440 Hz, shape (128,), read-only."""
        equal_hz = np.array([key_to_hz(key) for key in range(KEYS)])
        cents = np.asarray(1200.0 * np.log2(self.hz / equal_hz), dtype=np.float64)
        cents.setflags(write=False)
        return cents

    @cached_property
    def ratios_above_tonic(self) -> tuple[Fraction | None, ...]:
        """Exact ratio of every key to the tonic at or below it; None where one has none, or none is below."""
        tonic_class = (self.spec.tonic_class + self.shift_semitones) % 12
        bases = (key - (key - tonic_class) % 12 for key in range(KEYS))
        pairs = (
            (self.ratios[key], self.ratios[base] if base >= 0 else None) for key, base in enumerate(bases)
        )
        return tuple(None if one is None or base is None else one / base for one, base in pairs)

    @property
    def shift_semitones(self) -> int:
        """Keys by which fret and slide move the table."""
        return self.spec.shift_semitones

    @property
    def sounding_reference(self) -> tuple[int, float]:
        """Key and Hz of the reference as fretted; the key may lie beyond 127."""
        hz = self.reference.hz * float(self.slide) * fret_factor(self.fret)
        return self.reference.key + self.shift_semitones, hz

    def note(self, key: int) -> str:
        """Name a MIDI key, spelled by the tonic as it sounds."""
        return note_name(key, self.tonic)


@lru_cache(maxsize=256)
def build_table(spec: TableSpec) -> Table:
    """Make a table: move the pitches of the open instrument by fret and slide, and lay them out.

    Whoever asks for the same table again gets the same one: an evening, and its reading back, ask for each many times.
    TuningProblem if fret and slide raise a string beyond the highest key.
    """
    pitches = OpenPitches(spec)
    shift, raised = spec.shift_semitones, fret_factor(spec.fret)
    intervals = [pitches.interval(key - shift) for key in range(KEYS)]
    hz = np.array([pitches.hz(key - shift, spec.slide) * raised for key in range(KEYS)], dtype=np.float64)
    hz.setflags(write=False)
    tonic = spec.tonic if shift % 12 == 0 else _TONIC_NAMES[(spec.tonic_class + shift) % 12]
    degrees = tuple(
        None if spec.scale is None else DEGREES[(key - shift - spec.tonic_class) % 12] for key in range(KEYS)
    )
    strings = () if spec.guitar is None else spec.guitar.strings
    return Table(
        hz=hz,
        degrees=degrees,
        ratios=tuple(None if interval is None else interval.ratio for interval in intervals),
        name=spec.name,
        home=spec.home,
        tonic=tonic,
        fret=spec.fret,
        slide=spec.slide,
        reference=spec.reference,
        strings=tuple(
            _table_string(spec, string, pitches.strings[string.number], hz, tonic)
            for string in sorted(strings, key=lambda string: -string.number)
        ),
        spec=spec,
    )


def equal_table(spec: TableSpec) -> Table:
    """Make the table of equal temperament through the same reference, with the same fret and slide.

    Only the intervals differ from `build_table`, not the pitch level. Strings stay as the guitar is tuned.
    """
    return build_table(
        replace(
            spec,
            scale=EQUAL,
            open_strings_win=False,
            degree_changes=(),
            home_degree_changes=(),
            key_overrides=(),
        )
    )


def _table_string(
    spec: TableSpec, string: GuitarString, interval: Interval, hz: NDArray[np.float64], tonic: str
) -> TableString:
    """One string as it sounds under fret and slide; `interval` is the open string's to the reference."""
    late = string.starts_at_fret
    shift, ratio = spec.shift_semitones, interval.ratio
    sounding_hz = sound(spec.reference.hz, interval, spec.slide) * fret_factor(spec.fret)
    if late and (spec.fret or spec.slide != 1):
        raised = max(1.0, float(spec.slide) * fret_factor(spec.fret - late))
        sounding_hz = sound(spec.reference.hz, interval) * raised
        shift = shift - late if raised > 1.0 else 0
        ratio = None
    key = string.key + shift
    if key >= KEYS:
        raise TuningProblem(
            f"string {string.number} at fret {spec.fret}, slide {format_ratio(spec.slide)} sounds above G9",
            "G9 is the highest MIDI key; take a lower fret",
        )
    return TableString(
        number=string.number,
        key=key,
        note=note_name(key, tonic),
        hz=sounding_hz,
        ratio=ratio,
        cents_from_equal=hz_to_cents(sounding_hz, key_to_hz(key)),
        cents_from_table=hz_to_cents(sounding_hz, float(hz[key])),
    )
