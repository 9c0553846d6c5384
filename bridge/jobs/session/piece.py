"""The work on one piece of a session, as a process of its own can do it: read its track once, write its files.

Tasks of a piece:

===============================  ==========================================================
``01-song/tables and drones``    its tables for people and scripts, and its drones
``01-song/SYNTH``                everything that one synth gets (`bridge.jobs.session.synth`)
===============================  ==========================================================
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from bridge.errors import InputProblem, StillbeatError
from bridge.jobs.chart_drone import plan_chart_drone
from bridge.jobs.drone import DroneRequest
from bridge.jobs.retune import Search
from bridge.jobs.session.music import music_of
from bridge.jobs.session.plan import PiecePlan, SynthPlan, check_sections
from bridge.jobs.session.sound import chart_drone_wav, drone_wav
from bridge.jobs.session.synth import Made, piece_for_synth, track_request
from bridge.store.descriptions import save_table
from bridge.store.files import read_bytes
from bridge.store.session.model import Piece, Trims, built, problem_at
from bridge.store.smf import MidiFile, parse_midi
from bridge.store.tablejson import table_to_csv, table_to_json

TABLES, MUSIC = "tables and drones", "how pure it is"
"""Tasks of a piece; the other tasks are named after synths, whose names hold no spaces."""

ALONG = "chart drone"
"""What a drone is that follows the chart of a piece along its track."""


@dataclass(frozen=True)
class PieceJob:
    """What is to be done for a piece."""

    plan: PiecePlan
    tables: bool  # whether the task `TABLES` is to be done
    music: bool  # whether the task `MUSIC` is to be done: its track is looked through
    synths: tuple[SynthPlan, ...]  # the synths whose tasks are to be done
    trims: Trims
    root: Path  # folder to write into


@dataclass(frozen=True)
class PieceDone:
    """What was done: by task, the facts of its files by path, and notices."""

    files: dict[str, dict[str, dict[str, Any]]]
    notices: dict[str, list[str]]


class OnTheWay(NamedTuple):
    """What is said while a piece is worked on."""

    number: int  # the piece
    share: float  # how much of it is done, 0 to 1
    search_s: float = 0.0  # how long the search that begins now will take, where it is long


_STEP_SHARE = 0.02


def task_name(stem: str, part: str) -> str:
    """Return the name of a task of a piece."""
    return f"{stem}/{part}"


def run_piece(job: PieceJob, say: Callable[[OnTheWay], None] = lambda _: None) -> PieceDone:
    """Do the tasks of a piece, and say how far it is.

    InputProblem if the track cannot be read, a section lies beyond its end, or a synth cannot do what was
    asked for; names file and line of the session where that helps. OutputProblem if a file cannot be written.
    """
    piece = job.plan.piece
    done = PieceDone({}, {})
    parts, finished, said_share = job.music + len(job.synths), 0, 0.0

    def advance(share: float) -> None:
        nonlocal said_share
        now_share = (finished + share) / parts
        if now_share >= said_share + _STEP_SHARE:
            said_share = now_share
            say(OnTheWay(piece.number, now_share))

    def long(seconds: float) -> None:
        say(OnTheWay(piece.number, said_share, seconds))

    search = Search(long, advance)
    midi: MidiFile | None = None
    if piece.track is not None:
        try:
            midi = parse_midi(read_bytes(piece.track), piece.track_text)
        except InputProblem as problem:
            raise problem_at(piece.at, problem.message, problem.hint) from problem
        check_sections(piece, midi)
    if job.tables:
        try:
            made = [*_tables(job.plan), *_drones(job.plan), *_along(piece, midi)]
        except StillbeatError as problem:
            raise problem_at(piece.at, problem.message, problem.hint) from problem
        name = task_name(piece.stem, TABLES)
        done.files[name], done.notices[name] = write_made(job.root, made), []
    if job.music and midi is not None:
        name = task_name(piece.stem, MUSIC)
        done.files[name], done.notices[name] = {}, list(music_of(piece, midi, search))
        finished += 1
    for synth in job.synths:
        name = task_name(piece.stem, synth.synth.name)
        made, notices = piece_for_synth(job.plan, synth, midi, job.trims.cents, job.trims.tracks, search)
        done.files[name], done.notices[name] = write_made(job.root, made), notices
        finished += 1
    return done


def write_made(root: Path, made: Iterable[Made]) -> dict[str, dict[str, Any]]:
    """Write files below a folder and return their facts, with hash and size, by path."""
    facts: dict[str, dict[str, Any]] = {}
    for one in made:
        place = root / one.path
        try:
            descriptor = os.open(
                place, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | getattr(os, "O_BINARY", 0), 0o666
            )
        except FileNotFoundError:
            place.parent.mkdir(parents=True, exist_ok=True)
            descriptor = os.open(
                place, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | getattr(os, "O_BINARY", 0), 0o666
            )
        with os.fdopen(descriptor, "wb") as stream:
            stream.write(one.data)
        facts[one.path] = {
            "sha256": hashlib.sha256(one.data).hexdigest(),
            "bytes": len(one.data),
            **one.facts,
        }
    return facts


def _tables(plan: PiecePlan) -> list[Made]:
    """Every table as CSV, JSON and TOML."""
    made = []
    for number, spec in enumerate(plan.tables):
        table = built(spec)
        step = plan.first_step(number)
        stem = f"tables/{step.stem(plan.piece)}"
        text = json.dumps(table_to_json(table), indent=1, ensure_ascii=True, allow_nan=False) + "\n"
        facts = {"piece": plan.piece.number, "step": step.label}
        made += [
            Made(f"{stem}.csv", table_to_csv(table).encode("utf-8"), {**facts, "what": "csv"}),
            Made(f"{stem}.json", text.encode("ascii"), {**facts, "what": "json"}),
            Made(f"{stem}.table.toml", save_table(spec).encode("utf-8"), {**facts, "what": "description"}),
        ]
    return made


def _drones(plan: PiecePlan) -> list[Made]:
    """The drone of the piece, and of every section that has one of its own."""
    made = []
    for step in plan.steps:
        drone = plan.piece.drone if not step.label else step.drone
        if drone is None or not drone.notes:
            continue
        table = built(plan.tables[step.table])
        facts = {"what": "drone", "piece": plan.piece.number, "step": step.label}
        made.append(Made(f"drones/{step.stem(plan.piece)}.wav", drone_wav(drone, table), facts))
    return made


def _along(piece: Piece, midi: MidiFile | None) -> list[Made]:
    """The drone of a piece that has a chart and a track: along the track, it follows the chords."""
    if piece.chart is None or midi is None or not piece.drone.notes:
        return []
    drone = piece.drone
    asked = DroneRequest(notes=drone.notes, voice=drone.voice, sound=drone.sound)
    plan = plan_chart_drone(asked, track_request(piece), midi, drone.octave)
    facts = {"what": ALONG, "piece": piece.number, "step": ""}
    return [Made(f"drones/{piece.stem}.along-the-track.wav", chart_drone_wav(plan, built(piece.spec)), facts)]
