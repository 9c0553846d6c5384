"""Retuning a backing track: read a MIDI file, let an engine place the tuning, write it beside the original.

The input is never changed. Everything that retuning does not concern passes through untouched and in order.

Which method is taken when none was asked for stands in `bridge.engine.method`.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, overload

from bridge.engine.bend.file import BendFileEngine
from bridge.engine.bend.options import BendOptions
from bridge.engine.method import (
    Fit,
    MethodChosen,
    check_obeys,
    choose_for_file,
    crowded_times,
    measure_fit,
    refusal,
)
from bridge.engine.mts.file import MtsFileEngine, is_note_on
from bridge.engine.mts.report import MtsReport
from bridge.engine.protocols import TableChange, TimedEvent
from bridge.engine.report import BarOf
from bridge.errors import ValueProblem
from bridge.jobs.changes import Inferred, PlacedChange, follow_signatures, place_changes
from bridge.jobs.harmony.notes import read_music
from bridge.jobs.harmony.place import Placed, placed_tables
from bridge.jobs.harmony.tell import tell
from bridge.jobs.harmony.told import Told, apart
from bridge.jobs.retuned import Retuned, RetuneRequest, beats_left_by_rounding
from bridge.jobs.transposed import transposed_midi
from bridge.store.files import check_output, write_all_atomic
from bridge.store.playing import Playing, sequences
from bridge.store.profiles import load_profile
from bridge.store.smf import Event, MidiFile, midi_bytes, read_midi, rebuild, write_midi
from bridge.store.timeline import BarMap
from bridge.tuning.changes import Change
from bridge.tuning.notes import parse_pitch_class
from bridge.tuning.off_guitar import off_guitar
from bridge.tuning.tables import Table, build_table, equal_table
from bridge.tuning.transposing import moved_tonic
from bridge.wire.profile import BEND_METHODS, MTS_METHODS, STANDARD, SynthProfile

_PROGRESS_STEP = 0x3FFF


class _Watched(Sequence[TimedEvent]):
    """Events that tell how far they have been gone through."""

    def __init__(self, playing: Playing, progress: Callable[[float], None]) -> None:
        self._playing = playing
        self._progress = progress

    def __len__(self) -> int:
        return len(self._playing)

    @overload
    def __getitem__(self, index: int) -> TimedEvent: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[TimedEvent]: ...
    def __getitem__(self, index: int | slice) -> TimedEvent | Sequence[TimedEvent]:
        return self._playing[index]

    def __iter__(self) -> Iterator[TimedEvent]:
        whole = len(self._playing)
        for number, event in enumerate(self._playing):
            if not number & _PROGRESS_STEP:
                self._progress(number / whole)
            yield event
        self._progress(1.0)


def check_midi_name(output: Path) -> None:
    """Refuse an output whose name promises another kind of file than a MIDI file.

    ValueProblem if it ends in ``.mp3``, ``.wav`` or the like.
    """
    suffix = output.suffix.lower()
    if suffix in _OTHER_SUFFIXES:
        midi = output.with_suffix(".mid").name
        how = f"write -o {midi}"
        if suffix in (".wav", ".flac"):
            how += f"; then make it heard: stillbeat render {midi} -o {output.name}"
        raise ValueProblem(
            f"{output.name}: what comes out is a MIDI file, no {suffix[1:].upper()} sound", how
        )


_OTHER_SUFFIXES = frozenset(
    (".mp3", ".wav", ".flac", ".ogg", ".m4a", ".aac", ".aiff", ".aif", ".opus", ".wma", ".pdf")
)


def retune_file(
    source: Path,
    output: Path,
    request: RetuneRequest,
    overwrite: bool = False,
    progress: Callable[[float], None] | None = None,
    report: Path | None = None,
    listen: bool = False,
) -> Retuned:
    """Retune the MIDI file `source` into the new file `output`.

    Parameters
    ----------
    source, output : Path
        MIDI files; `output` appears whole or not at all.
    request : RetuneRequest
        Table, method and synth.
    progress : callable, optional
        Called now and then with how much of a pass over the file is done, 0 to 1.
    report : Path, optional
        Where the record of what was done goes, as JSON. It appears together with `output`, or neither does.
    listen : bool
        Whether the chords of the piece are looked through, and what would make them purer.

    Raises
    ------
    InputProblem
        The file is missing or no MIDI file.
    OutputProblem
        The output exists, or cannot be written.
    MethodProblem
        The method cannot express a table on this synth, or has too few channels.
    ValueProblem
        A change names a bar that does not exist.
    """
    check_output(output, overwrite=overwrite, inputs=(source,))
    if report is not None:
        check_output(report, overwrite=overwrite, inputs=(source, output))
    midi = read_midi(source)
    retuned, result = retune_midi(midi, request, progress, listen)
    if report is None:
        write_midi(output, retuned, overwrite=overwrite)
    else:
        text = json.dumps(result.to_json(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
        write_all_atomic({output: midi_bytes(retuned), report: text.encode("utf-8")}, overwrite)
    return result


@dataclass
class Search:
    """A file whose harmony is followed more than once, for several synths: what is found is not searched for again."""

    beforehand: Callable[[float], None] | None = None  # called with the seconds that a long search will take
    progress: Callable[[float], None] | None = None  # called with the part of it that is done, 0 to 1
    found: dict[tuple[Any, ...], Told] = field(default_factory=dict)


def retune_midi(
    midi: MidiFile,
    request: RetuneRequest,
    progress: Callable[[float], None] | None = None,
    listen: bool = False,
    search: Search | None = None,
) -> tuple[MidiFile, Retuned]:
    """Retune a MIDI file in memory; returns the new file and what was done. Parameters as for `retune_file`.

    `search` is handed in again for the same file and the same request, where only synth, method and trim differ.
    """
    profile = load_profile(request.synth) if isinstance(request.synth, str) else request.synth
    midi = transposed_midi(midi, request.spec.transposed)
    plans = _plans(midi, request, listen, progress, profile, search)
    if request.method == "auto":
        chosen = _choose(plans, request, profile)
        return _retune(midi, plans, request, chosen.method, chosen.why, profile, progress)
    check_obeys(request.method, profile)
    return _retune(midi, plans, request, request.method, "", profile, progress)


@dataclass
class _Plan:
    """One sequence of a file: its events with the changes of table marked among them."""

    playing: Playing
    only: int | None
    first: list[float]
    placed: Sequence[TableChange]
    tonics: list[str]  # at the start and at each change
    changes: list[PlacedChange]
    inferred: list[Inferred]
    told: Told | None


def listen_to(midi: MidiFile, request: RetuneRequest, search: Search | None = None) -> list[Told]:
    """Look through the chords of a file without retuning it; one record for each sequence."""
    midi = transposed_midi(midi, request.spec.transposed)
    return [plan.told for plan in _plans(midi, request, listen=True, search=search) if plan.told is not None]


def tables_of(midi: MidiFile, request: RetuneRequest) -> list[list[tuple[int, Sequence[float]]]]:
    """Return the tables that a file is retuned by, for each sequence: ticks and 128 frequencies, from tick 0 on."""
    found: list[list[tuple[int, Sequence[float]]]] = []
    for plan in _plans(transposed_midi(midi, request.spec.transposed), request):
        ticks = [plan.playing.events[anchor][0] for anchor, _ in plan.placed]
        found.append([(0, plan.first), *zip(ticks, (hz for _, hz in plan.placed), strict=True)])
    return found


def _plans(
    midi: MidiFile,
    request: RetuneRequest,
    listen: bool = False,
    progress: Callable[[float], None] | None = None,
    profile: SynthProfile | None = None,
    search: Search | None = None,
) -> list[_Plan]:
    """Lay out the tables of every sequence, following its harmony where that was asked for."""
    home = build_table(request.spec)
    search = search or Search(progress=progress)
    follow = request.follow_harmony
    if follow is not None and search.beforehand is not None:
        follow = replace(follow, beforehand=search.beforehand)
    plans = []
    for playing in sequences(midi):
        only = playing.numbers[0] if midi.format == 2 else None
        scratch = Retuned("", "", None)
        changes = _changes(midi, request, scratch, only)
        tables = [(0, home), *((change.tick, change.table) for change in changes)]
        told: Told | None = None
        if listen or request.follow_harmony is not None:
            hz = _frequencies(request, home) if request.equal else None
            short_s = _short_of_channels(playing, request, profile)
            told = search.found.get((only, *short_s))
            if told is None:
                told = search.found[only, *short_s] = tell(
                    read_music(midi, playing, only),
                    tables,
                    follow,
                    chart=request.chart and request.chart.moved(request.spec.transposed, home.tonic),
                    hz=hz,
                    progress=search.progress,
                    crowded_s=short_s,
                    drones=[(tick_of(midi, only, bar, beat), text) for bar, beat, text in request.drones],
                )
        if told is not None and told.followed and told.following is not None:
            placed = placed_tables(told.following, told.music, tables)
        else:
            placed = Placed(
                _frequencies(request, home),
                [(change.tick, _frequencies(request, change.table)) for change in changes],
                [table.tonic for _, table in tables],
            )
        anchors = playing.mark((tick for tick, _ in placed.changes), before=is_note_on)
        marked = [(anchor, hz) for anchor, (_, hz) in zip(anchors, placed.changes, strict=True)]
        plans.append(
            _Plan(playing, only, placed.first, marked, placed.tonics, changes, scratch.inferred, told)
        )
    return plans


def _short_of_channels(
    playing: Playing, request: RetuneRequest, profile: SynthProfile | None
) -> list[tuple[float, float]]:
    """Return when bends are short of channels, in seconds; never where following was not asked for, or by messages."""
    bends = request.method == "bend" or (
        request.method == "auto" and (profile is None or "bend" in profile.methods)
    )
    if request.follow_harmony is None or not bends:
        return []
    first = _frequencies(request, build_table(request.spec))
    return crowded_times(playing, first, profile, _bend_options(request))


def _choose(plans: Sequence[_Plan], request: RetuneRequest, profile: SynthProfile | None) -> MethodChosen:
    """Choose the method for a file: that of the sequence which needs most (there are several only in format 2)."""
    refusals: dict[str, str] = {}
    fits = []
    for plan in plans:
        for method in MTS_METHODS:
            refused = refusal(method, profile, [plan.first, *(hz for _, hz in plan.placed)])
            if refused is not None:
                refusals[method] = refused.message
        fits.append(measure_fit(plan.playing, plan.placed, plan.first, profile, _bend_options(request)))
    fit = max(fits, key=lambda one: (one.needed - one.allowed, len(one.parts)), default=Fit(0, 0, 15, ()))
    return choose_for_file(profile, fit, refusals, request.parts)


def _retune(
    midi: MidiFile,
    plans: Sequence[_Plan],
    request: RetuneRequest,
    method: str,
    why: str,
    profile: SynthProfile | None,
    progress: Callable[[float], None] | None,
) -> tuple[MidiFile, Retuned]:
    result = Retuned(method, why, profile, notices=[*midi.warnings])
    tracks: list[list[Event]] = [[] for _ in midi.tracks]
    for plan in plans:
        result.changes += plan.changes
        result.inferred += plan.inferred
        if plan.told is not None:
            result.told.append(plan.told)
            if far := apart(plan.told):
                result.notices.append(far)
        playing = plan.playing
        events = _Watched(playing, progress) if progress is not None else playing
        bar_of = _bar_finder(midi, playing, plan.only)
        if method in BEND_METHODS:
            options = _bend_options(request, plan.tonics)
            woven = _bend(result, playing, events, plan.placed, plan.first, options, bar_of)
        else:
            woven = _send(result, playing, events, plan.placed, plan.first, request, bar_of)
        for number, track in woven.items():
            tracks[number] = track
    home = build_table(request.spec)
    if not request.equal:
        held = [("", home), *((change.place, change.table) for change in result.changes)]
        said = off_guitar([("from the start" if len(held) > 1 else "", home), *held[1:]])
        result.notices += [said] if said else []
    if request.follow_key_signatures and not result.inferred:
        result.notices.append("the file has no key signatures: the tonic stays; --at BAR=TONIC moves it")
    rest = beats_left_by_rounding(home, profile, result.worst_cents if method == "octave" else 0.0)
    if rest:
        result.notices.append(rest)
    return rebuild(midi, tracks), result


def _bend_options(request: RetuneRequest, tonics: Sequence[str] = ()) -> BendOptions:
    return BendOptions(
        channels=request.channels,
        parts=request.parts,
        tail_s=request.tail_s,
        plain=request.plain,
        tonics=tuple(parse_pitch_class(tonic) for tonic in tonics),
    )


def _bend(
    result: Retuned,
    playing: Playing,
    events: Sequence[TimedEvent],
    placed: Sequence[TableChange],
    first: Sequence[float],
    options: BendOptions,
    bar_of: BarOf | None,
) -> dict[int, list[Event]]:
    """Run the bend engine over one sequence."""
    engine = BendFileEngine(result.profile, result.method, first, options)
    woven = playing.weave(engine.process(events, placed))
    assert engine.plan is not None, "the file was processed"
    result.reports.append((engine.plan.report, bar_of))
    result.notices += engine.plan.report.notices
    return woven


def _send(
    result: Retuned,
    playing: Playing,
    events: Sequence[TimedEvent],
    placed: Sequence[TableChange],
    first: Sequence[float],
    request: RetuneRequest,
    bar_of: BarOf | None,
) -> dict[int, list[Event]]:
    """Run the engine of the tuning messages over one sequence."""
    profile = result.profile or STANDARD
    engine = MtsFileEngine(profile, result.method, first, request.spec.name, request.plain)
    woven = playing.weave(engine.process(events, placed))
    result.reports.append((MtsReport(engine, [first, *(hz for _, hz in placed)]), bar_of))
    result.notices += engine.notices
    return woven


def _frequencies(request: RetuneRequest, table: Table) -> list[float]:
    """The 128 frequencies to send for a table: its own, or equal ones for comparison."""
    wanted = equal_table(table.spec) if request.equal else table
    hz: list[float] = wanted.hz.tolist()
    return hz


def _changes(midi: MidiFile, request: RetuneRequest, result: Retuned, only: int | None) -> list[PlacedChange]:
    signatures: list[tuple[int, Change]] = []
    if request.follow_key_signatures:
        signatures, inferred = follow_signatures(midi, only)
        # The file is moved already, and whoever applies changes moves what is named as it was written.
        back = -request.spec.transposed
        signatures = [
            (tick, replace(one, tonic=moved_tonic(one.tonic, back))) for tick, one in signatures if one.tonic
        ]
        result.inferred += inferred
    changes = place_changes(midi, request.spec, request.at, signatures, only)
    result.changes += changes
    return changes


def tick_of(midi: MidiFile, only: int | None, bar: int, beat: float) -> int:
    """Return where a bar and beat begin; the beginning also where a file has no bars."""
    return 0 if (bar, beat) == (1, 1.0) else BarMap(midi, only).tick(bar, beat)


def _bar_finder(midi: MidiFile, playing: Playing, only: int | None) -> BarOf | None:
    """Return what finds the bar of an anchor; None where the file counts in SMPTE time."""
    if midi.ticks_per_quarter is None:
        return None
    bars = BarMap(midi, only)
    events = playing.events
    return lambda anchor: bars.bar_beat(events[anchor][0])[0]
