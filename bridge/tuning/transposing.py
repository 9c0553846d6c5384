"""The singer's key: a piece some semitones higher or lower, its tonic taken from home, or its shapes kept by a capo.

The rules
---------
- The keys of a track move by so many semitones, drums apart, and so do the tonic and every tonic that is named later
  (at a bar, as another table): each takes its pitch from home, as any tonic does. Home, guitar and reference stay.
- Where the shapes are kept, the capo moves instead, by as many frets, and the tonics that are named stay: they are
  those of the open strings. There must be a capo to take off, or a fret to put it on.
- Degrees that were replaced move along with the tonic. Notes held at a frequency stay.

Chords move in `bridge.tuning.chords.names.moved_chord`.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Protocol, TypeVar

from bridge.errors import ValueProblem
from bridge.tuning.frets import MAX_FRET
from bridge.tuning.notes import parse_pitch_class

MOST_SEMITONES = 12
HIGH_FRET = 9
"""A capo above this leaves little of a neck."""

_TONICS = ("C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")


class Movable(Protocol):
    """What of a table's description has a part in this; it is a `bridge.tuning.spec.TableSpec`."""

    @property
    def tonic(self) -> str: ...

    @property
    def fret(self) -> int: ...

    @property
    def guitar(self) -> object | None: ...

    @property
    def transposed(self) -> int: ...

    @property
    def shapes_kept(self) -> bool: ...


_Spec = TypeVar("_Spec", bound=Movable)


def check_semitones(semitones: int) -> None:
    """Refuse a transposition by more than an octave."""
    if not -MOST_SEMITONES <= semitones <= MOST_SEMITONES:
        raise ValueProblem(
            f"transposing by {semitones} semitones",
            f"{-MOST_SEMITONES} to {MOST_SEMITONES}, an octave either way",
        )


def transposed(spec: _Spec, semitones: int, keep_shapes: bool = False) -> _Spec:
    """Return a table for a piece that is moved; ValueProblem if no capo can keep the shapes."""
    check_semitones(semitones)
    if not semitones:
        return spec
    record: Any = spec
    moved = replace(record, transposed=semitones, shapes_kept=keep_shapes)
    if not keep_shapes:
        sung: _Spec = replace(moved, tonic=moved_tonic(spec.tonic, semitones))
        return sung
    fret = spec.fret + semitones
    if fret < 0:
        there = f"the capo at fret {spec.fret} comes off" if spec.fret else "there is no capo to take off"
        raise ValueProblem(
            f"{-semitones} semitones lower with the same shapes: {there}, and that is not enough",
            "leave --keep-shapes out and play other shapes, or tune all strings lower",
        )
    if fret > MAX_FRET:
        raise ValueProblem(f"a capo at fret {fret}", f"frets run to {MAX_FRET}")
    kept: _Spec = replace(moved, fret=fret)
    return kept


def moved_tonic(tonic: str, semitones: int) -> str:
    """Return a tonic so many semitones higher; spelled as tonics usually are."""
    return tonic if semitones % 12 == 0 else _TONICS[(parse_pitch_class(tonic) + semitones) % 12]


def about_transposing(spec: Movable) -> str:
    """Say which capo keeps the shapes of a piece that is moved, or that none can; empty where nothing is moved."""
    semitones = spec.transposed
    if not semitones or spec.guitar is None:
        return ""
    size = abs(semitones)
    far = f"{size} semitone{'s' * (size > 1)} {'higher' if semitones > 0 else 'lower'}"
    if spec.shapes_kept:
        where = f"a capo at fret {spec.fret}" if spec.fret else "no capo"
        return f"{far}: with {where} it is played as in {spec.tonic}"
    shapes = moved_tonic(spec.tonic, -semitones)
    fret = spec.fret + semitones
    said = f"{far}: play it as in {spec.tonic}"
    if 0 <= fret <= HIGH_FRET:
        capo = f"put the capo at fret {fret}"
        if spec.fret:
            capo = f"move the capo from fret {spec.fret} to fret {fret}" if fret else "take the capo off"
        return (
            f"{said}, or {capo} and play it as in {shapes} (--keep-shapes; in a session keep_shapes = true)"
        )
    if fret < 0:
        none = "the capo cannot come off far enough" if spec.fret else "there is no capo to take off"
        also = f", but at fret {fret + 12} it plays the shapes of {shapes} an octave higher"
        return (
            f"{said}; {none} that would keep the shapes of {shapes}{also if fret + 12 <= HIGH_FRET else ''}"
        )
    return (
        f"{said}; a capo that keeps the shapes of {shapes} would sit at fret {fret}, too high for most necks"
    )
