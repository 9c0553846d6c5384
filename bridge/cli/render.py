"""``stillbeat render``: play a MIDI file into a sound file with the built-in tone generator."""

from __future__ import annotations

from pathlib import Path

import click

from bridge.cli.parts.options import overwrite_option


@click.command("render")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), help="A .wav or .flac file.")
@click.option(
    "--sample-rate",
    type=click.IntRange(8000, 192000),
    default=44100,
    metavar="HZ",
    show_default=True,
    help="Samples a second, as sound files have them.",
)
@click.option(
    "--encoding",
    type=click.Choice(["pcm16", "pcm24", "float"]),
    default="pcm24",
    show_default=True,
    help="How samples are stored.",
)
@click.option(
    "--hours",
    type=click.FloatRange(0, 24, min_open=True),
    default=1.0,
    metavar="HOURS",
    show_default=True,
    help="The longest piece that is rendered, and the most sound: that of so many hours of four held notes.",
)
@overwrite_option
def render_command(
    file: Path, output: Path, sample_rate: int, encoding: str, hours: float, overwrite: bool
) -> None:
    """Play the MIDI file FILE into a sound file.

    The built-in tone generator obeys every tuning message and pitch bend exactly, and adds no chorus or vibrato:
    beats that you hear are in the tuning. Start listening at a low level, above all over headphones.

    \b
      stillbeat render song-pure.mid -o song-pure.wav
    """
    from bridge.cli.parts.printing import progress_bar, show
    from bridge.jobs.render import render_midi_file

    with progress_bar() as advance:
        report = render_midi_file(
            file,
            output,
            sample_rate,
            encoding,
            overwrite,
            progress=lambda done: advance(output.name, done),
            most_hours=hours,
        )
    show(f"wrote {output}: {report.seconds:.1f} seconds")
