"""A drone along a track that follows a chart: from chords and bars to notes, times and a sound file.

Degrees stand above the root of each chord, which has the pitch that the chart as a whole wants (`bridge.harmony`)
under the table that is in force there; notes with a name stay where the table has them. A track that is followed by
commas takes the same pitches. The track's bars say when chords change, nothing else does.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from bridge.engine.mts.live import MtsLiveEngine
from bridge.engine.play.drones.chart import CHORD_FADE_S, ChartDrone, ChartNote
from bridge.engine.play.drones.plan import LAST_TAIL_S
from bridge.engine.play.drones.sounds import drone_program
from bridge.errors import ValueProblem
from bridge.harmony.asked import FollowRequest
from bridge.jobs.changes import place_changes
from bridge.jobs.drone import DroneRequest
from bridge.jobs.harmony.charts import chart_times, tonic_of_chart
from bridge.jobs.harmony.degrees import held_under, named_classes
from bridge.jobs.harmony.notes import read_music
from bridge.jobs.harmony.palettes import chart_along, palettes_along
from bridge.jobs.retune import tick_of
from bridge.jobs.retuned import RetuneRequest
from bridge.sound.files.wav import SoundReport
from bridge.sound.render import render_file
from bridge.store.files import check_output
from bridge.store.playing import sequences
from bridge.store.profiles import load_profile
from bridge.store.smf import MidiFile
from bridge.tuning.drone_notes import USUAL, moved_names
from bridge.tuning.notes import parse_pitch_class
from bridge.tuning.tables import build_table


@dataclass(frozen=True)
class ChartDronePlan:
    """What a drone does along a track."""

    names: tuple[str, ...]  # of each chord
    chords: tuple[tuple[ChartNote, ...], ...]  # what is held under each
    starts_s: tuple[float, ...]  # when each begins
    end_s: float  # when the last one ends
    level: float = 0.8
    program: int | None = 19


def plan_chart_drone(
    request: DroneRequest, along: RetuneRequest, midi: MidiFile, octave: int | None = None
) -> ChartDronePlan:
    """Work out a drone that follows a chart along a track.

    Parameters
    ----------
    along : RetuneRequest
        How the track is retuned: its tables, its chart, how it is followed, and what else a drone holds from a bar on.
    octave : int, optional
        Where the chords' roots stand, whoever sings; None: where it suits the voice.

    Raises
    ------
    ValueProblem
        The track has no bars, or fewer than the chart; a note makes no sense; something does not go with a chart.
    TuningProblem
        A table has no scale of exact ratios.
    """
    if request.steps or request.settle is not None:
        raise ValueProblem(
            "a drone that follows a chart has no steps and does not settle",
            "leave --step, --lesson and --settle out",
        )
    assert along.chart is not None
    playing = sequences(midi)[0]
    only = playing.numbers[0] if midi.format == 2 else None
    bars_s = read_music(midi, playing, only).bar_starts_s
    spec, home = along.spec, build_table(along.spec)
    chart = along.chart.moved(spec.transposed, home.tonic)
    ends_s = chart_times(bars_s, len(chart.bars))
    changes = place_changes(midi, spec, along.at, track=only)
    tables = [(0.0, home), *((playing.tempo.seconds(one.tick), one.table) for one in changes)]
    drones = [(0.0, moved_names(" ".join(request.notes) or USUAL, spec.transposed))]
    drones += [
        (playing.tempo.seconds(tick_of(midi, only, bar, beat)), text)
        for bar, beat, text in along.drones
        if (bar, beat) != (1, 1.0)
    ]
    guitar_class = parse_pitch_class(home.tonic) if home.strings else None
    wanted = along.follow_harmony or FollowRequest()
    unders = palettes_along(tables, drones, tonic_of_chart(chart, guitar_class, bars_s), wanted, True)
    names, chords, times = [], [], []
    for start_s, _, one, under in chart_along(chart, unders, wanted.moves, bars_s):
        named, above = named_classes(under.drone), under.table.cents_from_equal - home.cents_from_equal
        held = (
            held_under(one, under.drone, under.palette, named, request.voice, octave) if under.drone else ()
        )
        names.append(str(one.chord))
        times.append(start_s)
        chords.append(
            tuple(ChartNote(key, float(above[key]) + variant.offset_cents) for key, variant in held)
        )
    return ChartDronePlan(
        tuple(names),
        tuple(chords),
        tuple(times),
        ends_s[-1],
        request.level / 100.0,
        drone_program(request.sound),
    )


def chart_drone_events(plan: ChartDronePlan, table_hz: Sequence[float]) -> Iterator[tuple[float, bytes]]:
    """Yield all of a drone for the built-in tone generator: seconds from the start, and a message."""
    engine = MtsLiveEngine(load_profile("builtin"), table_hz, "note")
    yield from engine.start(0.0)
    most = max(len(chord) for chord in plan.chords)
    channels = [channel for channel in range(1, 17) if channel != 10][: max(2 * most, 2)]
    drone = ChartDrone(plan.chords, channels, plan.level, plan.program)
    turns: list[tuple[float, int | None]] = [*zip(plan.starts_s, range(len(plan.chords)), strict=True)]
    turns.append((max(plan.end_s - CHORD_FADE_S, plan.starts_s[-1]), None))
    last_s = 0.0
    for place, (turn_s, number) in enumerate(turns):
        for data in drone.to(number, turn_s):
            yield from engine.feed(data, turn_s)
        limit_s = turns[place + 1][0] if place + 1 < len(turns) else plan.end_s + LAST_TAIL_S
        while (at_s := drone.next_s) is not None and at_s < limit_s:
            for due_s, data in drone.due(at_s):
                yield from engine.feed(data, due_s)
        last_s = limit_s
    for data in drone.release():
        yield from engine.feed(data, last_s)
    yield from engine.stop(last_s)


def render_chart_drone(
    plan: ChartDronePlan,
    table_hz: Sequence[float],
    output: Path,
    overwrite: bool = False,
    progress: Callable[[float], None] | None = None,
) -> SoundReport:
    """Write a drone along a track to a WAV or FLAC file with the built-in tone generator.

    OutputProblem or ValueProblem if the file exists or cannot be written.
    """
    check_output(output, overwrite=overwrite)

    def report(seconds: float) -> None:
        if progress is not None:
            progress(min(seconds / plan.end_s, 1.0))

    return render_file(output, chart_drone_events(plan, table_hz), overwrite=overwrite, progress=report)
