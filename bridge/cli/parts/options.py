"""Options that several commands share, and the one way in which they become a `TableRequest`."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import TYPE_CHECKING, Any, TypeVar

import click

from bridge.cli.parts.printing import show_note

if TYPE_CHECKING:
    from bridge.harmony.asked import FollowRequest
    from bridge.jobs.choose import TableRequest

F = TypeVar("F", bound=Callable[..., Any])

_TABLE_OPTIONS = (
    click.option("--guitar", metavar="NAME", help="Guitar and its open tuning, such as open-d."),
    click.option("--scale", metavar="NAME", help="Scale above the tonic  [default: five-limit]"),
    click.option("--tonic", metavar="NOTE", help="Note that the scale is built on now, such as A."),
    click.option("--home", metavar="NOTE", help="Tonic that the piece starts from  [default: the guitar's]"),
    click.option(
        "--reference",
        metavar="NOTE=HZ",
        help="What one note really sounds: D3=146.5, A4=438, or a tuner's reading: D3-7c, D3-7c@442.",
    ),
    click.option(
        "--reference-from",
        metavar="TAKE",
        help="Hear the reference from a sound file (WAV, FLAC, MP3) in which its open string is plucked.",
    ),
    click.option(
        "--as-tuned",
        metavar="TAKE",
        help="Hear all open strings from a sound file: the table follows the guitar as it is tuned.",
    ),
    click.option("--fret", type=click.IntRange(0, 24), metavar="N", help="Capo or barre at fret N."),
    click.option("--capo", type=click.IntRange(0, 24), metavar="N", help="The same as --fret."),
    click.option(
        "--sounding",
        metavar="NOTE=HZ",
        help="Instead of --reference: what a tuner shows with the capo on, such as E3=164.9 or E3-7c; a bare 164.9 is "
        "the guitar's reference string.",
    ),
    click.option("--slide", metavar="RATIO", help="A slide's pure place, such as 4/3; not tempered."),
    click.option(
        "--degree",
        "degrees",
        multiple=True,
        metavar="DEGREE=RATIO",
        help="Replace a degree of the scale, such as b7=7/4 or 2=10/9. Again for more.",
    ),
    click.option(
        "--pin",
        "pins",
        multiple=True,
        metavar="NOTE=HZ",
        help="Hold one note at a frequency, such as F#3=183.1. Again for more.",
    ),
    click.option(
        "--transpose",
        type=click.IntRange(-12, 12),
        metavar="SEMITONES",
        help="The singer's key, such as -2: a track's keys move, and the tonic with them, its pitch taken from home. "
        "Chords, --at and the notes of a drone are named as the piece is written, and move along.",
    ),
    click.option(
        "--keep-shapes",
        is_flag=True,
        default=None,
        help="For --transpose the capo moves, and not the tonic: the chords keep their shapes.",
    ),
    click.option(
        "--open-strings-win",
        is_flag=True,
        default=None,
        help="Where scale and open strings differ, the strings' notes and their octaves follow the guitar.",
    ),
)


def table_options(argument: bool) -> Callable[[F], F]:
    """Add the options that describe a table; the command receives a `TableRequest` named ``request``.

    The table's name is the command's argument, or else the option ``--table``.
    """

    def decorate(function: F) -> F:
        @wraps(function)
        def with_request(**values: Any) -> Any:
            return function(request=take_table(values), **values)

        decorated: Any = with_request
        for option in reversed(_TABLE_OPTIONS):
            decorated = option(decorated)
        if argument:
            decorated = click.argument("table", required=False, metavar="[TABLE]")(decorated)
        else:
            decorated = click.option(
                "--table",
                metavar="NAME|FILE",
                help="A table by name, or a file NAME.table.toml (a text file).",
            )(decorated)
        result: F = decorated
        return result

    return decorate


def take_table(values: dict[str, Any]) -> TableRequest:
    """Take the options that describe a table out of a command's parsed `values`."""
    from bridge.jobs.choose import TableRequest

    return TableRequest(**{name: values.pop(name) for name in TableRequest.__dataclass_fields__})


_FOLLOW_OPTIONS = (
    click.option(
        "--follow-harmony",
        is_flag=True,
        help="Move notes by commas so that chords are pure; the guitar's open strings and sounding notes stay.",
    ),
    click.option(
        "--pinned",
        type=click.Choice(("strings", "tonic")),
        help="What stays where the table has it while the harmony is followed  [default: strings]",
    ),
    click.option(
        "--moves",
        type=click.Choice(("few", "some", "many")),
        help="How readily a note that is struck again moves while the harmony is followed  [default: some]",
    ),
    click.option(
        "--natural-sevenths",
        is_flag=True,
        help="Let sevenths be 7/4 while the harmony is followed, as in blues and close singing.",
    ),
)


def follow_options(function: F) -> F:
    """Add the options that say whether and how the harmony is followed; `follow_request` reads them."""
    decorated: Any = function
    for option in reversed(_FOLLOW_OPTIONS):
        decorated = option(decorated)
    result: F = decorated
    return result


equal_chords_option = click.option(
    "--equal-chords",
    is_flag=True,
    help="While the harmony is followed, keep augmented triads and diminished sevenths equal: nothing makes them pure.",
)


def follow_request(chosen: dict[str, Any]) -> FollowRequest | None:
    """Return how the harmony is to be followed; None where it is not."""
    from bridge.cli.parts.printing import say_search
    from bridge.harmony.asked import FollowRequest

    words = {name: chosen.get(name) for name in ("pinned", "moves", "natural_sevenths", "equal_chords")}
    if not chosen.get("follow_harmony"):
        for name, value in words.items():
            if value:
                raise click.UsageError(
                    f"--{name.replace('_', '-')} says how the harmony is followed: add --follow-harmony"
                )
        return None
    return FollowRequest(
        words["pinned"] or "strings",
        words["moves"] or "some",
        bool(words["natural_sevenths"]),
        bool(words["equal_chords"]),
        beforehand=say_search,
    )


at_option = click.option(
    "--at",
    "changes",
    multiple=True,
    metavar="BAR[.BEAT]=CHANGE",
    help="From a bar on: a tonic (17=A), a degree (5=,2=10/9), both, a barre (9=fret:5), a table; with --transpose "
    "as the piece is written. Again for more.",
)


chart_option = click.option(
    "--chart",
    metavar="TEXT|FILE",
    help="The chords as you know them, as text (| G | Em | Am D7 |) or a file; they count for what is heard.",
)


follow_string_option = click.option(
    "--follow-string",
    "follow_string",
    metavar="NOTE",
    help="The open string that all tables follow while things play, such as D3 or 4, heard through the microphone "
    "between phrases. Off unless named.",
)


def voice_option(help_text: str) -> Callable[[F], F]:
    """Add ``--voice``, in whose lowest octave the tonic lies."""
    from bridge.tuning.drone_notes import VOICE, VOICES

    choice = click.Choice(list(VOICES))
    return click.option("--voice", type=choice, default=VOICE, show_default=True, help=help_text)


def method_option(help_text: str) -> Callable[[F], F]:
    """Add ``--method``, the way in which a table reaches a synth; `auto` leaves it open."""
    from bridge.wire.profile import METHODS

    choice = click.Choice(("auto", *METHODS))
    said = (
        f"{help_text} note, octave and dump are tuning messages (single notes, twelve notes for all octaves, all 128); "
        "bend bends every note; mpe too, with a channel for each note; auto takes the first that the synth obeys."
    )
    return click.option("--method", type=choice, default="auto", show_default=True, help=said)


overwrite_option = click.option("--overwrite", is_flag=True, help="Replace output that exists.")


def warn_doubt(doubt: str) -> None:
    """Ask on stderr whether a reference far from its note was meant."""
    if doubt:
        show_note(doubt)
