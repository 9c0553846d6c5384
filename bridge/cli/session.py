"""``stillbeat session``: prepare an evening, build the folder to hand out, and read it back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.cli.parts.options import overwrite_option
from bridge.cli.parts.printing import show_note

if TYPE_CHECKING:
    from bridge.jobs.session.check import Checked
    from bridge.jobs.session.plan import SessionPlan

_MOST_NOTICES = 10


@click.group("session")
def session_command() -> None:
    """Prepare an evening: pieces, tables, tracks and synths in one folder.

    The evening is described in a text file (TOML: an entry a line), which `new` begins and you fill in.

    \b
      stillbeat session new evening.toml --guitar open-d --reference D3=146.5 --synth fluidsynth --track song.mid
      stillbeat session check evening.toml
      stillbeat session build evening.toml -o evening-bundle --zip
      stillbeat session verify evening-bundle
    """


@session_command.command("new", short_help="Write a session file to fill in.")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--title", metavar="TEXT", help="Title of the session  [default: made of the file's name]")
@click.option("--guitar", metavar="NAME", help="Guitar and its open tuning, such as open-d.")
@click.option(
    "--reference", metavar="NOTE=HZ", help="What one note really sounds: D3=146.5, D3-7c, D3-7c@442."
)
@click.option(
    "--reference-from",
    "take",
    type=click.Path(path_type=Path),
    metavar="TAKE",
    help="Hear the reference from a recording of its open string, in the same folder or below.",
)
@click.option("--synth", "synths", multiple=True, metavar="NAME", help="A synth profile. Again for more.")
@click.option(
    "--track",
    "tracks",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A backing track in the same folder or below: a piece for each. Again for more.",
)
@overwrite_option
def new_command(
    file: Path,
    title: str | None,
    guitar: str | None,
    reference: str | None,
    take: Path | None,
    synths: tuple[str, ...],
    tracks: tuple[Path, ...],
    overwrite: bool,
) -> None:
    """Write a session file FILE to fill in, with a comment on every entry."""
    from bridge.cli.parts.printing import show
    from bridge.jobs.session.start import new_session

    new_session(file, title, guitar, reference, synths, tracks, overwrite, take)
    show(f"wrote {file}; open it in a text editor, then: stillbeat session check {file}")


@session_command.command("check", short_help="Check a session file and everything it names.")
@click.argument("file", type=click.Path(path_type=Path))
def check_command(file: Path) -> None:
    """Check the session file FILE and everything it names; nothing is written."""
    from bridge.cli.parts.printing import progress_bar, say_search, show
    from bridge.jobs.session.check import check_session

    with progress_bar() as advance:
        checked = check_session(
            file, True, beforehand=lambda title, seconds: say_search(seconds, title), progress=advance
        )
    _print_plan(checked.plan, checked)
    _print_music(checked.plan, checked.music)
    for warning in checked.warnings:
        show_note(warning)
    show()
    show(f"{file}: {_count(len(checked.plan.pieces), 'piece')}, nothing wrong was found")


@session_command.command("build", short_help="Build the folder to hand out.")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "-o", "--output", "folder", required=True, type=click.Path(path_type=Path), help="Folder to hand out."
)
@click.option(
    "--reference",
    metavar="NOTE=HZ",
    help="What the reference string sounds by now: D3-9c, D3=146.1. The file FILE stays as it is.",
)
@click.option("--zip", "zipped", is_flag=True, help="Pack it into FOLDER.zip as well.")
@click.option(
    "--jobs", "processes", type=click.IntRange(1, 256), metavar="N", help="Processes  [default: one a core]"
)
@overwrite_option
def build_command(
    file: Path, folder: Path, reference: str | None, zipped: bool, processes: int | None, overwrite: bool
) -> None:
    """Build the folder to hand out from the session file FILE.

    With --overwrite a folder that was built before is brought up to date: only what changed is made again, and
    whatever happens on the way, the old one stays whole until the new one is. It says what differs from the pages that
    were printed before. Has the string drifted on the night, one command does it all:

    \b
      stillbeat session build evening.toml -o evening-bundle --overwrite --reference D3-9c

    Sending its SysEx files (.syx: messages that change a synth's settings) overwrites tuning programs in the synth's
    memory: save what is there first. The session file is a text file. Drones are continuous sounds: start at a low
    level, above all over headphones.
    """
    from bridge.cli.parts.printing import progress_bar, say_search, show
    from bridge.jobs.session.build import build_session

    with progress_bar() as advance:
        built = build_session(
            file,
            folder,
            overwrite=overwrite,
            zipped=zipped,
            processes=processes,
            progress=lambda _, done: advance("session", done),
            reference=reference,
            beforehand=lambda title, seconds: say_search(seconds, title),
        )
    notices = built.notices
    for notice in notices[:_MOST_NOTICES]:
        show_note(notice)
    if len(notices) > _MOST_NOTICES:
        more = _count(len(notices) - _MOST_NOTICES, "more remark")
        show_note(f"{more} in {folder / 'START-HERE.txt'}")
    made = f"{_count(len(built.manifest.files) + 1, 'file')} for {_count(len(built.plan.pieces), 'piece')}"
    kept = f"; {built.reused} of {built.done + built.reused} parts had not changed" if built.reused else ""
    show(f"{folder}: {made}{kept}")
    for path in built.removed[:10]:
        show(f"no longer there: {path}")
    if len(built.removed) > 10:
        show(f"and {len(built.removed) - 10} more")
    for line in built.differs:
        show(line)
    _print_music(built.plan, built.music)
    if built.zip is not None:
        show(str(built.zip))
    show(f"read {folder / 'START-HERE.txt'} first")


@session_command.command("verify", short_help="Read a built folder back and compare.")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--all", "everything", is_flag=True, help="A line for every file.")
def verify_command(folder: Path, everything: bool) -> None:
    """Read every file of the bundle FOLDER back and compare it with the session's tables."""
    from bridge.cli.parts.printing import progress_bar, show, show_table
    from bridge.errors import InputProblem
    from bridge.jobs.session.reading_back.verify import verify_session

    with progress_bar() as advance:
        verified = verify_session(folder, lambda _, done: advance("verify", done))
    problems = verified.problems
    shown = verified.files if everything else problems
    if shown:
        show_table(
            ("file", "compared with", "off, cents", "allowed", ""),
            [
                (
                    one.path,
                    one.compared,
                    "" if one.worst_cents is None else f"{one.worst_cents:.4f}",
                    "" if one.limit_cents is None else f"{one.limit_cents:.4f}",
                    one.problem or "good",
                )
                for one in shown
            ],
            left=(0, 1, 4),
        )
    if problems:
        raise InputProblem(
            f"{folder}: {_count(len(problems), 'file')} of {len(verified.files)} are not as they should be: "
            f"{problems[0].path}: {problems[0].problem}",
            "build the session again",
        )
    show(
        f"{folder}: {_count(len(verified.files), 'file')} read back, every one as the session's tables have it"
    )
    for what, worst in verified.worst_by_kind():
        show(f"  {what}: within {worst:.4f} cents")


def _print_plan(plan: SessionPlan, checked: Checked) -> None:
    from bridge.cli.parts.printing import show, show_table
    from bridge.tuning.tables import build_table

    session = plan.session
    show(session.title)
    if session.reference is not None:
        show(f"reference {session.reference.text(session.guitar.tonic if session.guitar else 'C')}")
    show()
    rows = []
    for one in plan.pieces:
        piece, table = one.piece, build_table(one.tables[0])
        fret = f", capo {table.fret}" if table.fret else ""
        bars = checked.lengths.get(piece.number)
        length = f"{piece.track_text}, {_count(bars, 'bar')}" if bars else piece.track_text
        programs = [_programs(plan, piece.number, 0)]
        rows.append((str(piece.number), piece.title, f"{table.tonic}{fret}", *programs, length))
        rows += [
            ("", f"  from {step.place}", step.what, _programs(plan, piece.number, step.table), step.title)
            for step in one.steps[1:]
        ]
    show_table(("", "piece", "table", "tuning program", "track"), rows, left=(1, 2, 3, 4))
    for synth in plan.synths:
        how = f"tables by {synth.method}" if synth.method else "tracks by pitch bend"
        if synth.synth.profile.panel:
            how = "entered by hand"
        show(f"{synth.synth.name}: {synth.synth.profile.title}, {how}")
        for reason in sorted(set(synth.left_out.values())):
            show(f"  left out: {reason}")


def _print_music(plan: SessionPlan, music: dict[int, tuple[str, ...]]) -> None:
    """Say of every track how pure it is, and what would raise that."""
    from bridge.cli.parts.printing import show

    titles = {one.piece.number: one.piece.title for one in plan.pieces}
    for number, lines in music.items():
        show(f"{titles[number]}: {lines[0]}")
        for line in lines[1:]:
            show(f"  {line}")


def _programs(plan: SessionPlan, piece: int, table: int) -> str:
    """The tuning programs of a table, by synth where they differ."""
    found = {
        synth.synth.name: synth.programs[piece, table]
        for synth in plan.synths
        if (piece, table) in synth.programs
    }
    if len(set(found.values())) <= 1:
        return str(next(iter(found.values()))) if found else ""
    return ", ".join(f"{name} {program}" for name, program in found.items())


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'s' * (number != 1)}"
