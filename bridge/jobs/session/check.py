"""Looking through a session before anything is built: everything that it names is read, nothing is written."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from bridge.engine.play.drones.sounds import about_sound
from bridge.errors import InputProblem
from bridge.jobs.retune import Search
from bridge.jobs.session.music import music_of
from bridge.jobs.session.plan import PiecePlan, SessionPlan, check_sections, plan_session
from bridge.jobs.session.takes import open_session
from bridge.store.files import read_bytes
from bridge.store.session.model import Session, built, problem_at
from bridge.store.smf import MidiFile, parse_midi
from bridge.store.timeline import BarMap
from bridge.tuning.off_guitar import off_guitar
from bridge.tuning.tables import Table


@dataclass(frozen=True)
class Checked:
    """A session that can be built."""

    plan: SessionPlan
    # Bars of each backing track, by number of the piece (none where it counts in SMPTE time).
    lengths: dict[int, int] = field(default_factory=dict)
    # What the reader of a track had to forgive, references to be doubted, and drones that hide beats.
    warnings: list[str] = field(default_factory=list)
    # How pure each track is and what would raise that, in lines, by number of the piece; where it was asked for.
    music: dict[int, tuple[str, ...]] = field(default_factory=dict)


def check_session(
    file: Path,
    listen: bool = False,
    to_play: bool = False,
    beforehand: Callable[[str, float], None] | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> Checked:
    """Read a session and everything it names, without writing anything.

    InputProblem as `build_session`; only what retuning itself refuses is found there alone.

    Parameters
    ----------
    listen : bool
        Whether the chords of every track are looked through.
    to_play : bool
        Whether tracks that are missing or damaged are a warning, as long as nobody needs them who plays it himself.
    beforehand, progress : callable, optional
        As for `build_session`; progress comes with the title of the piece and how much of it is done.
    """
    session = open_session(file, to_play=to_play)
    warnings = [*session.missing, *doubts(session)]
    warnings += _wavering_drones(session)
    tracks: dict[int, MidiFile] = {}
    lengths: dict[int, int] = {}
    for piece in session.pieces:
        if piece.track is None:
            continue
        try:
            midi = parse_midi(read_bytes(piece.track), piece.track_text)
        except InputProblem as problem:
            if to_play and not piece.follow_key_signatures:
                warnings.append(f"{piece.title}: its backing track: {problem.message}")
                continue
            raise problem_at(piece.at, problem.message, problem.hint) from problem
        tracks[piece.number] = midi
        check_sections(piece, midi)
        warnings += [f"{piece.track_text}: {text}" for text in midi.warnings]
        if midi.ticks_per_quarter is not None and (midi.format != 2 or len(midi.tracks) == 1):
            lengths[piece.number] = BarMap(midi).bars
    plan = plan_session(session, tracks)
    warnings += off_lines(plan)
    music = {}
    if listen:
        for piece in session.pieces:
            title = piece.title
            search = Search(beforehand and partial(beforehand, title), progress and partial(progress, title))
            if piece.number in tracks and (told := music_of(piece, tracks[piece.number], search)):
                music[piece.number] = told
    return Checked(plan, lengths, warnings, music)


def doubts(session: Session) -> list[str]:
    """Return what is asked about the references, capos and transpositions of a session, a line each."""
    found = [session.reference.doubt] if session.reference is not None and session.reference.doubt else []
    own = [(piece.title, piece.spec.doubt) for piece in session.pieces]
    return [*found, *(f"{title}: {doubt}" for title, doubt in own if doubt and doubt not in found)]


def off_lines(plan: SessionPlan) -> list[str]:
    """Say of which pieces the guitar and the tables disagree, a line each."""
    said = [(one.piece.title, off_guitar(places_of(one))) for one in plan.pieces]
    return [f"{title}: {text}" for title, text in said if text]


def places_of(one: PiecePlan) -> list[tuple[str, Table]]:
    """Return the tables of a piece, and from where each holds."""
    steps = [step for step in one.steps if step.table < len(one.tables)]
    alone = len({step.table for step in steps}) == 1
    return [("" if alone else step.place, built(one.tables[step.table])) for step in steps]


def _wavering_drones(session: Session) -> list[str]:
    """Say which pieces have a drone whose sound hides beats."""
    found: dict[str, list[str]] = {}
    for piece in session.pieces:
        drones = [piece.drone, *(one.drone for one in piece.sections if one.drone is not None)]
        for sound in dict.fromkeys(drone.sound for drone in drones if drone.notes):
            if about_sound(sound):
                found.setdefault(sound, []).append(piece.title)
    return [f"drone of {', '.join(titles)}: {about_sound(sound)}" for sound, titles in found.items()]
