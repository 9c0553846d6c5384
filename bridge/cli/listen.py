"""``stillbeat listen``: the pitch of plucked strings, bowed or sung notes, and the beats of two strings together."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bridge.cli.parts.devices import DeviceCommand, mic_option, say_opening
from bridge.cli.parts.options import table_options, warn_doubt
from bridge.cli.parts.printing import show_note

if TYPE_CHECKING:
    from bridge.jobs.choose import TableRequest
    from bridge.jobs.hearing import Together
    from bridge.sound.listening.heard import Heard, HeardNote
    from bridge.tuning.tables import Table


@click.command("listen", cls=DeviceCommand)
@click.argument("file", required=False, type=click.Path(path_type=Path), metavar="[FILE]")
@mic_option("Listen to the microphone instead of a file", alone=True)
@click.option(
    "--seconds",
    type=click.FloatRange(1, 600),
    default=6.0,
    show_default=True,
    metavar="S",
    help="How long to listen to the microphone; Ctrl-C ends it earlier.",
)
@click.option(
    "--together",
    "two",
    metavar="STAYS,TURNS",
    help="Beats of two strings plucked at once: 4,3 with a guitar, or notes such as D3,F#3.",
)
@click.option("--json", "as_json", is_flag=True, help="JSON for scripts.")
@table_options(argument=False)
def listen_command(
    request: TableRequest,
    file: Path | None,
    mic: str | None,
    seconds: float,
    two: str | None,
    as_json: bool,
) -> None:
    """Measure the pitch of strings or voices in FILE (WAV, FLAC, MP3) or from the microphone.

    Each pluck of a take is found, also where strings go on ringing. With a guitar strings are named; with a table
    notes are compared with it. What cannot be measured is refused with the reason.

    \b
      stillbeat listen take.wav --guitar open-d --reference D3=146.5
      stillbeat listen --mic --guitar open-d
      stillbeat listen both.wav --together 4,3 --guitar open-d
    """
    if (file is None) == (mic is None):
        raise click.UsageError(
            "name a sound file, or say --mic" if file is None else "a file or --mic, not both"
        )
    if two is not None and as_json:
        raise click.UsageError("--json tells of notes; --together has none")
    table = _table(request)
    samples, rate = _sound(file, seconds, mic)
    if two is not None:
        from bridge.jobs.hearing import hear_together

        _print_together(hear_together(samples, rate, two, table))
        return
    from bridge.jobs.hearing import hear_take

    heard = hear_take(samples, rate, table)
    if as_json:
        import json

        from bridge.sound.listening.heard import heard_to_json

        click.echo(json.dumps(heard_to_json(heard.notes), indent=1, allow_nan=False))
        for refusal in heard.refusals:
            show_note(f"not measured at {refusal.start_s:.2f} to {refusal.end_s:.2f} s: {refusal.reason}")
    else:
        _print_notes(heard, table)


def _table(request: TableRequest) -> Table | None:
    """The table to compare with; None where none of its options was given."""
    from bridge.jobs.choose import TableRequest, choose_tuned

    if request == TableRequest():
        return None
    from bridge.tuning.as_tuned import table_as_tuned
    from bridge.tuning.tables import build_table

    spec, tuned = choose_tuned(request)
    warn_doubt(spec.doubt)
    return build_table(spec) if tuned is None else table_as_tuned(tuned, spec)


def _sound(file: Path | None, seconds: float, mic: str | None) -> tuple[Any, int]:
    if file is not None:
        from bridge.sound.files.audiofile import read_take

        return read_take(file)
    from bridge.sound.device.asking import usable_microphone
    from bridge.sound.device.microphone import record

    say_opening()
    microphone = usable_microphone(mic or None)
    click.echo(
        f"listening to {microphone.input.name} for {seconds:g} seconds: pluck, and let it ring", err=True
    )
    sound = record(seconds, microphone)
    if microphone.dropped:
        show_note(
            f"the computer was too busy {microphone.dropped} times and may have missed sound: "
            "trust these figures only if they come again"
        )
    return sound


def _print_notes(heard: Heard, table: Table | None) -> None:
    from bridge.cli.parts.paragraphs import show_paragraph
    from bridge.cli.parts.printing import cents, hertz, show, show_table, sure
    from bridge.jobs.hearing import strings_told
    from bridge.tuning.ratios import hz_to_cents

    strings = table is not None and bool(table.strings)

    def row(note: HeardNote) -> tuple[str, ...]:
        name = ("" if note.string is None else str(note.string),) if strings else ()
        off = (cents(note.cents_from_table or 0.0, 2),) if table is not None else ()
        return (
            f"{note.start_s:.2f}",
            *name,
            note.note,
            hertz(note.hz),
            sure(note.cents_sd),
            cents(note.cents_from_equal, 2),
            *off,
            cents(hz_to_cents(note.attack_hz, note.hz)),
        )

    show_table(
        (
            "at, s",
            *(("string",) if strings else ()),
            "note",
            "Hz",
            "sure to",
            "from equal",
            *(("from table",) if table is not None else ()),
            "at pluck",
        ),
        [row(note) for note in heard.notes],
        left=(1, 2) if strings else (1,),
    )
    times: dict[str, list[str]] = {}
    for refusal in heard.refusals:
        times.setdefault(refusal.reason, []).append(f"{refusal.start_s:.2f} to {refusal.end_s:.2f}")
    for reason, spans in times.items():
        show_paragraph(f"not measured at {', '.join(spans)} s: {reason}", hang=2)
    for text in [] if table is None or not table.strings else strings_told(heard, table):
        show_paragraph(text, hang=2)
    show()
    show_paragraph(
        "Hz: the note once it has settled; all else in cents. sure to: standard deviation; from equal: A4 = 440 Hz; "
        "at pluck: how much sharper it starts."
    )


def _print_together(found: Together) -> None:
    from bridge.cli.parts.paragraphs import show_paragraph
    from bridge.cli.parts.printing import show, show_table, sure

    stays, turns = found.names
    show(f"{stays} stays, {turns} is turned")
    show()
    beats = found.beats
    wanted = found.wanted_hz
    rows = [
        (
            f"{pair.first} and {pair.second}",
            f"{pair.hz:.1f}",
            f"{pair.rate_hz:.2f}",
            sure(pair.sd_hz),
            *(() if wanted is None else (f"{wanted[index]:.2f}",)),
            "heard" if pair.direct else "from their other partials",
        )
        for index, pair in enumerate(beats.pairs)
    ]
    show_table(
        ("partials", "near Hz", "beats/s", "sure to", *(("table",) if wanted is not None else ()), ""),
        rows,
        left=(0, len(rows[0]) - 1),
    )
    show()
    size = f"{abs(beats.move_cents):.1f} cents (sure to {sure(beats.sd_cents, 1)})"
    words = {
        "still": "the two stand still: nothing to turn",
        "up": f"tighten {turns}: up {size}",
        "down": f"slacken {turns}: down {size}; go below, and come up again by tightening",
        "try": f"{turns} is off by {size}, but the two share all partials that can be heard, so not which way: "
        "slacken a little; if the beats get faster, tighten instead",
    }
    show_paragraph(words[beats.direction])
