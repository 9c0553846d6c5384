"""The doors of Stillbeat: the same words said to each, and what each makes of them.

Words are those of the command's options, with ``_`` for ``-``: ``{"guitar": "open-d", "degrees": ("b7=7/4",)}``. Every
door is opened in this process, in a folder in which named files lie. It answers with the 128 frequencies of its table,
where it has them, and with the tuning messages (SysEx) that it would send to the synth `SYNTH` by method ``note``.

Index: `said_to_all` · `DOORS` · `Answer` · `prepare_folder`.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import redirect_stdout
from dataclasses import dataclass
from io import BytesIO, StringIO
from pathlib import Path
from typing import Any

import click
import mido

import bridge
from bridge.cli.drone import drone_command, drone_request
from bridge.cli.export import export_command
from bridge.cli.parts.options import take_table
from bridge.cli.play import play_command, prepare_tables
from bridge.cli.retune import retune_command
from bridge.cli.table import table_command
from bridge.engine.play.tables import TableSwitch
from bridge.errors import StillbeatError
from bridge.jobs.session.check import check_session
from bridge.jobs.session.synth import piece_for_synth
from bridge.live.plan import LivePlan
from bridge.live.player.engines import make_engine
from bridge.live.prepare.drone import prepare_drone
from bridge.live.prepare.evening import EveningRequest, prepare_evening
from bridge.store.descriptions import load_table
from bridge.store.session.model import built
from bridge.tuning.tables import build_table

Words = Mapping[str, Any]

SYNTH = "keys.toml"
PROGRAM = 3
_PROFILE = f"""\
schema = 1
name = "keys"
title = "A synth that keeps the standard"
source = "made for these tests"
units = "cents, semitones, seconds, bytes; channels 1 to 16"
methods = ["note"]
note_form = "program"
select = "program"
program = {PROGRAM}
sounding = ["note"]
rounding = "none"
"""
SONG = "song.mid"


HELP = ["-h", "--help"]
"""As the whole command has it: click keeps the first help option that a command was asked for."""


@dataclass(frozen=True)
class Answer:
    """What a door makes of words: frequencies in Hz and tuning messages, or why it refuses."""

    hz: tuple[float, ...] = ()
    messages: tuple[bytes, ...] = ()
    refused: str = ""


def prepare_folder(folder: Path) -> None:
    """Put into a folder what every door needs: the synth's profile, and a song in which all 128 keys sound."""
    (folder / SYNTH).write_text(_PROFILE)
    track = mido.MidiTrack()
    for key in range(128):
        track.append(mido.Message("note_on", note=key, velocity=64, time=10))
        track.append(mido.Message("note_off", note=key, velocity=64, time=10))
    song = mido.MidiFile()
    song.tracks.append(track)
    song.save(folder / SONG)


# ---- words, as each door takes them


def options(words: Words, table_is_argument: bool = False) -> list[str]:
    """Write words as a command line."""
    singular = {"degrees": "degree", "pins": "pin"}
    line: list[str] = []
    for word, value in words.items():
        name = "--" + singular.get(word, word).replace("_", "-")
        if word == "table" and table_is_argument:
            line.append(str(value))
        elif word in ("open_strings_win", "keep_shapes"):
            line += [name] if value else []
        elif isinstance(value, tuple):
            line += [f"{name}={one}" for one in value]
        else:
            line.append(f"{name}={value}")
    return line


def entry_text(word: str, value: Any) -> str:
    """Write a word as an entry of a session file."""
    entry = "keys" if word == "pins" else word
    if not isinstance(value, tuple):
        return f"{entry} = {json.dumps(value)}"
    pairs = (one.partition("=") for one in value)
    quote = "" if word == "pins" else '"'
    entries = ", ".join(f'"{name}" = {quote}{number}{quote}' for name, _, number in pairs)
    return f"{entry} = {{ {entries} }}"


def session_text(
    words: Words, at_top: Iterable[str] = (), stored: int = PROGRAM, track: int = PROGRAM + 1
) -> str:
    """Write words as a session file of one piece; those `at_top` hold for every piece.

    `stored` is the tuning program that its table fills, `track` the one that is used while it plays.
    """
    top = [entry_text(word, value) for word, value in words.items() if word in at_top]
    piece = [entry_text(word, value) for word, value in words.items() if word not in at_top]
    return "\n".join(
        [
            "schema = 1",
            'title = "Doors"',
            "pages = false",
            *top,
            "[trims]",
            "range_cents = 0",
            "[[synths]]",
            'name = "keys"',
            f'profile = "{SYNTH}"',
            f'programs = "{stored}"',
            f"track_program = {track}",
            'port = "keys"',
            "[[pieces]]",
            'title = "One"',
            *piece,
            "",
        ]
    )


# ---- the doors


def parsed(command: click.Command, line: Sequence[str]) -> dict[str, Any]:
    """Return what a command understands of a line; with the names of help that it has in the group of commands."""
    return dict(command.make_context(command.name, list(line), help_option_names=HELP).params)


def _run(command: click.Command, line: list[str]) -> str:
    """Run a command in this process; return what it printed."""
    said = StringIO()
    with redirect_stdout(said):
        command.main(line, prog_name="stillbeat", standalone_mode=False, help_option_names=HELP)
    return said.getvalue()


def _sysex(data: bytes) -> tuple[bytes, ...]:
    """Split SysEx messages that follow each other."""
    return tuple(part + b"\xf7" for part in data.split(b"\xf7")[:-1])


def _floats(values: Iterable[float]) -> tuple[float, ...]:
    return tuple(float(value) for value in values)


def by_table(words: Words, folder: Path) -> Answer:
    """``stillbeat table --json``."""
    keys = json.loads(_run(table_command, [*options(words, True), "--json"]))["keys"]
    return Answer(_floats(key["hz"] for key in keys))


def by_export(words: Words, folder: Path) -> Answer:
    """``stillbeat export``: its numbers, the description that it writes, and its messages."""
    _run(
        export_command,
        [*options(words, True), "-o", "out", "--name=x", f"--synth={SYNTH}", "--no-sheet", "--overwrite"],
    )
    hz = _floats(key["hz"] for key in json.loads((folder / "out" / "x.json").read_text())["keys"])
    again = _floats(build_table(load_table("out/x.table.toml")).hz)
    assert hz == again, "the description gives the same table, bit for bit"
    return Answer(hz, _sysex((folder / "out" / "x.note.syx").read_bytes()))


def by_retune(words: Words, folder: Path) -> Answer:
    """``stillbeat retune``: the tuning messages of the retuned file."""
    ways = ["-o", "pure.mid", f"--synth={SYNTH}", "--method=note", "--overwrite"]
    _run(retune_command, [SONG, *options(words), *ways])
    return Answer(messages=_tuning_of(mido.MidiFile(folder / "pure.mid")))


def _tuning_of(midi: mido.MidiFile) -> tuple[bytes, ...]:
    """The tuning messages of a file of mido."""
    return tuple(
        bytes(one.bytes())
        for track in midi.tracks
        for one in track
        if one.type == "sysex" and one.data[2] == 8
    )


def _answer_of(plan: LivePlan) -> Answer:
    """What a player starts with."""
    hz = plan.tables[0].hz
    start = list(make_engine(plan, TableSwitch(plan.tables)).start(0.0))
    return Answer(_floats(hz), tuple(data for _, data in start if data[0] == 0xF0 and data[3] == 8))


def by_play(words: Words, folder: Path) -> Answer:
    """``stillbeat play``."""
    line = [*options(words), "--in=keyboard", "--out=synth", f"--synth={SYNTH}", "--method=note"]
    values = parsed(play_command, line)
    return _answer_of(prepare_tables(take_table(values), values).plan)


def by_drone(words: Words, folder: Path) -> Answer:
    """``stillbeat drone`` on a synth."""
    values = parsed(drone_command, options(words))
    prepared = prepare_drone(
        take_table(values), drone_request(values), out_port="synth", synth=SYNTH, method="note"
    )
    assert _floats(prepared.table.hz) == _floats(prepared.plan.tables[0].hz)
    return _answer_of(prepared.plan)


def _by_session(words: Words, folder: Path, at_top: Iterable[str]) -> Answer:
    (folder / "doors.toml").write_text(session_text(words, at_top))
    plan = check_session(folder / "doors.toml").plan
    made, _ = piece_for_synth(plan.pieces[0], plan.synths[0], None, (), False)
    (tables,) = (one.data for one in made if one.path.endswith(".syx"))
    return Answer(_floats(built(plan.pieces[0].tables[0]).hz), _sysex(tables))


def by_session(words: Words, folder: Path) -> Answer:
    """A session file in which a piece says it all."""
    return _by_session(words, folder, ())


def by_session_top(words: Words, folder: Path) -> Answer:
    """A session file which says at the top what can stand there. What a piece names a table for stays with it."""
    top = {"guitar", "scale", "home", "reference", "reference_from", "as_tuned"}
    if "table" in words:
        top = {"reference"} - set(words.keys() & {"as_tuned", "reference_from"})
    if "guitar" not in words:
        top.discard("as_tuned")
    if "sounding" in words:  # beside it in the piece a reference is refused; at the top it only stands
        top.discard("reference")
    return _by_session(words, folder, top)


def by_play_session(words: Words, folder: Path) -> Answer:
    """``stillbeat play --session``."""
    (folder / "doors.toml").write_text(session_text(words, stored=PROGRAM + 1, track=PROGRAM))
    return _answer_of(
        prepare_evening(EveningRequest(file=folder / "doors.toml", in_port="keyboard", method="note")).plan
    )


def by_python(words: Words, folder: Path) -> Answer:
    """``import bridge``: a table, and a song that is retuned."""
    singular = {"degrees": "degree", "pins": "pin"}
    said = {singular.get(word, word): value for word, value in words.items()}
    pure = bridge.retune(mido.MidiFile(folder / SONG), synth=SYNTH, method="note", **said)
    copy = BytesIO()
    pure.save(file=copy)
    hz = _floats(bridge.table(**said).hz)
    assert _floats(bridge.frequencies(**said)) == hz
    return Answer(hz, _tuning_of(mido.MidiFile(file=BytesIO(copy.getvalue()))))


DOORS: dict[str, Callable[[Words, Path], Answer]] = {
    "table": by_table,
    "export": by_export,
    "retune": by_retune,
    "drone": by_drone,
    "play": by_play,
    "session": by_session,
    "session, at the top": by_session_top,
    "play --session": by_play_session,
    "python": by_python,
}


def said_to_all(words: Words, folder: Path) -> dict[str, Answer]:
    """Say words to every door; what it refuses is part of the answer."""
    answers: dict[str, Answer] = {}
    for name, door in DOORS.items():
        try:
            answers[name] = door(words, folder)
        except StillbeatError as problem:
            answers[name] = Answer(refused=problem.message)
    return answers
