"""Which chords sound, bar by bar.

Conventions
-----------
A bar is one chord, or two, three or four of equal length where that explains what sounds clearly better. A chord
explains notes by their time and strength: long notes outweigh passing ones, so broken chords are put together and
ornaments do not count. Of two chords that explain the same notes, the one with the lowest note as its root is meant
(C6, not Am7/C, over C). Where two classes alone sound, they are a power chord or nothing.

Sources
-------
Matching notes to templates of chords is common practice; the weights were found on exercises with known chords.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from bridge.harmony.notes import TimedNote
from bridge.tuning.chords.kinds import ALL_KINDS, ChordKind
from bridge.tuning.chords.names import ChordName
from bridge.tuning.chords.spelling import spell_root
from bridge.tuning.notes import parse_pitch_class, pitch_class_name

_DIVISIONS = (1, 2, 3, 4)
_SPLIT = 0.08
"""What each further chord in a bar must gain."""

_MISSING, _BASS, _FOREIGN, _ENOUGH = 0.22, 0.16, 0.08, 0.45
_RARE = {
    "": 0.0,
    "m": 0.0,
    "7": 0.02,
    "m7": 0.03,
    "maj7": 0.04,
    "5": 0.05,
    "sus4": 0.06,
    "dim": 0.06,
    "sus2": 0.09,
}
_OTHER = 0.13
"""What a kind must explain better than a major triad to be believed."""

_ORNAMENT = 0.3

_SOUND_S = 0.08
"""Less sound than this in a part of a bar is no chord."""


@dataclass(frozen=True)
class HeardChord:
    """A chord that was heard."""

    bar: int  # the bar, from 1
    # Its part of the bar.
    start_s: float
    end_s: float
    chord: ChordName | None  # None where nothing sounds, or nothing that makes a chord
    sounds: tuple[str, ...]  # names of the classes that sound in it, spelled by the chord, the bass first
    fit: float  # how much of the sound the chord explains, 0 to 1

    def __str__(self) -> str:
        return "N.C." if self.chord is None else str(self.chord)


_Still = tuple[tuple[tuple[int, int], ...], float, str]
"""A bar in which nothing begins or ends: keys and velocities, its length, its tonic."""


@cache
def _templates() -> tuple[list[tuple[int, ChordKind]], NDArray[np.float64], NDArray[np.float64]]:
    """Return root and kind, members as ones, and what each must gain, of every chord."""
    names = [(root, kind) for kind in ALL_KINDS for root in range(12)]
    members = np.zeros((len(names), 12))
    cost = np.zeros(len(names))
    for row, (root, kind) in enumerate(names):
        members[row, [(root + step) % 12 for step in kind.semitones]] = 1.0
        cost[row] = _RARE.get(kind.suffix, _OTHER)
    return names, members, cost


def hear_chords(
    notes: Sequence[TimedNote], bar_starts_s: Sequence[float], tonic: str | Sequence[str] = "C"
) -> tuple[HeardChord, ...]:
    """Name the chords of every bar.

    Parameters
    ----------
    notes : sequence of TimedNote
        In order of their start.
    bar_starts_s : sequence of float
        When each bar begins.
    tonic : str, or sequence of str
        Name of the tonic, by which roots are spelled; or one for each bar.
    """
    heard = [note for note in notes if note.in_chords]
    if not heard or not bar_starts_s:
        return ()
    last_s = max(note.end_s for note in heard)
    starts = np.array([note.start_s for note in heard])
    longest = max(note.length_s for note in heard)
    found: list[HeardChord] = []
    still: dict[_Still, list[HeardChord]] = {}
    for bar, begin in enumerate(bar_starts_s, 1):
        end = bar_starts_s[bar] if bar < len(bar_starts_s) else max(last_s, begin)
        if end <= begin:
            continue
        first = int(np.searchsorted(starts, begin - longest))
        inside = [
            note for note in heard[first : int(np.searchsorted(starts, end))] if note.end_s > begin + 1e-6
        ]
        name = tonic if isinstance(tonic, str) else tonic[bar - 1]
        if any(note.start_s > begin or note.end_s < end for note in inside):
            found += _bar(inside, bar, begin, end, name, _DIVISIONS)
            continue
        # Nothing begins or ends in it, so that each of its parts sounds like the whole, and like its neighbours.
        alike = (tuple((note.key, note.velocity) for note in inside), round(end - begin, 9), name)
        if alike not in still:
            still[alike] = _bar(inside, bar, begin, end, name, _DIVISIONS[:1])
        found += [replace(chord, bar=bar, start_s=begin, end_s=end) for chord in still[alike]]
    return tuple(found)


def _bar(
    notes: Sequence[TimedNote], bar: int, begin: float, end: float, tonic: str, divisions: Sequence[int]
) -> list[HeardChord]:
    """Name the chords of a bar: as few as explain it."""
    best: list[HeardChord] = []
    best_gain = -np.inf
    for division in divisions:
        cuts = np.linspace(begin, end, division + 1)
        parts = [_part(notes, bar, float(a), float(b), tonic) for a, b in pairwise(cuts)]
        gain = sum(score for _, score in parts) / division
        merged = _merged([chord for chord, _ in parts])
        gain -= _SPLIT * (len(merged) - 1)
        if gain > best_gain + 1e-9:
            best, best_gain = merged, gain
    return best


def _merged(parts: Sequence[HeardChord]) -> list[HeardChord]:
    """Join equal neighbours, and silences with the chord before."""
    merged: list[HeardChord] = []
    for part in parts:
        if merged and (part.chord == merged[-1].chord or (part.chord is None and not part.sounds)):
            old = merged.pop()
            sounds = old.sounds + tuple(note for note in part.sounds if note not in old.sounds)
            part = HeardChord(old.bar, old.start_s, part.end_s, old.chord, sounds, old.fit)
        merged.append(part)
    return merged


def _part(
    notes: Sequence[TimedNote], bar: int, begin: float, end: float, tonic: str
) -> tuple[HeardChord, float]:
    """Name what sounds between two times, and say how well the name explains it."""
    weight = np.zeros(12)
    bass_weight = np.zeros(128)
    lengths = [min(note.end_s, end) - max(note.start_s, begin) for note in notes]
    # What is much shorter than the rest is an ornament.
    typical = float(np.median([length for length in lengths if length > 1e-6] or [0.0]))
    slack = max(min(0.06, 0.1 * (end - begin)), _ORNAMENT * typical)
    for note, length in zip(notes, lengths, strict=True):
        if length <= slack:
            continue
        weight[note.key % 12] += length**0.8 * (note.velocity / 80.0) ** 0.5
        bass_weight[note.key] += length
    if weight.sum() <= 0 or bass_weight.sum() < _SOUND_S:
        return HeardChord(bar, begin, end, None, (), 0.0), 0.0
    # A lowest note that barely sounds is no bass.
    low = np.flatnonzero(bass_weight >= 0.2 * min(bass_weight.max(), end - begin))
    bass = int(low[0]) % 12
    chord, score, fit = _best(weight, bass, tonic)
    return HeardChord(bar, begin, end, chord, _names(weight, bass, chord, tonic), fit), score


def _best(weight: NDArray[np.float64], bass: int, tonic: str) -> tuple[ChordName | None, float, float]:
    """Return the chord that explains a histogram best, its score, and how much it explains."""
    # Doubled notes say no more than single ones: the square root brings them together.
    part = np.sqrt(weight / weight.sum())
    part /= part.sum()
    names, members, cost = _templates()
    strong = np.minimum(part / (0.5 * np.sort(part)[-3:].mean() + 1e-12), 1.0)
    inside = members @ part
    missing = (members * (1.0 - strong)).sum(axis=1)
    roots = np.array([root for root, _ in names])
    score = 2.0 * inside - 1.0 - _MISSING * missing + _BASS * (roots == bass) - cost
    best = int(score.argmax())
    # A triad over a foreign bass, such as one that is held: the bass says nothing about the chord.
    above = part.copy()
    above[bass] = 0.0
    foreign = 2.0 * members @ (above / max(above.sum(), 1e-12)) - 1.0 - _MISSING * missing - cost - _FOREIGN
    foreign[(members[:, bass] > 0) | (members.sum(axis=1) != 3)] = -np.inf
    if foreign.max() > score[best]:
        best = int(foreign.argmax())
        score = foreign
    root, kind = names[best]
    if score[best] < _ENOUGH or (weight > 0).sum() < 2:
        return None, float(max(score[best], 0.0)) * 0.5, float(inside[best])
    leading = 6 in kind.semitones and 7 not in kind.semitones
    name = spell_root(root, tonic, leading=leading)
    chord = ChordName(name, kind)
    if bass != root:
        own = (note for note in chord.notes if parse_pitch_class(note) == bass)
        chord = ChordName(name, kind, next(own, pitch_class_name(bass, name)))
    return chord, float(score[best]), float(inside[best])


def _names(weight: NDArray[np.float64], bass: int, chord: ChordName | None, tonic: str) -> tuple[str, ...]:
    """Name what sounds, the bass first, then upward; notes of the chord as the chord spells them."""
    spelled = {} if chord is None else {parse_pitch_class(note): note for note in chord.notes}
    root = tonic if chord is None else chord.root
    order = [(bass + step) % 12 for step in range(12)]
    return tuple(spelled.get(one, pitch_class_name(one, root)) for one in order if weight[one] > 0)


def name_sounding(notes: Sequence[TimedNote], tonic: str = "C") -> ChordName | None:
    """Name a few notes that sound at once."""
    if not notes:
        return None
    weight = np.zeros(12)
    for note in notes:
        weight[note.key % 12] = 1.0
    return _best(weight, min(note.key for note in notes) % 12, tonic)[0]
