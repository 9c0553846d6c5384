"""Retuning a backing track: read a MIDI file, let an engine place the tuning, write it beside the original.

The input is never changed. Everything that retuning does not concern passes through untouched and in order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from bridge.engine.mts import MTS_METHODS, Residual, Tuner
from bridge.engine.mts_file import MtsFileEngine, is_note_on
from bridge.errors import MethodProblem
from bridge.jobs.changes import Inferred, PlacedChange, follow_signatures, place_changes
from bridge.jobs.export import STANDARD
from bridge.store.files import check_output
from bridge.store.playing import sequences
from bridge.store.profiles import load_profile
from bridge.store.smf import Event, MidiFile, read_midi, rebuild, write_midi
from bridge.tuning.beats import beats_hz_per_cent
from bridge.tuning.changes import Change
from bridge.tuning.tables import Table, TableSpec
from bridge.wire.profile import SynthProfile

AUDIBLE_CENTS = 0.1
"""Less than this is not worth a word: on D3 to F#3 it beats once in 24 seconds."""


@dataclass(frozen=True)
class RetuneRequest:
    """How a file is to be retuned.

    Attributes
    ----------
    spec : TableSpec
        The table that the piece starts with: home.
    method : str
        ``"note"``, ``"octave"``, ``"dump"`` or ``"auto"``.
    synth : str or None
        Name or path of a synth profile.
    at : tuple of Change
        Changes by bar.
    follow_key_signatures : bool
        Whether the file's key signatures move the tonic.
    equal : bool
        Equal temperament through the same reference instead of the table, for comparison.
    """

    spec: TableSpec
    method: str = "auto"
    synth: str | None = None
    at: tuple[Change, ...] = ()
    follow_key_signatures: bool = False
    equal: bool = False


@dataclass
class Retuned:
    """What was done to a file.

    Attributes
    ----------
    method, why : str
        The method taken, and the reason where it was not asked for.
    profile : SynthProfile
        The synth that the file is for.
    changes : list of PlacedChange
        Tables inside the piece.
    inferred : list of Inferred
        What key signatures were taken for.
    residual : Residual
        What rounding leaves at most, over all tables.
    inserted : int
        Messages added.
    channels : tuple of int
        Channels that play them.
    notices : list of str
        What a player should know.
    """

    method: str
    why: str
    profile: SynthProfile
    changes: list[PlacedChange] = field(default_factory=list)
    inferred: list[Inferred] = field(default_factory=list)
    residual: Residual = field(default_factory=lambda: Residual(0.0, 0, ()))
    inserted: int = 0
    channels: tuple[int, ...] = ()
    notices: list[str] = field(default_factory=list)


def retune_file(source: Path, output: Path, request: RetuneRequest, overwrite: bool = False) -> Retuned:
    """Retune the MIDI file `source` into the new file `output`.

    Parameters
    ----------
    source, output : Path
        MIDI files; `output` appears whole or not at all.
    request : RetuneRequest
        Table, method and synth.
    overwrite : bool
        Whether an existing output is replaced.

    Raises
    ------
    InputProblem
        The file is missing or no MIDI file.
    OutputProblem
        The output exists, or cannot be written.
    MethodProblem
        The method cannot express a table on this synth.
    ValueProblem
        A change names a bar that does not exist.
    """
    check_output(output, overwrite=overwrite, inputs=(source,))
    midi = read_midi(source)
    retuned, result = retune_midi(midi, request)
    write_midi(output, retuned, overwrite=overwrite)
    return result


def retune_midi(midi: MidiFile, request: RetuneRequest) -> tuple[MidiFile, Retuned]:
    """Retune a MIDI file in memory; returns the new file and what was done."""
    profile = load_profile(request.synth) if request.synth else STANDARD
    method, why = choose_method(request.method, request.synth, profile)
    result = Retuned(method, why, profile, notices=[*midi.warnings])
    tracks: list[list[Event]] = [[] for _ in midi.tracks]
    first = request.spec.equal().hz.tolist() if request.equal else request.spec.build().hz.tolist()
    for playing in sequences(midi):
        only = playing.numbers[0] if midi.format == 2 else None
        changes = _changes(midi, request, result, only)
        tables: list[Sequence[float]] = [first, *(change.table.hz.tolist() for change in changes)]
        anchors = playing.mark((change.tick for change in changes), before=is_note_on)
        placed = list(zip(anchors, tables[1:], strict=True))
        engine = MtsFileEngine(profile, method, first, request.spec.name)
        for number, events in playing.weave(engine.process(playing, placed)).items():
            tracks[number] = events
        _account(result, engine, tables)
    rest = remaining_beats(request.spec.build(), profile, result.residual.worst_cents)
    if rest:
        result.notices.append(rest)
    return rebuild(midi, tracks), result


def remaining_beats(table: Table, profile: SynthProfile, sent_cents: float) -> str:
    """Say what a synth that rounds pitches, or a message in whole cents, leaves to be heard; empty if nothing.

    The example is the major third above the reference: its fourth partial meets the reference's fifth.

    Parameters
    ----------
    table : Table
        The table that is sent.
    profile : SynthProfile
        Says how the synth rounds.
    sent_cents : float
        What the messages themselves leave at most.
    """
    share = {"none": 0.0, "nearest": 0.5, "floor": 1.0}[profile.rounding]
    cents = sent_cents + share * profile.rounding_cents
    low = table.sounding_reference[0]
    high = low + 4
    if cents < AUDIBLE_CENTS or high > 127:
        return ""
    rate_hz = cents * beats_hz_per_cent(4 * float(table.hz[high]))
    where = "sounds whole cents" if share else "is told whole cents"
    return (
        f"this synth {where}: a note may be {cents:.1f} cents off, and {table.note(low)} to {table.note(high)} "
        f"may beat {rate_hz:.2f} times a second"
    )


def choose_method(asked: str, synth: str | None, profile: SynthProfile) -> tuple[str, str]:
    """Return the method to use and, where it was left open, why.

    Raises
    ------
    MethodProblem
        The synth does not obey the method that was asked for, or none that fits a file.
    """
    if asked != "auto":
        if synth and asked not in profile.methods:
            obeys = ", ".join(profile.methods) or "none: it is tuned by hand"
            raise MethodProblem(f"{profile.title} does not obey method {asked!r}", f"it obeys {obeys}")
        return asked, ""
    usable = [method for method in profile.methods if method in MTS_METHODS]
    if not usable:
        raise MethodProblem(f"{profile.title} obeys no tuning message", "it needs pitch bend")
    if not synth:
        return usable[0], "no synth named: single note changes are what most tuning-aware synths obey"
    return usable[0], f"the first choice of {profile.title}"


def _changes(midi: MidiFile, request: RetuneRequest, result: Retuned, only: int | None) -> list[PlacedChange]:
    signatures: list[tuple[int, Change]] = []
    if request.follow_key_signatures:
        signatures, inferred = follow_signatures(midi, only)
        result.inferred += inferred
    changes = place_changes(midi, request.spec, request.at, signatures, only)
    result.changes += changes
    if request.equal:
        return [replace(change, table=change.table.spec.equal()) for change in changes]
    return changes


def _account(result: Retuned, engine: MtsFileEngine, tables: Sequence[Sequence[float]]) -> None:
    """Add what an engine did to the record."""
    result.inserted += engine.inserted
    result.notices += engine.notices
    result.channels = tuple(sorted({*result.channels, *engine.channels}))
    worst = result.residual
    clamped = set(worst.clamped_keys)
    for hz in tables:
        residual = Tuner(engine.profile, engine.method, engine.channels).check(hz)
        clamped.update(engine.keys.intersection(residual.clamped_keys))
        if residual.worst_cents > worst.worst_cents:
            worst = residual
    result.residual = replace(worst, clamped_keys=tuple(sorted(clamped)))
