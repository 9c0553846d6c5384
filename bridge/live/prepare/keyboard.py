"""From what a person asked for to a plan: tables, numbered and by tonic, and the method.

Index: `LiveRequest`, `Prepared`, `prepare`, `hold_channel`, `play_table`,
`check_tables`, `about_changes`, `about_precision`, `parse_zone`, `parse_on_change`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from bridge.engine.method import choose_for_playing, refusal
from bridge.engine.mts.tuner import Tuner
from bridge.engine.play.chart_plan import ChartPlan
from bridge.engine.play.drones.held import HeldKeys, HoldPlan
from bridge.engine.play.drones.sounds import SOUND, drone_program
from bridge.engine.play.keyboards import MOST_KEYBOARDS, parse_keyboard, shared_channels
from bridge.engine.play.tables import AllTables, PlayTable
from bridge.engine.protocols import OnChange
from bridge.errors import MethodProblem, StillbeatError, TuningProblem, ValueProblem
from bridge.harmony.asked import FollowRequest
from bridge.jobs.choose import TableRequest, choose_table
from bridge.live.desk.labels import Labels, about_channels, feet_shown, tuning_words
from bridge.live.desk.listening import Listening
from bridge.live.desk.typed import keys_shown
from bridge.live.plan import ChordsDrone, LivePlan, Playing, TablesDrone, pitched_channels
from bridge.live.player.journal import state_dir
from bridge.live.prepare.card import BUILT_IN, card_method, own_channel, plan_fields, refuse_words_of_ports
from bridge.live.prepare.follow import LiveFollow, about_follow, follow_plan, for_drone_alone
from bridge.live.prepare.song import Song, SongRequest, read_song
from bridge.store.descriptions import load_table
from bridge.store.profiles import load_profile
from bridge.store.session.model import moved_spec
from bridge.tuning.changes import Change, NothingChanges, apply_change, parse_change
from bridge.tuning.drone_notes import drone_keys, moved_names
from bridge.tuning.notes import note_name, parse_key_span, parse_pitch_class
from bridge.tuning.off_guitar import off_guitar
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import build_table, equal_table
from bridge.wire.profile import MTS_METHODS, STANDARD, SynthProfile, moves_sounding

if TYPE_CHECKING:  # what follows chords is loaded only where somebody asks for it: playing starts quickly
    from bridge.harmony.charts.chart import Chart
    from bridge.jobs.harmony.told import Told
    from bridge.live.desk.string_following import StringsOfPiece

_MOST_TABLES = 128
_ALSO_HINT = "write a tonic, degrees, a fret or a table: A, D,b7=7/4, some.table.toml"


@dataclass(frozen=True, kw_only=True)
class LiveRequest(Playing):
    """What was asked for."""

    table: TableRequest
    """The home table."""
    also: tuple[str, ...] = ()
    """More tables to switch to, as changes are written: ``A``, ``D,b7=7/4``, ``some.table.toml``."""
    synth: str | None = None
    """Name or path of a synth profile."""
    method: str = "auto"
    song: SongRequest | None = None
    """A MIDI file that plays, alone or along."""
    card: str | None = None
    """Part of the name of the sound card, which plays where no port is named; None: the usual one."""
    drone: str | None = None
    """Notes to hold, as `stillbeat drone` reads them: degrees follow each table's tonic."""
    follow_harmony: LiveFollow | None = None
    """How the harmony is followed; None: not at all."""
    chart: Chart | None = None
    """The chords as the player knows them: they are shown, solved beforehand, and the drone follows them."""
    device: str | None = None
    """Part of the microphone's name."""


@dataclass(frozen=True)
class Prepared:
    """A plan, and what to tell about it."""

    plan: LivePlan
    labels: Labels
    """What to call it all."""
    notices: tuple[str, ...]
    """What the musician should know before the first note."""
    doubt: str = ""
    """A question about the reference, if it deserves one."""
    listening: Listening | None = None
    """How the reference is found anew while it plays."""
    spec: TableSpec | None = None
    """The table that it begins with."""
    strings: tuple[StringsOfPiece, ...] = ()
    """The open strings of every table of an evening, whose pieces may have another capo."""


def prepare(request: LiveRequest) -> Prepared:
    """Work out everything that playing needs.

    StillbeatError if something that was asked for is missing, malformed, or does not go together.
    """
    if not request.played and request.song is None:
        raise ValueProblem("nothing would play", "name a keyboard with --in, or a MIDI file: play song.mid")
    refuse_feet_without_port(request)
    refuse_words_of_ports(
        request.card,
        request.out_port,
        synth=request.synth,
        channels=request.channels,
        system=None if request.played else request.system,
        synth_reply=request.reply_port,
    )
    on_card = request.out_port is None
    if on_card:
        request = replace(request, synth=BUILT_IN, method=card_method(request.method))
    home, specs = _tables(request)
    if request.drone is not None:
        request = replace(request, drone=moved_names(request.drone, home.transposed))
    controls = request.controls
    song: Song | None = None
    if request.song is not None:
        if request.song.at and request.also:
            raise ValueProblem(
                "with --at the file chooses the tables, and with --also your hands do",
                "leave one of them out",
            )
        song = read_song(request.song, home)
        specs += song.specs
    backing = song.backing if song is not None else None
    if on_card and backing is not None and request.played:
        controls = own_channel(controls, backing.channels)
        request = replace(request, controls=controls)
    tonic_specs = []
    if controls.zone is not None and controls.zone_means == "tonic":
        tonic_specs = _tonics(home)

    def remake(cents: float) -> AllTables:
        return AllTables(
            *(
                tuple(play_table(name, moved_spec(spec, cents) if cents else spec) for name, spec in some)
                for some in (specs, tonic_specs)
            )
        )

    first = remake(0.0)
    profile = load_profile(request.synth) if request.synth else None
    tables = [hz for one in (*first.tables, *first.tonics) for hz in (one.hz, one.equal_hz)]
    chosen = choose_for_playing(request.method, profile, tables)
    method = chosen.method
    about_engine = [f"method {method}: {chosen.why}"] if chosen.why else []
    if profile is None and method in MTS_METHODS:
        profile = STANDARD
    if method in MTS_METHODS and profile is not None:
        about_engine += about_precision(profile, method, tables)
    notices = shared_channels(request.keyboards, controls.play_on)
    on_change = request.on_change or "now"
    several = bool(request.also) or (song is not None and bool(song.specs))
    if several or controls.zone is not None or on_change != "now":
        notices += about_changes(on_change, method, profile)
    alone = len(specs) == 1
    said = off_guitar(("" if alone else name, build_table(spec)) for name, spec in specs)
    notices += [said] if said else []
    notices += song.said if song is not None else ()
    hold: HoldPlan | None = None
    if request.drone is not None and request.chart is None:
        program, notes = drone_program(SOUND), request.drone
        held, held_by_tonic = (
            tuple(HeldKeys(drone_keys(notes, build_table(spec).tonic), program) for _, spec in some)
            for some in (specs, tonic_specs)
        )
        taken = {*channels_played(request), *(backing.channels if backing is not None else ())}
        hold = HoldPlan(held, held_by_tonic, hold_channel(method, profile, request.channels, taken))
        about_engine.append(apart(hold.channel))
        notices.append("the drone sounds from the beginning; d ends it")
    drone = "" if hold is not None else request.drone or ""
    chart, wanted = request.chart, None
    if chart is not None:
        from bridge.live.prepare.chart import ChartWanted, about_chart, chart_plan, chords_drone

        chart = chart.moved(home.transposed, build_table(home).tonic)
        wanted = ChartWanted(chart, "", drone, SOUND)
    asked = request.follow_harmony or (LiveFollow(FollowRequest()) if wanted is not None and drone else None)
    follow = None
    told: Told | None = None
    if request.follow_harmony is not None and song is not None:
        from bridge.live.prepare.song_follow import followed_song, with_track

        told = followed_song(song, home, request.follow_harmony.wanted, chart, request.drone or "")
    if asked is not None:
        own = [wanted.tonic(build_table(home))] if wanted is not None else []
        if told is not None and told.tonic_name:
            own = [told.tonic_name]
        held_tables, held_tonics = (hold.tables, hold.tonics) if hold is not None else ((), ())
        known, known_tonics = (
            [
                (spec, table, {key % 12 for key in one.keys} or _named(drone))
                for (_, spec), table, one in zip(some, made, drones or (HeldKeys(),) * len(some), strict=True)
            ]
            for some, made, drones in (
                (specs, first.tables, held_tables),
                (tonic_specs, first.tonics, held_tonics),
            )
        )
        if request.follow_harmony is not None:
            follow = follow_plan(asked, known, known_tonics, method, profile, own=own)
            notices += about_follow(asked, method, profile)
        else:
            with suppress(
                TuningProblem
            ):  # a tempered table has no commas: the drone stands where it has the roots
                follow = for_drone_alone(follow_plan(asked, known, known_tonics, method, profile, own=own))
    charts: list[tuple[ChartPlan | None, ...]] = [(), ()]
    chorded: ChordsDrone | None = None
    if wanted is not None:
        taken = {*channels_played(request), *(backing.channels if backing is not None else ())}
        free = hold_channels(method, profile, request.channels, taken) if drone else ()
        charts = [
            tuple(
                chart_plan(
                    wanted,
                    spec,
                    home,
                    choices,
                    asked.wanted if asked is not None else FollowRequest(),
                    backing,
                    free,
                )
                for (_, spec), choices in zip(some, found or (None,) * len(some), strict=True)
            )
            for some, found in (
                (specs, follow.tables if follow is not None else ()),
                (tonic_specs, follow.tonics if follow is not None else ()),
            )
        ]
        chorded = chords_drone([*charts[0], *charts[1]], True)
        notices += about_chart(charts[0][0], drone, follow is not None and follow.offered)
        about_engine += [apart(*chorded.channels)] if chorded is not None else []
    if told is not None and told.following is not None and follow is not None:
        known_charts = charts[0] or (None,) * len(specs)
        charts[0] = tuple(
            with_track(chart, choices, told.following)
            for chart, choices in zip(known_charts, follow.tables, strict=True)
        )
        notices += told.summary()
    plan = LivePlan(
        **{
            **request.options(),
            "on_change": on_change,
            "state_dir": str(state_dir()),
            **(plan_fields(request.card) if on_card else {}),
        },
        tables=first.tables,
        tonics=first.tonics,
        method=method,
        profile=profile,
        backing=backing,
        drone=TablesDrone(hold, on=True) if hold is not None else chorded,
        follow=follow,
        charts=charts[0],
        tonic_charts=charts[1],
    )
    named = request.table.reference is not None
    listening = None
    if home.guitar is not None or named:

        def check(made: AllTables) -> None:
            check_tables(method, profile, made)

        listening = Listening(home, first, remake, check, named, request.device)
    labels = Labels(
        first.tables,
        first.tonics,
        method,
        profile.title if profile is not None else "any synth",
        home.reference,
        about_engine=(*about_engine, *about_channels(controls, plan.keyboards)),
        tuning=tuning_words(home),
        keys=keys_shown(
            False,
            request.drone is not None,
            listening is not None,
            request.follow_harmony is not None,
            backing is not None,
            plan.track_alone,
            wanted is not None and backing is None,
        ),
        feet=feet_shown(controls) if request.played else (),
        keyboards=plan.keyboards,
        track=song.labels if song is not None else None,
    )
    return Prepared(plan, labels, (*about_engine, *notices), home.doubt, listening, home)


def refuse_feet_without_port(request: Playing) -> None:
    """Refuse foot switches and switch keys where no port is played; ValueProblem."""
    if request.controls.by_port and not request.played:
        raise ValueProblem("foot switches and switch keys need a port", "name it with --in; see: ports")


def _named(drone: str) -> set[int]:
    """Return the pitch classes of notes that a drone names: they stay where the table has them."""
    if not drone:
        return set()
    from bridge.jobs.harmony.degrees import named_classes

    return named_classes(drone)


def check_tables(method: str, profile: SynthProfile | None, tables: AllTables) -> None:
    """Refuse tables that cannot be sent by a method; MethodProblem: the first reason."""
    refused = refusal(
        method, profile, [hz for some in tables for one in some for hz in (one.hz, one.equal_hz)]
    )
    if refused is not None:
        raise refused


def hold_channel(
    method: str,
    profile: SynthProfile | None,
    channels: tuple[int, ...] | None,
    taken: Iterable[int | None] = (),
) -> int:
    """Return the channel for a drone beside the keyboard: the last one that the synth listens to and nobody uses.

    MethodProblem if there is none to spare, or by `mpe` the two would share their loudness.
    """
    return hold_channels(method, profile, channels, taken)[0]


def hold_channels(
    method: str,
    profile: SynthProfile | None,
    channels: tuple[int, ...] | None,
    taken: Iterable[int | None] = (),
) -> tuple[int, ...]:
    """Return all channels that a drone beside the keyboard may have, the last one first; one is left to the keyboard.

    Raises
    ------
    MethodProblem
        There is none to spare, or by `mpe` the two would share their loudness.
    """
    if method == "mpe":
        raise MethodProblem(
            "by mpe the keyboard is one part with a loudness of its own, which a drone cannot share",
            "choose --method bend, or hold the drone with stillbeat drone on another synth",
        )
    usable = pitched_channels(profile, channels)
    kept = set(taken)
    free = [channel for channel in usable if channel not in kept]
    if len(free) == len(usable):
        del free[:1]
    if not free:
        raise MethodProblem(
            "no channel is left for the drone", "allow another channel, or leave the drone away"
        )
    return tuple(reversed(free))


# ---- tables


def _tables(request: LiveRequest) -> tuple[TableSpec, list[tuple[str, TableSpec]]]:
    """Return the home table, and all numbered tables with their names: it is the first one."""
    if len(request.also) >= _MOST_TABLES:
        raise ValueProblem(
            f"{len(request.also) + 1} tables", f"at most {_MOST_TABLES}, as many as there are programs"
        )
    home = choose_table(request.table)
    name = home.name if home.name.lower() != home.tonic.lower() else f"{home.tonic} {home.name}"
    specs = [(name, home)]
    for text in request.also:
        change = _change(text)
        named = load_table(change.table) if change.table is not None else None
        specs.append((text.strip(), apply_change(home, home, change, named)))
    return home, specs


def _change(text: str) -> Change:
    """Read what ``--also`` says as what changes at a bar is read."""
    try:
        return parse_change(text)
    except StillbeatError as problem:
        hint = _ALSO_HINT if isinstance(problem, NothingChanges) else problem.hint or _ALSO_HINT
        raise ValueProblem(f"--also {text.strip()}: {problem.message}", hint) from problem


def play_table(name: str, spec: TableSpec) -> PlayTable:
    """Return a table as one to switch to."""
    table = build_table(spec)
    return PlayTable(
        name,
        tuple(float(hz) for hz in table.hz),
        tuple(float(hz) for hz in equal_table(spec).hz),
        parse_pitch_class(table.tonic),
        off_guitar([("", table)]),
    )


def _tonics(home: TableSpec) -> list[tuple[str, TableSpec]]:
    """Return the tables of the twelve tonics as they sound, from C upward."""
    shift = home.shift_semitones
    tonics = []
    for pitch_class in range(12):
        tonic = note_name(60 + (pitch_class - shift) % 12)[:-1]
        spec = apply_change(home, home, Change(bar=1, tonic=tonic))
        tonics.append((f"tonic {build_table(spec).tonic}", spec))
    return tonics


# ---- method


def about_changes(on_change: OnChange, method: str, profile: SynthProfile | None) -> list[str]:
    """Say what this synth makes of changes of table while notes sound."""
    if moves_sounding(profile, method):
        return []
    title = profile.title if profile is not None else "this synth"
    stay = f"{title} does not move notes that sound; they have the new pitch when struck again"
    return [f"on change {on_change}: {stay}"]


def about_precision(profile: SynthProfile, method: str, tables: list[tuple[float, ...]]) -> list[str]:
    """Say what rounding leaves, where it can be heard, and which notes are out of reach."""
    tuner = Tuner(profile, method, profile.channels)
    residuals = [tuner.check(hz) for hz in tables]
    worst = max(residual.worst_cents for residual in residuals)
    said = []
    if worst > 0.05:
        said.append(f"whole cents by {method}: notes may be {worst:.2f} cents off")
    if profile.rounding != "none":
        step = profile.rounding_cents
        steps = "whole cents" if step == 1.0 else f"steps of {step:g} cents"
        said.append(f"{profile.title} sounds {steps}: notes may be {profile.rounding_cents / 2:g} cents off")
    return said


# ---- small texts


def apart(*channels: int) -> str:
    """Say which channels a drone has; it concerns those who look at the engine."""
    many = "s" * (len(channels) > 1)
    return f"the drone has channel{many} {', '.join(map(str, channels))} to itself: play on another"


def channels_played(request: Playing) -> set[int | None]:
    """Return the channels to which keyboards are moved; None among them for one that is not."""
    return {one.channel or request.controls.play_on for one in request.played}


def keyboards_named(texts: Sequence[str]) -> dict[str, Any]:
    """Read how keyboards are named (`bridge.engine.play.keyboards`) as fields of `Playing`.

    ValueProblem if one is malformed, or there are too many.
    """
    found = tuple(parse_keyboard(text) for text in texts)
    if len(found) > MOST_KEYBOARDS:
        raise ValueProblem(f"{len(found)} keyboards", f"at most {MOST_KEYBOARDS}")
    if len(found) == 1 and found[0].whole:
        return {"in_port": found[0].port}
    return {"keyboards": found}


def parse_zone(text: str) -> tuple[int, int]:
    """Read ``C1-B1`` as two MIDI keys; ValueProblem if it is not that."""
    return parse_key_span(text, "switch keys", "C1-B1")


def parse_on_change(text: str) -> tuple[OnChange, float]:
    """Read ``now``, ``next``, ``glide`` or ``glide 2`` (seconds); ValueProblem if it is none of these."""
    words = text.replace("=", " ").replace(":", " ").split()
    if words in (["now"], ["next"]):
        return ("now" if words == ["now"] else "next"), 0.5
    if words and words[0] == "glide" and len(words) <= 2:
        try:
            glide_s = float(words[1]) if len(words) == 2 else 0.5
        except ValueError:
            glide_s = -1.0
        if 0.0 <= glide_s <= 60.0:
            return "glide", glide_s
        raise ValueProblem(f"a glide of {words[1]!r} seconds", "0 to 60, such as: --on-change glide 0.5")
    raise ValueProblem(f"on change {text!r} is unknown", "now, next, or glide and its seconds")
