"""What makes a table, described on the open strings: a `TableSpec`; `bridge.tuning.tables` makes frequencies of it.

Keys are MIDI keys 0 to 127 (C4 = 60), at fret 0. How home, tonic, open strings, overrides, fret and slide act on one
another is told in `bridge.tuning.tables`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from typing import TYPE_CHECKING

from bridge.errors import TuningProblem, ValueProblem
from bridge.tuning.frets import check_fret, check_slide, slide_semitones
from bridge.tuning.guitars import Guitar
from bridge.tuning.notes import A4_KEY, KEYS, key_to_hz, note_name, parse_pitch_class, parse_tonic
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.reference import MAX_CENTS, Reference
from bridge.tuning.scales import Interval, Scale, check_degree
from bridge.tuning.transposing import about_transposing

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

MIN_HZ, MAX_HZ = 1.0, 25000.0
"""Range of a key's override."""


@dataclass(frozen=True)
class TableSpec:
    """Everything that makes a table, described on the open strings.

    ValueProblem if a value is out of range; TuningProblem if a scale is missing, or open strings shall win
    without a guitar.
    """

    name: str
    scale: Scale | None  # None only for a literal table, whose `key_overrides` then name all 128 keys
    # Names of the home tonic and of the present tonic, without octave.
    home: str
    tonic: str
    reference: Reference  # frequency of one key at fret 0
    guitar: Guitar | None = None  # supplies the open strings
    fret: int = 0  # capo or barre, 0 to 24
    slide: Fraction = Fraction(1)  # ratio of a slide, 1/1 (none) to 4/1
    # The strings' keys and their octaves follow the guitar instead of the scale.
    open_strings_win: bool = False
    degree_changes: tuple[tuple[int, Interval], ...] = ()  # degrees replaced above the present tonic only
    # Degrees replaced in the piece's own scale: at home and above every tonic.
    home_degree_changes: tuple[tuple[int, Interval], ...] = ()
    key_overrides: tuple[tuple[int, float], ...] = ()  # MIDI keys and their frequency in Hz, at fret 0
    # The singer's key: semitones by which a piece is moved (tonic and fret say already where to), and whether its
    # shapes are kept by a capo (`bridge.tuning.transposing`).
    transposed: int = 0
    shapes_kept: bool = False

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

    @cached_property
    def home_class(self) -> int:
        """Pitch class of the home tonic, 0 to 11."""
        return parse_pitch_class(self.home)

    @cached_property
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

    @property
    def doubt(self) -> str:
        """What is to be asked or said of what was asked for: another note, octave or moment? a capo for the singer?"""
        return self.reference.doubt or self._with_the_capo_on() or about_transposing(self)

    def _with_the_capo_on(self) -> str:
        """Ask where the reference is no open string, but what one of them sounds with the capo on."""
        key = self.reference.key
        if self.guitar is None or not self.fret or key == A4_KEY:  # A4 is how tuners are calibrated
            return ""
        strings = {string.key for string in self.guitar.strings}
        if key in strings or key - self.fret not in strings:
            return ""
        text = self.reference.text(self.tonic)
        said = text.removesuffix(" Hz").replace(" ", "")
        return (
            f"{text} is taken for the open strings: does it sound with the capo on, at fret {self.fret}? "
            f'Then write --sounding {said} (in a session: sounding = "{said}") in the place of the reference'
        )

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


def merge_degrees(
    standing: Sequence[tuple[int, Interval]], changes: Sequence[tuple[int, Interval]]
) -> tuple[tuple[int, Interval], ...]:
    """Return changes of degrees with newer ones replacing older ones of the same degree, in order of degree."""
    return tuple(sorted({**dict(standing), **dict(changes)}.items(), key=lambda change: change[0]))


def literal_spec(
    name: str, hz: Sequence[float] | NDArray[np.float64], tonic: str = "C", guitar: Guitar | None = None
) -> TableSpec:
    """Describe 128 frequencies without a scale, such as a table that was read from a synth.

    The tonic spells its notes; the guitar's strings are compared with it. The reference becomes the guitar's
    reference string, else A4, else the nearest key to A4 that lies within 600 cents of equal temperament (A4
    = 440 Hz if there is none, as when every key is far off). TuningProblem if there are not 128 frequencies;
    ValueProblem if one is out of range.
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
