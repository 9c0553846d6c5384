"""Guitars: strings, their reference string and the unisons of harmonics by which a player tunes them.

Conventions
-----------
Strings are numbered the guitarist's way, 1 the highest as written, and kept from the last to the first (6 to
1). Notes are as they sound (a guitar's sixth string is E2), middle C is C4. Every string hangs on the
reference string, by unisons of harmonics (exact ratios) or, where it is tempered, by equal temperament plus
some cents. "Guitar" stands for any instrument with strings that are tuned one to another.

A description
-------------
`guitar_from_mapping` reads what a TOML file holds::

    schema = 1
    name = "open-d"                    # as the file is called
    title = "Open D"
    source = "common practice"
    units = "notes as they sound, middle C = C4; scale length in mm"
    tonic = "D"                        # home unless the player names another
    reference_string = 4
    strings = [
      { number = 6, note = "D2" },
      { number = 5, note = "A2" },     # also: tempered = "equal" or "-2.0c" (cents from equal)
      ...                              # also: starts_at_fret = 5 (a banjo's short string)
    ]
    unisons = [
      "6 at 1/2 = 4 open",             # touched at half its length it sounds like string 4 open
      "5 at 1/4 = 4 at 1/3",
    ]
    # optional:
    tuned_from = "standard"            # what it is retuned from; "" if it is always tuned like this
    scale_length_mm = 650
    frets = 19                         # 0 for none: bowed instruments, a bar instead of frets
    caution = "..."                    # what must not be overlooked before tuning
    remarks = "..."                    # why the reference string, where a comma lies

Index
-----
`GuitarString`, `Unison`, `Guitar` · `guitar_from_mapping`, `guitar_to_mapping`
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from bridge.errors import InputProblem, StillbeatError, TuningProblem, ValueProblem, near_names
from bridge.tuning.frets import MAX_FRET
from bridge.tuning.notes import note_name, parse_note, parse_tonic
from bridge.tuning.scales import Interval
from bridge.tuning.unisons import Solved, Unison, solve_unisons

__all__ = ["Guitar", "GuitarString", "Unison", "guitar_from_mapping", "guitar_to_mapping"]

SCHEMA = 1
MAX_STRINGS = 24
MAX_FROM_WRITTEN_CENTS = 50.0
"""A string further than this from its written note is a mistake: it would be nearer to another note."""

_UNITS = "notes as they sound, middle C = C4; scale length in mm"
_CENTS = re.compile(r"([+-]?\d+(?:\.\d+)?)\s*c", re.ASCII)


@dataclass(frozen=True)
class GuitarString:
    """One string."""

    number: int  # the guitarist's number; 1 is the highest as written
    key: int  # MIDI key of the open string as it sounds
    starts_at_fret: int = 0  # fret beside which the string's own nut lies: 5 for the fifth string of a banjo
    # None: tuned by unisons. A number: set this far from equal temperament through the reference string.
    tempered_cents: float | None = None

    def __post_init__(self) -> None:
        if not 1 <= self.number <= MAX_STRINGS:
            raise ValueProblem(
                f"string number {self.number}", f"strings are numbered from 1 to {MAX_STRINGS}"
            )
        if not 0 <= self.key <= 127:
            raise ValueProblem(f"key {self.key} of string {self.number}", "MIDI keys run from 0 to 127")
        if not 0 <= self.starts_at_fret <= MAX_FRET:
            raise ValueProblem(
                f"string {self.number} starts at fret {self.starts_at_fret}",
                f"frets run from 0 to {MAX_FRET}",
            )
        if self.tempered_cents is not None and not abs(self.tempered_cents) <= MAX_FROM_WRITTEN_CENTS:
            raise ValueProblem(
                f"string {self.number} tempered by {self.tempered_cents:g} cents",
                f"at most {MAX_FROM_WRITTEN_CENTS:g} either way; further off it would be another note",
            )


@dataclass(frozen=True)
class Guitar:
    """A tuned instrument; solved and checked when it is made.

    TuningProblem if the strings are not numbered 1 to n once each, if unisons leave a string untied or
    contradict each other, or if a string ends more than 50 cents from its written note; ValueProblem if the
    tonic, the scale length or the number of frets is none.
    """

    name: str
    title: str
    tonic: str
    reference_string: int
    strings: tuple[GuitarString, ...]
    unisons: tuple[Unison, ...]
    source: str
    tuned_from: str = "standard"
    scale_length_mm: float = 650.0
    frets: int = 19
    caution: str = ""
    remarks: str = ""
    _solved: tuple[Solved, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "tonic", parse_tonic(self.tonic))
        if not 0 < self.scale_length_mm <= 3000:
            raise ValueProblem(
                f"scale length {self.scale_length_mm:g} mm",
                "nut to saddle, up to 3000 mm; a guitar has about 650",
            )
        if not 0 <= self.frets <= MAX_FRET:
            raise ValueProblem(f"{self.frets} frets", f"0 (none) to {MAX_FRET}")
        strings = tuple(sorted(self.strings, key=lambda string: -string.number))
        numbers = [string.number for string in strings]
        if not strings or numbers != list(range(len(strings), 0, -1)):
            raise TuningProblem(
                f"{self.name}: strings numbered {', '.join(map(str, numbers)) or 'none'}",
                "number them from 1, the highest, without gaps and each once",
            )
        object.__setattr__(self, "strings", strings)
        object.__setattr__(self, "unisons", tuple(self.unisons))
        object.__setattr__(self, "_solved", self._solve())

    def string(self, number: int) -> GuitarString:
        """Return a string by its number; ValueProblem if there is no such string."""
        if not 1 <= number <= len(self.strings):
            raise ValueProblem(f"string {number} of {self.title}", f"strings 1 to {len(self.strings)}")
        return self.strings[len(self.strings) - number]

    def key_of(self, number: int) -> int:
        """Return the MIDI key of an open string."""
        return self.string(number).key

    def note_of(self, number: int) -> str:
        """Return the written note of an open string, spelled by the tonic."""
        return note_name(self.key_of(number), self.tonic)

    @property
    def reference_key(self) -> int:
        """MIDI key of the reference string."""
        return self.key_of(self.reference_string)

    @property
    def intervals(self) -> Mapping[int, Interval]:
        """Interval of each string to the reference string, by string number, last to first."""
        return {
            string.number: Interval.of_ratio(solved.ratio)
            if solved.exact
            else Interval.of_cents(solved.cents)
            for string, solved in zip(self.strings, self._solved, strict=True)
        }

    def cents_from_equal(self, number: int) -> float:
        """Distance of a string from equal temperament through the reference string."""
        string = self.string(number)
        solved = self._solved[len(self.strings) - number]
        return solved.cents - 100.0 * (string.key - self.reference_key)

    def hz(self, reference_hz: float) -> dict[int, float]:
        """Return the frequencies of the open strings, by number, for a reference string at `reference_hz`."""
        return {number: reference_hz * interval.factor for number, interval in self.intervals.items()}

    def _solve(self) -> tuple[Solved, ...]:
        keys = {string.number: string.key for string in self.strings}
        if self.reference_string not in keys:
            raise TuningProblem(
                f"{self.name}: reference string {self.reference_string}", f"strings 1 to {len(self.strings)}"
            )
        reference_key = keys[self.reference_string]
        tempered = {
            string.number: 100.0 * (string.key - reference_key) + string.tempered_cents
            for string in self.strings
            if string.tempered_cents is not None
        }
        try:
            solved = solve_unisons(list(keys), self.reference_string, self.unisons, tempered)
        except TuningProblem as problem:
            raise TuningProblem(f"{self.name}: {problem.message}", problem.hint) from None
        for number, distance in solved.items():
            off_cents = distance.cents - 100.0 * (keys[number] - reference_key)
            if abs(off_cents) > MAX_FROM_WRITTEN_CENTS:
                raise TuningProblem(
                    f"{self.name}: string {number} comes out {off_cents:+.1f} cents from its written note "
                    f"{note_name(keys[number], self.tonic)}",
                    _off_hint(off_cents),
                )
        return tuple(solved.values())


def _off_hint(off_cents: float) -> str:
    """Guess the mistake behind a string that comes out far from its note."""
    octaves = round(off_cents / 1200)
    if octaves and abs(off_cents - 1200 * octaves) <= MAX_FROM_WRITTEN_CENTS:
        return (
            "it is out by whole octaves: check the note's octave (middle C is C4) or a partial twice too high"
        )
    return (
        f"at most {MAX_FROM_WRITTEN_CENTS:g} cents are allowed; "
        "check which string is touched where, the two may be swapped"
    )


def guitar_from_mapping(data: Mapping[str, Any], where: str) -> Guitar:
    """Make a guitar from what the module's docstring shows, as `tomllib` returns it; messages begin with `where`.

    InputProblem if an entry is missing, unknown or malformed, which the message names; TuningProblem if the
    entries are well formed but make no tuning (see `Guitar`).
    """
    entries = _Entries(data, where)
    if entries.whole("schema") != SCHEMA:
        raise InputProblem(
            f"{where}: schema {data['schema']}", f"this version reads schema {SCHEMA}; a newer one is needed"
        )
    entries.text("units")
    made: dict[str, Any] = {
        "name": entries.text("name"),
        "title": entries.text("title"),
        "source": entries.text("source"),
        "tonic": entries.text("tonic"),
        "reference_string": entries.whole("reference_string"),
        "strings": tuple(
            _string_from_mapping(item, f"{where}: strings, entry {index}")
            for index, item in enumerate(entries.items("strings"), 1)
        ),
        "unisons": tuple(
            _unison_from(item, f"{where}: unisons, entry {index}")
            for index, item in enumerate(entries.items("unisons", default=()), 1)
        ),
        "tuned_from": entries.text("tuned_from", default="standard"),
        "scale_length_mm": entries.number("scale_length_mm", default=650.0),
        "frets": entries.whole("frets", default=19),
        "caution": entries.text("caution", default=""),
        "remarks": entries.text("remarks", default=""),
    }
    entries.refuse_others()
    try:
        return Guitar(**made)
    except TuningProblem as problem:
        message = problem.message.removeprefix(f"{made['name']}: ")
        raise TuningProblem(f"{where}: {message}", problem.hint) from None
    except ValueProblem as problem:
        raise InputProblem(f"{where}: {problem.message}", problem.hint) from None


def guitar_to_mapping(guitar: Guitar) -> dict[str, Any]:
    """Return the description that `guitar_from_mapping` turns into the same guitar."""
    strings: list[dict[str, Any]] = []
    for string in guitar.strings:
        entry: dict[str, Any] = {"number": string.number, "note": note_name(string.key, guitar.tonic)}
        if string.starts_at_fret:
            entry["starts_at_fret"] = string.starts_at_fret
        if string.tempered_cents is not None:
            cents = string.tempered_cents
            entry["tempered"] = f"{Decimal(repr(cents)):+f}c" if cents else "equal"
        strings.append(entry)
    return {
        "schema": SCHEMA,
        "name": guitar.name,
        "title": guitar.title,
        "source": guitar.source,
        "units": _UNITS,
        "tonic": guitar.tonic,
        "reference_string": guitar.reference_string,
        "strings": strings,
        "unisons": [str(unison) for unison in guitar.unisons],
        "tuned_from": guitar.tuned_from,
        "scale_length_mm": guitar.scale_length_mm,
        "frets": guitar.frets,
        **{key: text for key in ("caution", "remarks") if (text := getattr(guitar, key))},
    }


class _Entries:
    """Typed access to a mapping; every refusal names the entry."""

    def __init__(self, data: Mapping[str, Any], where: str) -> None:
        if not isinstance(data, Mapping):
            raise InputProblem(
                f"{where}: {data!r} is not a set of entries", "write it as { entry = value, ... }"
            )
        self._data = data
        self._where = where
        self._known: list[str] = []

    def text(self, key: str, default: str | None = None) -> str:
        value = self._get(key, default)
        if not isinstance(value, str) or (default is None and not value.strip()):
            raise InputProblem(f"{self._where}: {key} = {value!r}", "a text between quotes is wanted")
        return value

    def whole(self, key: str, default: int | None = None) -> int:
        value = self._get(key, default)
        if not isinstance(value, int) or isinstance(value, bool):
            raise InputProblem(f"{self._where}: {key} = {value!r}", "a whole number is wanted")
        return value

    def number(self, key: str, default: float | None = None) -> float:
        value = self._get(key, default)
        if not isinstance(value, int | float) or isinstance(value, bool) or not math.isfinite(value):
            raise InputProblem(f"{self._where}: {key} = {value!r}", "a number is wanted")
        return float(value)

    def items(self, key: str, default: Sequence[Any] | None = None) -> Sequence[Any]:
        value = self._get(key, default)
        if not isinstance(value, list | tuple):
            raise InputProblem(f"{self._where}: {key} = {value!r}", "a list in square brackets is wanted")
        return value

    def refuse_others(self) -> None:
        for key in self._data:
            if key not in self._known:
                raise InputProblem(f"{self._where}: unknown entry {key!r}", near_names(str(key), self._known))

    def _get(self, key: str, default: Any) -> Any:
        self._known.append(key)
        if key not in self._data and default is None:
            raise InputProblem(f"{self._where}: entry {key!r} is missing", "every description needs it")
        return self._data.get(key, default)


def _string_from_mapping(item: Any, where: str) -> GuitarString:
    entries = _Entries(item, where)
    number = entries.whole("number")
    note = entries.text("note")
    starts_at_fret = entries.whole("starts_at_fret", default=0)
    tempered = entries.text("tempered", default="")
    entries.refuse_others()
    try:
        return GuitarString(number, parse_note(note), starts_at_fret, _parse_tempered(tempered))
    except StillbeatError as problem:
        raise InputProblem(f"{where}: {problem.message}", problem.hint) from None


def _parse_tempered(text: str) -> float | None:
    """Read ``"equal"`` or ``"-2.0c"``; the empty text is None."""
    if not text:
        return None
    if text.strip() == "equal":
        return 0.0
    match = _CENTS.fullmatch(text.strip())
    if match is None:
        raise ValueProblem(f"tempered = {text!r}", 'write "equal", or cents from equal like "-2.0c"')
    return float(match[1])


def _unison_from(item: Any, where: str) -> Unison:
    if not isinstance(item, str):
        raise InputProblem(f"{where}: {item!r} is not a text", 'write unisons like "5 at 1/4 = 4 at 1/3"')
    try:
        return Unison.parse(item)
    except StillbeatError as problem:
        raise InputProblem(f"{where}: {problem.message}", problem.hint) from None
