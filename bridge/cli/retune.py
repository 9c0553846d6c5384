"""``stillbeat retune``: retune a backing track (a MIDI file) for a synth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bridge.cli.parts.help_groups import GroupedHelp
from bridge.cli.parts.options import (
    at_option,
    chart_option,
    equal_chords_option,
    follow_options,
    follow_request,
    method_option,
    overwrite_option,
    table_options,
    warn_doubt,
)
from bridge.cli.parts.printing import show_note

if TYPE_CHECKING:
    from bridge.jobs.choose import TableRequest
    from bridge.jobs.retuned import Retuned, RetuneRequest


@click.command("retune", cls=GroupedHelp)
@click.argument("file", type=click.Path(path_type=Path))
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), help="The retuned MIDI file.")
@method_option("How the table reaches the synth.")
@click.option(
    "--synth", metavar="NAME", help="What will play the file, such as fluidsynth (see: tables synths)."
)
@at_option
@click.option("--follow-key-signatures", is_flag=True, help="Let the file's key signatures move the tonic.")
@click.option(
    "--channels",
    metavar="LIST",
    help="Channels that bends may use, such as 1-8,11-16  [default: the synth's, without 10]",
)
@click.option(
    "--part",
    "parts",
    multiple=True,
    type=click.IntRange(1, 16),
    metavar="CHANNEL",
    help="Channel whose notes --method mpe plays; one or two.",
)
@click.option("--plain", is_flag=True, help="Switch off modulation and chorus, so that beats can be heard.")
@click.option(
    "--tail",
    "tail_s",
    type=click.FloatRange(0, 60),
    default=0.5,
    show_default=True,
    metavar="SECONDS",
    help="How long a released note may go on decaying before its channel is bent anew.",
)
@follow_options
@equal_chords_option
@chart_option
@click.option(
    "--report",
    is_flag=True,
    help="Print which chords are off, and how nearly and at what cost notes are as the table has them.",
)
@click.option(
    "--report-json",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write the same for scripts, as JSON.",
)
@click.option("--equal", is_flag=True, help="For comparison: equal temperament through the same reference.")
@table_options(argument=False)
@overwrite_option
def retune_command(
    request: TableRequest,
    file: Path,
    output: Path,
    report: bool,
    report_json: Path | None,
    overwrite: bool,
    **chosen: Any,
) -> None:
    """Retune the MIDI file FILE so that it matches the guitar. The file itself is never changed.

    Drums stay as they are. A recorded audio track cannot be retuned, only MIDI.

    \b
      stillbeat retune song.mid -o song-pure.mid --guitar open-d --reference D3=146.5
      stillbeat retune song.mid -o song-pure.mid --guitar open-g --at 17=D --at "5=,2=10/9"
      stillbeat retune song.mid -o song-pure.mid --guitar open-d --follow-harmony --report
    """
    from bridge.cli.parts.printing import progress_bar, show
    from bridge.jobs.retune import check_midi_name, retune_file

    check_midi_name(output)
    wanted = retune_request(request, chosen)
    warn_doubt(wanted.spec.doubt)
    with progress_bar() as advance:
        done = retune_file(
            file,
            output,
            wanted,
            overwrite,
            progress=lambda share: advance(output.name, share),
            report=report_json,
            listen=True,
        )
    _print_result(done, report)
    show(f"wrote {output}")


def retune_request(request: TableRequest, chosen: dict[str, Any]) -> RetuneRequest:
    """Return what the options ask for: `chosen` holds those that say how the table reaches the synth, and when."""
    from bridge.jobs.channel_list import parse_channels
    from bridge.jobs.choose import choose_table
    from bridge.jobs.harmony.charts import chart_from
    from bridge.jobs.retuned import RetuneRequest
    from bridge.tuning.changes import parse_at

    return RetuneRequest(
        spec=choose_table(request),
        method=chosen["method"],
        synth=chosen["synth"],
        at=tuple(parse_at(text) for text in chosen["changes"]),
        follow_key_signatures=chosen["follow_key_signatures"],
        equal=chosen["equal"],
        channels=parse_channels(chosen["channels"]) if chosen["channels"] else None,
        parts=chosen["parts"],
        plain=chosen["plain"],
        tail_s=chosen["tail_s"],
        follow_harmony=follow_request(chosen),
        chart=chart_from(chosen["chart"]) if chosen["chart"] else None,
    )


def _print_result(done: Retuned, whole: bool) -> None:
    from bridge.cli.parts.printing import show

    for line in done.music_lines(whole):
        show(line)
    title = done.profile.title if done.profile else "any synth that obeys it"
    because = f" ({done.why})" if done.why else ""
    show(f"method {done.method}{because}" + ("" if title in done.why else f", for: {title}"))
    for signature in done.inferred:
        show(f"{signature.place}: key signature {signature.text}")
    for change in done.changes:
        show(
            f"{change.place}: {change.what}"
            + (f"; against home, {', '.join(change.moved)}" if change.moved else "")
        )
    lines = done.lines()
    for line in lines if whole or done.exact < done.notes else lines[:1]:
        show(line)
    for notice in done.notices:
        show_note(notice)
