"""From a chart that is known to what is played by it: chords, pitches found beforehand, and a drone that follows them.

A chart decides the names of chords and the tonic of the piece; its chords are solved beforehand, under every table.
Notes that a player holds one by one, replaced degrees and tonics of tables win over it, as over all following.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from bridge.engine.play.chart_plan import ChartPlan, ChordStep
from bridge.engine.play.drones.chart import ChartNote
from bridge.engine.play.drones.sounds import drone_program
from bridge.engine.play.follow_plan import Choices
from bridge.errors import MethodProblem
from bridge.harmony.asked import FollowRequest
from bridge.harmony.charts.chart import Chart
from bridge.harmony.charts.solved import follow_chart
from bridge.harmony.choice.variants import Variant
from bridge.jobs.harmony.charts import chart_times, tonic_of_chart
from bridge.jobs.harmony.degrees import held_under, named_classes
from bridge.jobs.harmony.palettes import palettes_of
from bridge.live.backing import Backing
from bridge.live.plan import ChordsDrone
from bridge.tuning.drone_notes import VOICE, drone_keys
from bridge.tuning.notes import parse_pitch_class
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import Table, build_table

AFTER_CHART = "(no chart)"
"""Where a track goes on and its chart does not."""

_SAME_CENTS = 0.01


@dataclass(frozen=True)
class ChartWanted:
    """A chart, and the drone that follows it."""

    chart: Chart
    piece: str = ""
    """Whose it is."""
    drone: str = ""
    """What is held under each chord; empty: nothing."""
    sound: str = ""
    """The drone's sound."""
    voice: str = VOICE
    """Who sings to it (`bridge.tuning.drone_notes.VOICES`)."""

    octave: int | None = None
    """The octave in which a chord's root stands, whoever sings."""

    def tonic_under(self, spec: TableSpec) -> str | None:
        """Return the tonic of its chords; of equals that of a guitar."""
        return self.tonic(build_table(spec))

    def tonic(self, table: Table) -> str | None:
        """Return the tonic of its chords; of equals that of a guitar."""
        return tonic_of_chart(self.chart, parse_pitch_class(table.tonic) if table.strings else None)


def chart_plan(
    wanted: ChartWanted,
    spec: TableSpec,
    home: TableSpec,
    choices: Choices | None,
    request: FollowRequest,
    backing: Backing | None = None,
    channels: Sequence[int] = (),
) -> ChartPlan:
    """Work out a chart under one table.

    Parameters
    ----------
    spec, home : TableSpec
        The table, and the one that the piece starts with.
    choices : Choices or None
        What there is to choose from under the table (`bridge.live.prepare.follow`); None: nothing is chosen.
    request : FollowRequest
        How the harmony is followed.
    backing : Backing, optional
        The track whose bars lead through the chart; without one a foot or a key does.
    channels : sequence of int
        Channels for the drone, the best first.

    Raises
    ------
    ValueProblem
        The track has no bars, or fewer than the chart; the drone's notes make no sense.
    MethodProblem
        There are not enough channels for the drone.
    """
    chart = wanted.chart
    starts_s = chart_times(backing.bars_s, len(chart.bars)) if backing is not None else []
    if choices is None:
        steps: list[tuple[int, Fraction, ChordStep]] = []
        for bar in chart.bars:
            for one in bar.chords:
                keys: tuple[int, ...] = ()
                if wanted.drone and one.chord is not None:
                    keys = drone_keys(wanted.drone, one.chord.root, wanted.voice, wanted.octave)
                held = tuple(ChartNote(key) for key in keys)
                steps.append((bar.number, one.start, ChordStep(str(one), bar.number, bar.section, (), held)))
    else:
        steps = _solved(wanted, spec, home, choices, request, starts_s)
    kept: list[ChordStep] = []
    begins_s: list[float] = []
    for number, start, step in steps:
        if kept and kept[-1]._replace(bar=step.bar) == step:
            continue
        kept.append(step)
        if starts_s:
            begins_s.append(starts_s[number - 1] + float(start) * (starts_s[number] - starts_s[number - 1]))
    if backing is not None and len(backing.bars_s) > len(chart.bars):
        kept.append(ChordStep(AFTER_CHART, len(chart.bars) + 1))
        begins_s.append(starts_s[-1])
    most = max(len(step.held) for step in kept)
    if 2 * most > len(channels) and wanted.drone:
        raise MethodProblem(
            f"a drone of {most} notes that fade into others needs {2 * most} channels, and {len(channels)} are free",
            "hold fewer notes, or allow more channels",
        )
    own = tuple(sorted(channels[: 2 * most])) if wanted.drone else ()
    program = drone_program(wanted.sound) if wanted.sound else None
    return ChartPlan(wanted.piece, tuple(kept), tuple(begins_s), own, program)


def _solved(
    wanted: ChartWanted,
    spec: TableSpec,
    home: TableSpec,
    choices: Choices,
    request: FollowRequest,
    starts_s: Sequence[float],
) -> list[tuple[int, Fraction, ChordStep]]:
    """Find the pitches of all chords, and what the drone holds under each: bar, place in the bar, chord."""
    home_table = build_table(home)
    named = named_classes(wanted.drone)
    tables = [home_table, build_table(spec)]
    palette = palettes_of(tables, wanted.tonic(home_table), request, (named, named))[1]
    found = []
    for one in follow_chart(wanted.chart, palette, request.moves, starts_s[:-1]):
        held = (
            held_under(one, wanted.drone, palette, named, wanted.voice, wanted.octave) if wanted.drone else ()
        )
        fixed: dict[int, Variant] = {key % 12: variant for key, variant in held}
        fixed.update(one.variants)
        limits = []
        for pitch_class, variant in sorted(fixed.items()):
            own = choices.classes[pitch_class]
            index = next(
                (
                    at
                    for at, each in enumerate(own)
                    if abs(each.offset_cents - variant.offset_cents) < _SAME_CENTS
                ),
                None,
            )
            if index is not None and len(own) > 1:
                limits.append((pitch_class, index))
        step = ChordStep(
            str(one.chord),
            one.bar,
            wanted.chart.bars[one.bar - 1].section,
            tuple(limits),
            tuple(ChartNote(key, round(variant.offset_cents, 6)) for key, variant in held),
        )
        found.append((one.bar, one.chord.start, step))
    return found


def chords_drone(
    charts: Sequence[ChartPlan | None], on: bool = False, volume: int | None = None
) -> ChordsDrone | None:
    """Return the drone that follows charts; None where none has one."""
    own = sorted({channel for chart in charts if chart is not None for channel in chart.channels})
    return ChordsDrone(tuple(own), on, volume) if own else None


def about_chart(chart: ChartPlan | None, drone: str, followed: bool) -> list[str]:
    """Say how a chart is gone through, and what follows it."""
    if chart is None:
        return []
    lead = "the bars of the track lead through it" if chart.starts_s else "c or a foot goes on, C goes back"
    said = [f"chart of {len(chart.steps)} chords: {lead}"]
    if chart.channels:
        said.append("the drone follows the chart")
        if not followed:
            said.append("the drone has pure chords, the keyboard its table: --follow-harmony lets both agree")
    return said
