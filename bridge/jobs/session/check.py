"""Looking through a session before anything is built: everything that it names is read, nothing is written.

Index
-----
`check_session`, `Checked`
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from bridge.errors import InputProblem
from bridge.jobs.session.plan import SessionPlan, check_sections, plan_session
from bridge.jobs.session.takes import open_session
from bridge.store.files import read_bytes
from bridge.store.session.model import problem_at
from bridge.store.smf import MidiFile, parse_midi
from bridge.store.timeline import BarMap


@dataclass(frozen=True)
class Checked:
    """A session that can be built.

    Attributes
    ----------
    plan : SessionPlan
    lengths : dict of int to int
        Bars of each backing track, by number of the piece (none where it counts in SMPTE time).
    warnings : list of str
        What the reader of a track had to forgive, and references to be doubted.
    """

    plan: SessionPlan
    lengths: dict[int, int] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)


def check_session(file: Path) -> Checked:
    """Read a session and everything it names, without writing anything.

    Raises
    ------
    InputProblem
        As `build_session`; only what retuning itself refuses is found there alone.
    """
    session = open_session(file)
    warnings = []
    if session.reference is not None and session.reference.doubt:
        warnings.append(session.reference.doubt)
    tracks: dict[int, MidiFile] = {}
    lengths: dict[int, int] = {}
    for piece in session.pieces:
        if piece.track is None:
            continue
        try:
            midi = parse_midi(read_bytes(piece.track), piece.track_text)
        except InputProblem as problem:
            raise problem_at(piece.at, problem.message, problem.hint) from problem
        tracks[piece.number] = midi
        check_sections(piece, midi)
        warnings += [f"{piece.track_text}: {text}" for text in midi.warnings]
        if midi.ticks_per_quarter is not None and (midi.format != 2 or len(midi.tracks) == 1):
            lengths[piece.number] = BarMap(midi).bars
    return Checked(plan_session(session, tracks), lengths, warnings)
