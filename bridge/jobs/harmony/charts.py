"""Charts as input: from words or a file to bars of chords, and laid over a piece in the place of what is heard."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from bridge.errors import InputProblem, StillbeatError, ValueProblem
from bridge.harmony.charts.chart import Chart, parse_chart
from bridge.harmony.charts.solved import DEFAULT_BAR_S, chart_notes
from bridge.harmony.heard.chords import HeardChord
from bridge.harmony.heard.hear import Heard, hear, hear_keys
from bridge.jobs.harmony.notes import Music
from bridge.store.files import read_bytes

_MOST_BYTES = 1_000_000


def chart_from(words: str) -> Chart:
    """Read a chart: text such as ``| G | Em | Am D7 |``, or the name of a file that holds it.

    Raises
    ------
    ValueProblem
        The text is no chart.
    InputProblem
        The file is missing or holds none; names file and line.
    """
    if "|" in words or "\n" in words:
        return parse_chart(words)
    if not os.path.isfile(words):  # a chart may be longer than any name
        try:
            return parse_chart(words)
        except ValueProblem as problem:
            raise ValueProblem(
                f"{words!r} is neither a file nor a chart: {problem.message}", problem.hint
            ) from None
    return chart_file(Path(words))


def chart_file(path: Path) -> Chart:
    """Read a chart from a text file."""
    data = read_bytes(path, _MOST_BYTES)
    try:
        return parse_chart(data.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise InputProblem(f"{path} is no text", "a chart is a text file in UTF-8") from None
    except StillbeatError as problem:
        raise InputProblem(f"{path}: {problem.message}", problem.hint) from None


def chart_times(bar_starts_s: Sequence[float], bars: int) -> list[float]:
    """Return when each bar of a chart begins along a track, and when the last one ends.

    Raises
    ------
    ValueProblem
        The track has no bars, or fewer than the chart.
    """
    starts_s = list(bar_starts_s)
    if not starts_s:
        raise ValueProblem("this track has no bars to lay a chart over", "take a track that counts in bars")
    if len(starts_s) < bars:
        raise ValueProblem(
            f"the chart has {bars} bars, the track {len(starts_s)}",
            "are repeats written in only one of them?",
        )
    last_s = starts_s[-1] - starts_s[-2] if len(starts_s) > 1 else DEFAULT_BAR_S
    return [*starts_s, starts_s[-1] + last_s][: bars + 1]


def tonic_of_chart(
    chart: Chart, guitar_class: int | None = None, bar_starts_s: Sequence[float] = ()
) -> str | None:
    """Return the tonic of a chart's chords; None where it has none.

    Parameters
    ----------
    guitar_class : int, optional
        Pitch class of the guitar's own tonic, which decides between equals.
    bar_starts_s : sequence of float
        When each bar begins, where a track leads; else all are alike.
    """
    notes = chart_notes(chart, bar_starts_s)
    starts_s = bar_starts_s or music_of_chart(chart).bar_starts_s
    tonic = hear_keys(notes, starts_s, guitar_class).tonic if notes else None
    return tonic.name if tonic is not None else None


def heard_by_chart(music: Music, chart: Chart, guitar_class: int | None) -> Heard:
    """Return a piece's harmony as its chart has it; bars beyond the chart as they are heard.

    Raises
    ------
    ValueProblem
        The piece has no bars, or fewer than the chart.
    """
    if not music.bar_starts_s:
        raise ValueProblem("this piece has no bars to lay a chart over", "leave the chart out")
    notes = chart_notes(chart, music.bar_starts_s)
    named = hear(notes, music.bar_starts_s, guitar_class)
    own = hear(music.notes, music.bar_starts_s, guitar_class)
    starts_s = [*music.bar_starts_s, max((note.end_s for note in music.notes), default=0.0)]
    if len(starts_s) > 2:
        starts_s[-1] = max(starts_s[-1], 2 * starts_s[-2] - starts_s[-3])
    chords = []
    for bar in chart.bars:
        begin, end = starts_s[bar.number - 1], starts_s[bar.number]
        for one in bar.chords:
            start = begin + float(one.start) * (end - begin)
            stop = start + float(one.length) * (end - begin)
            sounds = () if one.chord is None else one.chord.notes
            chords.append(HeardChord(bar.number, start, stop, one.chord, sounds, 1.0))
    beyond = [chord for chord in own.chords if chord.bar > len(chart.bars)]
    return Heard(named.tonic or own.tonic, named.keys or own.keys, (*chords, *beyond))


def music_of_chart(chart: Chart, bar_s: float = DEFAULT_BAR_S) -> Music:
    """Return a chart as music: each chord in close position above its bass."""
    notes = chart_notes(chart)
    starts = tuple(bar_s * bar for bar in range(len(chart.bars)))
    return Music(tuple(notes), (0,) * len(notes), starts, (4,) * len(starts))
