"""The tonic and mode of a piece, and where they change.

Conventions
-----------
Two published profiles say how well a tonic explains how long each class sounds. They know nothing of bass and ending,
and take D mixolydian for G; so what a listener goes by outweighs them: a drone, the bass, the last chord's lowest
note (more so where the piece began on it) and, where nothing else decides, the guitar's own tonic. A tonic that is
not clearly better than the next is `unsure`, and then nobody should be advised by it.

Index
-----
`hear_tonic` → `Tonic` · `hear_changes` → `KeyStretch`

Sources
-------
C. L. Krumhansl and E. J. Kessler, profiles of major and minor keys, *Psychological Review* 89 (1982), as in C. L.
Krumhansl, *Cognitive Foundations of Musical Pitch*, 1990; D. Temperley, *The Cognition of Basic Musical Structures*,
2001, whose profiles give the leading note more weight (both from memory). The profiles of the mixolydian and dorian
modes are the major and minor ones with the seventh, or sixth, exchanged. What each further sign weighs was found by
trying.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.harmony.notes import TimedNote

MODES = ("major", "minor", "mixolydian", "dorian")

_KRUMHANSL_MAJOR = (6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88)
_KRUMHANSL_MINOR = (6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17)
_TEMPERLEY_MAJOR = (5.0, 2.0, 3.5, 2.0, 4.5, 4.0, 2.0, 4.5, 2.0, 3.5, 1.5, 4.0)
_TEMPERLEY_MINOR = (5.0, 2.0, 3.5, 4.5, 2.0, 4.0, 2.0, 4.5, 3.5, 2.0, 1.5, 4.0)

_DRONE, _BASS, _LAST, _FRAME, _GUITAR = 0.6, 0.45, 0.25, 0.15, 0.08
"""What further signs weigh beside a correlation of 1."""

_DRONE_PART = 0.9
"""A class that sounds for so much of the piece, in the bass, is a drone."""

_CLEAR, _FITS = 0.06, 0.3
"""A tonic is sure if it leads by the first, and the profiles explain it by the second or it is a drone."""

_CHANGE = 1.6
"""What a change of key costs, in correlations of a bar."""

_MAJOR_NAMES = {
    0: "C",
    1: "Db",
    2: "D",
    3: "Eb",
    4: "E",
    5: "F",
    6: "F#",
    7: "G",
    8: "Ab",
    9: "A",
    10: "Bb",
    11: "B",
}
_MINOR_NAMES = {**_MAJOR_NAMES, 1: "C#", 8: "G#"}


def _exchanged(profile: Sequence[float], one: int, other: int) -> tuple[float, ...]:
    values = list(profile)
    values[one], values[other] = values[other], values[one]
    return tuple(values)


def _profiles() -> NDArray[np.float64]:
    """Return the profiles, shape (modes, sources, tonics, classes), each with mean 0 and length 1."""
    sources = ((_KRUMHANSL_MAJOR, _KRUMHANSL_MINOR), (_TEMPERLEY_MAJOR, _TEMPERLEY_MINOR))
    modes = [
        [major for major, _ in sources],
        [minor for _, minor in sources],
        [_exchanged(major, 10, 11) for major, _ in sources],
        [_exchanged(minor, 8, 9) for _, minor in sources],
    ]
    plain = np.array(modes, dtype=np.float64)
    plain -= plain.mean(axis=-1, keepdims=True)
    plain /= np.linalg.norm(plain, axis=-1, keepdims=True)
    return np.stack([np.roll(plain, tonic, axis=-1) for tonic in range(12)], axis=2)


_PROFILES = _profiles()


@dataclass(frozen=True)
class Tonic:
    """A tonic that was heard."""

    pitch_class: int  # 0 (C) to 11 (B)
    name: str  # its name, spelled as keys usually are
    mode: str  # one of `MODES`
    sure: bool  # whether it is clearly better than any other
    # What spoke for it beside the profiles: ``drone``, ``bass``, ``last note``, ``guitar``.
    signs: tuple[str, ...]
    other: str  # the next best tonic


@dataclass(frozen=True)
class KeyStretch:
    """A stretch of bars in one key; the first bar is 1."""

    first_bar: int
    last_bar: int
    pitch_class: int
    name: str
    mode: str


def key_name(pitch_class: int, mode: str) -> str:
    """Name a tonic the way keys are usually written: Db major, C# minor."""
    return (_MINOR_NAMES if mode in ("minor", "dorian") else _MAJOR_NAMES)[pitch_class % 12]


def class_seconds(
    notes: Sequence[TimedNote], start_s: float = 0.0, end_s: float = np.inf
) -> NDArray[np.float64]:
    """Return for how long each class is struck or sounds between two times; long notes count less and less."""
    seconds = np.zeros(12)
    for note in notes:
        length = min(note.end_s, end_s) - max(note.start_s, start_s)
        if length > 0 and note.in_chords:
            seconds[note.key % 12] += min(length, 2.0) ** 0.7 * (note.velocity / 80.0) ** 0.5
    return seconds


def bass_seconds(notes: Sequence[TimedNote]) -> NDArray[np.float64]:
    """Return for how long each class is the lowest that sounds."""
    events = sorted(
        (time_s, change, note.key)
        for note in notes
        if note.in_chords
        for time_s, change in ((note.start_s, 1), (note.end_s, -1))
    )
    seconds = np.zeros(12)
    held: dict[int, int] = {}
    last_s = 0.0
    for time_s, change, key in events:
        if held:
            seconds[min(held) % 12] += time_s - last_s
        held[key] = held.get(key, 0) + change
        if not held[key]:
            del held[key]
        last_s = time_s
    return seconds


def sounding_part(notes: Sequence[TimedNote]) -> NDArray[np.float64]:
    """Return for what part of the piece each class sounds, 0 to 1."""
    if not notes:
        return np.zeros(12)
    begin, end = min(note.start_s for note in notes), max(note.end_s for note in notes)
    parts = np.zeros(12)
    reached = np.full(12, begin)
    for note in notes:
        fresh = max(0.0, note.end_s - max(note.start_s, reached[note.key % 12]))
        parts[note.key % 12] += fresh
        reached[note.key % 12] = max(reached[note.key % 12], note.end_s)
    return parts / (end - begin) if end > begin else parts


def _fit(seconds: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how well each mode and tonic explains a histogram, shape (modes, tonics), −1 to 1."""
    off = seconds - seconds.mean()
    size = float(np.linalg.norm(off))
    if size <= 0:
        return np.zeros((len(MODES), 12))
    return np.asarray((_PROFILES @ (off / size)).mean(axis=1))


def hear_tonic(notes: Sequence[TimedNote], guitar_tonic: int | None = None) -> Tonic | None:
    """Find the tonic and mode of a piece.

    Parameters
    ----------
    notes : sequence of TimedNote
        In order of their start.
    guitar_tonic : int, optional
        Pitch class of the guitar's own tonic, which decides between equals.

    Returns
    -------
    Tonic or None
        None where nothing sounds.
    """
    heard = [note for note in notes if note.in_chords]
    if not heard:
        return None
    seconds = class_seconds(heard)
    bass = bass_seconds(heard)
    bass_part = bass / max(float(bass.sum()), 1e-9)
    fit = _fit(seconds)
    sounding = sounding_part(heard)
    drone = (sounding >= _DRONE_PART) & (bass_part >= 0.3)
    # Over a drone of two notes the lower one is the tonic; every other class has less to say.
    score = fit.max(axis=0) + _BASS * bass_part + _DRONE * drone
    last = _last_bass(heard)
    score[last] += _LAST + (_FRAME if _first_bass(heard) == last else 0.0)
    if guitar_tonic is not None:
        score[guitar_tonic] += _GUITAR
    order = [int(one) for one in np.argsort(-score, kind="stable")]
    best, second = order[0], order[1]
    signs = []
    if drone[best]:
        signs.append("drone")
    if bass_part[best] >= 0.25 and int(bass_part.argmax()) == best:
        signs.append("bass")
    if last == best:
        signs.append("last note")
    if guitar_tonic == best:
        signs.append("guitar")
    mode = _mode(seconds, best, fit)
    return Tonic(
        best,
        key_name(best, mode),
        mode,
        bool(score[best] - score[second] >= _CLEAR and (fit[:, best].max() > _FITS or drone[best])),
        tuple(signs),
        key_name(second, MODES[int(fit[:, second].argmax())]),
    )


def _last_bass(notes: Sequence[TimedNote]) -> int:
    """Return the class of the lowest note that still sounds at the end."""
    end = max(note.end_s for note in notes)
    return min((note for note in notes if note.end_s >= end - 0.3), key=lambda note: note.key).key % 12


def _first_bass(notes: Sequence[TimedNote]) -> int:
    """Return the class of the lowest note that sounds at the beginning."""
    begin = notes[0].start_s
    return min((note for note in notes if note.start_s <= begin + 0.3), key=lambda note: note.key).key % 12


def _mode(seconds: NDArray[np.float64], tonic: int, fit: NDArray[np.float64]) -> str:
    """Name the mode by its third, then by its seventh or sixth; where the third is missing, the best fit."""
    degree = np.roll(seconds, -tonic)
    if degree[3] == degree[4]:
        return MODES[int(fit[:2, tonic].argmax())]
    if degree[4] > degree[3]:
        return "mixolydian" if degree[10] > 2.0 * degree[11] and degree[10] > 0.0 else "major"
    return "dorian" if degree[9] > 2.0 * degree[8] and degree[10] >= degree[11] else "minor"


def hear_changes(
    notes: Sequence[TimedNote], bar_starts_s: Sequence[float], first: Tonic | None = None
) -> tuple[KeyStretch, ...]:
    """Find in which key each bar is, as few changes as the music allows.

    Parameters
    ----------
    notes : sequence of TimedNote
        In order of their start.
    bar_starts_s : sequence of float
        When each bar begins.
    first : Tonic, optional
        The tonic of the whole, which wins where a stretch says nothing else.
    """
    if not bar_starts_s or not notes:
        return ()
    ends = [*bar_starts_s[1:], max(max(note.end_s for note in notes), bar_starts_s[-1])]
    starts = np.array([note.start_s for note in notes])
    by_bar = []
    bass_by_bar = []
    lengthy = [index for index, note in enumerate(notes) if note.length_s > 4.0]
    for begin, end in zip(bar_starts_s, ends, strict=True):
        near = [
            notes[index]
            for index in range(int(np.searchsorted(starts, begin - 4.0)), int(np.searchsorted(starts, end)))
        ]
        near += [notes[index] for index in lengthy if notes[index].start_s < begin - 4.0]
        by_bar.append(class_seconds(near, begin, end))
        inside = [note for note in near if note.end_s > begin]
        bass = min(inside, key=lambda note: note.key).key % 12 if inside else None
        bass_by_bar.append(bass)
    bars = len(by_bar)
    gain = np.zeros((bars, 2, 12))
    for bar in range(bars):
        around = sum(
            (by_bar[other] * 0.6 ** abs(other - bar) for other in range(max(0, bar - 2), min(bars, bar + 3))),
            np.zeros(12),
        )
        gain[bar] = _fit(around)[:2]
        bass = bass_by_bar[bar]
        if bass is not None:
            gain[bar, :, bass] += 0.1
        if first is not None:
            gain[bar, 0 if first.mode in ("major", "mixolydian") else 1, first.pitch_class] += 0.08
    keys = _cheapest(gain.reshape(bars, 24))
    stretches: list[KeyStretch] = []
    for bar, key in enumerate(keys, 1):
        mode, tonic = MODES[key // 12], key % 12
        if stretches and (stretches[-1].pitch_class, stretches[-1].mode) == (tonic, mode):
            old = stretches.pop()
            stretches.append(KeyStretch(old.first_bar, bar, tonic, old.name, mode))
        else:
            stretches.append(KeyStretch(bar, bar, tonic, key_name(tonic, mode), mode))
    return tuple(stretches)


def _cheapest(gain: NDArray[np.float64]) -> list[int]:
    """Return the sequence of keys of most gain, each change costing `_CHANGE`."""
    total = gain[0].copy()
    came: list[NDArray[np.int64]] = []
    for step in gain[1:]:
        best = int(total.argmax())
        stay = total >= total[best] - _CHANGE
        came.append(np.where(stay, np.arange(len(total)), best))
        total = np.where(stay, total, total[best] - _CHANGE) + step
    keys = [int(total.argmax())]
    for back in reversed(came):
        keys.append(int(back[keys[-1]]))
    return keys[::-1]
