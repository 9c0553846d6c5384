"""``stillbeat play``: a keyboard or a MIDI file in, and in tune out."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from bridge.cli.parts.devices import card_option, mic_option
from bridge.cli.parts.go_on import session_there, where_it_was
from bridge.cli.parts.help_groups import GroupedDeviceCommand
from bridge.cli.parts.old_words import in_words_of_now, line_to_type
from bridge.cli.parts.options import (
    chart_option,
    follow_options,
    follow_request,
    follow_string_option,
    method_option,
    table_options,
    warn_doubt,
)
from bridge.cli.parts.page_options import page_beside, page_options

if TYPE_CHECKING:
    from bridge.jobs.choose import TableRequest
    from bridge.live.desk.string_following import StringFollowing
    from bridge.live.prepare.follow import LiveFollow
    from bridge.live.prepare.keyboard import Prepared
    from bridge.live.prepare.song import SongRequest
    from bridge.page.frames import Stand


class _PlayCommand(GroupedDeviceCommand):
    """Reads ``--on-change glide 2`` as one option with its seconds, and says what old words are now."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        if (now := in_words_of_now(args)) != args:
            old = "tables to switch to are numbered now, and no longer called slots"
            if not any("slot" in arg for arg in args):
                old = "a zone is called switch keys now"
            raise click.UsageError(f"{old}: {line_to_type(now)}", ctx)
        for at in range(len(args) - 2):
            if args[at : at + 2] == ["--on-change", "glide"] and args[at + 2][:1].isdecimal():
                args = [*args[: at + 1], f"glide {args[at + 2]}", *args[at + 3 :]]
                break
        return super().parse_args(ctx, args)


@click.command("play", cls=_PlayCommand)
@click.argument("song", required=False, type=click.Path(path_type=Path), metavar="[SONG.mid]")
@click.option(
    "--in",
    "in_ports",
    multiple=True,
    metavar="NAME[: WHAT]",
    help="The keyboard: part of its port's name; or: new. Again for more, each with what of it plays: "
    '"left: keys C2-B3, octave +1, channel 2, velocity 90".',
)
@click.option(
    "--out",
    "out_port",
    metavar="NAME",
    help="The synth: part of its port's name; or: new. Without it the sound card plays.",
)
@card_option()
@click.option(
    "--session",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Play through the pieces of a session; tables, ports and feet come from there. Its file, or the folder or zip "
    "that session build made.",
)
@click.option(
    "--from", "begin", metavar="PIECE", help="Piece of the session to begin with: its number or title."
)
@click.option(
    "--go-on",
    is_flag=True,
    help="Go on where the last run of the session was when everything crashed, with the reference it had heard.",
)
@click.option(
    "--synth",
    metavar="NAME",
    help="What the synth is, such as fluidsynth (see: tables synths); or a synth of the session.",
)
@method_option("How a table reaches the synth.")
@click.option(
    "--also",
    multiple=True,
    metavar="TONIC|DEGREE=RATIO|TABLE",
    help="One more table to switch to: A, or D,b7=7/4, or a name or file. The first is table 2; again for 3 and on.",
)
@click.option(
    "--on-change",
    metavar="now|next|glide SECONDS",
    help="What sounding notes do when the table changes.  [default: now]",
)
@click.option(
    "--control-channel",
    metavar="N|none",
    help="Its program changes choose tables, or pieces of a session.  [default: 16]",
)
@click.option(
    "--foot",
    "feet",
    multiple=True,
    metavar="CONTROLLER=ACTION",
    help="A foot switch: 66=next; or previous, next-piece, previous-piece, drone, drone-louder, drone-softer, pause, "
    "bar-back, mute-N, next-chord, previous-chord, first-chord, follow, equal, listen, undo, trim-up, trim-down, "
    "panic, table-N. In the place of a controller: program 5 (on the control channel), or key A0, which is silent "
    "then. Again for more.",
)
@click.option(
    "--switch-keys",
    "zone",
    metavar="KEY-KEY",
    help="Keys that make no sound and choose the table, such as C1-B1.",
)
@click.option(
    "--switch-keys-choose",
    "zone_keys",
    type=click.Choice(["tonic", "table", "piece"]),
    help="What the switch keys choose: the tonic of that name, or tables or pieces from the lowest key on.  [default: "
    "tonic, with a session piece]",
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
    help="The same as SONG.mid, beside a keyboard: a MIDI file that plays along, retuned as well.",
)
@click.option(
    "--count-in",
    type=click.IntRange(0, 8),
    metavar="BARS",
    help="Bars of clicks before the file.  [default: 1]",
)
@click.option("--loop", metavar="BAR-BAR", help="Bars of the file to repeat, such as 5-8.")
@click.option(
    "--tempo", metavar="SCALE", default="1", show_default=True, help="How fast the file goes: 0.8 or 80%."
)
@click.option(
    "--at",
    "changes",
    multiple=True,
    metavar="BAR[.BEAT]=CHANGE",
    help="From a bar of the file on: a tonic (17=A), a degree (5=,2=10/9), both, a barre (9=fret:5), a table; with "
    "--transpose as the file is written. Again for more.",
)
@click.option(
    "--drone",
    metavar="NOTES",
    help="Notes to hold under the playing: 1,5 or fifth above each table's tonic; or D2,A2. It sounds from the "
    "beginning; d ends it. In a session: on or off, whether its own drones do that.",
)
@follow_options
@click.option(
    "--chord-window",
    type=float,
    metavar="MS",
    help="How long the notes of a chord may still be corrected while the harmony is followed, in milliseconds; 0 for "
    "never.  [default: 40]",
)
@chart_option
@follow_string_option
@mic_option("Microphone that l and --follow-string listen to")
@click.option(
    "--lines", is_flag=True, help="Plain lines instead of a picture, as where the output is no terminal."
)
@page_options
@table_options(argument=False)
def play_command(request: TableRequest, **chosen: Any) -> None:
    """Play a keyboard, or a MIDI file, and hear it in tune with the guitar. Everything else passes through in order.

    \b
      stillbeat play song.mid --guitar open-d --reference D3=146.5 --loop 5-8 --tempo 80%
      stillbeat play song.mid --guitar open-d --in keys --foot 66=pause
      stillbeat play --guitar open-d --reference D3=146.5 --in keys --out synth
      stillbeat play --guitar open-g --in keys --out synth --synth fluidsynth --also C --also D,b7=7/4
      stillbeat play --tonic D --in keys --out synth --switch-keys C1-B1 --on-change glide 0.5
      stillbeat play --guitar open-d --in "left: keys C2-B3, octave -1" --in "right: velocity 90" --out synth
      stillbeat play --session evening.toml --in keys --out synth

    Tables are switched by typed keys, by a program change on the control channel, by a foot switch, or by switch
    keys, which make no sound. What notes do that sound at that moment:

    \b
      --on-change   note, octave (real time), bend, mpe     dump, and other forms
      now           move at once                            keep their pitch until
      next          keep their pitch until let go           struck again, whatever
      glide         move in so many seconds                 was asked for

    Everything sounds on the sound card, or with --out on a synth: a file, after a bar of clicks, and a keyboard and
    feet beside it. The file's bar and chord are shown, and its parts by number. Equal and pure change in place: e.

    \b
      typed: space pause, b the bar before, 1-9 mute a part or hear it again, q quit
             beside a keyboard with several tables: s pause, b the bar before, m and a digit mutes

    \b
      typed: 1-9 table, n next, p previous, e equal or just, d drone, . , drone louder and softer,
             c C next and previous chord of a chart, f follow harmony, + - trim by half a cent, 0 untrimmed,
             l listen to the reference string, u undo that,
             x panic (ends all sound), v what the engine does (channels, messages, delay), v again: away,
             q quit
      as lines: the same letters, or words: next, piece 12, trim 1.5, listen take.wav

    With --session every section of every piece is a step: n and p go through sections, N and P through whole pieces,
    1-9 and program changes choose a piece; what comes next is shown. Each run plays one synth of the session. --from 4
    begins with the fourth piece, --from slate with the one whose title begins like that. After a crash the next run
    asks whether to go on where it was, with the reference that was heard; --go-on goes on unasked.

    With --follow-harmony a note may lie a comma from the table, so that the chord is pure: it sounds at once, and may
    be corrected for --chord-window while its chord arrives; after that no sounding note moves. Open strings (without a
    guitar the tonic) and a drone stay. The chord that is heard is shown, and what was lowered. Equal temperament and
    tempered scales have no commas to follow by.

    With --chart the chords are known: the one that is now and the next are shown. The bars of a track lead through it;
    without a track c or a foot does (--foot 66=next-chord), never a clock. --drone stands above the root of each chord
    then and fades into the next. With --follow-harmony all chords are solved beforehand; what you hold one by one
    (--pin, --degree) wins.

    Between pieces, l listens to the reference string through the microphone, and moves all tables to where it sounds.
    With --follow-string D3 they follow by themselves, slowly, where that string and another open one have moved
    likewise; a string that moved alone is told; u takes it back.

    On the way out, whatever the reason, notes are let go, and the synth is put back as it was (with --synth-reply) or
    to equal temperament. Start at a low level, above all over headphones.
    """
    from bridge.live.desk.desk import Desk

    # The desk first, so that its player gets ready while tables are worked out.
    with Desk() as desk, session_there(chosen["session"]) as session:
        prepared = _evening(request, chosen, session) if session else prepare_tables(request, chosen)
        warn_doubt(prepared.doubt)
        from bridge.live.desk.views.playing import make_display

        with (
            where_it_was(prepared, chosen, lambda text: desk.typed(f"tell {text}")) as (prepared, books),
            page_beside(desk, partial(_stand, prepared), prepared.labels, chosen) as (watchers, labels),
        ):
            desk.perform(
                prepared.plan,
                labels,
                lambda keys: make_display(chosen["lines"], keys),
                prepared.notices,
                prepared.listening,
                [*watchers, *books],
                _strings(prepared, chosen),
            )


def _strings(prepared: Prepared, chosen: dict[str, Any]) -> StringFollowing | None:
    """Return what follows an open string, if that was asked for."""
    if not chosen["follow_string"]:
        return None
    from bridge.live.prepare.strings import strings_to_follow

    assert prepared.spec is not None
    device = chosen["mic"] or (prepared.listening.device if prepared.listening is not None else None)
    return strings_to_follow(chosen["follow_string"], prepared.spec, device, prepared.strings)


def _stand(prepared: Prepared) -> Stand:
    """Return what a page is told at the beginning."""
    from bridge.page.beside import stand_of_play

    return stand_of_play(prepared.plan, prepared.labels, prepared.spec, prepared.listening is not None)


def prepare_tables(request: TableRequest, chosen: dict[str, Any]) -> Prepared:
    """Prepare to play with the tables that the options describe."""
    from bridge.errors import ValueProblem
    from bridge.live.prepare.keyboard import LiveRequest, prepare

    if chosen["begin"] is not None:
        raise ValueProblem("--from names a piece of a session", "name the session's file with --session")
    return prepare(
        LiveRequest(
            **_playing(chosen, "tonic"),
            table=request,
            also=chosen["also"],
            synth=chosen["synth"],
            method=chosen["method"],
            song=_song(chosen),
            card=chosen["card"],
            drone=chosen["drone"],
            follow_harmony=_follow(chosen),
            chart=_chart(chosen["chart"]),
            device=chosen["mic"],
        )
    )


def _chart(words: str | None) -> Any:
    """Read a chart."""
    if not words:
        return None
    from bridge.jobs.harmony.charts import chart_from

    return chart_from(words)


def _song(chosen: dict[str, Any]) -> SongRequest | None:
    """Read the options that say which file plays, and how."""
    from bridge.errors import ValueProblem

    file = chosen["song"] or chosen["track"]
    if file is None:
        if chosen["count_in"] or chosen["loop"] or chosen["tempo"] != "1" or chosen["changes"]:
            raise ValueProblem(
                "count-in, loop, tempo and changes at bars belong to a file", "name it: play song.mid"
            )
        return None
    if chosen["song"] and chosen["track"]:
        raise ValueProblem(
            f"{chosen['song']} and --track {chosen['track']}: one file plays at a time", "name one of them"
        )
    from bridge.live.backing import parse_bars
    from bridge.live.prepare.song import SongRequest

    return SongRequest(
        file,
        chosen["count_in"],
        parse_bars(chosen["loop"]) if chosen["loop"] else None,
        _tempo(chosen["tempo"]),
        chosen["changes"],
    )


def _evening(request: TableRequest, chosen: dict[str, Any], session: Path) -> Prepared:
    """Prepare to play through a session, whose file is given."""
    from bridge.errors import ValueProblem
    from bridge.jobs.choose import TableRequest as Request
    from bridge.live.prepare.evening import EveningRequest, prepare_evening

    theirs = {
        "also": "--also",
        "drone": "--drone",
        "chart": "--chart",
        "song": "a file",
        "track": "--track",
        "loop": "--loop",
        "changes": "--at",
        "count_in": "--count-in",
    }
    drones = {"on": True, "off": False}.get(chosen["drone"] or "")
    also = [option for name, option in theirs.items() if chosen[name] and (name != "drone" or drones is None)]
    if chosen["tempo"] != "1":
        also.append("--tempo")
    if request != Request():
        also.append("options that describe a table")
    if also:
        raise ValueProblem(
            f"with --session the tables and drones come from the session, not from {', '.join(also)}",
            "write them into the session file, or leave --session away",
        )
    if chosen["zone"] and chosen["zone_keys"] == "tonic":
        raise ValueProblem(
            "in a session the switch keys choose pieces or tables, not tonics",
            "leave --switch-keys-choose away",
        )
    return prepare_evening(
        EveningRequest(
            **_playing(chosen, "piece"),
            file=session,
            synth=chosen["synth"],
            method=chosen["method"],
            follow_harmony=_follow(chosen),
            control_channel=chosen["control_channel"] is not None,
            device=chosen["mic"],
            card=chosen["card"],
            begin=chosen["begin"],
            drone_on=drones,
        )
    )


def _playing(chosen: dict[str, Any], zone_means: Literal["tonic", "piece"]) -> dict[str, Any]:
    """Read the options that say how it is played: the fields of `bridge.live.plan.Playing`."""
    from bridge.jobs.channel_list import parse_channels
    from bridge.live.prepare.keyboard import keyboards_named, parse_on_change

    same = ("out_port", "reply_port", "system", "plain", "local")
    read = {name: chosen[name] for name in same} | {"controls": _controls(chosen, zone_means)}
    read |= keyboards_named(chosen["in_ports"])
    if chosen["channels"]:
        read["channels"] = parse_channels(chosen["channels"])
    if chosen["on_change"]:
        read["on_change"], read["glide_s"] = parse_on_change(chosen["on_change"])
    return read


def _follow(chosen: dict[str, Any]) -> LiveFollow | None:
    """Read the options that say whether and how the harmony is followed."""
    wanted, window_ms = follow_request(chosen), chosen["chord_window"]
    if wanted is None:
        if window_ms is not None:
            raise click.UsageError("--chord-window says how the harmony is followed: add --follow-harmony")
        return None
    from bridge.live.prepare.follow import LiveFollow

    return LiveFollow(wanted) if window_ms is None else LiveFollow(wanted, window_ms)


def _controls(chosen: dict[str, Any], zone_means: Literal["tonic", "piece"]) -> Any:
    """Read the options that say what chooses tables."""
    from bridge.engine.play.controls import Controls, parse_feet
    from bridge.errors import ValueProblem
    from bridge.live.prepare.keyboard import parse_zone

    feet = parse_feet(chosen["feet"])
    text = (chosen["control_channel"] or "16").strip().lower()
    if text != "none" and not (text.isdecimal() and len(text) <= 2):
        raise ValueProblem(f"control channel {text!r} is out of range", "1 to 16, or none")
    return Controls(
        channel=None if text == "none" else int(text),
        feet=feet.controllers,
        foot_programs=feet.programs,
        foot_keys=feet.keys,
        zone=parse_zone(chosen["zone"]) if chosen["zone"] else None,
        zone_means=chosen["zone_keys"] or zone_means,
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
