"""``stillbeat live``: a keyboard in, a synth in tune out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bridge.cli.options import method_option, table_options, warn_doubt

if TYPE_CHECKING:
    from bridge.jobs.choose import TableRequest


class _LiveCommand(click.Command):
    """Reads ``--on-change glide 2`` as one option with its seconds."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        for at in range(len(args) - 2):
            if args[at : at + 2] == ["--on-change", "glide"] and args[at + 2][:1].isdecimal():
                args = [*args[: at + 1], f"glide {args[at + 2]}", *args[at + 3 :]]
                break
        return super().parse_args(ctx, args)


@click.command("live", cls=_LiveCommand)
@click.option("--in", "in_port", metavar="NAME", help="The keyboard: part of its port's name; or: new.")
@click.option(
    "--out", "out_port", metavar="NAME", required=True, help="The synth: part of its port's name; or: new."
)
@click.option("--synth", metavar="NAME", help="What the synth is, such as fluidsynth (see: tables synths).")
@method_option("How a table reaches the synth.")
@click.option(
    "--slot",
    "slots",
    multiple=True,
    metavar="TONIC|DEGREE=RATIO|TABLE",
    help="A table to switch to: A, or D,b7=7/4, or a name or file. Again for slots 2, 3 and on.",
)
@click.option(
    "--on-change",
    metavar="now|next|glide SECONDS",
    default="now",
    show_default=True,
    help="What sounding notes do when the table changes.",
)
@click.option(
    "--control-channel",
    metavar="N|none",
    default="16",
    show_default=True,
    help="Its program changes choose slots.",
)
@click.option(
    "--foot",
    "feet",
    multiple=True,
    metavar="CONTROLLER=ACTION",
    help="A foot switch: 66=next; or previous, equal, trim-up, trim-down, panic, slot-N. Again for more.",
)
@click.option("--zone", metavar="KEY-KEY", help="Silent keys that choose the table, such as C1-B1.")
@click.option(
    "--zone-keys",
    type=click.Choice(["tonic", "slot"]),
    default="tonic",
    show_default=True,
    help="What keys of the zone choose: the tonic of that name, or slots from the lowest key on.",
)
@click.option(
    "--max-velocity",
    type=click.IntRange(1, 127),
    default=127,
    metavar="N",
    help="What the hardest stroke becomes; softer ones in proportion.",
)
@click.option(
    "--play-on",
    type=click.IntRange(1, 16),
    metavar="CHANNEL",
    help="Channel for all that the keyboard plays.",
)
@click.option("--channels", metavar="LIST", help="Channels that pitched notes may use, such as 1-8,11-16.")
@click.option(
    "--plain", is_flag=True, help="Hold modulation, chorus and detune at 0, so that beats can be heard."
)
@click.option(
    "--local",
    type=click.Choice(["auto", "off", "keep"]),
    default="auto",
    show_default=True,
    help="The keyboard's own tempered sound: auto switches it off where keyboard and synth are one.",
)
@click.option(
    "--synth-reply",
    "reply_port",
    metavar="NAME",
    help="Port on which the synth answers; its own tuning is then put back at the end.",
)
@click.option("--system", metavar="NAME", help="MIDI system, where there are several: alsa, jack.")
@click.option(
    "--track",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A MIDI file that plays along, retuned as well.",
)
@click.option(
    "--count-in",
    type=click.IntRange(0, 8),
    default=0,
    metavar="BARS",
    help="Bars of clicks before the track.",
)
@click.option("--loop", metavar="BAR-BAR", help="Bars of the track to repeat, such as 5-8.")
@click.option(
    "--tempo", metavar="SCALE", default="1", show_default=True, help="How fast the track goes: 0.8 or 80%."
)
@click.option(
    "--lines", is_flag=True, help="Plain lines instead of a picture, as where the output is no terminal."
)
@table_options(argument=False)
def live_command(request: TableRequest, **chosen: Any) -> None:
    """Play a keyboard and hear it in tune with the guitar. Everything else passes through in order.

    \b
      stillbeat live --guitar open-d --reference D3=146.5 --in keys --out synth
      stillbeat live --guitar open-g --in keys --out synth --synth fluidsynth --slot G --slot C --slot D,b7=7/4
      stillbeat live --tonic D --in keys --out synth --zone C1-B1 --on-change glide 0.5

    Tables are switched by typed keys, by a program change on the control channel, by a foot switch, or by silent
    keys. What notes do that sound at that moment:

    \b
      --on-change   note, octave (real time), bend, mpe     dump, and other forms
      now           move at once                            keep their pitch until
      next          keep their pitch until let go           struck again, whatever
      glide         move in so many seconds                 was asked for

    \b
      typed: 1-9 table, n next, p previous, e equal or just, + - trim by half a cent,
             0 untrimmed, x panic (ends all sound), q quit

    On the way out, whatever the reason, notes are let go, and the synth is put back as it was (with --synth-reply) or
    to equal temperament. Start at a low level, above all over headphones.
    """
    from bridge.live.supervise import Supervisor

    with Supervisor() as supervisor:  # first, so that its process gets ready while tables are worked out
        from bridge.jobs.channel_list import parse_channels
        from bridge.live.prepare import LiveRequest, parse_on_change, prepare
        from bridge.live.track import parse_bars

        on_change, glide_s = parse_on_change(chosen["on_change"])
        prepared = prepare(
            LiveRequest(
                table=request,
                out_port=chosen["out_port"],
                in_port=chosen["in_port"],
                reply_port=chosen["reply_port"],
                system=chosen["system"],
                slots=chosen["slots"],
                synth=chosen["synth"],
                method=chosen["method"],
                channels=parse_channels(chosen["channels"]) if chosen["channels"] else None,
                controls=_controls(chosen),
                on_change=on_change,
                glide_s=glide_s,
                plain=chosen["plain"],
                local=chosen["local"],
                track=chosen["track"],
                count_in=chosen["count_in"],
                loop=parse_bars(chosen["loop"]) if chosen["loop"] else None,
                tempo=_tempo(chosen["tempo"]),
            )
        )
        warn_doubt(prepared.doubt)
        from bridge.live.display import Labels, make_display

        plan = prepared.plan
        labels = Labels(plan.slots, plan.tonics, plan.method, prepared.synth)
        supervisor.perform(plan, lambda keys: make_display(labels, chosen["lines"], keys), prepared.notices)


def _controls(chosen: dict[str, Any]) -> Any:
    """Read the options that say what chooses tables."""
    from bridge.engine.live_controls import Controls, parse_foot
    from bridge.errors import ValueProblem
    from bridge.live.prepare import parse_zone

    text = chosen["control_channel"].strip().lower()
    if text != "none" and not text.isdecimal():
        raise ValueProblem(f"control channel {text!r} is out of range", "1 to 16, or none")
    return Controls(
        channel=None if text == "none" else int(text),
        feet=dict(parse_foot(foot) for foot in chosen["feet"]),
        zone=parse_zone(chosen["zone"]) if chosen["zone"] else None,
        zone_means=chosen["zone_keys"],
        max_velocity=chosen["max_velocity"],
        play_on=chosen["play_on"],
    )


def _tempo(text: str) -> float:
    """Read ``0.8`` or ``80%``."""
    from bridge.errors import ValueProblem

    number = text.strip()
    try:
        return float(number[:-1]) / 100.0 if number.endswith("%") else float(number)
    except ValueError:
        raise ValueProblem(f"a tempo of {text!r}", "write 0.8 or 80%") from None
