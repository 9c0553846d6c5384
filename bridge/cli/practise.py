"""``stillbeat practise``: exercises of the ear and of the voice, with a threshold, on the sound card or a synth."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from bridge.cli.parts.devices import card_option, mic_option
from bridge.cli.parts.help_groups import GroupedDeviceCommand
from bridge.cli.parts.options import overwrite_option, table_options, voice_option, warn_doubt
from bridge.cli.parts.page_options import page_options, show_addresses, wants_page
from bridge.ear.asked import (
    FEWEST_TRIALS,
    LEAST_S,
    MINUTES,
    MOST_S,
    MOST_TRIALS,
    SECONDS,
    TIMBRES,
    TRIALS,
    WHATS,
)

if TYPE_CHECKING:
    from bridge.jobs.choose import TableRequest
    from bridge.jobs.practise import Assignment
    from bridge.live.practise.run import Practice
    from bridge.live.practise.sounders import Sounder
    from bridge.page.practising import PractisePage
    from bridge.store.practice.records import Record
    from bridge.tuning.spec import TableSpec


@click.command("practise", cls=GroupedDeviceCommand)
@click.argument("notes", nargs=-1, metavar="[NOTES]...")
@click.option(
    "--exercise",
    "what",
    type=click.Choice(WHATS),
    default="still",
    show_default=True,
    help="still: which does not beat? wide: wide or narrow? tune: tune out the beats. sing: sing it.",
)
@click.option(
    "--trials",
    type=click.IntRange(FEWEST_TRIALS, MOST_TRIALS),
    metavar="N",
    help=f"How many trials, or rounds of tuning  [default: {TRIALS}; 10 rounds]",
)
@click.option(
    "--seconds",
    type=click.FloatRange(LEAST_S, MOST_S),
    default=SECONDS,
    show_default=True,
    metavar="SECONDS",
    help="How long each sound of a trial lasts.",
)
@click.option(
    "--timbre",
    type=click.Choice(TIMBRES),
    default=TIMBRES[0],
    show_default=True,
    help="Steady as an organ, or plucked.",
)
@voice_option("Where it lies: the tonic in this voice's lowest octave.")
@click.option(
    "--level",
    type=click.FloatRange(1, 100),
    default=60.0,
    show_default=True,
    metavar="PERCENT",
    help="How loud; 100 is still far from the loudest that a sound card can do.",
)
@click.option(
    "--minutes",
    type=click.FloatRange(1, 60),
    default=MINUTES,
    show_default=True,
    metavar="MINUTES",
    help="After so long it is enough for today.",
)
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), metavar="N", help="Repeat the trials of a run.")
@click.option(
    "--list",
    "list_file",
    type=click.Path(path_type=Path),
    metavar="FILE.toml",
    help="A teacher's list of exercises: a text file (tables/README.md explains it).",
)
@click.option("--records", is_flag=True, help="Play nothing: show what was kept so far.")
@click.option(
    "--csv",
    "csv_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write the results for spreadsheets (CSV); with --records everything that was kept.",
)
@click.option("--no-record", is_flag=True, help="Keep nothing of this run.")
@card_option()
@mic_option("Microphone for --exercise sing")
@click.option(
    "--out",
    "out_port",
    metavar="NAME",
    help="Play on a synth: part of its port's name; its sound is set to an organ or guitar.",
)
@click.option("--system", metavar="NAME", help="MIDI system, where there are several: alsa, jack.")
@click.option("--lines", is_flag=True, help="Plain lines instead of a picture.")
@overwrite_option
@page_options
@table_options(argument=False)
def practise_command(request: TableRequest, **chosen: Any) -> None:
    """Learn to hear stillness: a fifth, a third, or NOTES, in your guitar's tuning.

    NOTES are an interval over the tonic (unison, third, minor third, fourth, fifth, sixth, octave; seconds and sevenths
    too), two notes (D3 F#3) or degrees (1 b3), or a chord (ii), or two chords that are compared (I ii).

    \b
      stillbeat practise fifth --guitar open-d
      stillbeat practise third --guitar open-d --exercise wide --timbre plucked
      stillbeat practise I ii --guitar open-g
      stillbeat practise D3 F#3 --guitar open-d --exercise tune
      stillbeat practise --exercise sing --guitar open-d --mic interface
      stillbeat practise --list third-week.toml --csv results.csv
      stillbeat practise third --guitar open-d --page-lan

    still plays two sounds, one of them pure. wide plays one that is too wide or too narrow. Right answers make the
    next trials harder, wrong ones easier; after about fifty your threshold is told, in cents and in beats a second, and
    how sure it is. The two ask for different things: expect different thresholds. tune lets you move one note until
    nothing beats. sing holds the tonic, and tells after each note how near it was.

    Any note may be the one that is off, and all sounds are shifted a little at random: only the beating tells, not the
    pitch of a note. Results stay on this computer, and are compared only with the same exercise on the same notes.

    HEARING: start with the volume down, above all over headphones. It begins quietly, and has your ears rest.
    """
    from bridge.errors import ValueProblem

    _say_unused(chosen)
    if chosen["csv_file"] is not None:
        from bridge.store.files import check_output

        check_output(chosen["csv_file"], chosen["overwrite"])
    if chosen["records"]:
        _show_records(chosen)
        return
    if chosen["out_port"] and chosen["card"]:
        raise ValueProblem("--out and --card were both asked for", "sound goes one way at a time")
    if chosen["system"] and not chosen["out_port"]:
        raise ValueProblem("--system belongs to a synth's port", "name the port with --out")
    from bridge.jobs.practise import PractiseRequest, assignments

    asked = PractiseRequest(
        **{
            name: chosen[name]
            for name in ("notes", "what", "trials", "seconds", "timbre", "voice", "list_file")
        }
    )
    work, title, table = assignments(request, asked)
    warn_doubt(table.spec.doubt)
    with _page(table.spec, chosen) as page:
        _practise(work, title, chosen, page)


_TRIALS = ("still", "wide")
_USED_BY = {
    "mic": ("sing",),
    "trials": (*_TRIALS, "tune"),
    "seed": (*_TRIALS, "tune"),
    "seconds": _TRIALS,
    "timbre": _TRIALS,
}
"""The exercises that use an option; the others do not."""


def _say_unused(chosen: dict[str, Any]) -> None:
    """Say which of the options that were given change nothing in what is asked for."""
    from bridge.cli.parts.printing import show_note

    context = click.get_current_context()
    given = {
        str(one.name): one.opts[0]
        for one in context.command.params
        if context.get_parameter_source(str(one.name)) is ParameterSource.COMMANDLINE
    }
    what = f"--exercise {chosen['what']}"
    if chosen["records"]:
        what, used = "--records", {"records", "csv_file", "overwrite"}
    elif chosen["list_file"] is not None:
        what, used = "--list", set(given) - {"what", "trials"}
    else:
        used = {name for name in given if chosen["what"] in _USED_BY.get(name, WHATS)}
        if chosen["out_port"] and chosen["what"] == "tune":
            used |= {"timbre"}  # it chooses the synth's sound
    if chosen["csv_file"] is None:
        used -= {"overwrite"}
    unused = [option for name, option in given.items() if name not in used]
    if unused:
        show_note(f"of no effect with {what}: {', '.join(unused)}")


@contextlib.contextmanager
def _page(spec: TableSpec, chosen: dict[str, Any]) -> Iterator[PractisePage | None]:
    """Serve a page while it is practised, if one was asked for."""
    if not wants_page(chosen):
        yield None
        return
    from bridge.page.practising import PractisePage

    with PractisePage(spec, chosen["page_port"] or 0, chosen["page_lan"]) as page:
        show_addresses(page.addresses, chosen["page_lan"])
        yield page


def _practise(work: list[Assignment], title: str, chosen: dict[str, Any], page: PractisePage | None) -> None:
    """Do the exercises one after the other; print what each came to, and keep it."""
    import random

    from bridge.cli.parts.paragraphs import show_paragraph
    from bridge.cli.parts.printing import show, show_note
    from bridge.jobs.practise import told
    from bridge.live.practise.run import CAUTION, Enough, Leaving, Practice
    from bridge.live.practise.screen import make_practise_display
    from bridge.store.files import write_bytes_atomic
    from bridge.store.practice.records import load_records, records_csv

    seed = chosen["seed"] if chosen["seed"] is not None else random.SystemRandom().randrange(2**31)
    earlier, broken = load_records()
    for name in broken:
        show_note(f"the record {name} cannot be read, and is passed over")
    done: list[Record] = []
    lines: list[str] = []
    try:
        view = partial(make_practise_display, chosen["lines"])
        watchers = [] if page is None else [page.show]
        with Practice(view, chosen["minutes"], watchers) as practice:
            if page is not None:
                page.touched, page.said = practice.touch, practice.say
                practice.say(*page.addresses.lines()[:2])
            practice.say(*filter(None, (title, CAUTION)))
            for number, one in enumerate(work):
                before = len(done)
                try:
                    _one(practice, one, chosen, seed + number, done)
                except (Leaving, Enough):
                    break
                finally:
                    if len(done) > before:
                        _keep(done[-1], chosen)
                        said = told(done[-1], one.sounds, [*earlier, *done[:-1]])
                        lines += [f"{one.question} {one.about}", *(f"  {line}" for line in said), ""]
    finally:
        for line in lines:
            if line:
                show_paragraph(line, hang=2)
            else:
                show()
        if done and chosen["csv_file"] is not None:
            write_bytes_atomic(chosen["csv_file"], records_csv(done), chosen["overwrite"])
            show(f"wrote {chosen['csv_file']}")
    if not done:
        show("nothing was answered, and nothing is kept")


def _one(practice: Practice, one: Assignment, chosen: dict[str, Any], seed: int, done: list[Record]) -> None:
    """Do one exercise; what there is of it is appended to `done`, however it ends."""
    from bridge.ear.course import Course
    from bridge.ear.sung import Sung
    from bridge.ear.tuning_out import TuningOut
    from bridge.jobs.practise import course_record, exercise_of, singing_record, tuning_record
    from bridge.live.practise.run import run_course, run_tuning
    from bridge.live.practise.singing import run_singing

    when, level = _now(), chosen["level"] / 100
    through = "synth" if chosen["out_port"] else "sound card"
    if one.what == "sing":
        from bridge.sound.device.asking import usable_microphone

        notes: list[Sung] = []
        microphone = usable_microphone(chosen["mic"])
        sounder = _sounder(one, chosen, practice)
        try:
            with microphone:
                run_singing(practice, sounder, microphone, one, notes, level)
        finally:
            sounder.close()
            if notes:
                done.append(singing_record(one, notes, when, through))
        return
    sounder = _sounder(one, chosen, practice)
    try:
        if one.what == "tune":
            run = TuningOut(one.sounds[0], one.count, seed)
            try:
                run_tuning(practice, sounder, one, run, level)
            finally:
                if run.settled:
                    done.append(tuning_record(one, run.settled, when, through, seed))
            return
        course = Course(exercise_of(one.what), one.sounds, one.count, seed)
        try:
            run_course(practice, sounder, one, course, level)
        finally:
            if course.marked:
                done.append(course_record(one, course, when, through, seed))
    finally:
        sounder.close()


def _sounder(one: Assignment, chosen: dict[str, Any], practice: Practice) -> Sounder:
    from bridge.live.practise.sounders import CardSounder, synth_sounder

    if chosen["out_port"]:
        return synth_sounder(chosen["out_port"], chosen["system"], one.timbre, one.seconds, practice.stop)
    return CardSounder(chosen["card"], one.timbre, one.seconds, practice.stop)


def _now() -> str:
    import datetime

    return datetime.datetime.now().replace(microsecond=0).isoformat()


def _keep(one: Record, chosen: dict[str, Any]) -> None:
    """Write what was done, unless nothing is to be kept; what cannot be written is told, and stops nothing."""
    from bridge.cli.parts.printing import show_note
    from bridge.errors import OutputProblem
    from bridge.store.practice.records import save_record

    if chosen["no_record"]:
        return
    try:
        save_record(one)
    except OutputProblem as problem:
        show_note(f"not kept: {problem.message}")


def _show_records(chosen: dict[str, Any]) -> None:
    """Print what was kept, the latest last, and write it as CSV where that is wanted."""
    from bridge.cli.parts.printing import show, show_note, show_table
    from bridge.jobs.practise import record_row
    from bridge.store.files import write_bytes_atomic
    from bridge.store.practice.records import load_records, records_csv, records_dir

    records, broken = load_records()
    for name in broken:
        show_note(f"the record {name} cannot be read, and is passed over")
    if not records:
        show(f"nothing has been practised yet; records are kept in {records_dir()}")
    else:
        show_table(
            ("when", "exercise", "sound", "notes", "timbre", "seconds", "done", "result"),
            [record_row(one) for one in records],
            left=(0, 1, 2, 3, 4, 7),
        )
        show(f"kept in {records_dir()}; delete a file there and it is forgotten")
    if chosen["csv_file"] is not None:
        write_bytes_atomic(chosen["csv_file"], records_csv(records), chosen["overwrite"])
        show(f"wrote {chosen['csv_file']}")
