"""``stillbeat chart``: name the chords of a piece bar by bar, say what is off in each, and what cures it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from bridge.cli.parts.options import (
    at_option,
    chart_option,
    equal_chords_option,
    follow_options,
    follow_request,
    table_options,
    warn_doubt,
)

if TYPE_CHECKING:
    from bridge.harmony.told.report import ChordRow
    from bridge.jobs.choose import TableRequest


@click.command("chart")
@click.argument("piece", metavar="FILE|CHART")
@at_option
@follow_options
@equal_chords_option
@chart_option
@click.option("--csv", "as_csv", is_flag=True, help="CSV for spreadsheets.")
@click.option("--json", "as_json", is_flag=True, help="JSON for scripts.")
@table_options(argument=False)
def chart_command(
    request: TableRequest,
    piece: str,
    changes: tuple[str, ...],
    chart: str | None,
    as_csv: bool,
    as_json: bool,
    **chosen: Any,
) -> None:
    """Name the chords of a MIDI file, bar by bar: what is off in each as the table has it, and what cures it.

    Instead of a file a chart may stand there, as text or as a text file. With --follow-harmony the chords are told as
    they sound when notes follow by commas, and why what still beats must beat. A cure is written as retune takes it.

    \b
      stillbeat chart song.mid --guitar open-d
      stillbeat chart song.mid --guitar open-d --follow-harmony --csv > song.csv
      stillbeat chart "| D | Em | A7 | D |" --guitar open-d
    """
    import json

    from bridge.cli.parts.printing import show, show_note
    from bridge.jobs.choose import choose_table
    from bridge.jobs.harmony.told import apart
    from bridge.jobs.piece_chart import chart_piece
    from bridge.tuning.changes import parse_at

    spec = choose_table(request)
    warn_doubt(spec.doubt)
    told = chart_piece(piece, spec, tuple(map(parse_at, changes)), follow_request(chosen), chart)
    if as_csv:
        click.echo("\n".join(line for one in told for line in _csv([*one.rows()])))
        return
    if as_json:
        pieces = [one.to_json() for one in told]
        click.echo(json.dumps({"schema": 1, "pieces": pieces}, indent=1, allow_nan=False))
        return
    for one in told:
        _print(one.rows())
        for line in (*one.summary(), *one.cure_lines()):
            show(line)
        if far := apart(one):
            show_note(far)


def _csv(rows: list[ChordRow]) -> list[str]:
    """Write rows as CSV, with a heading."""
    import csv
    import io

    from bridge.jobs.harmony.told import COLUMNS, row_json

    stream = io.StringIO()
    writer = csv.DictWriter(stream, COLUMNS, lineterminator="\n")
    writer.writeheader()
    for row in rows:
        data = row_json(row)
        writer.writerow({**data, "sounds": " ".join(data["sounds"])})
    return stream.getvalue().splitlines()


def _print(rows: tuple[ChordRow, ...]) -> None:
    from bridge.cli.parts.printing import cents, show, show_table
    from bridge.jobs.harmony.told import row_json

    if not rows:
        return
    show_table(
        ("bar", "beat", "chord", "sounds", "off, cents", "beats/s", "what is off", "cure"),
        [
            (
                str(row.bar),
                f"{row.beat:g}",
                row.chord,
                " ".join(row.sounds),
                cents(row.cents_off) if row.off else "",
                f"{row.beats_hz:.2f}" if row.off else "",
                row_json(row)["reason"] if row.reason else row.off,
                row.cure,
            )
            for row in rows
        ],
        left=(2, 3, 6, 7),
    )
    show()
