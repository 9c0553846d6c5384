"""Tables: a description of a tuning becomes 128 frequencies.

Conventions
-----------
A `TableSpec` says what is wanted, in terms of the open strings; `TableSpec.build` makes the `Table`. Keys are
MIDI keys 0–127 (C4 = 60); frequencies are in Hz, as float64; ratios are exact and relative to the reference.

How a pitch comes about
-----------------------
1. *Home.* The home tonic, the scale (with `home_degree_changes`) and the reference make the home table. The
   reference key has exactly the reference's frequency.
2. *Tonic.* Another tonic takes its pitch from the home table, never from the table before, and the scale (with
   `home_degree_changes`, then `degree_changes`) stands on it. Home itself without `degree_changes` is the home
   table, bit for bit. At the home tonic `degree_changes` leave the tonic where it is; so they may move the
   reference note, if that is the degree which changes.
3. *Open strings.* With `open_strings_win` the keys of the guitar's strings follow the guitar, and their other
   octaves the nearest string (of two equally near, the lower). A tonic other than home that is a string's note
   then takes the string's pitch. The strings hang on the reference: it is the string whose key it is; if it is
   no string's key, the guitar's reference string has the pitch of its key in the home table.
4. *Overrides.* `key_overrides` in Hz replace single keys and touch nothing else. 128 of them without a scale
   are a literal table, such as one that was read from a synth.
5. *Fret and slide.* A capo or barre at fret n moves all of this: table_n[k] = table_0[k − n] · 2^(n/12), and
   beyond the ends the same formulas hold (a literal table repeats its outer octave). A slide is not tempered:
   it multiplies by its exact ratio and moves to the nearest key. Both may be combined. A string that starts at
   a later fret is only touched beyond that fret. `Table.ratios` are to the reference as fretted.

A ratio is turned into a number last: hz = reference.hz · float(ratio · slide) · 2^(n/12).

Index
-----
`TableSpec`, `Table`, `TableString`, `literal_spec`

Sources
-------
Derived from the definitions above; scales and guitars state their own sources.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from bridge.errors import TuningProblem, ValueProblem
from bridge.tuning.frets import check_fret, check_slide, fret_factor, slide_semitones
from bridge.tuning.notes import KEYS, key_to_hz, note_name, parse_pitch_class, parse_tonic
from bridge.tuning.pitches import OpenPitches, sound
from bridge.tuning.ratios import format_ratio, hz_to_cents
from bridge.tuning.reference import MAX_CENTS, Reference
from bridge.tuning.scales import DEGREES, EQUAL, Interval, Scale, check_degree

if TYPE_CHECKING:
    from bridge.tuning.guitars import Guitar, GuitarString

MIN_HZ, MAX_HZ = 1.0, 25000.0
"""Range of a key's override."""

_TONIC_NAMES = ("C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")


@dataclass(frozen=True)
class TableString:
    """An open (or barred) string as it sounds, beside the table.

    Attributes
    ----------
    number : int
        The guitarist's number, 1 the highest as written.
    key : int
        MIDI key nearest to its sound.
    note : str
        Name of that key, spelled by the table's tonic.
    hz : float
        Its frequency as the guitar is tuned.
    ratio : Fraction or None
        Exact ratio to the fretted reference, if there is one.
    cents_from_equal : float
        Distance from equal temperament at A4 = 440 Hz.
    cents_from_table : float
        Distance from the table's frequency of the same key.
    """

    number: int
    key: int
    note: str
    hz: float
    ratio: Fraction | None
    cents_from_equal: float
    cents_from_table: float


@dataclass(frozen=True, eq=False)
class Table:
    """128 frequencies, with the ratio and degree that each came from.

    Attributes
    ----------
    hz : ndarray, shape (128,), read-only
        Frequency of every MIDI key.
    degrees : tuple of str or None, length 128
        Degree above the tonic as it sounds; None in a literal table.
    ratios : tuple of Fraction or None, length 128
        Exact ratio to the reference as fretted; None where a key is tempered or overridden.
    name : str
        Name of the table.
    home, tonic : str
        Home tonic of the open strings, and the tonic as it sounds (moved by fret and slide).
    fret : int
        Capo or barre, 0 for none.
    slide : Fraction
        Ratio of a slide, 1 for none.
    reference : Reference
        The reference of the open strings.
    strings : tuple of TableString
        From the last string to the first; empty without a guitar.
    spec : TableSpec
        What the table was built from.
    """

    hz: NDArray[np.float64]
    degrees: tuple[str | None, ...]
    ratios: tuple[Fraction | None, ...]
    name: str
    home: str
    tonic: str
    fret: int
    slide: Fraction
    reference: Reference
    strings: tuple[TableString, ...]
    spec: TableSpec

    @cached_property
    def cents_from_equal(self) -> NDArray[np.float64]:
        """Distance of every key from equal temperament at A4 = 440 Hz, shape (128,), read-only."""
        equal_hz = np.array([key_to_hz(key) for key in range(KEYS)])
        cents = np.asarray(1200.0 * np.log2(self.hz / equal_hz), dtype=np.float64)
        cents.setflags(write=False)
        return cents

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


@dataclass(frozen=True)
class TableSpec:
    """Everything that makes a table, described on the open strings.

    Parameters
    ----------
    name : str
        Name of the table.
    scale : Scale or None
        None only for a literal table, whose `key_overrides` then name all 128 keys.
    home, tonic : str
        Names of the home tonic and of the present tonic, without octave.
    reference : Reference
        Frequency of one key at fret 0.
    guitar : Guitar, optional
        Supplies the open strings.
    fret : int
        Capo or barre, 0 to 24.
    slide : Fraction
        Ratio of a slide, 1/1 (none) to 4/1.
    open_strings_win : bool
        The strings' keys and their octaves follow the guitar instead of the scale.
    degree_changes : tuple of (int, Interval)
        Degrees replaced above the present tonic only.
    home_degree_changes : tuple of (int, Interval)
        Degrees replaced in the piece's own scale: at home and above every tonic.
    key_overrides : tuple of (int, float)
        MIDI keys and their frequency in Hz, at fret 0.

    Raises
    ------
    ValueProblem
        If a value is out of range.
    TuningProblem
        If a scale is missing, or open strings shall win without a guitar.
    """

    name: str
    scale: Scale | None
    home: str
    tonic: str
    reference: Reference
    guitar: Guitar | None = None
    fret: int = 0
    slide: Fraction = Fraction(1)
    open_strings_win: bool = False
    degree_changes: tuple[tuple[int, Interval], ...] = ()
    home_degree_changes: tuple[tuple[int, Interval], ...] = ()
    key_overrides: tuple[tuple[int, float], ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "home", parse_tonic(self.home))
        object.__setattr__(self, "tonic", parse_tonic(self.tonic))
        check_fret(self.fret)
        check_slide(self.slide)
        for index, interval in (*self.home_degree_changes, *self.degree_changes):
            check_degree(index, interval)
        self._check_overrides()
        if self.open_strings_win and self.guitar is None:
            raise TuningProblem("open strings cannot win without a guitar", "name a guitar, such as open-d")

    def _check_overrides(self) -> None:
        """Refuse keys and frequencies out of range, and an incomplete literal table."""
        for key, hz in self.key_overrides:
            name = note_name(key)
            if not MIN_HZ <= hz <= MAX_HZ:
                raise ValueProblem(
                    f"key {name} = {hz:g} Hz is out of range", f"{MIN_HZ:g} to {MAX_HZ:g} Hz; are these Hz?"
                )
        keys = {key for key, _ in self.key_overrides}
        if len(keys) < len(self.key_overrides):
            raise ValueProblem(f"table {self.name!r} gives a key twice", "one frequency for each key")
        if self.scale is not None:
            return
        if len(keys) < KEYS:
            raise TuningProblem(
                f"table {self.name!r} has no scale and only {len(keys)} keys",
                "name a scale, or give all 128 keys in Hz",
            )
        if self.degree_changes or self.home_degree_changes or self.tonic_class != self.home_class:
            raise TuningProblem(
                f"table {self.name!r} has 128 frequencies and no scale",
                "tonic and degrees cannot change without a scale; name one",
            )

    @property
    def home_class(self) -> int:
        """Pitch class of the home tonic, 0 to 11."""
        return parse_pitch_class(self.home)

    @property
    def tonic_class(self) -> int:
        """Pitch class of the present tonic on the open strings, 0 to 11."""
        return parse_pitch_class(self.tonic)

    @property
    def at_home(self) -> bool:
        """Whether the table is the home table: home tonic, no degree changed for the moment."""
        return self.tonic_class == self.home_class and not self.degree_changes

    @property
    def shift_semitones(self) -> int:
        """Keys by which fret and slide together move the table."""
        return self.fret + slide_semitones(self.slide)

    def with_degrees(self, changes: Sequence[tuple[int, Interval]]) -> TableSpec:
        """Return the spec with degrees replaced where the present tonic stands.

        At the home tonic they become part of the piece's own scale, and so of the home table; above another
        tonic they belong to that tonic alone.
        """
        if self.tonic_class == self.home_class:
            return replace(self, home_degree_changes=merge_degrees(self.home_degree_changes, changes))
        return replace(self, degree_changes=merge_degrees(self.degree_changes, changes))

    def with_keys(self, overrides: Sequence[tuple[int, float]]) -> TableSpec:
        """Return the spec with the frequencies of some keys replaced, in Hz at fret 0."""
        merged = {**dict(self.key_overrides), **dict(overrides)}
        return replace(self, key_overrides=tuple(sorted(merged.items())))

    def at_tonic(self, tonic: str) -> TableSpec:
        """Return the spec above another tonic: the piece's own scale, as it stands at home."""
        return replace(self, tonic=tonic, degree_changes=())

    def build(self) -> Table:
        """Make the table.

        Raises
        ------
        TuningProblem
            If fret and slide raise a string beyond the highest key.
        """
        return _build(self)

    def equal(self) -> Table:
        """Make the table of equal temperament through the same reference, with the same fret and slide.

        Only the intervals differ from `build`, not the pitch level. Strings stay as the guitar is tuned.
        """
        return replace(
            self,
            scale=EQUAL,
            open_strings_win=False,
            degree_changes=(),
            home_degree_changes=(),
            key_overrides=(),
        ).build()


def merge_degrees(
    standing: Sequence[tuple[int, Interval]], changes: Sequence[tuple[int, Interval]]
) -> tuple[tuple[int, Interval], ...]:
    """Return changes of degrees with newer ones replacing older ones of the same degree, in order of degree."""
    return tuple(sorted({**dict(standing), **dict(changes)}.items(), key=lambda change: change[0]))


def literal_spec(
    name: str, hz: Sequence[float] | NDArray[np.float64], tonic: str = "C", guitar: Guitar | None = None
) -> TableSpec:
    """Describe 128 frequencies without a scale, such as a table that was read from a synth.

    Parameters
    ----------
    name : str
        Name of the table.
    hz : sequence of 128 floats
        Frequency of every key.
    tonic : str
        Tonic for spelling notes.
    guitar : Guitar, optional
        Guitar whose strings are compared with the table.

    Raises
    ------
    TuningProblem
        If there are not 128 frequencies.
    ValueProblem
        If one is out of range.

    Notes
    -----
    The reference becomes the guitar's reference string, else A4, else the nearest key to A4 that lies within
    600 cents of equal temperament (A4 = 440 Hz if there is none, as when every key is far off).
    """
    if len(hz) != KEYS:
        raise TuningProblem(
            f"table {name!r} has {len(hz)} frequencies", "128 are needed, one for each MIDI key"
        )
    overrides = tuple((key, float(value)) for key, value in enumerate(hz))
    wanted = 69 if guitar is None else guitar.key_of(guitar.reference_string)
    reference = Reference(69, 440.0)
    for key in sorted(range(KEYS), key=lambda key: abs(key - wanted)):
        if overrides[key][1] > 0 and abs(hz_to_cents(overrides[key][1], key_to_hz(key))) <= MAX_CENTS:
            reference = Reference(key, overrides[key][1])
            break
    return TableSpec(name, None, tonic, tonic, reference, guitar, key_overrides=overrides)


def _build(spec: TableSpec) -> Table:
    """Move the pitches of the open instrument by fret and slide, and lay them out as a table."""
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
