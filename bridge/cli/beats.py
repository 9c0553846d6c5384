"""``stillbeat beats``: say how fast two notes beat, in the table and in equal temperament."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from bridge.cli.options import table_options, warn_doubt

if TYPE_CHECKING:
    from bridge.jobs.choose import TableRequest
    from bridge.tuning.beats import PartialPair


@click.command("beats")
@click.argument("first", metavar="NOTE")
@click.argument("second", metavar="NOTE")
@table_options(argument=False)
def beats_command(request: TableRequest, first: str, second: str) -> None:
    """Say how fast two notes beat, in the table and in equal temperament through the same reference.

    Lists the partials of the two notes that nearly coincide: where these beat slowly or not at all, the interval
    sounds still. How fast two strings really beat is heard by stillbeat listen --together.

    \b
      stillbeat beats D3 F#3 --guitar open-d
      stillbeat beats A2 D3 --tonic D --reference D3=146.5
    """
    from bridge.cli.printing import cents, hertz, show, show_table
    from bridge.jobs.choose import choose_table
    from bridge.tuning.beats import compare_beats
    from bridge.tuning.notes import parse_note
    from bridge.tuning.ratios import hz_to_cents
    from bridge.tuning.tables import build_table, equal_table

    keys = (parse_note(first), parse_note(second))
    spec = choose_table(request)
    warn_doubt(spec.doubt)
    table, equal = build_table(spec), equal_table(spec)
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
        show("no two of their first twelve partials come near each other: nothing to hear as beats")
        return

    def rate(pair: PartialPair | None) -> str:
        return f"{pair.beats_hz:.3f}" if pair else ""

    def off(pair: PartialPair | None) -> str:
        return cents(pair.cents, 2) if pair else ""

    show_table(
        ("partials that meet", "table: beats/s", "off, cents", "equal: beats/s", "off, cents"),
        [
            (
                f"{pair.partial} of {names[0]}, {pair.other_partial} of {names[1]}",
                rate(pair.just),
                off(pair.just),
                rate(pair.tempered),
                off(pair.tempered),
            )
            for pair in pairs
        ],
    )
