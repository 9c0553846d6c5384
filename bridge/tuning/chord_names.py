"""Reading the name of a chord: ``Em7`` by its root, or ``ii7`` by the degree it stands on.

Conventions
-----------
Roots are capitals, as notes are (``Bb``, ``F#``), and stand for the chord as it sounds. Numerals are capitals for kinds
with a major third or none, small letters for those with a minor third, with ``b`` or ``#`` before them for degrees off
the major scale (``bVII``). What follows is the kind's, as in `bridge.tuning.chord_kinds`; some usual spellings are
understood as well.
"""

from __future__ import annotations

import re

from bridge.errors import ValueProblem
from bridge.tuning.chord_kinds import KINDS, ChordKind
from bridge.tuning.notes import parse_pitch_class

_BY_ROOT = re.compile(r"([A-H][#b♯♭]?)(.*)", re.DOTALL)
_BY_DEGREE = re.compile(r"([#b♯♭]?)(VII|VI|IV|V|III|II|I|vii|vi|iv|v|iii|ii|i)(.*)", re.DOTALL)
_STEPS = {"I": 0, "II": 2, "III": 4, "IV": 5, "V": 7, "VI": 9, "VII": 11}
_OTHER_WORDS = {
    "min": "m",
    "min7": "m7",
    "-": "m",
    "-7": "m7",
    "M7": "maj7",
    "°": "dim",
    "°7": "dim7",
    "o": "dim",
}
_OTHER_WORDS |= {"o7": "dim7", "ø": "m7b5", "ø7": "m7b5", "+": "aug", "sus": "sus4", "mmaj7": "m(maj7)"}
_HINT = "such as Em7 or ii7; kinds: " + ", ".join(kind.suffix or "(major)" for kind in KINDS)


def parse_chord(text: str, tonic: str) -> tuple[int, ChordKind]:
    """Read the name of a chord.

    Parameters
    ----------
    text : str
        Such as ``Em7``, ``Bb``, ``ii7``, ``bVII``.
    tonic : str
        Name of the tonic as it sounds, from which degrees count.

    Returns
    -------
    (int, ChordKind)
        Degree of the root, 0 (the tonic) to 11, and what it is.

    Raises
    ------
    ValueProblem
        The text names no chord.
    """
    body = text.strip()
    if match := _BY_ROOT.fullmatch(body):
        degree = (parse_pitch_class(match[1]) - parse_pitch_class(tonic)) % 12
        kind = _kind(match[2], None)
    elif match := _BY_DEGREE.fullmatch(body):
        moved = {"": 0, "b": -1, "♭": -1, "#": 1, "♯": 1}[match[1]]
        degree = (_STEPS[match[2].upper()] + moved) % 12
        kind = _kind(match[3], match[2].islower())
    else:
        raise ValueProblem(f"{text!r} is no chord", _HINT)
    if kind is None:
        raise ValueProblem(f"{text!r} is no chord that is known here", _HINT)
    return degree, kind


def _kind(suffix: str, lower: bool | None) -> ChordKind | None:
    """Return the kind of a suffix, after a root (`lower` None) or a numeral."""
    word = suffix.strip().replace("♭", "b")
    for one in (word, _OTHER_WORDS.get(word)):
        for kind in KINDS:
            if lower is None and one == kind.suffix:
                return kind
            if lower is not None and one == kind.numeral_suffix and lower == kind.lower:
                return kind
    return None
