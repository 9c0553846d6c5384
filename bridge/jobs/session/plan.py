"""What a session needs: the tables of every piece, and where each lies in every synth.

The rules:

- A piece has a table at its start and one for every section; a section that returns to an earlier table of the piece
  uses that one again.
- A synth that keeps tables in tuning programs and lets channels select them (methods `note` and `dump`) gets each table
  in a program of its own, in the order of playing, so that a step of the program number is a step of the evening.
  What the session file asks for is placed first. Two pieces never share a program, even if their tables are the same.
- Any other synth holds one table at a time.
- The method for tables is the one asked for, else the first tuning-message method of the synth's own order that can say
  every table, else the first that it has.

Index
-----
`Step`, `PiecePlan`, `plan_piece` · `SynthPlan`, `SessionPlan`, `plan_session` · `check_sections`
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from itertools import groupby

from bridge.engine.method import choose_for_storing
from bridge.engine.mts.octave import fit_octave
from bridge.engine.mts.tuner import Tuner
from bridge.engine.report import spans
from bridge.errors import MethodProblem, StillbeatError
from bridge.jobs.changes import follow_signatures
from bridge.jobs.export import PITCHED_CHANNELS
from bridge.store.descriptions import load_table
from bridge.store.finding import descriptions_beside
from bridge.store.session.model import (
    OWN,
    Drone,
    Piece,
    PieceSection,
    Session,
    SessionSynth,
    Trims,
    built,
    problem_at,
)
from bridge.store.smf import MidiFile, read_midi
from bridge.store.timeline import BarMap
from bridge.tuning.changes import Change, apply_change
from bridge.tuning.ratios import cents_to_ratio
from bridge.tuning.spec import TableSpec
from bridge.wire.profile import SynthProfile

START = "start"


@dataclass(frozen=True)
class Step:
    """A stretch of a piece under one table."""

    # What its files are called after the piece: empty at the start, else ``bar-17`` or ``bar-9-beat-3``.
    label: str
    place: str  # the same for a reader: ``start``, ``bar 17``
    what: str  # what changes there; empty at the start
    title: str  # what players call it; may be empty
    table: int  # number of its table among `PiecePlan.tables`
    drone: Drone | None = None  # its drone, if it is another than the one before
    chords: tuple[str, ...] = ()  # chords that are played there; empty if none are named

    def stem(self, piece: Piece) -> str:
        """The beginning of its files."""
        return f"{piece.stem}.{self.label}" if self.label else piece.stem


@dataclass(frozen=True)
class PiecePlan:
    """A piece with all its tables."""

    piece: Piece
    steps: tuple[Step, ...]  # from the start on
    # Each table once, in the order in which they are first needed; named after the step that needs it
    # first.
    tables: tuple[TableSpec, ...]

    def first_step(self, table: int) -> Step:
        """Return the step that needs a table first."""
        return next(step for step in self.steps if step.table == table)


@dataclass(frozen=True)
class SynthPlan:
    """How the tables of a session reach one synth."""

    synth: SessionSynth
    method: str  # ``note``, ``octave`` or ``dump``; empty where no tuning message reaches it
    # Number of a piece and of its table to tuning program; empty where the synth holds one table at a
    # time.
    programs: Mapping[tuple[int, int], int] = field(default_factory=dict)
    # Tables that the method cannot say, each with the reason.
    left_out: Mapping[tuple[int, int], str] = field(default_factory=dict)
    # Whether a table, or one moved by a trim, puts something into the synth's fine tuning.
    shifts: bool = False

    @property
    def recalls(self) -> bool:
        """Whether every table has a tuning program that channels select."""
        return can_recall(self.synth.profile, self.method)

    @property
    def channels(self) -> tuple[int, ...]:
        """Pitched channels that the synth receives."""
        return tuple(channel for channel in PITCHED_CHANNELS if channel in self.synth.profile.channels)

    def profile_for(self, piece: int, table: int) -> SynthProfile:
        """Return the synth's profile, addressed to the program of a table."""
        program = self.programs.get((piece, table))
        profile = self.synth.profile
        return profile if program is None else replace(profile, program=program)


@dataclass(frozen=True)
class SessionPlan:
    """A session with its tables and where they go."""

    session: Session
    pieces: tuple[PiecePlan, ...]
    synths: tuple[SynthPlan, ...]


def can_recall(profile: SynthProfile, method: str) -> bool:
    """Tell whether a synth keeps tables of a method in programs that channels select."""
    return method in ("note", "dump") and profile.select != "none"


def plan_session(session: Session, tracks: Mapping[int, MidiFile] | None = None) -> SessionPlan:
    """Lay out a session.

    InputProblem if a track whose key signatures are followed cannot be read, there are more tables than
    tuning programs, or two pieces ask for one program; names file and line.

    Parameters
    ----------
    tracks : mapping of int to MidiFile, optional
        Backing tracks that were read already, by number of the piece.
    """
    read = tracks or {}
    with descriptions_beside(session.folder / OWN):
        pieces = tuple(plan_piece(piece, read.get(piece.number)) for piece in session.pieces)
    return SessionPlan(
        session, pieces, tuple(_plan_synth(synth, pieces, session.trims) for synth in session.synths)
    )


def plan_piece(piece: Piece, midi: MidiFile | None = None) -> PiecePlan:
    """Lay out a piece.

    InputProblem as `plan_session`.

    Parameters
    ----------
    midi : MidiFile, optional
        Its track, if it was read already; it is only needed where key signatures are followed.
    """
    tables: list[TableSpec] = [piece.spec]
    steps = [Step("", START, "", "", 0, None, piece.chords)]
    now = piece.spec
    for _, together in groupby(_changes(piece, midi), key=lambda item: (item[0].bar, item[0].beat)):
        said, title, drone, label, place = [], "", None, "", ""
        chords = piece.chords
        signature = True
        for change, section in together:
            named = load_table(change.table) if change.table else None
            try:
                now = apply_change(now, piece.spec, change, named)
            except StillbeatError as problem:
                at = section.at if section else piece.at
                raise problem_at(at, problem.message, problem.hint) from problem
            label, place = _label(change), change.place
            said.append(_what(change, section, piece.spec.transposed, piece.spec.shapes_kept))
            if section is not None:
                signature, title, drone = False, section.title, section.drone
                chords = piece.chords if section.chords is None else section.chords
        same = next((number for number, table in enumerate(tables) if _same(table, now)), len(tables))
        if label == "bar-1" and same == 0 and signature:
            continue  # a key signature that says what the piece starts with
        if same == len(tables):
            tables.append(replace(now, name=f"{piece.name}-{label}"))
        steps.append(Step(label, place, ", ".join(said), title, same, drone, chords))
    return PiecePlan(piece, tuple(steps), tuple(tables))


def _same(one: TableSpec, other: TableSpec) -> bool:
    return replace(one, name="") == replace(other, name="")


def _label(change: Change) -> str:
    return f"bar-{change.bar}" if change.beat == 1 else f"bar-{change.bar}-beat-{change.beat:g}"


def _what(change: Change, section: PieceSection | None, moved: int, kept: bool) -> str:
    """Say what changes, with a table as it was written."""
    if section is not None and change.table is not None:
        change = replace(change, table=section.table_text or None)
    said = change.describe(moved, kept)
    return "as before" if said == "nothing" else said


def _changes(piece: Piece, midi: MidiFile | None) -> list[tuple[Change, PieceSection | None]]:
    """Return what changes in a piece in order: key signatures if they are followed, then sections."""
    asked: list[tuple[Change, PieceSection | None]] = [
        (section.change, section) for section in piece.sections
    ]
    if not piece.follow_key_signatures or piece.track is None:
        return asked
    midi = midi or read_midi(piece.track)
    try:
        bars = BarMap(midi)
        followed = []
        for tick, change in follow_signatures(midi)[0]:
            bar, beat = bars.bar_beat(tick)
            followed.append((replace(change, bar=bar, beat=float(beat)), None))
    except StillbeatError as problem:
        raise problem_at(piece.at, problem.message, problem.hint) from problem
    return sorted([*followed, *asked], key=lambda item: (item[0].bar, item[0].beat))


def check_sections(piece: Piece, midi: MidiFile) -> None:
    """Refuse a section at a bar or beat that the track does not have; InputProblem names file and line."""
    bars: BarMap | None = None
    for section in piece.sections:
        try:
            bars = bars or BarMap(midi)
            bars.tick(section.change.bar, section.change.beat)
        except StillbeatError as problem:
            raise problem_at(section.at, f"{piece.track_text}: {problem.message}", problem.hint) from problem


# -- synths


def _plan_synth(synth: SessionSynth, pieces: tuple[PiecePlan, ...], trims: Trims) -> SynthPlan:
    mine = [plan for plan in pieces if synth.name in plan.piece.synths]
    tried: dict[str, tuple[dict[tuple[int, int], str], bool]] = {}

    def refuses(method: str) -> bool:
        tried[method] = _refused(synth.profile, method, mine, trims)
        return bool(tried[method][0])

    chosen = choose_for_storing(synth.method, synth.profile, refuses)
    left_out, shifts = tried.get(chosen, ({}, False))
    if not can_recall(synth.profile, chosen):
        return SynthPlan(synth, chosen, {}, left_out, shifts)
    return SynthPlan(synth, chosen, _assign(synth, mine), left_out)


def _refused(
    profile: SynthProfile, method: str, pieces: Iterable[PiecePlan], trims: Trims
) -> tuple[dict[tuple[int, int], str], bool]:
    """Return the tables that a method cannot say, and whether one needs a shift; only octave messages refuse any."""
    refused: dict[tuple[int, int], str] = {}
    shifts = False
    if method != "octave":
        return refused, shifts
    for plan in pieces:
        for number, spec in enumerate(plan.tables):
            hz = built(spec).hz
            for cents in (0, *trims.cents):
                try:
                    fit = fit_octave(
                        (hz * cents_to_ratio(cents)).tolist(),
                        profile.octave_form,
                        profile.fine_tuning is not None,
                    )
                except MethodProblem as problem:
                    if cents == 0:
                        refused[plan.piece.number, number] = problem.message
                        break
                else:
                    shifts = shifts or fit.shift_cents != 0.0
    return refused, shifts


def _assign(synth: SessionSynth, pieces: Iterable[PiecePlan]) -> dict[tuple[int, int], int]:
    """Give every table a tuning program: first what was asked for, then the next free one in order of playing."""
    allowed = set(synth.programs)
    taken: dict[int, tuple[Piece, str]] = {}
    given: dict[tuple[int, int], int] = {}
    waiting: list[tuple[int, int]] = []
    for plan in pieces:
        sections = {_label(section.change): section for section in plan.piece.sections}
        for number in range(len(plan.tables)):
            step = plan.first_step(number)
            section = sections.get(step.label)
            program, at = (section.program, section.at) if section else (plan.piece.program, plan.piece.at)
            if program is None:
                waiting.append((plan.piece.number, number))
                continue
            if program not in allowed:
                raise problem_at(
                    at,
                    f"program = {program} is none that synth {synth.name} may fill with tables",
                    f"it may fill {spans(allowed)}; {synth.profile.program} is for backing tracks",
                )
            if program in taken:
                other, there = taken[program]
                who = "piece" if other is not plan.piece else "another section of"
                raise problem_at(
                    at,
                    f"{plan.piece.title!r} takes tuning program {program} of synth {synth.name}, which {who} "
                    f"{other.title!r} has",
                    f"that one: {there}; give each a program of its own, or leave program out",
                )
            taken[program] = (plan.piece, at)
            given[plan.piece.number, number] = program
    free = [program for program in synth.programs if program not in taken]
    if len(waiting) > len(free):
        count = len(waiting) + len(given)
        raise problem_at(
            synth.at,
            f"the session has {count} tables for synth {synth.name}, but only {len(allowed)} tuning programs "
            f"({spans(allowed)})",
            "allow more with programs, or leave pieces out with synths in each piece",
        )
    given.update(zip(waiting, free, strict=False))
    return given


def tuner_for(plan: SynthPlan, piece: int, table: int, name: str) -> Tuner:
    """Return what turns a table into messages for a synth, addressed to the table's program."""
    plain = name.encode("ascii", "replace").decode("ascii")[:16]
    return Tuner(plan.profile_for(piece, table), plan.method, plan.channels, plain)
