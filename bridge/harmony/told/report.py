"""What a player reads about a piece: a row for each chord, the sour bars in words, and the piece in two lines.

Conventions
-----------
Everything is told about the music as it sounds in a table, or as it was followed. A row's beat counts from 1 in its
bar. Intervals are named by the keys they span; cents are wide of pure (narrow if negative). A cure is written as it
is given: ``--at 5=,2=10/9 --at 6=,2=9/8``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.harmony.choice.costs import COMMA_CENTS
from bridge.harmony.choice.follow import Following
from bridge.harmony.heard.hear import Heard
from bridge.harmony.measure import Worst, measure
from bridge.harmony.told.advice import Advice, cures
from bridge.harmony.why.reasons import BarReason
from bridge.tuning.chords.names import ChordName, parse_chord_name
from bridge.tuning.notes import parse_pitch_class, pitch_class_name
from bridge.tuning.scales import interval_name

_MOST_BARS = 6


@dataclass(frozen=True)
class ChordRow:
    """A chord of a piece, what is off in it, and what helps."""

    bar: int  # the bar, from 1
    beat: float  # where in the bar it begins, from 1
    chord: str  # its name, or ``N.C.``
    sounds: tuple[str, ...]  # names of what sounds, the bass first
    off: str  # the interval that is heard most to be off, such as ``fifth A-E``; empty if all are pure
    cents_off: float  # how wide of pure that is; 0 if all are pure
    beats_hz: float  # how fast it beats
    reason: str  # why it is so, where the piece was followed
    cure: str  # what would help, ready to paste; empty where nothing simple does


def chord_rows(
    following: Following,
    heard: Heard,
    bar_starts_s: Sequence[float],
    beats_per_bar: Sequence[int] = (),
    reasons: Sequence[BarReason] = (),
    *,
    as_followed: bool = False,
) -> tuple[ChordRow, ...]:
    """Return a row for every chord that was heard.

    Parameters
    ----------
    following : Following
        The piece as it would be followed: what the table leaves sour, and what cures it.
    bar_starts_s : sequence of float
        When each bar begins.
    beats_per_bar : sequence of int
        Beats of each bar; four where nothing is said.
    reasons : sequence of BarReason
        Why bars are not pure (`bridge.harmony.why.reasons.explain`); used with `as_followed`.
    as_followed : bool
        Tell of the piece as it was followed, instead of as the table has it.
    """
    if not heard.chords:
        return ()
    offsets: NDArray[np.float64] | float = following.offsets_cents if as_followed else 0.0
    score = following.score
    starts = [one.start_s for one in heard.chords]
    found = measure(score.notes, score.hz(offsets), starts, natural_sevenths=score.natural_sevenths).bars
    why = {(bar.bar, round(reason.start_s, 3)): reason.text for bar in reasons for reason in bar.reasons}
    first_why = {bar.bar: bar.reasons[0].text for bar in reasons if bar.reasons}
    cured = {} if as_followed else cures(following, bar_starts_s)
    rows = []
    for one, part in zip(heard.chords, found, strict=True):
        begin = bar_starts_s[one.bar - 1]
        end = bar_starts_s[one.bar] if one.bar < len(bar_starts_s) else heard.chords[-1].end_s
        beats = beats_per_bar[one.bar - 1] if one.bar <= len(beats_per_bar) else 4
        beat = 1.0 + (one.start_s - begin) / (end - begin) * beats if end > begin else 1.0
        worst = part.worst
        cure = "" if worst is None else cured.get(one.bar, "")
        reason = ""
        if worst is not None and as_followed:
            reason = why.get((one.bar, round(one.start_s, 3)), first_why.get(one.bar, ""))
        rows.append(
            ChordRow(
                one.bar,
                round(beat, 2),
                str(one),
                one.sounds,
                "" if worst is None else _interval(worst, following, one.chord),
                0.0 if worst is None else worst.cents,
                0.0 if worst is None else worst.beats_hz,
                reason,
                cure,
            )
        )
    return tuple(rows)


def _interval(worst: Worst, following: Following, chord: ChordName | None) -> str:
    """Name an interval of the music: ``fifth A-E``."""
    notes = following.notes
    lower, upper = notes[worst.lower].key, notes[worst.upper].key
    spelled = {} if chord is None else {parse_pitch_class(note): note for note in chord.notes}
    tonic = following.score.palettes[0].tonic
    names = [spelled.get(key % 12, pitch_class_name(key, tonic)) for key in (lower, upper)]
    return f"{interval_name(upper - lower)} {'-'.join(names)}"


def sour_lines(rows: Sequence[ChordRow]) -> tuple[str, ...]:
    """Say which chords are off, those that return put together, those that are heard most first.

    Returns
    -------
    tuple of str
        Such as ``"bars 5, 6, 12: Am, its fifth A-E 21.5 cents narrow"``.
    """
    together: dict[tuple[str, str, float], list[int]] = {}
    for row in rows:
        if row.off:
            bars = together.setdefault((row.chord, row.off, round(row.cents_off, 1)), [])
            if row.bar not in bars:
                bars.append(row.bar)
    order = sorted(
        together.items(), key=lambda one: (-len(one[1]) * min(abs(one[0][2]), COMMA_CENTS), one[1], one[0])
    )
    lines = []
    for (chord, off, cents), bars in order:
        told = ", ".join(str(bar) for bar in bars[:_MOST_BARS])
        if len(bars) > _MOST_BARS:
            told += f" and {len(bars) - _MOST_BARS} more"
        name = "" if chord == "N.C." else f"{chord}, {'its' if _within(off, chord) else 'with a'} "
        side = "wide" if cents > 0 else "narrow"
        lines.append(f"bar{'s' if len(bars) > 1 else ''} {told}: {name}{off} {abs(cents):.1f} cents {side}")
    return tuple(lines)


def _within(off: str, chord: str) -> bool:
    """Whether an interval is between notes of a chord, not beside them."""
    return set(off.rpartition(" ")[2].split("-")) <= set(parse_chord_name(chord).notes)


def summary(advice: Advice, following: Following | None = None) -> tuple[str, ...]:
    """Say in at most two lines how pure a piece is, and what would raise that."""
    first = f"{100 * advice.share:.0f} % of the held thirds, fourths, fifths and sixths are pure"
    raising = []
    if advice.tonic:
        raising.append(f"--tonic {advice.tonic} makes it {100 * advice.tonic_share:.0f} %")
    if advice.changes:
        line = " ".join(f"--at {change}" for change in advice.changes)
        raising.append(f"{line} makes it {100 * advice.changes_share:.0f} %")
    if following is not None and following.followed:
        raising.append(f"--follow-harmony makes it {100 * following.after.share:.0f} %")
    return (first, "; ".join(raising)) if raising else (first,)
