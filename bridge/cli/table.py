"""``stillbeat table``: show the pitch of every note of a table, its chords, or its open strings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from bridge.cli.parts.options import table_options, warn_doubt

if TYPE_CHECKING:
    from bridge.jobs.choose import TableRequest
    from bridge.tuning.tables import Table


@click.command("table")
@table_options(argument=True)
@click.option(
    "--chords",
    is_flag=True,
    help="How pure the usual chords are, and what would cure them; --all: every one.",
)
@click.option("--chord", "named", multiple=True, metavar="NAME", help="One chord, such as ii or A7. Again.")
@click.option("--all", "all_of_them", is_flag=True, help="All 128 notes, or with --chords all chords.")
@click.option("--json", "as_json", is_flag=True, help="JSON for scripts.")
@click.option("--csv", "as_csv", is_flag=True, help="CSV for spreadsheets.")
def table_command(
    request: TableRequest,
    chords: bool,
    named: tuple[str, ...],
    all_of_them: bool,
    as_json: bool,
    as_csv: bool,
) -> None:
    """Show the pitch of every note of a table.

    TABLE is a name, or a text file NAME.table.toml; without one, say --guitar or --tonic.

    \b
      stillbeat table --guitar open-d --reference D3=146.5
      stillbeat table --tonic G --scale seven-limit
      stillbeat table --guitar open-g --tonic D --chords
      stillbeat table --guitar open-g --chord ii --chord D7
      stillbeat table --guitar open-d --as-tuned take.wav
    """
    from bridge.cli.parts.printing import show
    from bridge.jobs.choose import choose_tuned
    from bridge.tuning.as_tuned import table_as_tuned
    from bridge.tuning.tables import build_table

    if sum((chords or bool(named), as_json, as_csv)) > 1 or (all_of_them and (named or as_json or as_csv)):
        raise click.UsageError(
            "choose one of --chords, --chord, --json and --csv; --all goes with --chords or alone"
        )
    spec, tuned = choose_tuned(request)
    warn_doubt(spec.doubt)
    table = build_table(spec) if tuned is None else table_as_tuned(tuned, spec)
    if as_json:
        import json

        from bridge.store.tablejson import table_to_json

        click.echo(json.dumps(table_to_json(table), indent=1, allow_nan=False))
    elif as_csv:
        from bridge.store.tablejson import table_to_csv

        click.echo(table_to_csv(table), nl=False)
    elif chords or named:
        from bridge.cli.parts.chords import print_chords

        _print_heading(table)
        print_chords(table, named, all_of_them)
    else:
        _print_heading(table)
        _print_keys(table, range(128) if all_of_them else _octave(table))
        if tuned is None:
            _print_strings(table)
        else:
            from bridge.cli.parts.as_tuned import print_as_tuned

            print_as_tuned(tuned, table)
        show()
        show("above tonic, to reference: ratios; equal: equal temperament at A4 = 440 Hz")
        show("MIDI: the number of the key")


def _print_heading(table: Table) -> None:
    from bridge.cli.parts.printing import hertz, show
    from bridge.tuning.ratios import format_ratio

    spec = table.spec
    scale = spec.scale.title if spec.scale else "128 single pitches"
    show(f"{table.name}: {scale}, on {table.tonic}")
    if table.tonic != table.home and not table.shift_semitones:
        show(f"home is {table.home}: {table.tonic} takes its pitch from there")
    reference = table.reference
    open_note = f"{table.note(reference.key)} = {hertz(reference.hz)} Hz"
    if table.shift_semitones:
        key, hz = table.sounding_reference
        how = f"capo or barre at fret {table.fret}" if table.fret else ""
        if table.slide != 1:
            how = f"{how}{', ' if how else ''}slide {format_ratio(table.slide)}"
        show(f"reference {open_note} open; {how}: sounds {table.note(key)} = {hertz(hz)} Hz")
    else:
        show(f"reference {open_note}")
    show()


def _octave(table: Table) -> range:
    """The twelve keys from the tonic at or below the reference."""
    from bridge.tuning.notes import parse_pitch_class

    key = table.sounding_reference[0]
    start = key - (key - parse_pitch_class(table.tonic)) % 12
    start = min(max(start, 0), 116)
    return range(start, start + 12)


def _print_keys(table: Table, keys: range) -> None:
    from bridge.cli.parts.printing import cents, hertz, show_table
    from bridge.tuning.ratios import format_ratio

    deviations = table.cents_from_equal
    rows = []
    for key in keys:
        ratio, above = table.ratios[key], table.ratios_above_tonic[key]
        rows.append(
            (
                table.note(key),
                table.degrees[key] or "",
                format_ratio(above) if above is not None else "",
                format_ratio(ratio) if ratio is not None else "",
                hertz(float(table.hz[key])),
                cents(float(deviations[key]), 2),
                str(key),
            )
        )
    headings = (*("note", "degree", "above tonic", "to reference"), *("Hz", "cents from equal", "MIDI"))
    show_table(headings, rows, left=(0, 1))


def _print_strings(table: Table) -> None:
    from bridge.cli.parts.printing import cents, hertz, show, show_table
    from bridge.tuning.ratios import format_ratio

    if not table.strings:
        return
    show()
    rows = [
        (
            str(string.number),
            string.note,
            format_ratio(string.ratio) if string.ratio is not None else "tempered",
            hertz(string.hz),
            cents(string.cents_from_equal, 2),
            cents(string.cents_from_table, 2),
        )
        for string in table.strings
    ]
    show_table(
        ("string", "note", "to reference", "Hz", "cents from equal", "cents from table"),
        rows,
        left=(0, 1),
    )
    off = [string for string in table.strings if abs(string.cents_from_table) > 0.05]
    if off:
        show()
        for string in off:
            size = abs(string.cents_from_table)
            side = "above" if string.cents_from_table > 0 else "below"
            show(
                f"string {string.number} ({string.note}) lies {size:.1f} cents {side} the table's {string.note}"
            )
        from bridge.tuning.off_guitar import as_degree

        price = as_degree(table)
        show(
            "the table follows its scale; --open-strings-win makes those notes follow the strings"
            + f", which is {price}" * bool(price)
        )
    guitar = table.spec.guitar
    for said in filter(None, (guitar.remarks, guitar.caution) if guitar is not None else ()):
        from bridge.cli.parts.paragraphs import show_paragraph

        show()
        show_paragraph(" ".join(said.split()))
