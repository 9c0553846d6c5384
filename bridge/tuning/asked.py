"""A table from words: the one place where what a person says about a table is read, and laid over what stands.

Every door uses it: the commands, session files, `play`, a drone, Python. It reads no files; a `Shelf`, which is handed
in, finds what has a name.

The rules
---------
- A named table is where it starts; everything else that was asked for is laid over it. Without one, a new table starts
  on the guitar, or on the tonic.
- *Home* is what was asked for, else the tonic of the guitar that was asked for, else what stands, else the tonic.
- A *tonic* starts from the piece's own scale: what a named table replaced above its own tonic does not follow it
  (`TableSpec.at_tonic`). A guitar or a home brings its tonic with it; where that is the one that stands already, the
  replaced degrees stay.
- *Degrees* are replaced above the tonic that then stands (`TableSpec.with_degrees`).
- The *reference* is what was asked for, else what stands, else the guitar's reference string (without a guitar the
  tonic nearest middle C) in equal temperament at A4 = 440 Hz. A table of 128 frequencies has a pitch of its own, which
  a standing reference does not change.
- *Fret* and *slide* replace those of a named table; so does whether open strings win. A *capo* is a fret. *Pins* come
  last.
- *Transposed* is the piece, last of all: its tonic moves, or where the shapes are kept its capo
  (`bridge.tuning.transposing`).
- What is *sounding* is what a tuner shows with the capo on: it takes the place of the reference, which describes the
  open strings, and lies so many equal semitones above it as the capo. A slide has no part in it.

What *stands* is what a door says for several tables at once, such as the top of a session file. Its guitar and scale
hold for new tables only, its home and its reference as told above.

Index
-----
`TableWords`, `Shelf`, `read_words` words become values · `Asked`, `make_spec` values become a table · `parse_pin`,
`parse_key` single words
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Protocol, TypeVar

from bridge.errors import ValueProblem
from bridge.tuning.frets import check_fret, check_slide, fret_factor
from bridge.tuning.guitars import Guitar
from bridge.tuning.notes import KEYS, note_name, parse_note, parse_pitch_class, parse_tonic
from bridge.tuning.ratios import parse_ratio
from bridge.tuning.reference import Reference, default_reference, parse_hz, parse_reference
from bridge.tuning.scales import DEGREES, Interval, Scale, parse_degree_change
from bridge.tuning.spec import MAX_HZ, MIN_HZ, TableSpec
from bridge.tuning.transposing import check_semitones, transposed

DEFAULT_SCALE = "five-limit"

_T = TypeVar("_T")


@dataclass(frozen=True)
class TableWords:
    """A table in the words of the person who asks for it; None where nothing was said."""

    table: str | None = None  # name or path of a table
    # Names or paths.
    guitar: str | None = None
    scale: str | None = None
    # Note names without octave.
    tonic: str | None = None
    home: str | None = None
    reference: str | None = None  # such as ``D3=146.5``, ``A4=438``, ``D3-7c`` or ``D3-7c@442``
    fret: int | None = None  # barre or capo
    capo: int | None = None  # the same by its other name
    # What sounds with the capo on, written as a reference (``E3=164.9``, ``E3-7c``), or the bare frequency of the
    # guitar's reference string (``164.9``).
    sounding: str | None = None
    slide: str | None = None  # a ratio such as ``4/3``
    degrees: tuple[str, ...] = ()  # changes such as ``b7=7/4``
    pins: tuple[str, ...] = ()  # single notes held at a frequency, such as ``F#3=183.1`` (hertz)
    open_strings_win: bool | None = None  # whether the strings' keys and their octaves follow the guitar
    transpose: int | None = None  # semitones by which the piece is moved for a singer
    keep_shapes: bool | None = None  # whether the capo moves for it, and not the tonic


class NoTonic(ValueProblem):
    """Nothing says which note the scale is built on; a door may say better how to name one there."""


class Shelf(Protocol):
    """Finds what has a name, or lies in a file; raises a `StillbeatError` where there is no such thing."""

    def guitar(self, name: str) -> Guitar: ...

    def scale(self, name: str) -> Scale: ...

    def table(self, name: str) -> TableSpec: ...


@dataclass(frozen=True)
class Asked:
    """What was asked for, read: each field as in `TableWords`, as a value; a capo is a fret.

    `sounding` is a note with its frequency, or a frequency alone.
    """

    table: TableSpec | None = None
    guitar: Guitar | None = None
    scale: Scale | None = None
    tonic: str | None = None
    home: str | None = None
    reference: Reference | None = None
    fret: int | None = None
    sounding: Reference | float | None = None
    slide: Fraction | None = None
    degrees: tuple[tuple[int, Interval], ...] = ()
    pins: tuple[tuple[int, float], ...] = ()
    open_strings_win: bool | None = None
    transpose: int | None = None
    keep_shapes: bool | None = None


def _anywhere(word: str, item: str) -> AbstractContextManager[object]:
    return nullcontext()


def read_words(
    words: TableWords,
    shelf: Shelf,
    at: Callable[[str, str], AbstractContextManager[object]] = _anywhere,
) -> Asked:
    """Read what was asked for.

    StillbeatError if a word is malformed or out of range, something is named twice, or nothing has that name.

    Parameters
    ----------
    shelf : Shelf
        Finds what is named.
    at : callable, optional
        Entered around the reading of every word, with the name of the field and, in a list, of the item (``degrees``,
        ``b7``): a door that knows where a word stands can say so in the error.
    """

    def read(word: str, text: str | None, parse: Callable[[str], _T]) -> _T | None:
        if text is None:
            return None
        with at(word, ""):
            return parse(text)

    for word, fret in (("fret", words.fret), ("capo", words.capo)):
        if fret is not None:
            with at(word, ""):
                check_fret(fret)
    with at("capo", ""):
        if words.capo is not None and words.fret not in (None, words.capo):
            raise ValueProblem(
                f"fret {words.fret} and capo {words.capo} name two frets", "a capo is a fret: say one"
            )
    with at("transpose", ""):
        check_semitones(words.transpose or 0)
    with at("keep_shapes", ""):
        if words.keep_shapes and not words.transpose:
            raise ValueProblem(
                "the shapes are kept of a piece that is moved, and nothing says how far",
                "add --transpose -2 (in a session transpose = -2)",
            )
    with at("sounding", ""):
        if words.sounding is not None and words.reference is not None:
            raise ValueProblem(
                "a reference and what is sounding were both named",
                "the reference is an open string, sounding is with the capo on: say one",
            )
    return Asked(
        table=read("table", words.table, shelf.table),
        guitar=read("guitar", words.guitar, shelf.guitar),
        scale=read("scale", words.scale, shelf.scale),
        tonic=read("tonic", words.tonic, parse_tonic),
        home=read("home", words.home, parse_tonic),
        reference=read("reference", words.reference, parse_reference),
        fret=words.capo if words.fret is None else words.fret,
        sounding=read("sounding", words.sounding, _parse_sounding),
        slide=read("slide", words.slide, _parse_slide),
        degrees=_each(words.degrees, "degrees", parse_degree_change, lambda index: DEGREES[index], at),
        pins=_each(words.pins, "pins", parse_pin, note_name, at),
        open_strings_win=words.open_strings_win,
        transpose=words.transpose,
        keep_shapes=words.keep_shapes,
    )


def _parse_sounding(text: str) -> Reference | float:
    try:
        return float(text.strip().lower().removesuffix("hz"))
    except ValueError:
        return parse_reference(text)


def _parse_slide(text: str) -> Fraction:
    slide = parse_ratio(text)
    check_slide(slide)
    return slide


def _each(
    texts: Sequence[str],
    word: str,
    parse: Callable[[str], tuple[int, _T]],
    name: Callable[[int], str],
    at: Callable[[str, str], AbstractContextManager[object]],
) -> tuple[tuple[int, _T], ...]:
    """Read a list of ``what=value``, in order of what; nothing may be there twice."""
    found: dict[int, _T] = {}
    for text in texts:
        with at(word, text.partition("=")[0].strip()):
            index, value = parse(text)
            if index in found:
                raise ValueProblem(f"{name(index)} is given twice: {text.strip()!r}", "give it once")
            found[index] = value
    return tuple(sorted(found.items(), key=lambda item: item[0]))


def parse_key(text: str) -> int:
    """Read a note such as ``F#3``, or the number of a MIDI key; ValueProblem if it is neither."""
    body = text.strip()
    if re.fullmatch(r"\d{1,3}", body, re.ASCII) and int(body) < KEYS:
        return int(body)
    return parse_note(body)


def parse_pin(text: str) -> tuple[int, float]:
    """Read ``F#3=183.1`` as a MIDI key and a frequency in hertz.

    ValueProblem if the text is not a note, ``=`` and a frequency, or the frequency is out of range.
    """
    note, sign, value = text.partition("=")
    if not sign:
        raise ValueProblem(f"{text!r} holds no note at a frequency", "write a note and Hz, such as F#3=183.1")
    key, hz = parse_key(note), parse_hz(value.strip(), note.strip())
    if not MIN_HZ <= hz <= MAX_HZ:
        raise ValueProblem(
            f"{text.strip()!r}: {hz:g} Hz is outside {MIN_HZ:g} to {MAX_HZ:g} Hz", "Hz, not cents?"
        )
    return key, hz


def make_spec(asked: Asked, shelf: Shelf, standing: Asked | None = None) -> TableSpec:
    """Make the description of a table from what was asked for; the rules stand in the module's docstring.

    `standing` is what stands for several tables: guitar, scale, home and reference. NoTonic if nothing says
    which note the scale is built on; TuningProblem if what was asked for does not go together.
    """
    stands = standing or Asked()
    if asked.table is None:
        spec = _new(asked, shelf, stands)
    else:
        spec = _over(asked.table, asked, stands)
    spec = replace(
        spec.with_degrees(asked.degrees),
        fret=spec.fret if asked.fret is None else asked.fret,
        slide=spec.slide if asked.slide is None else asked.slide,
        open_strings_win=spec.open_strings_win if asked.open_strings_win is None else asked.open_strings_win,
    )
    if asked.sounding is not None:
        spec = replace(spec, reference=_open_reference(asked.sounding, spec))
    spec = spec.with_keys(asked.pins)
    return transposed(spec, asked.transpose or 0, bool(asked.keep_shapes))


def _open_reference(sounding: Reference | float, spec: TableSpec) -> Reference:
    """Return the reference of the open strings from what sounds with the capo on."""
    if isinstance(sounding, float):
        if spec.guitar is None:
            raise ValueProblem(
                f"{sounding:g} Hz is sounding, but of which note?", "write it as E3=164.9, or name a guitar"
            )
        sounding = Reference(spec.guitar.reference_key + spec.fret, sounding)
    if sounding.key < spec.fret:
        raise ValueProblem(
            f"{note_name(sounding.key)} cannot sound with a capo at fret {spec.fret}",
            "its open note would lie below the lowest MIDI key",
        )
    strings = {string.key for string in spec.guitar.strings} if spec.guitar is not None else set()
    if spec.fret and sounding.key in strings and sounding.key - spec.fret not in strings:
        note = note_name(sounding.key, spec.tonic)
        raise ValueProblem(
            f"no open string sounds {note} with a capo at fret {spec.fret}, but one does without it",
            f"was it measured without the capo? then write it as the reference: {note}={sounding.hz:g}",
        )
    return Reference(sounding.key - spec.fret, sounding.hz / fret_factor(spec.fret))


def _new(asked: Asked, shelf: Shelf, stands: Asked) -> TableSpec:
    """Make the table of somebody who names none."""
    guitar = asked.guitar or stands.guitar
    scale = asked.scale or stands.scale or shelf.scale(DEFAULT_SCALE)
    home = asked.home or (asked.guitar.tonic if asked.guitar else stands.home)
    home = home or (guitar.tonic if guitar else asked.tonic)
    if home is None:
        raise NoTonic(
            "nothing says which note the scale is built on",
            "name a tonic, such as D, or a guitar, such as open-d, or a table",
        )
    where = guitar.name if guitar else home
    return TableSpec(
        name=f"{where}-{scale.name}" if scale.name != DEFAULT_SCALE or not guitar else where,
        scale=scale,
        home=home,
        tonic=asked.tonic or home,
        reference=asked.reference or stands.reference or default_reference(home, guitar),
        guitar=guitar,
    )


def _over(spec: TableSpec, asked: Asked, stands: Asked) -> TableSpec:
    """Lay over a named table what was asked for beside it."""
    if asked.scale is not None:
        spec = replace(spec, scale=asked.scale)
    brought = asked.home or (asked.guitar.tonic if asked.guitar else None)
    if brought is not None:
        stays = parse_pitch_class(brought) == spec.tonic_class
        spec = replace(
            spec,
            guitar=asked.guitar or spec.guitar,
            home=brought,
            tonic=brought,
            degree_changes=spec.degree_changes if stays else (),
        )
    if asked.tonic is not None:
        spec = spec.at_tonic(asked.tonic)
    reference = asked.reference or (stands.reference if spec.scale is not None else None)
    return spec if reference is None else replace(spec, reference=reference)
