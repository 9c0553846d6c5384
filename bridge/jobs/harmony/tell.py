"""Hearing a piece, measuring it, and following it: from notes, tables and what was asked for to what is told (`told`).

A piece is heard, measured in the tables it has, and followed, whether that was asked for or not: what following would
gain is part of what is told. Very long or very dense files are only retuned, and that is said.

Index
-----
`tell` · `known_chords`
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeVar

from bridge.errors import TuningProblem
from bridge.harmony.asked import FollowRequest
from bridge.harmony.charts.chart import Chart
from bridge.harmony.choice.follow import KnownChord, follow
from bridge.harmony.heard.hear import hear_keys
from bridge.harmony.heard.keys import Tonic, hear_tonic
from bridge.harmony.measure import fixed_hz, measure
from bridge.harmony.told.advice import Advice, advise
from bridge.harmony.why.equal_chords import keep_equal
from bridge.jobs.harmony.charts import heard_by_chart
from bridge.jobs.harmony.degrees import held_under, named_classes
from bridge.jobs.harmony.notes import Music, pairs_at_most
from bridge.jobs.harmony.palettes import Under, chart_along, palettes_along
from bridge.jobs.harmony.told import Told
from bridge.tuning.notes import parse_pitch_class
from bridge.tuning.tables import Table

MOST_NOTES, MOST_PAIRS = 200_000, 1_500_000
"""What is longer or denser is not looked through."""

MOST_ADVISED_PAIRS = 400_000
"""Pieces with more notes that sound together are measured, and no tonics are tried on them."""

MOST_UNASKED = 20_000
"""Pieces of more notes are followed only where that is asked for: it would take some seconds."""

_T = TypeVar("_T")


def tell(
    music: Music,
    tables: Sequence[tuple[int, Table]],
    wanted: FollowRequest | None,
    *,
    chart: Chart | None = None,
    hz: Sequence[float] | None = None,
    progress: Callable[[float], None] | None = None,
    crowded_s: Sequence[tuple[float, float]] = (),
    drones: Sequence[tuple[int, str]] = (),
) -> Told:
    """Hear a piece, measure it, and follow it.

    Parameters
    ----------
    tables : sequence of (int, Table)
        The table at the start (tick 0), and each that was asked for later, by tick.
    wanted : FollowRequest or None
        How to follow; None where it was not asked for: what it would gain is found all the same.
    chart : Chart, optional
        Its chords as a player wrote them; they count for what is heard.
    hz : sequence of 128 float, optional
        What is played instead of the table, for comparison; then nothing is followed.
    progress : callable, optional
        Called with the part of the search that is done, 0 to 1.
    crowded_s : sequence of (float, float)
        When channels are short, in seconds: there the comma that costs no channel is preferred.
    drones : sequence of (int, str)
        What a drone beside it holds, by tick: its notes stay; those of one that follows the chart go with its chords.

    Raises
    ------
    TuningProblem
        Following was asked for under a table that has no exact scale.
    """
    asked = wanted is not None
    told = Told(music, asked=asked, tables=tuple(tables))
    if wanted is not None:
        told.pinned, told.equal_chords = wanted.pinned, wanted.equal_chords
    notes = music.notes
    pairs = pairs_at_most(notes)
    if len(notes) > MOST_NOTES or pairs > MOST_PAIRS:
        told.why_not = "the chords of this piece were not looked through: it has too many notes"
        if asked:
            told.why_not += ", and its harmony is not followed"
        return told
    table = tables[0][1]
    if hz is not None:
        told.measured = measure(notes, fixed_hz(notes, hz), music.bar_starts_s)
        return told
    guitar_class = parse_pitch_class(table.tonic) if table.strings else None
    tonic: Tonic | None = None
    if chart is not None:
        told.heard = heard_by_chart(music, chart, guitar_class)
        tonic = told.heard.tonic
    elif music.bar_starts_s:
        told.heard = hear_keys(notes, music.bar_starts_s, guitar_class)
        tonic = told.heard.tonic
    else:
        tonic = hear_tonic(notes, guitar_class)
    if len(tables) == 1 and told.heard is not None and not asked and pairs <= MOST_ADVISED_PAIRS:
        heard = (told.chords() if told.heard.sure else None) or told.heard
        told.advice = advise(notes, table, music.bar_starts_s, heard)
    if wanted is None and len(notes) > MOST_UNASKED and len(tables) == 1:
        told.measured = measure(notes, fixed_hz(notes, table.hz), music.bar_starts_s)
        return told
    try:
        unders = palettes_along(
            _timed(music, tables),
            _timed(music, drones),
            tonic.name if tonic is not None else None,
            wanted or FollowRequest(),
            chart is not None,
        )
    except TuningProblem:
        if asked:
            raise
        told.measured = measure(notes, fixed_hz(notes, table.hz), music.bar_starts_s)
        return told
    request = wanted or FollowRequest()
    known = known_chords(chart, unders, request.moves, music.bar_starts_s) if chart is not None else ()
    options = replace(request.options, crowded_s=tuple(crowded_s), known=known)
    told.following = follow(notes, unders, options, progress)
    if request.equal_chords:
        told.following = keep_equal(told.following)
    told.measured = told.following.after if asked else told.following.before
    if told.advice is None:
        told.advice = Advice(told.following.before.share)
    return told


def known_chords(
    chart: Chart, unders: Sequence[Under], moves: str, bar_starts_s: Sequence[float]
) -> tuple[KnownChord, ...]:
    """Return the chords of a chart over the bars of a piece, each with the pitches that the chart as a whole wants.

    Where a drone follows the chart, what it holds under a chord has its pitch too.
    """
    found = []
    for start_s, stop_s, one, under in chart_along(chart, unders, moves, bar_starts_s):
        named = named_classes(under.drone)
        held = held_under(one, under.drone, under.palette, named) if under.drone else ()
        variants = {**{key % 12: variant for key, variant in held}, **one.variants}
        offsets = {each: variant.offset_cents for each, variant in variants.items()}
        found.append(KnownChord(start_s, stop_s, offsets))
    return tuple(found)


def _timed(music: Music, some: Sequence[tuple[int, _T]]) -> list[tuple[float, _T]]:
    """Return things by the time of the first note at or after each one's tick; what no note meets is left out."""
    found = []
    for tick, one in some:
        start_s = min(
            (note.start_s for note, at in zip(music.notes, music.ticks, strict=True) if at >= tick),
            default=None,
        )
        if tick == 0 or start_s is not None:
            found.append((0.0 if tick == 0 or start_s is None else start_s, one))
    return found
