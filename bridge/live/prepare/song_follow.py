"""A track whose harmony is followed while it plays: all of it is known, so it is solved beforehand, as a file is.

What is found becomes steps of a chart without names, or finer steps of the chart that is known: at each the classes
that the track sounds have the one pitch that was found for them. A keyboard beside it chooses around that.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import replace

from bridge.engine.play.chart_plan import ChartPlan, ChordStep
from bridge.engine.play.follow_plan import Choices
from bridge.harmony.asked import FollowRequest
from bridge.harmony.charts.chart import Chart
from bridge.harmony.choice.follow import Following
from bridge.jobs.harmony.tell import MOST_UNASKED, tell
from bridge.jobs.harmony.told import Told
from bridge.live.prepare.song import Song
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import build_table

_SAME_CENTS = 0.05


def followed_song(
    song: Song, home: TableSpec, request: FollowRequest, chart: Chart | None = None, drone: str = ""
) -> Told | None:
    """Follow a track as a file is followed; None where it is too long to begin soon.

    TuningProblem if a table has no scale of pure ratios.
    """
    music = song.music
    if music is None or not music.notes or len(music.notes) > MOST_UNASKED:
        return None
    tables = [(0, build_table(home)), *((change.tick, change.table) for change in song.placed)]
    told = tell(music, tables, request, chart=chart, drones=[(0, drone)])
    return told if told.following is not None else None


def with_track(chart: ChartPlan | None, choices: Choices | None, following: Following) -> ChartPlan | None:
    """Return a chart, or none, with the pitches of a track under one table."""
    if choices is None or not following.segments:
        return chart
    chart = chart or ChartPlan("", (ChordStep("", 1),), (0.0,))
    chords_s = chart.starts_s
    offsets = [variant.offset_cents for variant in following.variants]
    starts_s = sorted({*chords_s, *(segment.start_s for segment in following.segments)})
    steps: list[ChordStep] = []
    sounding: dict[int, tuple[float, int]] = {}  # until when a class sounds, and its choice
    place = 0
    segments = following.segments
    for start_s in starts_s:
        while place < len(segments) and segments[place].start_s <= start_s:
            segment = segments[place]
            index = _index(choices, segment.pitch_class, offsets[place])
            if index is None:
                sounding.pop(segment.pitch_class, None)
            else:
                sounding[segment.pitch_class] = segment.end_s, index
            place += 1
        chord = chart.steps[max(bisect_right(chords_s, start_s) - 1, 0)]
        limits = dict(chord.limits)
        limits.update({one: index for one, (end_s, index) in sounding.items() if end_s > start_s})
        steps.append(chord._replace(limits=tuple(sorted(limits.items()))))
    return replace(chart, steps=tuple(steps), starts_s=tuple(starts_s))


def _index(choices: Choices, pitch_class: int, offset_cents: float) -> int | None:
    """Return the number of the choice at an offset; None where there is no such choice, or only one."""
    own: Sequence[float] = [one.offset_cents for one in choices.classes[pitch_class]]
    if len(own) < 2:
        return None
    return next((at for at, cents in enumerate(own) if abs(cents - offset_cents) < _SAME_CENTS), None)
