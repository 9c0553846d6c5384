"""How pure the track of a piece is, and what would raise that, in the words of a session file."""

from __future__ import annotations

import re

from bridge.errors import StillbeatError
from bridge.jobs.harmony.told import apart
from bridge.jobs.retune import Search, listen_to
from bridge.jobs.session.synth import track_request
from bridge.store.session.model import Piece, problem_at
from bridge.store.smf import MidiFile


def music_of(piece: Piece, midi: MidiFile, search: Search | None = None) -> tuple[str, ...]:
    """Return what is told about a piece's track: at most two lines, and one where guitar and track lie far apart.

    InputProblem if the track cannot be followed under the table of the piece; names file and line.
    """
    try:
        told = listen_to(midi, track_request(piece), search)
    except StillbeatError as problem:
        raise problem_at(piece.at, problem.message, problem.hint) from problem
    lines = [line for one in told for line in one.summary()]
    lines += [far for one in told if (far := apart(one))]
    return tuple(map(_as_entries, lines))


def _as_entries(line: str) -> str:
    """Say advice as a session file has it, and not as options of a command."""
    line = line.replace("--follow-harmony", "`follow_harmony = true`")
    line = re.sub(r"--tonic (\S+)", r'`tonic = "\1"`', line)
    tonics = re.compile(r"(?:--at \d+=[A-G][#b]? ?)+")
    return tonics.sub(lambda found: _sections(found[0]), line)


def _sections(words: str) -> str:
    parts = [f'bar {bar} `tonic = "{tonic}"`' for bar, tonic in re.findall(r"(\d+)=(\S+)", words)]
    return f"sections at {', '.join(parts)} "
