"""``stillbeat export``: write a table as files for synths, spreadsheets and scripts."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.cli.parts.options import overwrite_option, table_options, warn_doubt

if TYPE_CHECKING:
    from bridge.jobs.choose import TableRequest


@click.command("export")
@table_options(argument=True)
@click.option(
    "-o", "--output", "folder", required=True, type=click.Path(path_type=Path), help="Folder to write into."
)
@click.option("--name", metavar="NAME", help="Beginning of the file names  [default: the table's name]")
@click.option("--synth", metavar="NAME", help="Give the messages the form that this synth obeys.")
@click.option("--program", type=click.IntRange(0, 127), metavar="N", help="Tuning program to fill, 0-127.")
@click.option(
    "--bank", type=click.IntRange(0, 127), metavar="N", help="Tuning bank; sends the forms that name one."
)
@click.option(
    "--device-id",
    type=click.IntRange(0, 127),
    metavar="N",
    help="The number the synth answers to, its device ID  [default: 127, all]",
)
@click.option(
    "--sheet/--no-sheet",
    default=True,
    show_default=True,
    help="Sheets for players as PDF, HTML and SVG; needs more libraries: pip install 'stillbeat[sheets]'.",
)
@overwrite_option
def export_command(
    request: TableRequest,
    folder: Path,
    name: str | None,
    synth: str | None,
    program: int | None,
    bank: int | None,
    device_id: int | None,
    sheet: bool,
    overwrite: bool,
) -> None:
    """Write a table in every form a session needs.

    Writes NAME.note.syx, NAME.octave.syx, NAME.dump.syx (SysEx: messages that change a synth's settings),
    NAME.setup.mid (play it before a piece), NAME.csv (for spreadsheets), NAME.json (for scripts) and NAME.table.toml
    (a text file that describes it), a sheet to read from (NAME.sheet.pdf, NAME.sheet.html and NAME.sheet.svg), and one
    for a singer and a violinist: NAME.singer-violin.pdf and NAME.singer-violin.html.

    Sending one of the SysEx files overwrites a tuning program in the synth's memory: save what is there first.

    \b
      stillbeat export --guitar open-d --reference D3=146.5 -o tables-for-tonight
    """
    from bridge.cli.parts.printing import show
    from bridge.jobs.choose import choose_table
    from bridge.jobs.export import addressed, export_table
    from bridge.store.profiles import load_profile
    from bridge.wire.profile import STANDARD

    spec = choose_table(request)
    warn_doubt(spec.doubt)
    profile = addressed(load_profile(synth) if synth else STANDARD, program, bank, device_id)
    done = export_table(spec, folder, profile, name, overwrite, sheet)
    for path in done.files:
        show(str(path))
    show()
    if done.differs:
        show(f"against the table that was here before: {done.differs}")
    for method, residual in done.residuals.items():
        show(f".{method}.syx: within {max(residual.worst_cents, 0.0001):.4f} cents of the table")
        if residual.clamped_keys:
            show(
                f"  {len(residual.clamped_keys)} keys are beyond what tuning messages reach and sound at the end"
            )
    for method, reason in done.left_out.items():
        show(f"{method if method == 'sheet' else f'.{method}.syx'}: left out: {reason}")
    show(
        "sending a .syx file (SysEx, messages that change a synth's settings) overwrites that tuning program in the "
        "synth; save what is there first"
    )
