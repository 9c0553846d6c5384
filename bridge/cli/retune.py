"""``stillbeat retune``: retune a backing track (a MIDI file) for a synth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.cli.options import overwrite_option, table_options, warn_doubt

if TYPE_CHECKING:
    from bridge.jobs.choose import TableRequest
    from bridge.jobs.retune import Retuned


@click.command("retune")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), help="The retuned MIDI file.")
@click.option(
    "--method",
    type=click.Choice(["auto", "note", "octave", "dump"]),
    default="auto",
    show_default=True,
    help="How the table reaches the synth.",
)
@click.option(
    "--synth", metavar="NAME", help="What will play the file, such as fluidsynth (see: tables synths)."
)
@click.option(
    "--at",
    "changes",
    multiple=True,
    metavar="BAR[.BEAT]=CHANGE",
    help="From a bar on: a tonic (17=A), a degree (5=,2=10/9), both, a barre (9=fret:5), a table. Again for more.",
)
@click.option("--follow-key-signatures", is_flag=True, help="Let the file's key signatures move the tonic.")
@click.option("--equal", is_flag=True, help="For comparison: equal temperament through the same reference.")
@table_options(argument=False)
@overwrite_option
def retune_command(
    request: TableRequest,
    file: Path,
    output: Path,
    method: str,
    synth: str | None,
    changes: tuple[str, ...],
    follow_key_signatures: bool,
    equal: bool,
    overwrite: bool,
) -> None:
    """Retune the MIDI file FILE so that it matches the guitar. The file itself is never changed.

    Drums stay as they are. A recorded audio track cannot be retuned, only MIDI.

    \b
      stillbeat retune song.mid -o song-pure.mid --guitar open-d --reference D3=146.5
      stillbeat retune song.mid -o song-pure.mid --guitar open-g --at 17=D --at "5=,2=10/9"
    """
    from bridge.cli.printing import show
    from bridge.jobs.choose import choose_table
    from bridge.jobs.retune import RetuneRequest, retune_file
    from bridge.tuning.changes import parse_at

    spec = choose_table(request)
    warn_doubt(spec.reference.doubt)
    done = retune_file(
        file,
        output,
        RetuneRequest(
            spec=spec,
            method=method,
            synth=synth,
            at=tuple(parse_at(text) for text in changes),
            follow_key_signatures=follow_key_signatures,
            equal=equal,
        ),
        overwrite=overwrite,
    )
    _print_result(done)
    show(f"wrote {output}")


def _print_result(done: Retuned) -> None:
    from bridge.cli.printing import show
    from bridge.tuning.notes import note_name

    because = f" ({done.why})" if done.why else ""
    show(f"method {done.method}{because}, for: {done.profile.title}")
    for signature in done.inferred:
        show(f"{signature.place}: key signature {signature.text}")
    for change in done.changes:
        show(
            f"{change.place}: {change.what}"
            + (f"; against home, {', '.join(change.moved)}" if change.moved else "")
        )
    residual = done.residual
    show(
        f"every note is sent within {residual.worst_cents:.4f} cents of the table ({done.inserted} messages added)"
    )
    if residual.clamped_keys:
        names = ", ".join(note_name(key) for key in residual.clamped_keys[:4])
        more = " and others" if len(residual.clamped_keys) > 4 else ""
        show(f"beyond reach, sounding at the end of the range: {names}{more}")
    if not done.channels:
        show("the file plays no pitched notes")
    for notice in done.notices:
        click.echo(f"stillbeat: {notice}", err=True)
