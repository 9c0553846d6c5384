"""``stillbeat sing``: how near to pure a voice sings, live in large letters, or note by note from a recording."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bridge.cli.parts.devices import card_option, mic_option, say_opening
from bridge.cli.parts.help_groups import GroupedDeviceCommand
from bridge.cli.parts.options import overwrite_option, table_options, voice_option, warn_doubt
from bridge.cli.parts.page_options import page_options, wants_page
from bridge.tuning.drone_notes import USUAL

if TYPE_CHECKING:
    from bridge.jobs.choose import TableRequest
    from bridge.jobs.sing import Song
    from bridge.live.desk.typed import Command
    from bridge.page.singing import PageOfSinger
    from bridge.tuning.spec import TableSpec
    from bridge.tuning.tables import Table


@click.command("sing", cls=GroupedDeviceCommand)
@click.argument("file", required=False, type=click.Path(path_type=Path), metavar="[FILE]")
@click.option(
    "--drone",
    metavar="NOTES",
    help=f"Notes to sing over, such as {USUAL} or D3,A3. Live Stillbeat plays them; of a FILE: it played them then.",
)
@voice_option("Who sings: the drone's tonic lies in this voice's lowest octave.")
@mic_option("Microphone", alone=True)
@card_option("Sound card for the drone")
@click.option("--lines", is_flag=True, help="Plain lines instead of a picture.")
@click.option(
    "--csv",
    "csv_file",
    type=click.Path(path_type=Path),
    metavar="OUT",
    help="Write the notes of a FILE as CSV (a table for spreadsheets).",
)
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    metavar="OUT.svg",
    help="Draw the pitch of a FILE in time against the pure lines.",
)
@overwrite_option
@page_options
@table_options(argument=False)
def sing_command(request: TableRequest, **chosen: Any) -> None:
    """Sing, and see how far each note lies from pure; or have a recorded FILE told note by note.

    Live the degree stands in large letters, with how far it is from pure, which way, and how steady. With vibrato its
    centre counts. A voice an octave away is the same degree. With --drone the notes of a drone sound; beats against it
    are told while the voice stays within 5 cents.

    \b
      stillbeat sing --guitar open-d --reference D3=146.5 --drone 1,5
      stillbeat sing song.wav --guitar open-d --tonic G --csv song.csv --picture song.svg

    \b
      typed while you sing: 1 to 9 a degree of the drone on or off, d all of it, q ends it

    HEARING: start with the volume down, above all over headphones; a drone never lets the ear rest, so take breaks.
    """
    from bridge.jobs.choose import choose_tuned
    from bridge.tuning.as_tuned import table_as_tuned
    from bridge.tuning.drone_notes import drone_keys, moved_names
    from bridge.tuning.tables import build_table

    file: Path | None = chosen["file"]
    for name, value in (("--csv", "csv_file"), ("--picture", "picture")):
        if chosen[value] is not None and file is None:
            raise click.UsageError(f"{name} belongs to a FILE: record it first")
    for name, value in (("--mic", "mic"), ("--card", "card"), ("--lines", "lines")):
        if chosen[value] not in (None, False) and file is not None:
            raise click.UsageError(f"{name} is for singing live, without a FILE")
    if file is not None and wants_page(chosen):
        raise click.UsageError("--page is for singing live, without a FILE; a FILE is drawn by --picture")
    spec, tuned = choose_tuned(request)
    warn_doubt(spec.doubt)
    table = build_table(spec) if tuned is None else table_as_tuned(tuned, spec)
    held = chosen["drone"]
    keys = (
        drone_keys(moved_names(held, spec.transposed), table.tonic, chosen["voice"])
        if held is not None
        else ()
    )
    if file is not None:
        _from_file(file, table, keys, chosen)
        return
    say_opening()
    from bridge.live.desk.singer import run_singer

    run_singer(
        table,
        keys,
        chosen["voice"],
        mic=chosen["mic"] or None,
        card=chosen["card"],
        lines=chosen["lines"],
        page=partial(_page, table, spec, chosen) if wants_page(chosen) else None,
    )


@contextmanager
def _page(
    table: Table, spec: TableSpec, chosen: dict[str, Any], command: Callable[[Command], None]
) -> Iterator[tuple[PageOfSinger, list[str]]]:
    from bridge.cli.parts.page_options import show_addresses
    from bridge.page.addresses import code_lines
    from bridge.page.singing import page_of_singer, stand_of_singer

    stand, lan = stand_of_singer(table, spec, chosen["voice"]), chosen["page_lan"]
    with page_of_singer(stand, command, chosen["page_port"] or 0, lan) as (watcher, page):
        show_addresses(page.addresses, lan)
        yield watcher, page.addresses.lines()[:2] + (code_lines(page.addresses.act) if lan else [])


def _from_file(file: Path, table: Table, keys: tuple[int, ...], chosen: dict[str, Any]) -> None:
    from bridge.cli.parts.printing import show
    from bridge.jobs.sing import hear_song, song_csv
    from bridge.sound.files.audiofile import read_take
    from bridge.store.files import PathName, check_output, write_all_atomic

    outputs = [path for path in (chosen["csv_file"], chosen["picture"]) if path is not None]
    for path in outputs:
        check_output(path, chosen["overwrite"], (file,))
    picture: Path | None = chosen["picture"]
    if picture is not None and picture.suffix.lower() != ".svg":
        raise click.UsageError(f"--picture {picture.name}: a picture is an SVG, so its name ends in .svg")
    if len(outputs) == 2 and outputs[0].absolute() == outputs[1].absolute():
        raise click.UsageError("--csv and --picture name the same file")
    song = hear_song(*read_take(file), table, keys)
    _print_song(song, bool(keys))
    written: dict[PathName, bytes] = {}
    if chosen["csv_file"] is not None:
        written[chosen["csv_file"]] = song_csv(song).encode()
    if picture is not None:
        from bridge.jobs.sing_picture import song_svg

        written[picture] = song_svg(song, table, file.stem).encode()
    write_all_atomic(written, chosen["overwrite"])
    for path in outputs:
        show(f"wrote {path}")


def _print_song(song: Song, drone: bool) -> None:
    from bridge.cli.parts.paragraphs import show_paragraph
    from bridge.cli.parts.printing import cents, hertz, show, show_table
    from bridge.jobs.sing import song_told
    from bridge.sheet.phrases import beat_words

    show_table(
        (
            *("at, s", "for, s", "note", "degree", "Hz", "from pure", "steady to", "vibrato"),
            *(("beats with the drone",) if drone else ()),
        ),
        [
            (
                f"{row.start_s:.2f}",
                f"{row.end_s - row.start_s:.2f}",
                row.note,
                row.degree,
                hertz(row.hz),
                cents(row.cents_from_pure),
                f"{row.steadiness_cents:.1f}",
                f"{row.vibrato_hz:.1f}/s, {row.vibrato_cents:.0f}" if row.vibrato_cents else "",
                *(("" if row.beats_hz is None else beat_words(row.beats_hz),) if drone else ()),
            )
            for row in song.rows
        ],
        left=(2, 3, 8) if drone else (2, 3),
    )
    show()
    for text in song_told(song):
        show_paragraph(text, hang=2)
    show_paragraph(
        "Hz: the centre of the note, over whole cycles of vibrato; all else in cents. steady to: how far the pitch "
        "strays, vibrato aside; vibrato: how often a second, and how wide to either side.",
        hang=2,
    )
