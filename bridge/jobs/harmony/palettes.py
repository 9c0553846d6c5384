"""What there is to choose from in a piece whose harmony is followed, and what excludes following.

What wins over what
-------------------
- Notes held one by one (`pins`), strings as tuned and open strings that win keep the pitch they have.
- A degree that was replaced, from the start or from a bar on, stays where it was put.
- From a bar with a tonic of its own on, that tonic's variants are the only ones; until then those of the tonic that
  is heard count too.
- A drone of the same run holds its classes: its notes under the table that is in force; of one that follows a chart
  what it names, and under each chord what stands above the chord's root.
- Equal temperament, tempered scales and key signatures that move the tonic exclude following.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

from bridge.errors import ValueProblem
from bridge.harmony.asked import FollowRequest
from bridge.harmony.charts.chart import Chart
from bridge.harmony.charts.solved import SolvedChord, follow_chart
from bridge.harmony.choice.follow import Stretch
from bridge.harmony.choice.variants import Palette, palette_of
from bridge.jobs.harmony.charts import chart_times
from bridge.jobs.harmony.degrees import named_classes
from bridge.tuning.drone_notes import drone_keys
from bridge.tuning.notes import parse_pitch_class
from bridge.tuning.tables import Table

_SOON_S = 1e-4


@dataclass(frozen=True)
class Under(Stretch):
    """What there is to choose from, and what a drone holds, from a time of a piece on."""

    table: Table
    drone: str = ""  # its notes; empty: it is silent


def check_request(equal: bool, follow_key_signatures: bool) -> None:
    """Refuse what excludes following.

    Raises
    ------
    ValueProblem
        Says what excludes it.
    """
    if equal:
        raise ValueProblem(
            "--follow-harmony and --equal were both asked for", "equal temperament has no commas to follow by"
        )
    if follow_key_signatures:
        raise ValueProblem(
            "--follow-harmony and --follow-key-signatures were both asked for",
            "both move notes where the key changes; choose one",
        )


def palettes_of(
    tables: Sequence[Table],
    own_tonic: str | None,
    wanted: FollowRequest,
    held: Sequence[Collection[int]] = (),
) -> list[Palette]:
    """Return what there is to choose from under each table of a piece.

    Parameters
    ----------
    tables : sequence of Table
        The table at the start, and each that was asked for later.
    own_tonic : str or None
        The tonic that was heard.
    wanted : FollowRequest
        What stays.
    held : sequence of (collection of int)
        Pitch classes that stay besides, under each table; empty: none.

    Raises
    ------
    TuningProblem
        A table has no scale, or a tempered one.
    """
    home = tables[0]
    found = []
    for table, own_held in zip(tables, held or ((),) * len(tables), strict=True):
        spec = table.spec
        named = table is not home and spec.tonic_class != home.spec.tonic_class
        degrees = {degree for degree, _ in (*spec.home_degree_changes, *spec.degree_changes)}
        tonic_class = parse_pitch_class(table.tonic)
        kept = {*own_held, *((tonic_class + degree) % 12 for degree in degrees)}
        own = None if named else own_tonic
        found.append(palette_of(table, own, wanted.pinned, sorted(kept), wanted.natural_sevenths))
    return found


def palettes_along(
    tables: Sequence[tuple[float, Table]],
    drones: Sequence[tuple[float, str]],
    own_tonic: str | None,
    wanted: FollowRequest,
    charted: bool,
) -> list[Under]:
    """Return what there is to choose from along a piece: a stretch from each new table, and each change of drone, on.

    Parameters
    ----------
    tables, drones : sequence of (float, ...)
        From when on, in seconds: each table, the first at 0, and what a drone holds.
    own_tonic, wanted
        As for `palettes_of`.
    charted : bool
        Whether the drone follows a chart: its degrees then stay nowhere.
    """
    starts_s = sorted({start_s for start_s, _ in (*tables, *drones)})
    under = [[one for from_s, one in tables if from_s <= start_s][-1] for start_s in starts_s]
    held = [next((one for from_s, one in reversed(drones) if from_s <= start_s), "") for start_s in starts_s]
    classes: list[Collection[int]] = [
        named_classes(text)
        if charted
        else {key % 12 for key in (drone_keys(text, table.tonic) if text else ())}
        for text, table in zip(held, under, strict=True)
    ]
    palettes = palettes_of(under, own_tonic, wanted, classes)
    return [Under(*one) for one in zip(starts_s, palettes, under, held, strict=True)]


def chart_along(
    chart: Chart, unders: Sequence[Under], moves: str, bar_starts_s: Sequence[float]
) -> Iterator[tuple[float, float, SolvedChord, Under]]:
    """Yield the chords of a chart over the bars of a piece, solved as a whole under each table: from when, until when.

    A chord in which the table or the drone changes comes once for each.
    ValueProblem if the piece has no bars, or fewer than the chart.
    """
    times_s = chart_times(bar_starts_s, len(chart.bars))
    ends_s = [*(under.start_s for under in unders[1:]), float("inf")]
    for under, end_s in zip(unders, ends_s, strict=True):
        first_s = under.start_s if under is not unders[0] else times_s[0]
        for one in follow_chart(chart, under.palette, moves, times_s[:-1]):
            begin_s, beyond_s = times_s[one.bar - 1], times_s[one.bar]
            start_s = begin_s + float(one.chord.start) * (beyond_s - begin_s)
            stop_s = start_s + float(one.chord.length) * (beyond_s - begin_s)
            start_s, stop_s = max(start_s, first_s), min(stop_s, end_s)
            if stop_s > start_s + _SOON_S:
                yield start_s, stop_s, one, under
