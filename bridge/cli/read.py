"""``stillbeat read``: get a table back from a SysEx file, a set-up file or a table file."""

from __future__ import annotations

from pathlib import Path

import click

from bridge.cli.parts.options import overwrite_option
from bridge.cli.parts.printing import show_note


@click.command("read")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--program", type=click.IntRange(0, 127), metavar="N", help="Tuning program, where a file fills several."
)
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    metavar="NAME.table.toml",
    help="Keep the table as a description.",
)
@click.option("--all", "all_keys", is_flag=True, help="All 128 notes instead of one octave.")
@click.option("--json", "as_json", is_flag=True, help="JSON for scripts.")
@overwrite_option
def read_command(
    file: Path, program: int | None, output: Path | None, all_keys: bool, as_json: bool, overwrite: bool
) -> None:
    """Get a table back from FILE.

    It may be what a synth sent of its tuning (SysEx: messages that change or tell its settings), a set-up MIDI file, a
    table's description (a text file, .table.toml), JSON (for scripts) or CSV (for spreadsheets).

    \b
      stillbeat read open-d.dump.syx
      stillbeat read from-the-synth.syx --program 3 -o found.table.toml
    """
    from dataclasses import replace

    from bridge.cli.parts.printing import cents, hertz, show, show_table
    from bridge.jobs.read import read_table
    from bridge.store.descriptions import save_table
    from bridge.store.files import write_bytes_atomic
    from bridge.tuning.tables import build_table

    found = read_table(file, program)
    table = build_table(found.spec)
    if output is not None:
        name = output.name.removesuffix(".toml").removesuffix(".table") or found.spec.name
        text = save_table(replace(found.spec, name=name))
        write_bytes_atomic(output, text.encode("utf-8"), overwrite=overwrite)
    for notice in found.notices:
        show_note(notice)
    if as_json:
        import json

        from bridge.store.tablejson import table_to_json

        click.echo(json.dumps(table_to_json(table), indent=1, allow_nan=False))
        return
    show(f"{file}: {found.what}")
    show()
    deviations = table.cents_from_equal
    keys = range(128) if all_keys else range(60, 72)
    show_table(
        ("note", "Hz", "cents from equal", "MIDI key"),
        [
            (table.note(key), hertz(float(table.hz[key])), cents(float(deviations[key]), 2), str(key))
            for key in keys
        ],
    )
    if output is not None:
        show()
        show(f"kept as {output}")
