"""``stillbeat beats``: say how fast two notes beat, in the table and in equal temperament."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations
from typing import TYPE_CHECKING

import click

from bridge.cli.parts.options import table_options, warn_doubt

if TYPE_CHECKING:
    from bridge.jobs.choose import TableRequest
    from bridge.tuning.beats import PartialPair
    from bridge.tuning.spec import TableSpec


@click.command("beats")
@click.argument("notes", nargs=-1, required=True, metavar="NOTE... | CHORD | INTERVAL")
@table_options(argument=False)
def beats_command(request: TableRequest, notes: tuple[str, ...]) -> None:
    """Say how fast notes beat, in the table and in equal temperament through the same reference.

    Of two notes it lists the partials that meet: where these beat slowly or not at all, the interval sounds still.
    Partials meet that lie within 25 cents and beat slower than 20 times a second; the others are heard as roughness, or
    not at all. An interval (third, minor third) stands above the tonic. Of more notes, or of a chord (Em7, or ii7 by
    its degree), every pair. How fast two strings really beat is heard by stillbeat listen --together.

    \b
      stillbeat beats D3 F#3 --guitar open-d
      stillbeat beats A3 C4 E4
      stillbeat beats ii --guitar open-g
    """
    from bridge.cli.parts.printing import cents, hertz, show, show_table
    from bridge.jobs.choose import choose_table
    from bridge.tuning.beats import compare_beats
    from bridge.tuning.drone_notes import drone_keys, is_interval
    from bridge.tuning.notes import parse_note
    from bridge.tuning.ratios import hz_to_cents
    from bridge.tuning.tables import build_table, equal_table

    interval = is_interval(" ".join(notes))
    if not interval and len(notes) != 2:
        _beats_of_many(request, notes)
        return
    keys = () if interval else tuple(map(parse_note, notes))
    spec = choose_table(request) if interval else _spec(request, notes)
    warn_doubt(spec.doubt)
    table, equal = build_table(spec), equal_table(spec)
    keys = keys or drone_keys(" ".join(notes), table.tonic)
    if len(keys) != 2:
        _beats_of_many(request, [table.note(key) for key in keys])
        return
    just_hz = (float(table.hz[keys[0]]), float(table.hz[keys[1]]))
    equal_hz = (float(equal.hz[keys[0]]), float(equal.hz[keys[1]]))
    names = [table.note(key) for key in keys]
    show(f"{table.name}: {names[0]} {hertz(just_hz[0])} Hz, {names[1]} {hertz(just_hz[1])} Hz")
    show(f"equal, same reference: {names[0]} {hertz(equal_hz[0])} Hz, {names[1]} {hertz(equal_hz[1])} Hz")
    show(
        f"from {names[0]} to {names[1]}: {hz_to_cents(just_hz[1], just_hz[0]):.2f} cents; "
        f"equal: {hz_to_cents(equal_hz[1], equal_hz[0]):.2f}"
    )
    show()
    pairs = compare_beats(just_hz, equal_hz)
    if not pairs:
        show(f"no two of their first twelve partials meet ({_meeting()}): nothing to hear as beats")
        return

    def off(pair: PartialPair | None) -> str:
        return cents(pair.cents, 2) if pair else ""

    show_table(
        ("partials that meet", "table: beats/s", "off, cents", "equal: beats/s", "off, cents"),
        [
            (
                f"{pair.partial} of {names[0]}, {pair.other_partial} of {names[1]}",
                _rate(pair.just),
                off(pair.just),
                _rate(pair.tempered),
                off(pair.tempered),
            )
            for pair in pairs
        ],
    )
    show(f"no others of their first twelve partials meet ({_meeting()})")


def _meeting() -> str:
    """Say when partials meet."""
    from bridge.tuning.beats import MEET_CENTS, MEET_HZ

    return f"within {MEET_CENTS:g} cents, and slower than {MEET_HZ:g} beats a second"


def _rate(pair: PartialPair | None) -> str:
    return f"{pair.beats_hz:.3f}" if pair else "do not meet"


def _spec(request: TableRequest, notes: Sequence[str]) -> TableSpec:
    """Choose the table; where nothing says its tonic, that is the root of the chord, or the lowest note."""
    from bridge.cli.parts.printing import show
    from bridge.errors import ValueProblem
    from bridge.jobs.choose import choose_table
    from bridge.tuning.asked import NoTonic
    from bridge.tuning.chords.names import parse_chord_name
    from bridge.tuning.notes import parse_note, parse_tonic

    try:
        return choose_table(request)
    except NoTonic as problem:
        try:
            if len(notes) == 1:
                tonic = parse_chord_name(notes[0]).root
            else:
                tonic = parse_tonic(min(notes, key=parse_note).strip().rstrip("-0123456789"))
        except ValueProblem:
            raise problem from None
    show(f"nothing says the tonic: {tonic} is taken (--tonic D, or --guitar open-d, says another)")
    return choose_table(replace(request, tonic=tonic))


def _beats_of_many(request: TableRequest, notes: Sequence[str]) -> None:
    """Print every pair of a chord or of several notes: in the table, and equal."""
    from bridge.cli.parts.printing import cents, hertz, show, show_table
    from bridge.tuning.beats import compare_beats
    from bridge.tuning.chords.judged import judge_named
    from bridge.tuning.chords.purity import nearest_small
    from bridge.tuning.notes import parse_note
    from bridge.tuning.ratios import format_ratio, hz_to_cents
    from bridge.tuning.tables import build_table, equal_table

    spec = _spec(request, notes)
    warn_doubt(spec.doubt)
    table, equal = build_table(spec), equal_table(spec)
    if len(notes) == 1:
        (chord,) = judge_named(table, notes[:1])
        names = dict(zip(chord.keys, chord.notes, strict=True))
        show(f"{table.name}: {chord.name} ({chord.numeral}), {chord.verdict} in this table")
    else:
        names = {key: table.note(key) for key in sorted(map(parse_note, notes))}
        show(f"{table.name}")
    show(", ".join(f"{name} {hertz(float(table.hz[key]))} Hz" for key, name in names.items()))
    show()
    rows = []
    for low, high in combinations(sorted(names), 2):
        here, there = ((float(one.hz[low]), float(one.hz[high])) for one in (table, equal))
        found = nearest_small(high - low, hz_to_cents(here[1], here[0]))
        met = next(iter(compare_beats(here, there)), None)
        pair, tempered = (met.just, met.tempered) if met is not None else (None, None)
        rows.append(
            (
                f"{names[low]}-{names[high]}",
                "as the scale has it" if found is None else format_ratio(found[0]),
                "" if found is None else cents(found[1]),
                "none" if met is None else f"{met.partial} and {met.other_partial}",
                _rate(pair) if met is not None else "",
                _rate(tempered) if met is not None else "",
            )
        )
    show_table(
        ("notes", "pure is", "off, cents", "partials that meet", "table: beats/s", "equal: beats/s"),
        rows,
        left=(0, 1, 3),
    )
    show(
        f"the first partials that meet ({_meeting()}), in this table or equal; none: roughness, but no beats"
    )
