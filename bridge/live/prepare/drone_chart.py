"""From what a person asked for to a plan with a drone that follows a chart by key or page turner."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from bridge.engine.method import choose_for_playing
from bridge.engine.play.controls import Action, Controls
from bridge.errors import ValueProblem
from bridge.harmony.asked import FollowRequest
from bridge.harmony.charts.chart import Chart
from bridge.jobs.choose import TableRequest, choose_table
from bridge.jobs.drone import DroneRequest
from bridge.jobs.harmony.degrees import named_classes
from bridge.live.desk.labels import Labels, feet_shown, tuning_words
from bridge.live.plan import LivePlan
from bridge.live.player.journal import state_dir
from bridge.live.prepare.card import BUILT_IN, card_method, plan_fields, refuse_words_of_ports
from bridge.live.prepare.chart import ChartWanted, about_chart, chart_plan, chords_drone
from bridge.live.prepare.drone import feet_at
from bridge.live.prepare.follow import LiveFollow, follow_plan, for_drone_alone
from bridge.live.prepare.keyboard import Prepared, hold_channels, play_table
from bridge.store.profiles import load_profile
from bridge.tuning.drone_notes import USUAL as USUAL_NOTES
from bridge.tuning.drone_notes import moved_names
from bridge.tuning.off_guitar import off_guitar
from bridge.tuning.tables import build_table
from bridge.wire.profile import MTS_METHODS, STANDARD

KEYS = (
    "c n next chord",
    "C p chord before",
    "d drone",
    ", . softer, louder",
    "e equal/just",
    "+ - trim",
    "0 untrim",
    "v engine",
    "q quit",
)


def prepare_chart_drone(
    table: TableRequest,
    asked: DroneRequest,
    chart: Chart,
    *,
    out_port: str | None = None,
    device: str | None = None,
    synth: str | None = None,
    method: str = "auto",
    channels: tuple[int, ...] | None = None,
    system: str | None = None,
    in_port: str | None = None,
    controls: Controls | None = None,
) -> Prepared:
    """Work out everything that a drone needs which follows a chart; parameters as for `prepare_drone`.

    A foot that goes to what is next goes to the next chord.

    Raises
    ------
    StillbeatError
        Something is missing, malformed, or does not go together.
    """
    timed = [
        word
        for word, given in (
            ("--step or --lesson", asked.steps),
            ("--settle", asked.settle is not None),
            ("--hold", asked.hold_s is not None),
            ("--rest", asked.rest_s is not None),
            ("--rounds", asked.rounds != 1),
        )
        if given
    ]
    if timed:
        raise ValueProblem(f"a drone that follows a chart has no {timed[0]}", "you lead it, by key or foot")
    feet = _among_chords(feet_at(in_port, controls, _LEADING))
    spec = choose_table(table)
    only = play_table(spec.name, spec)
    refuse_words_of_ports(
        device, out_port, synth=synth, channels=channels, system=None if in_port else system
    )
    name = BUILT_IN if out_port is None else synth
    profile = load_profile(name) if name else None
    first = card_method(method) if out_port is None else method
    found = choose_for_playing(first, profile, [only.hz, only.equal_hz])
    if profile is None and found.method in MTS_METHODS:
        profile = STANDARD
    text = moved_names(" ".join(asked.notes) or USUAL_NOTES, spec.transposed)
    chart = chart.moved(spec.transposed, build_table(spec).tonic)
    wanted = ChartWanted(chart, "", text, asked.sound, asked.voice)
    request = FollowRequest()
    own = [wanted.tonic(build_table(spec))]
    known = [(spec, only, named_classes(text))]
    follow = follow_plan(LiveFollow(request), known, [], found.method, profile, own=own, alone=True)
    free = hold_channels(found.method, profile, channels)
    plan_of_chart = chart_plan(wanted, spec, spec, follow.tables[0], request, None, free)
    aside = off_guitar([("", build_table(spec))])
    notices = [*about_chart(plan_of_chart, "", True)[:1], *([aside] if aside else [])]
    plan = LivePlan(
        **({"out_port": out_port, "state_dir": str(state_dir())} if out_port else plan_fields(device)),
        system=system,
        in_port=in_port,
        controls=feet,
        tables=(only,),
        method=found.method,
        profile=profile,
        channels=channels,
        plain=True,
        drone=chords_drone([plan_of_chart], True, round(asked.level)),
        follow=for_drone_alone(follow),
        charts=(plan_of_chart,),
    )
    title = profile.title if profile is not None else "any synth"
    labels = Labels(
        plan.tables,
        (),
        found.method,
        title,
        spec.reference,
        keys=KEYS,
        tuning=tuning_words(spec),
        feet=feet_shown(feet),
    )
    return Prepared(plan, labels, tuple(notices), spec.doubt, None, spec)


def _among_chords(feet: Controls) -> Controls:
    def chords(actions: Mapping[int, Action]) -> dict[int, Action]:
        return {foot: _CHORDS.get(action.name, action) for foot, action in actions.items()}

    return replace(
        feet,
        feet=chords(feet.feet),
        foot_programs=chords(feet.foot_programs),
        foot_keys=chords(feet.foot_keys),
    )


_LEADING = frozenset(("next", "previous", "next-chord", "previous-chord", "first-chord"))
_CHORDS = {"next": Action("next-chord"), "previous": Action("previous-chord")}
