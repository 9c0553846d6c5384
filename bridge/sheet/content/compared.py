"""What differs from one table to the next, and what would cure a chord, in words for a player.

Conventions
-----------
Notes are compared in the octave round the reference, and named as the later table spells them; less than
`CHANGED_CENTS` is no change. A barre or a capo takes strings and table along: what it does is not told note by note.
"""

from __future__ import annotations

from collections.abc import Mapping

from bridge.sheet.content.titles import table_title
from bridge.sheet.keyboard import octave_keys
from bridge.sheet.phrases import signed
from bridge.sheet.records import PieceSheet
from bridge.tuning.chords.judged import Chord
from bridge.tuning.fretboard import SAFE_CENTS, FretCell
from bridge.tuning.notes import parse_pitch_class, pitch_class_name
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.tables import Table

CHANGED_CENTS = 0.05
_MOST_GROUPS = 2
"""Where notes move by more distances than these, figures are shorter than words."""


def octave_cents(table: Table) -> Mapping[int, float]:
    """Return how far each pitch class lies from a tuner at A4 = 440 Hz, in the octave of the reference."""
    return {key % 12: float(table.cents_from_equal[key]) for key in octave_keys(table)}


def changed_cents(before: Table, after: Table) -> Mapping[int, float]:
    """Return how far each pitch class that moves goes up (negative: down), in cents."""
    old, new = octave_cents(before), octave_cents(after)
    return {one: new[one] - old[one] for one in new if abs(new[one] - old[one]) > CHANGED_CENTS}


def change_words(before: Table, after: Table) -> str:
    """Say which notes move, and how far: ``E 21.5 cents lower``; empty if none does."""
    tonic = parse_pitch_class(after.tonic)
    moved = sorted(changed_cents(before, after).items(), key=lambda item: (item[0] - tonic) % 12)
    groups: dict[str, list[str]] = {}
    for pitch_class, cents in moved:
        groups.setdefault(moved_words(cents), []).append(pitch_class_name(pitch_class, after.tonic))
    if len(groups) > _MOST_GROUPS:
        names = (f"{pitch_class_name(one, after.tonic)} {signed(cents)}" for one, cents in moved)
        return f"{', '.join(names)} cents"
    return "; ".join(f"{', '.join(names)} {far}" for far, names in groups.items())


def moved_words(cents: float) -> str:
    """Say how far a note goes: ``21.5 cents lower``."""
    return f"{abs(cents):.1f} cents {'higher' if cents > 0 else 'lower'}"


def stretch_words(piece: PieceSheet, number: int) -> str:
    """Say what changes where a stretch of a piece begins."""
    stretch = piece.stretches[number]
    after = piece.tables[stretch.table].table
    if number == 0:
        return table_title(after)
    before = piece.tables[piece.stretches[number - 1].table].table
    if stretch.table == piece.stretches[0].table:
        moved = "" if after.shift_semitones != before.shift_semitones else change_words(before, after)
        return (
            f"as at the start: {moved}"
            if moved and len(changed_cents(before, after)) == 1
            else "as at the start"
        )
    said = []
    if after.tonic != before.tonic:
        said.append(f"tonic {after.tonic}")
    if after.shift_semitones != before.shift_semitones:
        said.append(f"fret {after.fret}: all moves along" if after.fret else "fret 0: all moves along")
    else:
        said.append(change_words(before, after) or "nothing moves")
    return ": ".join(said)


def cure_words(chord: Chord, table: Table) -> str:
    """Say what cures a chord: ``E 21.5 cents lower (2=10/9); then V is off``."""
    if not chord.cures:
        return chord.cure
    if chord.seventh_stays:
        third = pitch_class_name(parse_pitch_class(table.tonic) + 4, table.tonic)
        return f"leave {pitch_class_name(chord.keys[0] + 10, table.tonic)} as it is: it falls to {third}"
    tonic = parse_pitch_class(table.tonic)
    keys = {key % 12: key for key in octave_keys(table)}
    base = float(table.hz[keys[tonic]])
    said = []
    for cure in chord.cures:
        pitch_class = (tonic + cure.degree) % 12
        now = hz_to_cents(float(table.hz[keys[pitch_class]]), base) % 1200.0
        cents = (cure.interval.cents - now + 600.0) % 1200.0 - 600.0
        said.append(f"{pitch_class_name(pitch_class, table.tonic)} {moved_words(cents)} ({cure})")
    moves = [f"moves {cure.moves}" for cure in chord.cures if cure.moves]
    costs = [f"then {', '.join(chord.costs)} {'are' if len(chord.costs) > 1 else 'is'} off"] * bool(
        chord.costs
    )
    return "; ".join([" and ".join(said), *moves, *costs])


def safe_words(cells: tuple[FretCell, ...], capo: int) -> str:
    """Say at which frets every string agrees with the table."""
    off = {cell.fret for cell in cells if abs(cell.cents) > SAFE_CENTS}
    agree = sorted({cell.fret for cell in cells} - off)
    said = ", ".join("open" if fret == capo else str(fret) for fret in agree)
    return f"Safe on every string: {said}." if agree else "At no fret do all strings agree with the table."
