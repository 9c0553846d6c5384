"""``stillbeat strings``: how to tune the guitar, string by string, as a player does it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from bridge.cli.parts.options import table_options, warn_doubt

if TYPE_CHECKING:
    from bridge.jobs.choose import TableRequest
    from bridge.jobs.strings import StringsPlan
    from bridge.tuning.strings.order import StringChange, TuningStep


@click.command("strings")
@table_options(argument=True)
@click.option(
    "--from",
    "start",
    metavar="NAME",
    help="Tuning that the guitar has now, such as standard or drop-d; slack for new strings.",
)
@click.option(
    "--sounding-from",
    metavar="TAKE",
    help="What is sounding, heard from a sound file in which the reference string is plucked, with the capo on.",
)
@click.option(
    "--scale-length",
    "scale_length_mm",
    type=float,
    metavar="MM",
    help="Nut to saddle  [default: the guitar's]",
)
@click.option(
    "--stiffness",
    multiple=True,
    metavar="B",
    help="Stiffness of the strings, such as 0.0001, or 6=0.0002 for one; 0 for ideal ones.",
)
def strings_command(
    request: TableRequest,
    start: str | None,
    sounding_from: str | None,
    scale_length_mm: float | None,
    stiffness: tuple[str, ...],
) -> None:
    """Tune the guitar: which string, touched where, against which, and what to listen for.

    Says how far each string is turned and what that does to its tension, then tunes each by ear against one that is
    tuned already, with the beats that are heard on the way.

    \b
      stillbeat strings --guitar open-d --reference D3=146.5
      stillbeat strings --guitar open-g --from drop-d --scale-length 640
      stillbeat strings --guitar open-d --capo 2 --sounding 164.9
    """
    from bridge.jobs.choose import choose_table
    from bridge.jobs.strings import plan_strings

    if None not in (request.sounding, sounding_from):
        raise click.UsageError("--sounding and --sounding-from say the same: give one")
    spec = choose_table(request)
    warn_doubt(spec.doubt)
    sounding_hz = None
    if sounding_from is not None:
        from bridge.jobs.hearing import sounding_in_take

        sounding_hz = sounding_in_take(sounding_from, spec)
    found = plan_strings(
        spec, start, scale_length_mm=scale_length_mm, stiffness=stiffness, sounding_hz=sounding_hz
    )
    _print_head(found, scale_length_mm)
    _print_changes(found)
    _print_steps(found)
    _print_end(found)


def _print_head(found: StringsPlan, scale_length_mm: float | None) -> None:
    from bridge.cli.parts.paragraphs import show_paragraph
    from bridge.sheet.phrases import string_notes, tuner_words

    plan = found.plan
    guitar = plan.guitar
    notes = string_notes(plan)
    capo = f", capo at fret {plan.capo}" if plan.capo else ""
    open_notes = " ".join(notes[string.number] for string in guitar.strings)
    came = " from slack strings" if found.slack else ""
    if plan.start is not None and plan.start.name != guitar.name:
        came = f" from {plan.start.title}"
    show_paragraph(f"{guitar.title}{came}{capo}: {open_notes} (strings {len(guitar.strings)} to 1)")
    key = guitar.reference_key + plan.capo
    note = notes[guitar.reference_string]
    show_paragraph(
        f"reference: string {guitar.reference_string}, {note} = {plan.reference_hz:.3f} Hz; "
        f"a tuner at A4 = 440 Hz shows {tuner_words(plan.reference_hz, note, key)} cents"
    )
    length_mm = guitar.scale_length_mm if scale_length_mm is None else scale_length_mm
    show_paragraph(f"nut to saddle {length_mm:g} mm; places are counted from the nut")


def _print_changes(found: StringsPlan) -> None:
    from bridge.cli.parts.paragraphs import show_heading, show_paragraph
    from bridge.cli.parts.printing import show_table
    from bridge.sheet.phrases import percent, tuner_words, turn_words
    from bridge.tuning.notes import parse_note

    plan = found.plan
    show_heading("1. Bring every string near its note")
    moves = plan.start is not None

    def row(change: StringChange) -> tuple[str, ...]:
        shows = tuner_words(change.hz, change.note, parse_note(change.note))
        way = (change.from_note, change.note, turn_words(change)) if moves else (change.note,)
        load = (percent(found.tension[change.string]),) if found.usual is not None else ()
        return (str(change.string), *way, f"{change.hz:.2f}", shows, *load)

    show_table(
        (
            "string",
            *(("from", "to", "turn") if moves else ("note",)),
            "Hz",
            "tuner, cents",
            *(("tension",) if found.usual is not None else ()),
        ),
        [row(change) for change in plan.changes],
        left=(0, 1, 2, 3) if moves else (0, 1),
    )
    if found.usual is not None:
        show_paragraph(f"tension: against {found.usual.title}, which is 100 %; the square of the frequency")
    if found.slack:
        show_paragraph(
            "From slack: raise all strings in turn, each a little at a time, and stop a little below the notes; "
            "new strings stretch, so go round until they hold."
        )
    for caution in found.cautions:
        show_paragraph(f"! {caution}", hang=2)


def _print_steps(found: StringsPlan) -> None:
    from bridge.cli.parts.paragraphs import show_heading, show_paragraph
    from bridge.sheet.phrases import string_notes

    plan = found.plan
    notes = string_notes(plan)
    reference = plan.guitar.reference_string
    sound = "pluck" if plan.guitar.frets else "pluck or bow"
    show_heading("2. Tune by ear, each string against one that is tuned")
    show_paragraph(
        f"Set string {reference} ({notes[reference]}) first. Touch a string lightly over the place, {sound}, lift the "
        "finger: the harmonic rings on. Sound both, and turn the string named first."
    )
    for number, step in enumerate(plan.steps, 1):
        _print_step(found, step, f"{number}.")
    hz = {change.string: change.hz for change in plan.changes}
    for string in plan.by_tuner:
        show_paragraph(
            f"String {string} ({notes[string]}) meets no harmonic of the others: "
            f"set it to {hz[string]:.2f} Hz by a tuner."
        )
    if plan.checks:
        show_heading("These must be still as well")
        for step in plan.checks:
            _print_step(found, step, "-")


def _print_step(found: StringsPlan, step: TuningStep, mark: str) -> None:
    from bridge.cli.parts.paragraphs import show_paragraph
    from bridge.cli.parts.printing import show
    from bridge.sheet.phrases import step_words

    words = step_words(step, found.plan)
    show()
    show_paragraph(f"{mark} {words.title}")
    for line in (words.tune, words.against, words.listen, words.tempered, words.left):
        if line:
            show_paragraph(line, indent=3, hang=2)


def _print_end(found: StringsPlan) -> None:
    from bridge.cli.parts.paragraphs import show_heading, show_paragraph
    from bridge.sheet.phrases import beat_words

    plan = found.plan
    show_heading("3. Go round again")
    order = ", ".join(map(str, plan.second_pass))
    show_paragraph(f"Check in this order: string {order}.")
    show_heading("Keep in mind")
    for sentence in plan.advice:
        show_paragraph(sentence)
    if plan.capo:
        name = found.table.note(found.table.reference.key)
        show_paragraph(
            f"The synth follows with --fret {plan.capo} --reference {name}={found.open_reference_hz:.3f}: "
            "the open note that a fret without pull would raise to this."
        )
    for one in found.off:
        side = "above" if one.cents > 0 else "below"
        show_paragraph(
            f"String {one.string} lies {abs(one.cents):.1f} cents {side} the table's {one.note}: "
            f"{beat_words(one.beats_hz)} against it.",
            hang=2,
        )
    if found.off:
        show_paragraph("There the table follows its scale; --open-strings-win makes it follow the strings.")
