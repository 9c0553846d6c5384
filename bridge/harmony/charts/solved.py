"""A chart solved beforehand: which variants each of its chords takes.

Conventions
-----------
A chart says nothing of voices, so each chord is taken in close position above its bass, struck anew. Within a section
the same chord always sounds the same: one that changes by a comma when it comes again disturbs singers. What ends leads
back to the beginning: a chart that ends on V is a turnaround, and its V is that of the tonic to come.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from bridge.errors import ValueProblem
from bridge.harmony.charts.chart import Chart, ChartChord
from bridge.harmony.choice.follow import FollowOptions, follow
from bridge.harmony.choice.variants import Palette, Variant
from bridge.harmony.notes import TimedNote, sorted_notes

_BASS_PART, _CHORD_PART = 1, 2
_LOWEST_BASS, _LOWEST_ROOT = 36, 60
DEFAULT_BAR_S = 2.0


@dataclass(frozen=True)
class SolvedChord:
    """A chord of a chart and the variants that make it pure."""

    bar: int  # its bar as played, from 1
    chord: ChartChord  # the chord and its place in the bar
    variants: dict[int, Variant]  # by pitch class; empty where nothing sounds


def _bar_starts(chart: Chart, bar_starts_s: Sequence[float]) -> list[float]:
    if not bar_starts_s:
        return [DEFAULT_BAR_S * bar for bar in range(len(chart.bars) + 1)]
    if len(bar_starts_s) < len(chart.bars):
        raise ValueProblem(
            f"the chart has {len(chart.bars)} bars, the piece {len(bar_starts_s)}",
            "are repeats written in only one of them?",
        )
    starts = list(bar_starts_s)
    return [*starts, 2 * starts[-1] - starts[-2] if len(starts) > 1 else starts[-1] + DEFAULT_BAR_S]


def chart_notes(chart: Chart, bar_starts_s: Sequence[float] = ()) -> list[TimedNote]:
    """Return a chart as notes: each chord above its bass, bars of two seconds unless told otherwise."""
    starts = _bar_starts(chart, bar_starts_s)
    notes = []
    for bar, begin, end in zip(chart.bars, starts, starts[1:], strict=False):
        for one in bar.chords:
            if one.chord is None:
                continue
            start = begin + float(one.start) * (end - begin)
            stop = start + float(one.length) * (end - begin)
            bass = _LOWEST_BASS + one.chord.bass_class
            notes.append(TimedNote(start, stop, bass, part=_BASS_PART))
            root = _LOWEST_ROOT + one.chord.root_class
            notes += [
                TimedNote(start, stop, root + step, part=_CHORD_PART) for step in one.chord.kind.semitones
            ]
    return sorted_notes(notes)


def _beginning(notes: Sequence[TimedNote], end_s: float) -> list[TimedNote]:
    """Return the first chord once more, at the end."""
    first = [note for note in notes if note.start_s == notes[0].start_s]
    return [replace(note, start_s=end_s, end_s=end_s + note.end_s - note.start_s) for note in first]


def follow_chart(
    chart: Chart, palette: Palette, moves: str = "some", bar_starts_s: Sequence[float] = ()
) -> tuple[SolvedChord, ...]:
    """Choose the variants of every chord of a chart.

    Parameters
    ----------
    palette : Palette
        What there is to choose from.
    moves : str
        As in `FollowOptions`.
    bar_starts_s : sequence of float
        When each bar begins, where the tempo is known.
    """
    notes = chart_notes(chart, bar_starts_s)
    notes += _beginning(notes, _bar_starts(chart, bar_starts_s)[len(chart.bars)])
    result = follow(notes, palette, FollowOptions(moves=moves, guard=False))
    chosen: dict[tuple[float, int], Variant] = {}
    for segment, variant in zip(result.segments, result.variants, strict=True):
        chosen[round(segment.start_s, 6), segment.pitch_class] = variant
    starts = _bar_starts(chart, bar_starts_s)
    found: list[tuple[str, SolvedChord]] = []
    for bar, begin, end in zip(chart.bars, starts, starts[1:], strict=False):
        for one in bar.chords:
            start = round(begin + float(one.start) * (end - begin), 6)
            classes = sorted(one.chord.pitch_classes) if one.chord is not None else []
            variants = {each: chosen[start, each] for each in classes}
            found.append((bar.section, SolvedChord(bar.number, one, variants)))
    return _steady(found)


def _steady(found: Sequence[tuple[str, SolvedChord]]) -> tuple[SolvedChord, ...]:
    """Give every chord of a section the variants that it has most often there, the first of equals."""
    forms: dict[tuple[str, str], Counter[tuple[tuple[int, Variant], ...]]] = {}
    for section, one in found:
        form = tuple(sorted(one.variants.items(), key=lambda item: item[0]))
        forms.setdefault((section, str(one.chord)), Counter())[form] += 1
    return tuple(
        SolvedChord(one.bar, one.chord, dict(forms[section, str(one.chord)].most_common(1)[0][0]))
        for section, one in found
    )
