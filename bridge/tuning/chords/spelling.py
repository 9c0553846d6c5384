"""Spelling notes by their chord: A C# E, not A Db E.

Conventions
-----------
A chord stacks letters: its third stands two letters above the root, its fifth four, its seventh six, whatever the key
of the piece. The root is spelled by the tonic. Where that would take a double sign, or the letters of a root that
nobody writes, the plain name of the key on the keyboard stands instead.

Sources
-------
Letters of chords: common practice of tertian harmony.
"""

from __future__ import annotations

from collections.abc import Sequence

from bridge.tuning.notes import parse_pitch_class, pitch_class_name

_LETTERS = "CDEFGAB"
_STEPS = {0: 0, 1: 1, 2: 1, 3: 2, 4: 2, 5: 3, 6: 4, 7: 4, 8: 4, 9: 5, 10: 6, 11: 6}
"""Letters above the root for each number of semitones, as chords are built."""


def spell_root(pitch_class: int, tonic: str, *, leading: bool = False) -> str:
    """Name the root of a chord, a pitch class from 0 (C), in a key.

    `leading` says that it leads up by a semitone, as that of a diminished chord does: C#dim before Dm.
    """
    plain = pitch_class_name(pitch_class, tonic)
    if not leading or len(plain) == 1:
        return plain
    goal = pitch_class_name(pitch_class + 1, tonic)
    letter = _LETTERS[(_LETTERS.index(goal[0]) - 1) % 7]
    return f"{letter}#" if (parse_pitch_class(letter) + 1) % 12 == pitch_class % 12 else plain


def spell_chord(root: str, semitones: Sequence[int]) -> tuple[str, ...]:
    """Name the notes of a chord, in semitones above its root; roots ``F#`` and ``Gb`` spell differently.

    With both a fifth and eight semitones, the latter is a sixth; with three, six and nine alone, a diminished
    seventh.
    """
    have = {step % 12 for step in semitones}
    return tuple(_spell(root, step % 12, have) for step in semitones)


def _spell(root: str, step: int, have: set[int]) -> str:
    root_class = parse_pitch_class(root)
    letters = _STEPS[step]
    if step == 8 and 7 in have:
        letters = 5
    if step == 9 and {3, 6} <= have and 7 not in have:
        letters = 6
    if step == 3 and 4 in have:
        letters = 1  # a sharp ninth
    letter = _LETTERS[(_LETTERS.index(root[0]) + letters) % 7]
    wanted = (root_class + step) % 12
    off = (wanted - parse_pitch_class(letter) + 6) % 12 - 6
    if abs(off) > 1:
        return pitch_class_name(wanted, root)
    return letter + {-1: "b", 0: "", 1: "#"}[off]


def with_octave(name: str, key: int) -> str:
    """Add the octave to a name with at most one sign that sounds on a MIDI key: B# on C4's key is ``B#3``."""
    natural = key - (1 if name.endswith("#") else -1 if name.endswith("b") else 0)
    return f"{name}{natural // 12 - 1}"
