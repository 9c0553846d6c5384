"""Reading the name of a chord, everywhere: ``Em7`` by its root, ``ii7`` by its degree, ``D/F#`` with a bass.

Conventions
-----------
Roots are capitals, as notes are (``Bb``, ``F#``), and stand for the chord as it sounds. Numerals are capitals for kinds
with a major third or none, small letters for those with a minor third, with ``b`` or ``#`` before them for degrees off
the major scale (``bVII``). What follows is the kind's, as in `bridge.tuning.chords.kinds`; usual other spellings are
understood as well. A bass stands behind a slash and may be any note: ``D/F#``, ``G/A``. A chord is written in full, so
that reading it gives the same chord.

Sources
-------
Names and signs: common practice of lead sheets.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from bridge.errors import StillbeatError, ValueProblem
from bridge.tuning.chords.kinds import ALL_KINDS, ChordKind
from bridge.tuning.chords.spelling import spell_chord
from bridge.tuning.notes import parse_pitch_class, parse_tonic, pitch_class_name

_BY_ROOT = re.compile(r"([A-H][#b]?)(.*)", re.DOTALL)
_BY_DEGREE = re.compile(r"([#b]?)(VII|VI|IV|V|III|II|I|vii|vi|iv|v|iii|ii|i)(.*)", re.DOTALL)
_STEPS = {"I": 0, "II": 2, "III": 4, "IV": 5, "V": 7, "VI": 9, "VII": 11}
_OTHER_WORDS = {
    "maj": "",
    "major": "",
    " major": "",
    "M": "",
    "min": "m",
    "mi": "m",
    "minor": "m",
    " minor": "m",
    "-": "m",
    "min7": "m7",
    "mi7": "m7",
    "-7": "m7",
    "M7": "maj7",
    "ma7": "maj7",
    "Maj7": "maj7",
    "j7": "maj7",
    "Δ": "maj7",
    "mmaj7": "m(maj7)",
    "°": "dim",
    "o": "dim",
    "°7": "dim7",
    "o7": "dim7",
    "ø": "m7b5",
    "ø7": "m7b5",
    "+": "aug",
    "sus": "sus4",
    "4": "sus4",
    "7sus": "7sus4",
    "(add9)": "add9",
    "add2": "add9",
    "2": "add9",
    "m(add9)": "madd9",
    "69": "6/9",
    "min6": "m6",
    "-6": "m6",
    "min9": "m9",
    "-9": "m9",
    "M9": "maj9",
}
_HINT = (
    "a root A to G with # or b, or a degree such as ii or bVII, then maj m 5 6 m6 7 m7 maj7 9 add9 sus2 sus4 dim aug "
    "and the like; a bass behind a slash: Em7, ii7, Dadd9, D5, D/F#"
)
_GERMAN_H = "German H is B, German B is Bb"


def parse_chord(text: str, tonic: str) -> tuple[int, ChordKind]:
    """Read the name of a chord by its root or its degree; a bass is read and left out.

    ValueProblem if the text names no chord.

    Parameters
    ----------
    text : str
        Such as ``Em7``, ``Bb``, ``ii7``, ``bVII``, ``D/F#``.
    tonic : str
        Name of the tonic as it sounds, from which degrees count.

    Returns
    -------
    (int, ChordKind)
        Degree of the root, 0 (the tonic) to 11, and what it is.
    """
    body = _plain(text)
    if match := _BY_DEGREE.fullmatch(body):
        moved = {"": 0, "b": -1, "#": 1}[match[1]]
        kind = _kind(match[3], match[2].islower())
        if kind is None:
            raise ValueProblem(f"{text.strip()!r} is no chord that is known here", _HINT)
        return (_STEPS[match[2].upper()] + moved) % 12, kind
    named = parse_chord_name(body)
    return (named.root_class - parse_pitch_class(tonic)) % 12, named.kind


@dataclass(frozen=True)
class ChordName:
    """A chord by its name."""

    root: str  # name of the root, spelled as it was written
    kind: ChordKind  # what stands on it
    bass: str = ""  # name of the bass, where it is another note than the root; else empty

    @property
    def root_class(self) -> int:
        """Pitch class of the root."""
        return parse_pitch_class(self.root)

    @property
    def bass_class(self) -> int:
        """Pitch class of the lowest note."""
        return parse_pitch_class(self.bass or self.root)

    @property
    def notes(self) -> tuple[str, ...]:
        """Names of its notes, spelled by the chord, a foreign bass first."""
        notes = spell_chord(self.root, self.kind.semitones)
        classes = [parse_pitch_class(note) for note in notes]
        return notes if self.bass_class in classes else (self.bass, *notes)

    @property
    def pitch_classes(self) -> frozenset[int]:
        """Pitch classes of its notes and its bass."""
        return frozenset((self.root_class + step) % 12 for step in self.kind.semitones) | {self.bass_class}

    def __str__(self) -> str:
        """Write it so that `parse_chord_name` reads it back."""
        return f"{self.root}{self.kind.suffix}" + (f"/{self.bass}" if self.bass else "")

    def moved(self, semitones: int, tonic: str) -> ChordName:
        """Return the chord that many keys higher, spelled by the new tonic."""
        root = pitch_class_name(self.root_class + semitones, tonic)
        bass = pitch_class_name(self.bass_class + semitones, tonic) if self.bass else ""
        return ChordName(root, self.kind, bass)


def parse_chord_name(text: str) -> ChordName:
    """Read a chord by its root: ``Em7``, ``Bb``, ``D/F#``, ``Dadd9``.

    ValueProblem if the text names no chord.
    """
    body = _plain(text)
    if body[:1] == "H":
        raise ValueProblem(f"{text.strip()!r} is no chord", _GERMAN_H)
    bass = ""
    head, slash, tail = body.rpartition("/")
    if slash and not (head.endswith("6") and tail == "9"):
        try:
            bass = parse_tonic(tail)
        except ValueProblem as problem:
            raise ValueProblem(f"bass {tail!r} of {body!r}: {problem.message}", problem.hint) from None
        body = head
    match = _BY_ROOT.fullmatch(body)
    if match is None:
        raised = _BY_ROOT.fullmatch(body[:1].upper() + body[1:])
        meant = raised is not None and _kind(raised[2], None) is not None
        raise ValueProblem(
            f"{text.strip()!r} is no chord",
            f"a root is a capital: {raised[0]}" if raised and meant else _HINT,
        )
    root, kind = match[1], _kind(match[2], None)
    if kind is None:
        raise ValueProblem(f"{text.strip()!r} is no chord that is known here", _HINT)
    if bass and parse_pitch_class(bass) == parse_pitch_class(root):
        bass = ""
    return ChordName(root, kind, bass)


def bass_of(name: str) -> str:
    """Return the name of a chord's bass where it is another note than the root; a degree has none."""
    try:
        return parse_chord_name(name).bass
    except StillbeatError:
        return ""  # a degree such as ``ii7``


def moved_chord(name: str, semitones: int, tonic: str) -> str:
    """Return the name of a chord so many semitones higher, spelled by the new tonic; a degree stays what it is."""
    try:
        return str(parse_chord_name(name).moved(semitones, tonic)) if semitones else name
    except StillbeatError:
        return name  # a degree such as ``ii7``


def _plain(text: str) -> str:
    return text.strip().replace("♯", "#").replace("♭", "b").replace("\N{MINUS SIGN}", "-")


def _kind(suffix: str, lower: bool | None) -> ChordKind | None:
    """Return the kind of a suffix, after a root (`lower` None) or a numeral."""
    for one in (suffix, suffix.strip(), _OTHER_WORDS.get(suffix), _OTHER_WORDS.get(suffix.strip())):
        for kind in ALL_KINDS:
            if lower is None and one == kind.suffix:
                return kind
            if lower is not None and one == kind.numeral_suffix and lower == kind.lower:
                return kind
    return None
