"""Kinds of chords, and the whole numbers in which each is pure.

Conventions
-----------
Keys are counted in semitones above the root; whole numbers follow the notes upward, so 4:5:6 is a major triad. A
kind may be pure in several ways: a dominant seventh has its seventh at 7/4 (4:5:6:7), at 16/9 as two fourths make
it (36:45:54:64), or at 9/5 (20:25:30:36).

Sources
-------
Small whole numbers of 5-limit and 7-limit harmony, as in A. J. Ellis's tables (appendix XX to H. Helmholtz, *On the
Sensations of Tone*, 2nd ed. 1885); 10:12:14:17 from the harmonic series. Names and signs are common practice.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ChordKind:
    """A kind of chord."""

    name: str  # word for the kind, such as ``"minor seventh"``
    suffix: str  # what follows the root's name: ``"m7"``
    # What follows the degree's numeral; empty for minor triads, whose numeral is in lower case.
    numeral_suffix: str
    lower: bool  # whether the numeral is in lower case
    semitones: tuple[int, ...]  # keys above the root, the root's 0 first
    pure: tuple[tuple[int, ...], ...]  # whole numbers in which the chord is pure, the usual form first


TRIADS = (
    ChordKind("major", "", "", False, (0, 4, 7), ((4, 5, 6),)),
    ChordKind("minor", "m", "", True, (0, 3, 7), ((10, 12, 15), (6, 7, 9))),
    ChordKind("diminished", "dim", "dim", True, (0, 3, 6), ((5, 6, 7), (45, 54, 64), (25, 30, 36))),
    ChordKind("augmented", "aug", "aug", False, (0, 4, 8), ((16, 20, 25), (20, 25, 32), (25, 32, 40))),
    ChordKind("suspended fourth", "sus4", "sus4", False, (0, 5, 7), ((6, 8, 9),)),
    ChordKind("suspended second", "sus2", "sus2", False, (0, 2, 7), ((8, 9, 12), (18, 20, 27))),
)
SEVENTHS = (
    ChordKind(
        "dominant seventh", "7", "7", False, (0, 4, 7, 10), ((4, 5, 6, 7), (36, 45, 54, 64), (20, 25, 30, 36))
    ),
    ChordKind("major seventh", "maj7", "maj7", False, (0, 4, 7, 11), ((8, 10, 12, 15),)),
    ChordKind("minor seventh", "m7", "7", True, (0, 3, 7, 10), ((10, 12, 15, 18), (12, 14, 18, 21))),
    ChordKind("minor with major seventh", "m(maj7)", "maj7", True, (0, 3, 7, 11), ((40, 48, 60, 75),)),
    ChordKind(
        "half-diminished seventh",
        "m7b5",
        "7b5",
        True,
        (0, 3, 6, 10),
        ((5, 6, 7, 9), (45, 54, 64, 80), (25, 30, 36, 45)),
    ),
    ChordKind(
        "diminished seventh",
        "dim7",
        "dim7",
        True,
        (0, 3, 6, 9),
        ((10, 12, 14, 17), (75, 90, 108, 125), (225, 270, 320, 384)),
    ),
    ChordKind(
        "suspended seventh", "7sus4", "7sus4", False, (0, 5, 7, 10), ((18, 24, 27, 32), (30, 40, 45, 54))
    ),
)
KINDS = TRIADS + SEVENTHS
