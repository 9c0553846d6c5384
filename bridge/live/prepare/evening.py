"""An evening live: the pieces of a session and their sections as tables, one synth of the session to play them.

Every step of every piece is a table, in order of playing, so that one foot goes through the whole evening. Each has its
table and its drone. One run plays one synth; an evening with two has two runs, each with its own keyboard and feet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from bridge.engine.method import choose_for_playing, refusal
from bridge.engine.play.chart_plan import ChartPlan
from bridge.engine.play.controls import Action, Controls, parse_feet
from bridge.engine.play.drones.held import HeldKeys, HoldPlan
from bridge.engine.play.drones.sounds import drone_program
from bridge.engine.play.follow_plan import FollowPlan
from bridge.engine.play.keyboards import shared_channels
from bridge.engine.play.tables import AllTables, Kept, PlayTable
from bridge.engine.protocols import OnChange
from bridge.errors import InputProblem, MethodProblem, StillbeatError, ValueProblem
from bridge.jobs.session.check import check_session
from bridge.jobs.session.plan import PiecePlan, SessionPlan, Step, plan_session
from bridge.live.desk.labels import Labels, StepShown, about_channels, feet_shown, tuning_words
from bridge.live.desk.listening import Listening
from bridge.live.desk.typed import keys_shown
from bridge.live.plan import ChordsDrone, LivePlan, Playing, TablesDrone
from bridge.live.player.journal import state_dir
from bridge.live.prepare.card import BUILT_IN, card_method, plan_fields, refuse_words_of_ports
from bridge.live.prepare.follow import LiveFollow
from bridge.live.prepare.keyboard import (
    Prepared,
    about_changes,
    about_precision,
    apart,
    channels_played,
    check_tables,
    hold_channel,
    hold_channels,
    keyboards_named,
    play_table,
    refuse_feet_without_port,
)
from bridge.live.prepare.strings import strings_of
from bridge.store.profiles import load_profile
from bridge.store.session.model import Drone, Piece, Session, SessionSynth, built, problem_at
from bridge.tuning.notes import note_name
from bridge.tuning.ratios import cents_to_ratio
from bridge.tuning.reference import Reference
from bridge.tuning.spec import TableSpec
from bridge.wire.profile import MTS_METHODS, SynthProfile


@dataclass(frozen=True, kw_only=True)
class EveningRequest(Playing):
    """What was asked for; what is left out comes from the session, and feet and zone come on top of its own."""

    file: Path
    """The session file."""
    synth: str | None = None
    """Name of a synth of the session; None: its first one that messages can tune."""
    method: str = "auto"
    """A method, or ``auto`` for what the session says."""
    follow_harmony: LiveFollow | None = None
    """How the harmony is followed in every piece; None: as each piece says."""
    control_channel: bool = False
    """Whether `controls` says which channel chooses pieces; else the session does."""
    device: str | None = None
    """Part of the microphone's name."""
    card: str | None = None
    """Part of the sound card's name, which plays in the place of a synth; None: as the session says."""
    drone_on: bool | None = None
    """Whether drones sound from the beginning; None: as the session says."""
    begin: str | None = None
    """The piece to begin with: its number, its title or the start of that; None: the first."""


@dataclass(frozen=True)
class _At:
    """A table: where in the session it comes from, and its drone."""

    plan: PiecePlan
    step: Step
    drone: Drone

    @property
    def spec(self) -> TableSpec:
        return self.plan.tables[self.step.table]


def prepare_evening(request: EveningRequest) -> Prepared:
    """Read a session and work out everything that playing it needs.

    StillbeatError if the session cannot be played; what its file says wrong comes with file and line.
    """
    checked = check_session(request.file, to_play=True)
    session = checked.plan.session
    refuse_words_of_ports(request.card, request.out_port)
    card = request.card or session.live.card if request.out_port is None else None
    synth = _on_card(session, request.synth) if card else _synth(session, request.synth)
    if not request.played:
        request = replace(request, **keyboards_named(session.live.inputs))
    places = _places(checked.plan)
    if not (request.played or (card and any(at.drone.notes for at in places))):
        raise ValueProblem(
            "the session names no keyboard", 'name it with --in, or in the session: [play] input = "..."'
        )
    refuse_feet_without_port(request)
    if card:
        system = None if request.played else request.system
        refuse_words_of_ports(
            card, None, channels=request.channels, synth_reply=request.reply_port, system=system
        )
    out_port = request.out_port or synth.port
    if not (out_port or card):
        raise ValueProblem(
            f"the session names no port for {synth.title}",
            "name it with --out, or with port in the session; or play on the sound card: --card usual",
        )
    starts = tuple(number for number, at in enumerate(places, 1) if not at.step.label)
    begin = 1 if request.begin is None else starts[session.piece(request.begin).number - 1]
    profile = synth.profile
    played = [
        hz
        for at, table in zip(places, _play_tables(places), strict=True)
        if _plays(synth, at.plan.piece)
        for hz in (table.hz, table.equal_hz)
    ]
    if not played:
        raise InputProblem(
            f"{synth.title} rests in every piece of {session.file}", "name another with --synth"
        )
    asked = request.method if request.method != "auto" else synth.method
    asked = card_method(asked) if card else asked
    try:
        chosen = choose_for_playing(asked, profile, played)
    except MethodProblem as problem:
        raise MethodProblem(f"synth {synth.name}: {problem.message}", problem.hint) from problem
    method = chosen.method
    tables = _sendable(_play_tables(places), method, profile)
    notices = [*checked.warnings, *shared_channels(request.keyboards, request.controls.play_on)]
    count = len(session.pieces)
    notices.append(f"{session.title}: {count} {'piece' if count == 1 else 'pieces'} on {synth.title}")
    about_engine = [f"method {method}: {chosen.why}"] if chosen.why else []
    if method in MTS_METHODS:
        about_engine += about_precision(profile, method, played)
    notices += _about_others(session, synth)
    live = session.live
    on_change, glide_s = _on_change(live.on_change), live.glide_s
    if request.on_change is not None:
        on_change, glide_s = request.on_change, request.glide_s
    notices += about_changes(on_change, method, profile)
    hold, sound = None, False
    charted = any(at.plan.piece.chart is not None for at in places)
    free: tuple[int, ...] = ()
    if any(at.drone.notes for at in places) and charted:
        try:
            free = hold_channels(method, profile, request.channels, channels_played(request))
        except MethodProblem as problem:
            notices.append(f"no drones: {problem.message}")
    elif any(at.drone.notes for at in places):
        try:
            hold = _hold(places, hold_channel(method, profile, request.channels, channels_played(request)))
            about_engine.append(apart(hold.channel))
            sound = live.drone if request.drone_on is None else request.drone_on
            notices.append("drones sound from the beginning; d ends them" if sound else "d begins the drone")
        except MethodProblem as problem:
            notices.append(f"no drones: {problem.message}")
    follow: FollowPlan | None = None
    charts: tuple[ChartPlan | None, ...] = ()
    chorded: ChordsDrone | None = None
    if charted or request.follow_harmony is not None or any(at.plan.piece.follow_harmony for at in places):
        from bridge.live.prepare.chart import chords_drone
        from bridge.live.prepare.evening_charts import Place, follow_evening

        known = [
            Place(at.plan.piece, at.spec, table, at.drone, _keys(at))
            for at, table in zip(places, tables, strict=True)
        ]
        followed = follow_evening(known, request.follow_harmony, method, profile, free)
        follow, charts = followed.follow, followed.charts
        notices += followed.said
        chorded = chords_drone(charts, live.drone if request.drone_on is None else request.drone_on)
    drones = hold is not None or chorded is not None
    about_engine += [apart(*chorded.channels)] if chorded is not None else []
    controls = _controls(session, request)
    changed = {"out_port": out_port, "controls": controls, "state_dir": str(state_dir())}
    changed |= plan_fields(card) if card else {}
    plan = LivePlan(
        **{**request.options(), **changed, "on_change": on_change, "glide_s": glide_s},
        tables=tables,
        starts=starts,
        method=method,
        profile=profile,
        drone=TablesDrone(hold, on=sound) if hold is not None else chorded,
        follow=follow,
        charts=charts,
        kept=Kept(begin) if begin > 1 else None,
    )
    microphone = request.device or live.mic or None
    listening = _listening(session, places, tables, method, synth, microphone)
    labels = Labels(
        tables,
        (),
        method,
        synth.title,
        session.reference or places[0].spec.reference,
        tuple(_shown(at, len(session.pieces), synth, drones) for at in places),
        session.notes,
        (*about_engine, *about_channels(controls, plan.keyboards)),
        keys_shown(
            True,
            drones,
            listening is not None,
            follow is not None and follow.offered,
            chart=any(chart is not None and chart.named for chart in charts),
        ),
        feet_shown(controls) if request.played else (),
        keyboards=plan.keyboards,
    )
    strings = tuple(strings_of(at.spec, at.plan.piece.follows_reference) for at in places)
    return Prepared(plan, labels, (*about_engine, *notices), "", listening, places[begin - 1].spec, strings)


def _synth(session: Session, name: str | None) -> SessionSynth:
    """Return the synth to play."""
    if not session.synths:
        raise InputProblem(f"{session.file} names no synth", "describe one under [[synths]]")
    if name is not None:
        return session.synth(name)
    for synth in session.synths:
        if not synth.profile.panel:
            return synth
    raise MethodProblem(
        f"no message tunes any synth of {session.file}", "enter their tables by hand: see the session's pages"
    )


def _on_card(session: Session, name: str | None) -> SessionSynth:
    """Return the tone generator in the place of a synth of the session; of all of them where it names none."""
    profile = load_profile(BUILT_IN)
    if not session.synths and name is None:
        return SessionSynth("", "the sound card", profile)
    tuned = [synth for synth in session.synths if not synth.profile.panel] or session.synths
    part = _synth(session, name) if name is not None else tuned[0]
    return SessionSynth(part.name, f"the sound card (for {part.title})", profile)


def _plays(synth: SessionSynth, piece: Piece) -> bool:
    return not synth.name or synth.name in piece.synths


def _places(plan: SessionPlan) -> list[_At]:
    found = []
    for piece in plan.pieces:
        drone = piece.piece.drone
        for step in piece.steps:
            drone = step.drone if step.drone is not None else drone
            found.append(_At(piece, step, drone))
    return found


def _play_tables(places: Sequence[_At]) -> tuple[PlayTable, ...]:
    return tuple(play_table(at.plan.piece.title, at.spec) for at in places)


def _sendable(tables: Sequence[PlayTable], method: str, profile: SynthProfile) -> tuple[PlayTable, ...]:
    """Let the tuning stay as it is where the synth rests and the method cannot say the table."""
    found: list[PlayTable] = []
    good = next(table for table in tables if _says(table, method, profile))
    for table in tables:
        if _says(table, method, profile):
            good = table
        found.append(good)
    return tuple(found)


def _says(table: PlayTable, method: str, profile: SynthProfile) -> bool:
    return refusal(method, profile, [table.hz, table.equal_hz]) is None


def _hold(places: Sequence[_At], channel: int) -> HoldPlan:
    return HoldPlan(
        tuple(
            HeldKeys(_keys(at), drone_program(at.drone.sound) if at.drone.notes else None) for at in places
        ),
        channel=channel,
    )


def _keys(at: _At) -> tuple[int, ...]:
    try:
        return at.drone.keys(built(at.spec).tonic)
    except StillbeatError as problem:
        raise problem_at(at.plan.piece.at, problem.message, problem.hint) from problem


def _shown(at: _At, pieces: int, synth: SessionSynth, drones: bool) -> StepShown:
    """Return what a display says of a table."""
    piece, step, spec = at.plan.piece, at.step, at.spec
    table = built(spec)
    words = f"in {table.tonic}"
    if step.what and not step.what.startswith(("tonic", "as before")):
        words += f", {step.what}"
    place = "from the start" if not step.label else step.place + (f", {step.title}" if step.title else "")
    notes = piece.notes
    if not _plays(synth, piece):
        notes = f"{notes}\n{synth.title} rests in this piece".strip()
    drone = " ".join(note_name(key, table.tonic) for key in _keys(at)) if drones else ""
    own = None if piece.follows_reference else spec.reference
    return StepShown(piece.number, pieces, piece.title, place, words, drone, notes, own, tuning_words(spec))


def _about_others(session: Session, synth: SessionSynth) -> list[str]:
    others = [other.name for other in session.synths if other.name != synth.name and not other.profile.panel]
    return [f"other synths have runs of their own: --synth {', '.join(others)}"] if others else []


def _on_change(text: str) -> OnChange:
    return text if text in ("now", "next", "glide") else "now"  # type: ignore[return-value]


def _controls(session: Session, request: EveningRequest) -> Controls:
    """Lay what was asked for over what the session says."""
    live = session.live
    feet = {
        controller: Action(name)
        for controller, name in ((live.next_controller, "next"), (live.previous_controller, "previous"))
        if controller is not None
    }
    asked, more = request.controls, parse_feet(live.feet)
    return replace(
        asked,
        channel=asked.channel if request.control_channel else live.control_channel,
        programs="piece",
        feet={**feet, **more.controllers, **asked.feet},
        foot_programs={**more.programs, **asked.foot_programs},
        foot_keys={**more.keys, **asked.foot_keys},
    )


def _listening(
    session: Session,
    places: Sequence[_At],
    first_tables: tuple[PlayTable, ...],
    method: str,
    synth: SessionSynth,
    device: str | None,
) -> Listening | None:
    """Return how the reference of the session is found anew; None where it has none that pieces follow."""
    first = next((at for at in places if at.plan.piece.follows_reference), None)
    reference = session.reference
    if reference is None or first is None:
        return None

    def remake(cents: float) -> AllTables:
        moved = session
        if cents:
            moved = session.with_reference(Reference(reference.key, reference.hz * cents_to_ratio(cents)))
        return AllTables(_sendable(_play_tables(_places(plan_session(moved))), method, synth.profile))

    stay = [piece.title for piece in session.pieces if not piece.follows_reference]
    stays = f"{', '.join(stay)} stays: it has a reference of its own" if stay else ""
    spec = replace(first.plan.piece.spec, reference=reference, guitar=session.guitar)

    def check(tables: AllTables) -> None:
        check_tables(method, synth.profile, tables)

    return Listening(spec, AllTables(first_tables), remake, check, True, device, stays)
