"""What a drone holds under a chord of a chart: degrees above its root, each at the pitch that goes with it."""

from __future__ import annotations

import re
from collections.abc import Collection

from bridge.harmony.charts.solved import SolvedChord
from bridge.harmony.choice.variants import FIVE_LIMIT, Palette, Variant
from bridge.tuning.drone_notes import VOICE, drone_keys
from bridge.tuning.notes import parse_pitch_class
from bridge.tuning.ratios import ratio_to_cents

_NAMED = re.compile(r"[A-G][#b♯♭]?-?\d*")


def named_classes(text: str) -> set[int]:
    """Return the pitch classes of notes that a drone names (D2, A): they stay where the table has them."""
    return {parse_pitch_class(re.sub(r"[-\d]+$", "", word)) for word in _NAMED.findall(text)}


def held_under(
    one: SolvedChord,
    text: str,
    palette: Palette,
    named: Collection[int] = (),
    voice: str = VOICE,
    octave: int | None = None,
) -> tuple[tuple[int, Variant], ...]:
    """Return the keys that are held under a chord, each with its pitch; nothing where nothing sounds.

    Parameters
    ----------
    text : str
        What the drone holds (`bridge.tuning.drone_notes`).
    named : collection of int
        Classes that stay where the table has them: `named_classes`.
    octave : int, optional
        The octave in which the chord's root stands, whoever sings.
    """
    chord = one.chord.chord
    if chord is None:
        return ()
    root = _height(palette, chord.root_class, one.variants[chord.root_class])
    notes = []
    for key in drone_keys(text, chord.root, voice, octave):
        pitch_class = key % 12
        if pitch_class in one.variants:
            variant = one.variants[pitch_class]
        elif pitch_class in named:
            variant = palette.classes[pitch_class][0]
        else:
            step = (pitch_class - chord.root_class) % 12
            wanted = root + ratio_to_cents(FIVE_LIMIT[step][0])
            variant = min(
                palette.classes[pitch_class],
                key=lambda each: abs((_height(palette, key % 12, each) - wanted + 600.0) % 1200.0 - 600.0),
            )
        notes.append((key, variant))
    return tuple(notes)


def _height(palette: Palette, pitch_class: int, variant: Variant) -> float:
    return 100.0 * pitch_class + palette.base_cents[pitch_class] + variant.offset_cents
