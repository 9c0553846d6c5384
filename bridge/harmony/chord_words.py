"""Names of chords beyond the triads and sevenths that tables are judged by: power chords, sixths, ninths, basses.

Conventions
-----------
`bridge.tuning.chord_names` reads what `bridge.tuning.chord_kinds` knows; the kinds here come on top. A bass stands
behind a slash and may be any note: ``D/F#``, ``G/A``. A chord is written in full, so that reading it gives the same
chord.

Sources
-------
Names, signs and their notes: common practice of lead sheets. Pure forms: small whole numbers, as in `chord_kinds`.
"""

from __future__ import annotations

from dataclasses import dataclass

from bridge.errors import ValueProblem
from bridge.harmony.spelling import spell_chord
from bridge.tuning.chord_kinds import KINDS, ChordKind
from bridge.tuning.chord_names import parse_chord
from bridge.tuning.notes import parse_pitch_class, parse_tonic, pitch_class_name

MORE_KINDS = (
    ChordKind("power chord", "5", "5", False, (0, 7), ((2, 3),)),
    ChordKind("sixth", "6", "6", False, (0, 4, 7, 9), ((12, 15, 18, 20),)),
    ChordKind("minor sixth", "m6", "6", True, (0, 3, 7, 9), ((30, 36, 45, 50),)),
    ChordKind("added ninth", "add9", "add9", False, (0, 4, 7, 14), ((4, 5, 6, 9),)),
    ChordKind("minor added ninth", "madd9", "add9", True, (0, 3, 7, 14), ((20, 24, 30, 45),)),
    ChordKind("six-nine", "6/9", "6/9", False, (0, 4, 7, 9, 14), ((12, 15, 18, 20, 27),)),
    ChordKind("ninth", "9", "9", False, (0, 4, 7, 10, 14), ((4, 5, 6, 7, 9), (20, 25, 30, 36, 45))),
    ChordKind("minor ninth", "m9", "9", True, (0, 3, 7, 10, 14), ((20, 24, 30, 36, 45),)),
    ChordKind("major ninth", "maj9", "maj9", False, (0, 4, 7, 11, 14), ((8, 10, 12, 15, 18),)),
)
"""Kinds that lead sheets use besides."""

ALL_KINDS = KINDS + MORE_KINDS

_OTHER_WORDS = {
    "maj": "",
    "major": "",
    "M": "",
    "min": "m",
    "mi": "m",
    "-": "m",
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
    "ma7": "maj7",
    "Maj7": "maj7",
    "j7": "maj7",
    "mi7": "m7",
    "sus": "sus4",
    "7sus": "7sus4",
    "4": "sus4",
}
_HINT = (
    "a root A to G with # or b, then maj m 5 6 m6 7 m7 maj7 9 add9 sus2 sus4 dim aug and the like; a bass behind a "
    "slash: Em7, Dadd9, D5, D/F#"
)


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

    Raises
    ------
    ValueProblem
        The text names no chord.
    """
    body = text.strip().replace("♯", "#").replace("♭", "b")
    if not body or body[0] not in "ABCDEFGH":
        raise ValueProblem(f"{text.strip()!r} is no chord", _HINT)
    if body[0] == "H":
        raise ValueProblem(f"{text.strip()!r} is no chord", "German H is B, German B is Bb")
    bass = ""
    head, slash, tail = body.rpartition("/")
    if slash and not (head.endswith("6") and tail == "9"):
        try:
            bass = parse_tonic(tail)
        except ValueProblem as problem:
            raise ValueProblem(f"bass {tail!r} of {body!r}: {problem.message}", problem.hint) from None
        body = head
    split = 2 if body[1:2] in ("#", "b") else 1
    root, suffix = body[:split], body[split:].strip()
    kind = _kind(root, _OTHER_WORDS.get(suffix, suffix))
    if kind is None:
        raise ValueProblem(f"{text.strip()!r} is no chord that is known here", _HINT)
    if bass and parse_pitch_class(bass) == parse_pitch_class(root):
        bass = ""
    return ChordName(root, kind, bass)


def _kind(root: str, suffix: str) -> ChordKind | None:
    for kind in MORE_KINDS:
        if kind.suffix == suffix:
            return kind
    try:
        return parse_chord(root + suffix, root)[1]
    except ValueProblem:
        return None
