"""What one synth gets for one piece: SysEx, set-up and recall files, the retuned track, and the same at every trim.

========================================  ==============================================================
file in ``synths/SYNTH/``                 what it does
========================================  ==============================================================
``01-piece.syx``                          all tables of the piece into their tuning programs; where the synth
                                          holds one table at a time, the table of the start
``01-piece.setup.mid``                    the same as a paced MIDI file, with the table of the start chosen
``01-piece.recall.mid``                   only chooses the table of the start, loaded before
``01-piece.bar-17.recall.mid``            only chooses the table that holds from bar 17
``01-piece.bar-17.setup.mid``, ``.syx``   where the synth holds one table at a time: the table from bar 17
``01-piece.track.mid``                    the backing track, with all its tables in it
========================================  ==============================================================

Trims are in ``trims/minus-05-cents/SYNTH/``. A track carries its own tuning in a tuning program of its own, so that it
never changes what a program number recalls. Where it is tuned by another method than the tables are, it begins by
taking the tables' tuning back, for the two would add up.

Index
-----
`Made` · `piece_for_synth`, `load_everything`, `back_to_equal` · `trim_folder`
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from bridge.errors import MethodProblem, StillbeatError
from bridge.jobs.export import paced_midi
from bridge.jobs.retune import Search, retune_midi
from bridge.jobs.retuned import RetuneRequest
from bridge.jobs.session.plan import PiecePlan, Step, SynthPlan, tuner_for
from bridge.jobs.transposed import transposed_midi
from bridge.store.session.model import AUTO, Piece, built, moved_spec, problem_at
from bridge.store.smf import MidiFile, midi_bytes, rebuild
from bridge.store.syx import syx_bytes
from bridge.tuning.notes import key_to_hz
from bridge.tuning.spec import TableSpec
from bridge.wire.bend import CENTRE, bend_message
from bridge.wire.mts import MasterFineTuning, encode
from bridge.wire.profile import SynthProfile
from bridge.wire.resets import reset_kind
from bridge.wire.rpn import bend_range, fine_tuning

EQUAL_HZ = tuple(key_to_hz(key) for key in range(128))


@dataclass(frozen=True)
class Made:
    """One file of a bundle."""

    path: str  # in the bundle, with ``/``
    data: bytes  # its content
    # What it is, for the manifest: ``what``, and as far as they apply ``piece``, ``step``, ``synth``,
    # ``method``, ``programs``, ``trim_cents``, ``worst_cents``, ``notes``, ``exact``.
    facts: dict[str, Any]


def trim_folder(cents: int) -> str:
    """Return the folder of a trim: ``trims/minus-05-cents``; of no trim: ``synths``."""
    if cents == 0:
        return "synths"
    return f"trims/{'minus' if cents < 0 else 'plus'}-{abs(cents):02d}-cents"


def piece_for_synth(
    plan: PiecePlan,
    synth: SynthPlan,
    midi: MidiFile | None,
    trims: Sequence[int],
    trim_tracks: bool,
    search: Search | None = None,
) -> tuple[list[Made], list[str]]:
    """Make all files of a piece for a synth.

    Parameters
    ----------
    trims : sequence of int
        In cents, without 0.
    trim_tracks : bool
        Whether tracks are made for every trim.
    search : Search, optional
        Told how long the pitches of the track take to choose; what it knows of the track is not searched for again.

    Returns
    -------
    made : list of Made
    notices : list of str
        What a player should know.
    """
    made: list[Made] = []
    notices: list[str] = []
    for cents in (0, *trims):
        folder = f"{trim_folder(cents)}/{synth.synth.name}"
        notes = notices if cents == 0 else []
        made += _Tables(plan, synth, cents, folder).files(notes)
        if midi is not None and (cents == 0 or trim_tracks):
            made += _track(plan, synth, midi, cents, folder, notes, search)
    return made, notices


class _Tables:
    """The tables of a piece for a synth, moved by some cents."""

    def __init__(self, plan: PiecePlan, synth: SynthPlan, cents: int, folder: str) -> None:
        self.plan = plan
        self.synth = synth
        self.cents = cents
        self.folder = folder
        self.hz = [moved_hz(spec, cents) for spec in plan.tables] if synth.method else []

    def files(self, notices: list[str]) -> list[Made]:
        if not self.synth.method:
            return []
        if self.synth.recalls:
            return self._programs()
        return self._one_at_a_time(notices)

    def _programs(self) -> list[Made]:
        """Files for a synth that keeps all tables."""
        plan, piece, synth = self.plan, self.plan.piece, self.synth
        sysex: list[bytes] = []
        worst = 0.0
        for number, spec in enumerate(plan.tables):
            tuner = tuner_for(synth, piece.number, number, spec.name)
            sysex += tuner.messages(self.hz[number])
            worst = max(worst, tuner.check(self.hz[number]).worst_cents)
        programs = [synth.programs[piece.number, number] for number in range(len(plan.tables))]
        facts = self._facts(programs=programs, worst_cents=worst)
        made = [self._made(f"{piece.stem}.syx", syx_bytes(sysex), {**facts, "what": "tables"})]
        if self.cents:
            return made
        start = plan.steps[0]
        setup = paced_midi([*sysex, *self._choose(start)], synth.synth.profile, f"{piece.title}: set up")
        made.append(self._made(f"{piece.stem}.setup.mid", setup, {**facts, "what": "setup"}))
        for step in plan.steps:
            recall = paced_midi(
                self._choose(step), synth.synth.profile, f"{piece.title}, {step.place}: recall"
            )
            facts = self._facts(step=step.label, programs=[programs[step.table]])
            made.append(self._made(f"{step.stem(piece)}.recall.mid", recall, {**facts, "what": "recall"}))
        return made

    def _choose(self, step: Step) -> list[bytes]:
        """Messages that make all pitched channels follow a step's table."""
        tuner = tuner_for(self.synth, self.plan.piece.number, step.table, "")
        program = self.synth.programs[self.plan.piece.number, step.table]
        return [*_centred(self.synth.channels), *tuner.select(program=program)]

    def _one_at_a_time(self, notices: list[str]) -> list[Made]:
        """Files for a synth that holds one table: a set for every step with a table of its own."""
        plan, piece, synth = self.plan, self.plan.piece, self.synth
        made: list[Made] = []
        for step in plan.steps:
            refused = synth.left_out.get((piece.number, step.table))
            if refused:
                notices.append(f"no set-up for {step.place}: {refused}")
                continue
            spec = plan.tables[step.table]
            tuner = tuner_for(synth, piece.number, step.table, spec.name)
            try:
                messages = tuner.messages(self.hz[step.table])
            except MethodProblem:  # a trim may carry a table beyond what offsets reach
                continue
            messages += _unshifted(synth, tuner.shift_cents)
            worst = tuner.check(self.hz[step.table]).worst_cents
            facts = self._facts(step=step.label, worst_cents=worst)
            stem = step.stem(piece)
            sysex = [message for message in messages if message[0] == 0xF0]
            if not (synth.shifts and synth.synth.profile.fine_tuning == "rpn"):
                made.append(self._made(f"{stem}.syx", syx_bytes(sysex), {**facts, "what": "tables"}))
            setup = paced_midi(
                [*messages, *_centred(synth.channels), *tuner.select()],
                synth.synth.profile,
                f"{piece.title}, {step.place}: set up",
            )
            made.append(self._made(f"{stem}.setup.mid", setup, {**facts, "what": "setup"}))
        return made

    def _facts(self, step: str = "", **more: Any) -> dict[str, Any]:
        facts: dict[str, Any] = {
            "piece": self.plan.piece.number,
            "synth": self.synth.synth.name,
            "method": self.synth.method,
            "step": step,
            **more,
        }
        if self.cents:
            facts["trim_cents"] = self.cents
        return facts

    def _made(self, name: str, data: bytes, facts: dict[str, Any]) -> Made:
        return Made(f"{self.folder}/{name}", data, facts)


def _track(
    plan: PiecePlan,
    synth: SynthPlan,
    midi: MidiFile,
    cents: int,
    folder: str,
    notices: list[str],
    search: Search | None,
) -> list[Made]:
    """Make the retuned backing track; a synth tuned by hand gets it as it is."""
    piece, profile = plan.piece, synth.synth.profile
    path = f"{folder}/{piece.stem}.track.mid"
    facts: dict[str, Any] = {"what": "track", "piece": piece.number, "synth": synth.synth.name, "step": ""}
    if cents:
        facts["trim_cents"] = cents
    if profile.panel:
        if cents:
            return []
        data = midi_bytes(transposed_midi(midi, piece.spec.transposed))
        return [Made(path, data, {**facts, "method": "", "worst_cents": 0.0})]
    request = replace(track_request(piece, cents), method=synth.synth.method, synth=profile)
    try:
        retuned, done = retune_midi(midi, request, search=search)
    except MethodProblem as problem:
        if synth.synth.method != AUTO:
            raise problem_at(piece.at, f"{synth.synth.name}: {problem.message}", problem.hint) from problem
        notices.append(f"no track: {problem}")
        return []
    except StillbeatError as problem:
        raise problem_at(piece.at, problem.message, problem.hint) from problem
    if synth.method and done.method != synth.method and {done.method, synth.method} != {"note", "dump"}:
        retuned = _prefixed(retuned, equal_messages(synth))
    elif synth.shifts:
        retuned = _prefixed(retuned, _unshifted(synth, 0.0))
    said = [notice for notice in done.notices if notice not in midi.warnings]
    said += [told.departure(piece.synths) for told in done.told if told.followed]
    notices += [notice.replace("--plain", "`plain = true` in the session file") for notice in said]
    if synth.recalls and resets_synth(midi):
        notices.append(
            "the track resets the synth and with it its tuning programs: load everything again after it"
        )
    facts |= {
        "method": done.method,
        "why": done.why,
        "notes": done.notes,
        "exact": done.exact,
        "worst_cents": done.worst_cents,
    }
    return [Made(path, midi_bytes(retuned), facts)]


def track_request(piece: Piece, cents: float = 0.0) -> RetuneRequest:
    """Return how a piece's track is retuned, whatever plays it; drones of the piece hold their notes."""
    places = [
        (1, 1.0, piece.drone),
        *((one.change.bar, one.change.beat, one.drone) for one in piece.sections),
    ]
    return RetuneRequest(
        spec=moved_spec(piece.spec, cents) if cents else piece.spec,
        at=tuple(section.change for section in piece.sections if section.change.describe() != "nothing"),
        follow_key_signatures=piece.follow_key_signatures,
        plain=piece.plain,
        follow_harmony=piece.follow_harmony,
        chart=piece.chart,
        drones=tuple((bar, beat, drone.text) for bar, beat, drone in places if drone is not None),
    )


def resets_synth(midi: MidiFile) -> bool:
    """Tell whether a track resets the synth, and so wipes its tuning programs."""
    return any(reset_kind(data) is not None for track in midi.tracks for _, data in track if data[0] == 0xF0)


def moved_hz(spec: TableSpec, cents: float) -> list[float]:
    """Return the 128 frequencies of a table moved by some cents."""
    hz: list[float] = built(moved_spec(spec, cents) if cents else spec).hz.tolist()
    return hz


# -- the whole evening


def load_everything(
    synth: SynthPlan, pieces: Sequence[PiecePlan], sysex: Sequence[Sequence[bytes]], cents: int = 0
) -> list[Made]:
    """Make the files that bring a synth to the start of the session.

    Parameters
    ----------
    pieces : sequence of PiecePlan
        Those for this synth, in order.
    sysex : sequence of (sequence of bytes)
        The SysEx messages of each piece's own files, in the same order; of the first piece alone where the synth
        holds one table at a time.
    """
    profile = synth.synth.profile
    folder = f"{trim_folder(cents)}/{synth.synth.name}"
    facts: dict[str, Any] = {"what": "load", "synth": synth.synth.name, "method": synth.method}
    if cents:
        facts["trim_cents"] = cents
    messages = [message for one in sysex for message in one]
    chosen: list[bytes] = []
    if not synth.method:
        if profile.panel or cents:
            return []
        chosen = bend_start(profile, synth.channels)
    elif synth.recalls:
        first = pieces[0].piece.number
        program = synth.programs[first, 0]
        chosen = [*_centred(synth.channels), *tuner_for(synth, first, 0, "").select(program=program)]
        facts["programs"] = sorted(
            synth.programs[plan.piece.number, n] for plan in pieces for n in range(len(plan.tables))
        )
    else:
        first_plan = pieces[0]
        tuner = tuner_for(synth, first_plan.piece.number, 0, first_plan.piece.name)
        try:
            everything = tuner.messages(moved_hz(first_plan.piece.spec, cents))
        except MethodProblem:
            return []
        messages = [message for message in everything if message[0] == 0xF0]
        chosen = [message for message in everything if message[0] != 0xF0]
        chosen += [*_unshifted(synth, tuner.shift_cents), *_centred(synth.channels), *tuner.select()]
        facts["piece"] = first_plan.piece.number
    made = []
    if messages and not (synth.shifts and profile.fine_tuning == "rpn"):
        made.append(Made(f"{folder}/load-everything.syx", syx_bytes(messages), facts))
    file = paced_midi([*messages, *chosen], profile, f"{synth.synth.title}: load everything")
    return [*made, Made(f"{folder}/load-everything.mid", file, facts)]


def back_to_equal(synth: SynthPlan) -> list[Made]:
    """Make the file that puts a synth back into equal temperament at A4 = 440 Hz; none for a panel."""
    profile = synth.synth.profile
    if profile.panel:
        return []
    messages = equal_messages(synth) if synth.method else []
    messages += _centred(synth.channels)
    facts = {"what": "equal", "synth": synth.synth.name, "method": synth.method}
    file = paced_midi(messages, profile, f"{synth.synth.title}: back to equal temperament")
    return [Made(f"synths/{synth.synth.name}/back-to-equal.mid", file, facts)]


def equal_messages(synth: SynthPlan) -> list[bytes]:
    """Return the messages that take a synth's tables out of use: equal temperament in the tracks' own program."""
    tuner = tuner_for(replace(synth, programs={}), 0, 0, "equal")
    return [*tuner.messages(EQUAL_HZ), *_unshifted(synth, 0.0), *tuner.select()]


def bend_start(profile: SynthProfile, channels: Iterable[int]) -> list[bytes]:
    """Return the messages that bring a synth tuned by bends to its usual state: range two semitones, bends centred."""
    messages: list[bytes] = []
    for channel in channels:
        if profile.bend_range_fixed_semitones is None:
            messages += bend_range(channel, 2)
        messages.append(bend_message(channel, CENTRE))
    return messages


def _centred(channels: Iterable[int]) -> list[bytes]:
    """Bends in the middle: one that a track left there would add to the table."""
    return [bend_message(channel, CENTRE) for channel in channels]


def _unshifted(synth: SynthPlan, shift_cents: float) -> list[bytes]:
    """Take back a fine tuning that another table may have left, unless this one has a shift of its own."""
    profile = synth.synth.profile
    if synth.method != "octave" or shift_cents or not synth.shifts:
        return []
    if profile.fine_tuning == "master":
        return [encode(MasterFineTuning(device_id=profile.device_id, cents=0.0))]
    return [message for channel in synth.channels for message in fine_tuning(channel, 0.0)]


# -- MIDI files


def _prefixed(midi: MidiFile, messages: Sequence[bytes]) -> MidiFile:
    """Put messages before everything else at the start of a file."""
    first, *others = midi.tracks
    return rebuild(midi, [[*((0, message) for message in messages), *first], *others])
