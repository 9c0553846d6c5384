"""``stillbeat demo``: hear equal against just in a small rehearsal in open G."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.cli.parts.devices import DeviceCommand, card_option
from bridge.cli.parts.options import overwrite_option

if TYPE_CHECKING:
    from bridge.jobs.demo import Demo


@click.command("demo", cls=DeviceCommand)
@click.option(
    "-o",
    "--output",
    "folder",
    type=click.Path(path_type=Path),
    default=Path("stillbeat-demo"),
    show_default=True,
    help="Folder to write into.",
)
@click.option(
    "--play/--no-play",
    default=None,
    help="Play a drone and the piece on the sound card  [default: if there is one, unless CI is set]",
)
@card_option()
@overwrite_option
def demo_command(folder: Path, play: bool | None, card: str | None, overwrite: bool) -> None:
    """Hear equal against just.

    A guitar in open G, a backing track composed for it, and three sound files: equal temperament through the
    guitar's own reference, just with one fixed scale, and just with the second degree lowered under ii.

    With a sound card it then plays: a third over the tonic that starts tempered and settles, and the just piece.
    Start with the volume down, above all over headphones; q or Ctrl-C ends it. Without one the files are all.
    """
    from bridge.cli.parts.printing import progress_bar
    from bridge.jobs.demo import run_demo

    with progress_bar() as advance:
        demo = run_demo(folder, overwrite=overwrite, progress=advance)
    _print_demo(demo)
    if play is not False:
        _play_demo(demo, card, asked=bool(play or card))


def _play_demo(demo: Demo, card: str | None, asked: bool) -> None:
    """Play where there is a sound card; otherwise say why not, which is a fault only if it was asked for."""
    from bridge.cli.parts.printing import show
    from bridge.errors import PortProblem
    from bridge.sound.device.asking import sound_problem

    problem = sound_problem("output", card)
    if not problem and not asked and os.environ.get("CI"):
        problem = "CI is set, so nobody listens; --play plays all the same"
    if problem and asked:
        raise PortProblem(f"not played: {problem}")
    show()
    if problem:
        show(f"not played: {problem}. The sound files above hold what would have been heard.")
        return
    from bridge.live.demo_aloud import play_demo

    show(
        "now aloud: a third over the tonic, tempered until it settles, and then the piece, just. q or Ctrl-C ends it"
    )
    show("start with the volume down, above all over headphones")
    try:
        play_demo(demo.spec, demo.files[0], card)
    except PortProblem as error:
        if asked:
            raise
        show(f"not played: {error.message}. The sound files above hold what would have been heard.")


def _print_demo(demo: Demo) -> None:
    from bridge.cli.parts.printing import cents, hertz, show, show_table
    from bridge.jobs.demo import LOWERED
    from bridge.jobs.demo_music import TITLE
    from bridge.tuning.tables import build_table

    table = build_table(demo.spec)
    reference = table.reference
    show(f"{TITLE}, for a guitar in open G and a backing track")
    show(
        f"its third string was measured: {table.note(reference.key)} = {hertz(reference.hz)} Hz, "
        f"{cents(reference.cents_from_equal)} cents from a tuner's; every version below goes through it"
    )
    show()
    show_table(
        (
            "chord",
            "",
            "bars",
            "interval",
            "equal: off",
            "beats",
            "just: off",
            "beats",
            "lowered ii: off",
            "beats",
        ),
        [
            (
                one.chord if one.interval == "third" else "",
                one.degree if one.interval == "third" else "",
                ", ".join(map(str, one.bars)) if one.interval == "third" else "",
                f"{one.interval} {one.notes}",
                *(
                    text
                    for off, beats in zip(one.off_cents, one.beats_hz, strict=True)
                    for text in (cents(off), f"{beats:.1f}")
                ),
            )
            for one in demo.heard
        ],
        left=(0, 1, 2, 3),
    )
    show("off: cents wide (+) or narrow (-) of pure; beats: beats a second of the first partials that meet")
    show()
    show("what to listen for")
    by_name = {(one.chord, one.interval): one for one in demo.heard}
    third, fifth = by_name["G", "third"], by_name["Am", "fifth"]
    show(
        f"  equal.wav: the thirds stir. {third.notes} is {third.off_cents[0]:.1f} cents wide and beats "
        f"{third.beats_hz[0]:.1f} times a second; the fifths turn over slowly."
    )
    show("  just.wav: I, IV, V and vi stand still: their thirds and fifths stop beating.")
    show(
        f"  But ii (Am, bars {', '.join(map(str, fifth.bars))}) does not: {fifth.notes} is "
        f"{abs(fifth.off_cents[1]):.1f} cents narrow and beats {fifth.beats_hz[1]:.1f} times a second."
    )
    show(
        "  One A cannot serve both: D needs it a pure fifth above (9/8 of the tonic), Am needs it a comma lower (10/9)."
    )
    show(
        f"  just-lowered-ii.wav: the same piece with {LOWERED} while ii sounds. Now Am stands still as well."
    )
    show()
    for path in demo.files:
        show(str(path))
    show("start listening at a low level, above all over headphones")
