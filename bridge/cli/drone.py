"""``stillbeat drone``: notes of the table held under guitar or voice, on the sound card, a synth, or in a file."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bridge.cli.parts.devices import card_option, mic_option
from bridge.cli.parts.help_groups import GroupedDeviceCommand
from bridge.cli.parts.options import (
    at_option,
    chart_option,
    follow_options,
    follow_request,
    follow_string_option,
    method_option,
    overwrite_option,
    table_options,
    voice_option,
    warn_doubt,
)
from bridge.cli.parts.page_options import page_beside, page_options, wants_page
from bridge.engine.play.drones.sounds import SOUND, SOUNDS

if TYPE_CHECKING:
    from bridge.engine.play.controls import Controls
    from bridge.jobs.choose import TableRequest
    from bridge.jobs.drone import DroneRequest
    from bridge.live.desk.string_following import StringFollowing
    from bridge.live.prepare.drone import PreparedDrone
    from bridge.page.frames import Stand
    from bridge.tuning.spec import TableSpec

CAUTION = "a drone never lets the ear rest: start with the volume down, above all over headphones"


@click.command("drone", cls=GroupedDeviceCommand)
@click.argument("notes", nargs=-1, metavar="[NOTES]...")
@voice_option("Who sings to it: the tonic lies in this voice's lowest octave.")
@click.option(
    "--step",
    "steps",
    multiple=True,
    metavar="NOTES",
    help="A step of a lesson: unison, third, fifth, chord, or notes such as 1,b3. Again for the next step.",
)
@click.option("--lesson", is_flag=True, help="Four steps: unison, third, fifth, chord.")
@click.option(
    "--hold", "hold_s", type=float, metavar="SECONDS", help="How long it sounds, or each step does."
)
@click.option(
    "--rest",
    "rest_s",
    type=float,
    metavar="SECONDS",
    help="Silence after each step, to sing into  [default: 6]",
)
@click.option(
    "--rounds", type=int, default=1, show_default=True, metavar="N", help="Times through the steps."
)
@click.option(
    "--settle",
    metavar="tempered|CENTS",
    help="Start tempered, or so many cents wide (-8: narrow), and glide until the beats stop.",
)
@click.option(
    "--settle-wait",
    "wait_s",
    type=float,
    default=3.0,
    show_default=True,
    metavar="SECONDS",
    help="How long to listen to the beats first.",
)
@click.option(
    "--settle-time",
    "settle_s",
    type=float,
    default=12.0,
    show_default=True,
    metavar="SECONDS",
    help="How long the glide takes.",
)
@click.option(
    "--swell",
    "swell_s",
    type=float,
    default=3.0,
    show_default=True,
    metavar="SECONDS",
    help="How long it takes to reach its loudness, 2 or more.",
)
@click.option(
    "--level",
    type=click.FloatRange(1, 100),
    default=80.0,
    show_default=True,
    metavar="PERCENT",
    help="How loud; 100 is still far from the loudest that a sound card can do.",
)
@click.option(
    "--sound",
    type=click.Choice(list(SOUNDS)),
    default=SOUND,
    show_default=True,
    help="A sound that lasts: organ, flute, pipe and reed stand still, the others waver and hide beats; keep: what the "
    "synth is set to.",
)
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write a .wav or .flac file instead.",
)
@chart_option
@follow_string_option
@mic_option("Microphone that --follow-string listens to")
@click.option(
    "--track",
    type=click.Path(path_type=Path),
    metavar="SONG.mid",
    help="The track along whose bars a drone in a file follows --chart.",
)
@at_option
@follow_options
@card_option()
@click.option("--out", "out_port", metavar="NAME", help="Play on a synth: part of its port's name; or: new.")
@click.option("--in", "in_port", metavar="NAME", help="Where foot switches are: part of the port's name.")
@click.option(
    "--foot",
    "feet",
    multiple=True,
    metavar="CONTROLLER=ACTION",
    help="A foot switch: 66=drone (off and on); or next and previous with --chart; drone-louder, drone-softer, equal, "
    "trim-up, trim-down, panic. Again for more.",
)
@click.option("--synth", metavar="NAME", help="What the synth is, such as fluidsynth (see: tables synths).")
@method_option("How the table reaches the synth.")
@click.option("--channels", metavar="LIST", help="Channels that it may use on the synth, such as 1-4.")
@click.option("--system", metavar="NAME", help="MIDI system, where there are several: alsa, jack.")
@click.option("--lines", is_flag=True, help="Plain lines instead of a picture.")
@overwrite_option
@page_options
@table_options(argument=False)
def drone_command(request: TableRequest, **chosen: Any) -> None:
    """Hold notes of the table: tonic and fifth, or NOTES.

    NOTES are degrees above the tonic (1 b3 5 8), notes (D3 F#3, or F# alone), or an interval that sounds with the
    tonic: unison, third, fourth, fifth, sixth, seventh, octave, chord. They sound on the sound card, on a synth
    with --out, or in a file with -o.

    \b
      stillbeat drone --guitar open-d --reference D3=146.5
      stillbeat drone third --guitar open-d --settle tempered
      stillbeat drone --lesson --tonic G --voice alto -o lesson.wav
      stillbeat drone fifth --tonic D --out synth --synth fluidsynth
      stillbeat drone 1 5 --guitar open-d --chart "| D | Em G | A | D |"
      stillbeat drone 1 5 --guitar open-d --chart song.txt --track song.mid -o along.wav

    With --chart it follows chords: its degrees stand above the root of each chord and change there by fading, never by
    gliding. You lead it, never a clock: c, n, space, a page turner or a foot (--in NAME --foot 66=next) goes to the
    next chord, C or p or a foot (--foot 67=previous) to the one before. In a file the bars of --track lead, with the
    tables and the pitches that --at and --follow-harmony give that track: say what you say to retune.

    Settling: the lowest note stands still, and the others begin tempered or so many cents off and glide home, so that
    the beats slow down and stop; the rate of the beats is shown as it falls. It works by pitch bend on top of every
    method whose synth moves sounding notes that way; not by mpe.

    \b
      typed while it sounds: . , louder and softer, d off and on, + - trim by half a cent, 0 untrimmed,
                             e equal or just, x or q ends it
      a page turner:         louder and softer

    HEARING: a drone is a continuous sound, and what is loud for minutes can harm for good. It starts from silence,
    swells for at least two seconds, and its level is capped; but no program knows how loud your speakers are. Start
    with the volume down, above all over headphones; take breaks.
    """
    from bridge.errors import ValueProblem

    ways = [
        name for name, value in (("-o", "output"), ("--out", "out_port"), ("--card", "card")) if chosen[value]
    ]
    if len(ways) > 1:
        raise ValueProblem(f"{' and '.join(ways)} were both asked for", "a drone goes one way at a time")
    asked = drone_request(chosen)
    if chosen["output"] is not None and (chosen["follow_string"] or chosen["mic"]):
        raise ValueProblem(
            "a file that is written follows no string", "leave --follow-string and --mic away, or -o"
        )
    if chosen["mic"] and not chosen["follow_string"]:
        raise ValueProblem("--mic belongs to --follow-string", "name the string: --follow-string D3")
    if chosen["output"] is not None and wants_page(chosen):
        raise ValueProblem("a file that is written has no page", "leave --page away, or -o")
    if chosen["output"] is not None and (chosen["feet"] or chosen["in_port"]):
        raise ValueProblem("a file that is written has no feet", "leave --foot and --in away, or -o")
    of_track = ("changes", "follow_harmony", "pinned", "moves", "natural_sevenths")
    if not chosen["track"] and any(chosen[name] for name in of_track):
        raise ValueProblem("--at and --follow-harmony say how the track is retuned", "name it with --track")
    if chosen["chart"] and not chosen["track"] and chosen["output"] is None:
        _by_foot(request, asked, chosen)
    elif chosen["chart"] or chosen["track"]:
        _along_track(request, asked, chosen)
    elif chosen["output"] is not None:
        _to_file(request, asked, chosen["output"], chosen["overwrite"])
    else:
        _aloud(request, asked, chosen)


def drone_request(chosen: dict[str, Any]) -> DroneRequest:
    """Return the drone that the options ask for."""
    from bridge.errors import ValueProblem
    from bridge.jobs.drone import LESSON, DroneRequest

    if chosen["lesson"] and (chosen["steps"] or chosen["notes"]):
        raise ValueProblem("a lesson has steps of its own", "leave --lesson away, or notes and --step")
    return DroneRequest(
        notes=chosen["notes"],
        steps=LESSON if chosen["lesson"] else chosen["steps"],
        **{
            name: chosen[name]
            for name in (
                "voice",
                "settle",
                "hold_s",
                "rest_s",
                "rounds",
                "swell_s",
                "wait_s",
                "settle_s",
                "level",
                "sound",
            )
        },
    )


def _along_track(request: TableRequest, asked: DroneRequest, chosen: dict[str, Any]) -> None:
    """Write a drone that follows a chart along a track."""
    from bridge.cli.parts.printing import progress_bar, show
    from bridge.errors import ValueProblem
    from bridge.jobs.chart_drone import plan_chart_drone, render_chart_drone
    from bridge.jobs.choose import choose_table
    from bridge.jobs.harmony.charts import chart_from
    from bridge.jobs.retuned import RetuneRequest
    from bridge.store.smf import read_midi
    from bridge.tuning.changes import parse_at
    from bridge.tuning.tables import build_table

    output: Path | None = chosen["output"]
    if not (chosen["chart"] and chosen["track"] and output is not None):
        raise ValueProblem(
            "a drone follows a chart along a track, into a file",
            "say all of --chart, --track and -o; a chart alone has no time: without -o you lead it by key or foot",
        )
    spec = choose_table(request)
    warn_doubt(spec.doubt)
    along = RetuneRequest(
        spec,
        at=tuple(map(parse_at, chosen["changes"])),
        follow_harmony=follow_request(chosen),
        chart=chart_from(chosen["chart"]),
    )
    plan = plan_chart_drone(asked, along, read_midi(chosen["track"]))
    table = build_table(spec)
    for name in dict.fromkeys(plan.names):
        held = plan.chords[plan.names.index(name)]
        pitches = ", ".join(
            f"{table.note(note.key)} {table.hz[note.key] * 2 ** (note.cents / 1200):.3f} Hz" for note in held
        )
        show(f"{name}: {pitches or 'silence'}")
    with progress_bar() as advance:
        report = render_chart_drone(
            plan,
            [float(hz) for hz in table.hz],
            output,
            chosen["overwrite"],
            lambda done: advance(output.name, done),
        )
    show(f"wrote {output}: {report.seconds:.1f} seconds")
    show(CAUTION)


def _by_foot(request: TableRequest, asked: DroneRequest, chosen: dict[str, Any]) -> None:
    """Hold a drone that follows a chart, led by key or page turner."""
    from bridge.live.desk.desk import Desk

    with Desk() as desk:  # first, so that its process gets ready while the table is worked out
        from bridge.jobs.harmony.charts import chart_from
        from bridge.live.prepare.drone_chart import prepare_chart_drone

        prepared = prepare_chart_drone(
            request,
            asked,
            chart_from(chosen["chart"]),
            **_where(chosen),
            in_port=chosen["in_port"],
            controls=_feet(chosen["feet"]),
        )
        warn_doubt(prepared.doubt)
        from bridge.live.desk.views.playing import make_display
        from bridge.page.beside import stand_of_drone

        assert prepared.spec is not None
        stand = partial(stand_of_drone, prepared.plan.tables, prepared.spec, chart=True)
        strings = _strings(prepared.spec, chosen)
        with page_beside(desk, stand, prepared.labels, chosen) as (watchers, labels):
            desk.perform(
                prepared.plan,
                labels,
                lambda keys: make_display(chosen["lines"], keys),
                [CAUTION, *prepared.notices],
                watchers=watchers,
                strings=strings,
            )


def _to_file(request: TableRequest, asked: DroneRequest, output: Path, overwrite: bool) -> None:
    from bridge.cli.parts.printing import progress_bar, show
    from bridge.engine.play.drones.sounds import about_sound
    from bridge.jobs.choose import choose_table
    from bridge.jobs.drone import drone_lines, plan_drone, render_drone
    from bridge.tuning.off_guitar import off_guitar
    from bridge.tuning.tables import build_table

    spec = choose_table(request)
    warn_doubt(spec.doubt)
    table = build_table(spec)
    plan = plan_drone(asked, spec, endless=False)
    for line in (*drone_lines(plan, table), about_sound(asked.sound)):
        if line:
            show(line)
    warn_doubt(off_guitar([("", table)]))
    with progress_bar() as advance:
        report = render_drone(
            plan,
            [float(hz) for hz in table.hz],
            output,
            overwrite=overwrite,
            progress=lambda done: advance(output.name, done),
        )
    show(f"wrote {output}: {report.seconds:.1f} seconds")
    show(CAUTION)


def _aloud(request: TableRequest, asked: DroneRequest, chosen: dict[str, Any]) -> None:
    from bridge.live.desk.desk import Desk

    with Desk() as desk:  # first, so that its process gets ready while the table is worked out
        from bridge.live.prepare.drone import prepare_drone

        prepared = prepare_drone(
            request,
            asked,
            **_where(chosen),
            in_port=chosen["in_port"],
            controls=_feet(chosen["feet"]),
        )
        warn_doubt(prepared.doubt)
        from bridge.live.desk.labels import Labels, feet_shown, tuning_words
        from bridge.live.desk.typed import DRONE_KEYS_SHOWN
        from bridge.live.desk.views.playing import make_display

        spec = prepared.table.spec
        bare = Labels(
            prepared.plan.tables,
            method=prepared.plan.method,
            instrument=prepared.plan.profile.title if prepared.plan.profile is not None else "any synth",
            reference=spec.reference,
            tuning=tuning_words(spec),
            about_engine=prepared.about_engine,
            keys=DRONE_KEYS_SHOWN,
            feet=feet_shown(prepared.plan.controls),
        )
        strings = _strings(prepared.table.spec, chosen)
        with page_beside(desk, partial(_stand, prepared), bare, chosen) as (watchers, labels):
            desk.perform(
                prepared.plan,
                labels,
                lambda keys: make_display(chosen["lines"], keys, drone=True),
                [CAUTION, *prepared.notices],
                watchers=watchers,
                strings=strings,
            )


def _where(chosen: dict[str, Any]) -> dict[str, Any]:
    """Return where a drone sounds, and how its table gets there, as `prepare_drone` takes it."""
    from bridge.jobs.channel_list import parse_channels

    same = {name: chosen[name] for name in ("out_port", "synth", "method", "system")}
    channels = parse_channels(chosen["channels"]) if chosen["channels"] else None
    return {**same, "device": chosen["card"], "channels": channels}


def _feet(texts: tuple[str, ...]) -> Controls:
    """Read foot switches; nothing else that arrives chooses anything."""
    from bridge.engine.play.controls import Controls, parse_feet

    feet = parse_feet(texts)
    channel = 16 if feet.programs else None
    return Controls(channel, feet=feet.controllers, foot_programs=feet.programs, foot_keys=feet.keys)


def _strings(spec: TableSpec, chosen: dict[str, Any]) -> StringFollowing | None:
    """Return what follows an open string, if that was asked for."""
    if not chosen["follow_string"]:
        return None
    from bridge.live.prepare.strings import strings_to_follow

    return strings_to_follow(chosen["follow_string"], spec, chosen["mic"])


def _stand(prepared: PreparedDrone) -> Stand:
    """Return what a page is told at the beginning."""
    from bridge.page.beside import stand_of_drone

    return stand_of_drone(prepared.plan.tables, prepared.table.spec)
