"""``stillbeat probe``: finds out what a synth obeys, by listening to it or asking the player."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.cli.parts.devices import DeviceCommand, mic_option
from bridge.cli.parts.options import overwrite_option

if TYPE_CHECKING:
    from bridge.engine.probe.course import Findings
    from bridge.jobs.probe import ProbeReport
    from bridge.live.probe.open import Stage

_CAUTION = "Turn the synth down first, above all over headphones: test notes are quiet, but not every synth obeys that."


@click.command("probe", cls=DeviceCommand)
@click.option("--out", "out_port", metavar="PORT", required=True, help="The synth: part of its port's name.")
@mic_option(
    "Sound input to hear it through",
    usual="part of its name  [default: the synth's own, else the usual one]",
)
@click.option("--ask", is_flag=True, help="Ask instead of listening: answer by ear, note by note.")
@click.option(
    "--channel", type=click.IntRange(1, 16), default=1, show_default=True, metavar="N", help="For test notes."
)
@click.option("--note", default="A4", show_default=True, metavar="NOTE", help="The test note.")
@click.option(
    "--sound",
    type=click.IntRange(1, 128),
    metavar="N",
    help="Sound to choose first, 1 to 128, such as 20 for a church organ  [default: as it stands]",
)
@click.option(
    "--velocity",
    type=click.IntRange(1, 127),
    default=50,
    show_default=True,
    metavar="N",
    help="How hard test notes are struck.",
)
@click.option(
    "--device-id",
    type=click.IntRange(0, 127),
    default=127,
    show_default=True,
    metavar="N",
    help="The number that the synth answers to (device ID), where it obeys no messages to all (127).",
)
@click.option(
    "--synth-reply",
    "reply_port",
    metavar="PORT",
    help="Port on which the synth answers; tunings that are overwritten are then put back at the end.",
)
@click.option("--system", metavar="NAME", help="MIDI system, where there are several: alsa, jack.")
@click.option("--name", metavar="NAME", help="Name of the profile  [default: made of the port's]")
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    metavar="FILE.toml",
    help="Where the profile goes, a text file  [default: among your own, where --synth NAME finds it]",
)
@overwrite_option
@click.option("--yes", is_flag=True, help="Do not ask before the synth's tuning memory is overwritten.")
@click.option("--json", "as_json", is_flag=True, help="JSON for scripts.")
def probe_command(
    out_port: str,
    mic: str | None,
    ask: bool,
    channel: int,
    note: str,
    sound: int | None,
    velocity: int,
    device_id: int,
    reply_port: str | None,
    system: str | None,
    name: str | None,
    output: Path | None,
    overwrite: bool,
    yes: bool,
    as_json: bool,
) -> None:
    """Find out what a synth obeys, and write it down as a profile.

    Short quiet notes are played, with each of the messages that could retune them, and heard through a sound input;
    without one you are asked what you hear. What is not heard clearly is called unknown, never guessed. It takes about
    a minute, and the synth is put back afterwards, also after Ctrl-C.

    Choose a steady sound first, such as an organ or a flute, without vibrato, chorus and echo.

    \b
      stillbeat probe --out synth
      stillbeat probe --out keys --mic interface --name stage-keys
      stillbeat probe --out keys --ask
    """
    import datetime

    from bridge.jobs.probe import make_report, report_json, where_to_write, write_profile
    from bridge.live.probe.open import ProbeRequest, find_stage, run_probe
    from bridge.tuning.notes import parse_note

    if ask and mic is not None:
        raise click.UsageError("--mic is for listening, and --ask for not listening: one of them")
    key = parse_note(note)
    request = ProbeRequest(out_port, reply_port, system, mic, ask, channel, key, sound, velocity, device_id)
    stage = find_stage(request)
    try:
        chosen, path = where_to_write(stage.port, name, output, overwrite)
        _warn(stage, reply_port is not None, yes)
    except BaseException:
        stage.close()
        raise
    from bridge.cli.parts.printing import progress_bar

    heard = None if stage.input is None else stage.input.name

    def say(text: str) -> None:
        click.echo(text, err=True)

    if heard is None:
        found = run_probe(request, stage, lambda text, _: say(f"\n{text}"), sys.stdin, say)
    else:
        with progress_bar() as advance:
            found = run_probe(request, stage, lambda _, done: advance("listening", done), sys.stdin, say)
    if not as_json:
        _print_rows(found, heard is not None)
    report = make_report(found, chosen, stage.port, heard, datetime.date.today())
    write_profile(report, path, overwrite)
    if as_json:
        import json

        click.echo(json.dumps(report_json(report, stage.port, heard, path), indent=1, allow_nan=False))
    else:
        _print_report(report, chosen, path, output is not None)


def _warn(stage: Stage, kept: bool, yes: bool) -> None:
    """Say what will happen, and ask whether it may."""
    from bridge.errors import MethodProblem

    heard = "asking you what you hear" if stage.input is None else f"listening to {stage.input.name}"
    click.echo(f"{stage.port}: {heard}", err=True)
    if stage.why_asked:
        click.echo(f"no sound input: {stage.why_asked}", err=True)
    back = (
        "they are put back at the end as far as the synth tells what was in them"
        if kept
        else "at the end they hold equal temperament"
    )
    click.echo(
        "This overwrites the synth's tuning programs 0 and 1 of bank 0, program 0 of bank 1, and its octave tuning; "
        f"{back}. Bend range, fine tuning and expression of the channels are set back to the usual.",
        err=True,
    )
    click.echo(_CAUTION, err=True)
    if yes:
        return
    click.echo("Go on? y or n: ", nl=False, err=True)
    if sys.stdin.readline().strip().lower() not in ("y", "yes"):
        raise MethodProblem("nothing was sent to the synth", "answer y, or say --yes")


def _print_rows(found: Findings, listened: bool) -> None:
    from bridge.cli.parts.printing import show_table
    from bridge.jobs.probe import report_rows

    rows = report_rows(found)
    if listened:
        show_table(("what was tried", "MIDI", "asked", "sounding", "after", "it does"), rows, left=(0, 1, 5))
    else:
        show_table(
            ("what was tried", "MIDI", "it does"), [(row[0], row[1], row[5]) for row in rows], left=(0, 1, 2)
        )


def _print_report(report: ProbeReport, name: str, path: Path, own_path: bool) -> None:
    from bridge.cli.parts.paragraphs import show_paragraph
    from bridge.cli.parts.printing import show
    from bridge.jobs.probe import report_facts

    show()
    if not report.found.by_ear:
        show_paragraph(
            "Cents from the note as it was before: asked for, heard while it sounded on, heard when struck again."
        )
    for fact in report_facts(report.found):
        show_paragraph(fact)
    for text in report.unknown:
        show_paragraph(f"Not known: {text}.", hang=2)
    show()
    methods = report.profile.methods
    show_paragraph(f"Method that follows: {methods[0]} (it obeys {', '.join(methods)}).")
    show(f"Wrote the profile {path}")
    show(f"Use it with: --synth {path if own_path else name}")
