"""What would make a fixed table suit a piece better: another tonic, a change at a bar, a cured degree.

Conventions
-----------
Everything here is measured, not guessed: each tonic's table is tried on the notes, and only what gains at least
`WORTH_SHARE` of the time is said. Where no tonic is heard clearly, `advise` says nothing at all; and no tonic is named
that is none of the piece: one in which no bar stands, and on which it does not come to rest.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from bridge.harmony.choice.follow import Following
from bridge.harmony.heard.hear import Heard
from bridge.harmony.heard.keys import key_name
from bridge.harmony.measure import fixed_hz, measure
from bridge.harmony.notes import TimedNote
from bridge.tuning.notes import parse_pitch_class
from bridge.tuning.scales import DEGREES
from bridge.tuning.tables import Table, build_table
from bridge.tuning.transposing import moved_tonic

WORTH_SHARE = 0.03
"""A tonic that gains less is not worth saying."""

_RESTS, _REST_PART, _MOST_PART = 2, 0.1, 0.5
"""So often a dominant falls to a tonic, and such a part of the piece stands on it, where the piece comes to rest; or so
large a part stands on it anyway."""

_CHANGE_S, _CHANGE_SHARE = 6.0, 0.02
"""A change at a bar must gain so many seconds of pure intervals, and so much of the whole piece."""

_MOST_CHANGES = 4
"""More changes than this are no advice: the harmony wants to be followed."""


@dataclass(frozen=True)
class TonicChange:
    """From this bar on, another tonic."""

    bar: int
    tonic: str

    def __str__(self) -> str:
        """Write it as a change at a bar is written: ``17=A``."""
        return f"{self.bar}={self.tonic}"


@dataclass(frozen=True)
class Advice:
    """What would raise the share of pure intervals."""

    share: float  # as the table is
    # The one tonic that suits the whole piece best, as a player has to say it; empty where none is worth it.
    tonic: str = ""
    tonic_share: float = 0.0  # the share with it
    # Tonics from bar to bar, where they gain still more; the first one may be at bar 1.
    changes: tuple[TonicChange, ...] = ()
    changes_share: float = 0.0  # the share with them


def _tables(table: Table) -> list[Table]:
    """Return the table on each tonic, by pitch class of the tonic as it sounds."""
    shift = table.shift_semitones
    found = []
    for sounding in range(12):
        open_class = (sounding - shift) % 12
        same = open_class == parse_pitch_class(table.spec.tonic)
        found.append(table if same else build_table(table.spec.at_tonic(key_name(open_class, "major"))))
    return found


def tonic_shares(
    notes: Sequence[TimedNote], table: Table, bar_starts_s: Sequence[float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Measure every tonic in every bar.

    Returns
    -------
    (ndarray of shape (12, bars), ndarray of shape (bars,))
        Seconds of pure thirds, fourths, fifths and sixths for each tonic, and seconds of all of them.
    """
    pure = np.zeros((12, len(bar_starts_s)))
    total = np.zeros(len(bar_starts_s))
    for tonic, one in enumerate(_tables(table)):
        bars = measure(notes, fixed_hz(notes, one.hz), bar_starts_s, chords_alone=True).bars
        pure[tonic] = [bar.purity.share * bar.purity.seconds for bar in bars]
        total = np.array([bar.purity.seconds for bar in bars])
    return pure, total


def advise(notes: Sequence[TimedNote], table: Table, bar_starts_s: Sequence[float], heard: Heard) -> Advice:
    """Find the tonics that suit a piece better than the table's.

    Parameters
    ----------
    notes : sequence of TimedNote
        In order of their start.
    table : Table
        The table as it is.
    bar_starts_s : sequence of float
        When each bar begins.
    heard : Heard
        What was heard, chords included; where its tonic is not sure, nothing is advised.
    """
    if not bar_starts_s or table.spec.scale is None:
        return Advice(measure(notes, fixed_hz(notes, table.hz)).share)
    pure, total = tonic_shares(notes, table, bar_starts_s)
    everything = float(total.sum())
    present = parse_pitch_class(table.tonic)
    if everything <= 0:
        return Advice(1.0)
    share = float(pure[present].sum()) / everything
    if not heard.sure:
        return Advice(share)
    sums = pure.sum(axis=1)
    own = _own_tonics(heard)
    pure = np.where([[tonic in own or tonic == present] for tonic in range(12)], pure, 0.0)
    # Others than what was heard have to gain more; of tonics that are equally pure, the table's own counts.
    worth = sums - WORTH_SHARE * everything * np.array(
        [tonic not in (present, own[0]) for tonic in range(12)]
    )
    best = max((present, *own), key=lambda one: (round(float(worth[one]), 6), one == present, -one))
    best_share = float(sums[best]) / everything
    advice = Advice(share)
    if best != present and best_share >= share + WORTH_SHARE:
        advice = Advice(share, _said(best, heard, table), best_share)
    path = _path(pure, present, max(_CHANGE_S, _CHANGE_SHARE * everything))
    path_share = float(sum(pure[tonic, bar] for bar, tonic in enumerate(path))) / everything
    changes = tuple(
        TonicChange(bar + 1, _said(tonic, heard, table))
        for bar, tonic in enumerate(path)
        if tonic != (path[bar - 1] if bar else present)
    )
    if (
        len(changes) > (1 if path[0] != present else 0)
        and path_share >= max(share, advice.tonic_share) + WORTH_SHARE
    ):
        return Advice(advice.share, advice.tonic, advice.tonic_share, changes, path_share)
    return advice


def _own_tonics(heard: Heard) -> list[int]:
    """Return the tonics that are a piece's own: what was heard, those of its keys, and where it stands or rests.

    It rests where a major chord falls a fifth, unless that is the tonic going to IV.
    """
    own = [heard.tonic.pitch_class] if heard.tonic is not None else []
    named = [(one.end_s - one.start_s, one.chord) for one in heard.chords if one.chord is not None]
    stands_s, rests = np.zeros(12), np.zeros(12)
    for length_s, chord in named:
        stands_s[chord.root_class] += length_s
    for (_, chord), (_, after) in pairwise(named):
        if 4 in chord.kind.semitones and (chord.root_class + 5) % 12 == after.root_class:
            rests[after.root_class] += chord.root_class not in own
    part = stands_s / max(float(stands_s.sum()), 1e-9)
    rested = (rests >= _RESTS) & (part >= _REST_PART) | (part >= _MOST_PART)
    own += [key.pitch_class for key in heard.keys]
    return list(dict.fromkeys([*own, *(int(one) for one in np.flatnonzero(rested))]))


def _said(tonic: int, heard: Heard, table: Table) -> str:
    """Name a tonic that sounds as a player has to say it: on the open strings, and before a piece is transposed."""
    spec = table.spec
    return moved_tonic(
        _name(tonic, heard), -table.shift_semitones - (0 if spec.shapes_kept else spec.transposed)
    )


def _name(tonic: int, heard: Heard) -> str:
    """Name a tonic as it was heard, else as keys are usually written."""
    for key in heard.keys:
        if key.pitch_class == tonic:
            return key.name
    return key_name(tonic, "major")


def _path(pure: NDArray[np.float64], present: int, change_s: float) -> list[int]:
    """Return the tonic of each bar that is purest in all, each change costing some seconds."""
    total = pure[:, 0] - change_s * (np.arange(12) != present)
    came: list[NDArray[np.int64]] = []
    for gain in pure.T[1:]:
        best = int(total.argmax())
        stay = total >= total[best] - change_s
        came.append(np.where(stay, np.arange(12), best))
        total = np.where(stay, total, total[best] - change_s) + gain
    path = [int(total.argmax())]
    for back in reversed(came):
        path.append(int(back[path[-1]]))
    return path[::-1]


def cures(following: Following, bar_starts_s: Sequence[float]) -> dict[int, str]:
    """Return for bars the changes of degrees that would make them purer, ready to paste, and those that end them.

    Returns
    -------
    dict of int to str
        By bar, such as ``--at 3=,2=10/9 --at 4=,2=9/8``: each for its bar alone (`whole_cure` has all). Bars are left
        out where nothing is gained, and where a bar needs two pitches of one degree.
    """
    found = {}
    for bar, moved in _moved_degrees(following, bar_starts_s).items():
        back = {name: (home, home) for name, (_, home) in moved.items()}
        found[bar] = _at(bar, moved) + (f" {_at(bar + 1, back)}" if bar < len(bar_starts_s) else "")
    return found


def whole_cure(following: Following, bar_starts_s: Sequence[float]) -> tuple[str, float]:
    """Return one line of changes that cures all bars together, ready to paste, and the share that it makes.

    Each change says all that is different from the bar before, and so takes back what only that one needed. The line
    is empty where the tonic moves on the way, where fewer than two bars have a cure, and where it would not make the
    piece purer.
    """
    score = following.score
    if len(set(score.palettes)) != 1 or len(bars := _moved_degrees(following, bar_starts_s)) < 2:
        return "", 0.0
    palette, homes = score.palettes[0], {}
    for moved in bars.values():
        homes.update({name: home for name, (_, home) in moved.items()})
    words: list[str] = []
    standing = dict(homes)
    for bar in sorted({*bars, *(bar + 1 for bar in bars if bar < len(bar_starts_s))}):
        wanted = {**homes, **{name: new for name, (new, _) in bars.get(bar, {}).items()}}
        if changed := {name: (new, "") for name, new in wanted.items() if standing[name] != new}:
            words.append(_at(bar, changed))
        standing = wanted
    offsets = []
    for segment in following.segments:
        # A note takes what stands in the bar in which it is struck.
        bar = int(np.searchsorted(bar_starts_s, segment.start_s + 1e-6, side="right"))
        name = DEGREES[(segment.pitch_class - palette.tonic_class) % 12]
        new = bars.get(bar, {}).get(name, ("", ""))[0]
        own = palette.classes[segment.pitch_class]
        offsets.append(next((one.offset_cents for one in own if str(one) == new), 0.0))
    share = score.measure(score.spread(offsets)).share
    return (" ".join(words), share) if share > score.measure().share else ("", 0.0)


def _at(bar: int, degrees: Mapping[str, tuple[str, str]]) -> str:
    """Write a change of degrees at a bar as it is given."""
    return f"--at {bar}=," + ",".join(f"{name}={new}" for name, (new, _) in degrees.items())


def _moved_degrees(
    following: Following, bar_starts_s: Sequence[float]
) -> dict[int, dict[str, tuple[str, str]]]:
    """Return for bars the degrees that would make them purer elsewhere: there, and where the table has them."""
    score = following.score
    before = score.measure(0.0, bar_starts_s).bars
    after = score.measure(following.offsets_cents, bar_starts_s).bars
    starts = np.array([segment.start_s for segment in following.segments])
    ends = np.array([segment.end_s for segment in following.segments])
    found: dict[int, dict[str, tuple[str, str]]] = {}
    for bar, begin in enumerate(bar_starts_s, 1):
        if after[bar - 1].purity.share <= before[bar - 1].purity.share:
            continue
        beyond = bar_starts_s[bar] if bar < len(bar_starts_s) else np.inf
        choices: dict[int, set[tuple[str, str]]] = {}
        for index in np.flatnonzero((starts < beyond - 1e-6) & (ends > begin + 1e-6)):
            segment, palette = following.segments[index], score.palettes[index]
            degree = (segment.pitch_class - palette.tonic_class) % 12
            home = str(palette.free[segment.pitch_class][0])
            choices.setdefault(degree, set()).add((str(following.variants[index]), home))
        if any(len(each) > 1 for each in choices.values()):
            continue
        moved = {
            DEGREES[degree]: one
            for degree, each in sorted(choices.items())
            for one in each
            if degree and one[0] != one[1]
        }
        if moved:
            found[bar] = moved
    return found
