"""Kinds of chords, and the small whole numbers in which each is pure, if there are any.

Conventions
-----------
Keys are counted in semitones above the root; whole numbers follow the notes upward, so 4:5:6 is a major triad. A kind
is pure only where every pair of its notes has a ratio of small numbers (`bridge.tuning.chords.purity`). Others are calm
at best: their thirds, fourths, fifths and sixths can be pure, a tritone cannot. Some are neither: three notes a major
third apart never close an octave, so an augmented triad has no pure form at all.

Sources
-------
Small whole numbers of 5-limit and 7-limit harmony, as in A. J. Ellis's tables (appendix XX to H. Helmholtz, *On the
Sensations of Tone*, 2nd ed. 1885). Names and signs are common practice.
"""

from __future__ import annotations

from dataclasses import dataclass

Forms = tuple[tuple[int, ...], ...]


@dataclass(frozen=True)
class ChordKind:
    """A kind of chord."""

    name: str  # word for the kind, such as ``"minor seventh"``
    suffix: str  # what follows the root's name: ``"m7"``
    # What follows the degree's numeral; empty for minor triads, whose numeral is in lower case.
    numeral_suffix: str
    lower: bool  # whether the numeral is in lower case
    semitones: tuple[int, ...]  # keys above the root, the root's 0 first
    # Whole numbers in which the chord is pure, the usual form first; empty if it has no pure form.
    pure: Forms
    # Whole numbers in which its thirds, fourths, fifths and sixths are pure, and another pair is not.
    calm: Forms = ()


TRIADS = (
    ChordKind("major", "", "", False, (0, 4, 7), ((4, 5, 6),)),
    ChordKind("minor", "m", "", True, (0, 3, 7), ((10, 12, 15), (6, 7, 9))),
    ChordKind("diminished", "dim", "dim", True, (0, 3, 6), ((5, 6, 7),), ((25, 30, 36),)),
    ChordKind("augmented", "aug", "aug", False, (0, 4, 8), ()),
    ChordKind("suspended fourth", "sus4", "sus4", False, (0, 5, 7), ((6, 8, 9),)),
    ChordKind("suspended second", "sus2", "sus2", False, (0, 2, 7), ((8, 9, 12),)),
)
SEVENTHS = (
    ChordKind("dominant seventh", "7", "7", False, (0, 4, 7, 10), ((4, 5, 6, 7),), ((20, 25, 30, 36),)),
    ChordKind("major seventh", "maj7", "maj7", False, (0, 4, 7, 11), ((8, 10, 12, 15),)),
    ChordKind("minor seventh", "m7", "7", True, (0, 3, 7, 10), ((10, 12, 15, 18), (12, 14, 18, 21))),
    ChordKind("minor with major seventh", "m(maj7)", "maj7", True, (0, 3, 7, 11), ()),
    ChordKind(
        "half-diminished seventh", "m7b5", "7b5", True, (0, 3, 6, 10), ((5, 6, 7, 9),), ((25, 30, 36, 45),)
    ),
    ChordKind("diminished seventh", "dim7", "dim7", True, (0, 3, 6, 9), ()),
    ChordKind("suspended seventh", "7sus4", "7sus4", False, (0, 5, 7, 10), ()),
)
KINDS = TRIADS + SEVENTHS
MORE_KINDS = (
    ChordKind("power chord", "5", "5", False, (0, 7), ((2, 3),)),
    ChordKind("sixth", "6", "6", False, (0, 4, 7, 9), ((12, 15, 18, 20),)),
    ChordKind("minor sixth", "m6", "6", True, (0, 3, 7, 9), ((6, 7, 9, 10),), ((30, 36, 45, 50),)),
    ChordKind("added ninth", "add9", "add9", False, (0, 4, 7, 14), ((4, 5, 6, 9),)),
    ChordKind("minor added ninth", "madd9", "add9", True, (0, 3, 7, 14), ((20, 24, 30, 45),)),
    ChordKind("six-nine", "6/9", "6/9", False, (0, 4, 7, 9, 14), ()),
    ChordKind("ninth", "9", "9", False, (0, 4, 7, 10, 14), ((4, 5, 6, 7, 9),), ((20, 25, 30, 36, 45),)),
    ChordKind("minor ninth", "m9", "9", True, (0, 3, 7, 10, 14), ((20, 24, 30, 36, 45),)),
    ChordKind("major ninth", "maj9", "maj9", False, (0, 4, 7, 11, 14), ((8, 10, 12, 15, 18),)),
)
"""Kinds that lead sheets use besides."""

ALL_KINDS = KINDS + MORE_KINDS
