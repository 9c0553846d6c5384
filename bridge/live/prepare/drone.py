"""From what a person asked for to a plan with a drone, on a synth's port or on the sound card."""

from __future__ import annotations

from dataclasses import dataclass, replace

from bridge.engine.method import choose_for_playing, choose_for_settling
from bridge.engine.play.controls import FOOT_ACTIONS, Controls
from bridge.engine.play.drones.plan import DronePlan
from bridge.engine.play.drones.sounds import about_sound
from bridge.errors import MethodProblem, ValueProblem
from bridge.jobs.choose import TableRequest, choose_table
from bridge.jobs.drone import DroneRequest, plan_drone
from bridge.live.backing import Backing
from bridge.live.plan import LivePlan, StepsDrone, pitched_channels
from bridge.live.player.journal import state_dir
from bridge.live.prepare.card import BUILT_IN, card_method, plan_fields, refuse_words_of_ports
from bridge.live.prepare.keyboard import play_table
from bridge.store.profiles import load_profile
from bridge.tuning.off_guitar import off_guitar
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import Table, build_table
from bridge.wire.profile import MTS_METHODS, STANDARD


@dataclass(frozen=True)
class PreparedDrone:
    """A plan, and what to tell about it."""

    plan: LivePlan
    table: Table
    """What it is tuned by."""
    notices: tuple[str, ...]
    """What one should know before the first note."""
    doubt: str = ""
    """A question about the reference, if it deserves one."""
    about_engine: tuple[str, ...] = ()
    """Which of the notices concern only how it is done."""


def prepare_drone(
    table: TableRequest,
    asked: DroneRequest,
    *,
    out_port: str | None = None,
    device: str | None = None,
    synth: str | None = None,
    method: str = "auto",
    channels: tuple[int, ...] | None = None,
    system: str | None = None,
    in_port: str | None = None,
    controls: Controls | None = None,
) -> PreparedDrone:
    """Work out everything that a drone needs to be heard, on a synth's port or else on the sound card.

    Port, synth, method, channels and system are as in `bridge.live.prepare.keyboard.LiveRequest`; `device` is
    part of the sound card's name, None for the usual one; `in_port` is where the feet are that `controls` tells of.
    StillbeatError if something is missing, malformed,
    or does not go together.
    """
    feet = feet_at(in_port, controls)
    refuse_words_of_ports(
        device, out_port, synth=synth, channels=channels, system=None if in_port is not None else system
    )
    spec = choose_table(table)
    said = tuple(filter(None, [about_sound(asked.sound), off_guitar([("", build_table(spec))])]))
    if out_port is None:
        plan = sound_card_plan(spec, drone=plan_drone(asked, spec), device=device, method=method)
        plan = replace(plan, system=system, in_port=in_port, controls=feet)
        return PreparedDrone(plan, build_table(spec), said, spec.doubt)
    only = play_table(spec.name, spec)
    profile = load_profile(synth) if synth else None
    found = choose_for_playing(method, profile, [only.hz, only.equal_hz])
    chosen = found.method
    about_engine = [f"method {chosen}: {found.why}"] if found.why else []
    if profile is None and chosen in MTS_METHODS:
        profile = STANDARD
    if asked.settle is not None:
        settling = choose_for_settling(chosen, method, profile)
        chosen = settling.method
        about_engine += [f"method {chosen} {settling.why}"] if settling.why else []
    usable = pitched_channels(profile, channels)
    if not usable:
        raise MethodProblem("no channel is left for the drone", "allow more: --channels 1-4")
    scale = profile.bend_scale if profile is not None and chosen in MTS_METHODS else 1.0
    plan = LivePlan(
        out_port=out_port,
        system=system,
        in_port=in_port,
        controls=feet,
        tables=(only,),
        method=chosen,
        profile=profile,
        channels=channels,
        plain=True,
        local="keep",
        state_dir=str(state_dir()),
        drone=StepsDrone(plan_drone(asked, spec, usable, scale)),
    )
    about = tuple(about_engine)
    return PreparedDrone(plan, build_table(spec), (*said, *about), spec.doubt, about)


_OF_A_DRONE = frozenset(("drone", "drone-volume", "equal", "trim", "panic", "undo"))


def feet_at(in_port: str | None, controls: Controls | None, more: frozenset[str] = frozenset()) -> Controls:
    """Return what feet do beside a drone alone, `more` than a drone that stays; ValueProblem for what it has not."""
    feet = controls or Controls()
    if in_port is None and feet.by_port:
        raise ValueProblem("foot switches need a port", "name it with --in; see: ports")
    known = _OF_A_DRONE | more
    named = {one.name for kind in (feet.feet, feet.foot_programs, feet.foot_keys) for one in kind.values()}
    if strange := sorted(named - known):
        can = ", ".join(name for name, action in FOOT_ACTIONS.items() if action.name in known)
        raise ValueProblem(
            f"a foot that means {strange[0]} does nothing for this drone", f"it may mean: {can}"
        )
    return feet


def sound_card_plan(
    spec: TableSpec,
    drone: DronePlan | None = None,
    backing: Backing | None = None,
    device: str | None = None,
    method: str = "auto",
) -> LivePlan:
    """Return a plan that plays on the sound card with the built-in tone generator, which obeys every method.

    MethodProblem if notes of the drone settle and the method is `mpe`.
    """
    only = play_table(spec.name, spec)
    profile = load_profile(BUILT_IN)
    chosen = choose_for_playing(card_method(method), profile, [only.hz, only.equal_hz]).method
    if drone is not None and any(step.settles for step in drone.steps):
        chosen = choose_for_settling(chosen, method, profile).method
    return LivePlan(
        **plan_fields(device),
        tables=(only,),
        method=chosen,
        profile=profile,
        plain=True,
        drone=StepsDrone(drone) if drone is not None else None,
        backing=backing,
    )
