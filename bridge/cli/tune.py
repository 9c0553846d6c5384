"""``stillbeat tune``: a live tuner that aims at the guitar's pure intervals instead of equal temperament."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from bridge.cli.options import table_options, warn_doubt

if TYPE_CHECKING:
    from bridge.jobs.choose import TableRequest


@click.command("tune")
@click.option("--mic", is_flag=True, help="Listen to a microphone, as is done anyway.")
@click.option("--device", metavar="NAME", help="Sound input: part of its name  [default: the usual one]")
@click.option(
    "--string", "number", type=int, metavar="N", help="Hold on to one string, however far off it is."
)
@click.option("--lines", is_flag=True, help="Plain lines instead of a picture.")
@table_options(argument=True)
def tune_command(
    request: TableRequest, mic: bool, device: str | None, number: int | None, lines: bool
) -> None:
    """Tune the guitar by microphone: which string, how far from its pure pitch, which way to turn.

    Cents are from what makes the open strings pure, not from equal temperament, and beside them stands how fast
    the string would beat against the reference string. Bring the reference string to its pitch first, and every
    string up from below. q or Ctrl-C ends it.

    \b
      stillbeat tune --mic --guitar open-d --reference D3=146.5
      stillbeat tune --mic --guitar open-g --fret 2
      stillbeat tune --mic --guitar open-d --string 6 --device interface
    """
    del mic  # a microphone is what this command is about
    from bridge.jobs.choose import choose_table
    from bridge.tuning.string_aims import string_aims

    spec = choose_table(request)
    warn_doubt(spec.doubt)
    aims = string_aims(spec)
    assert spec.guitar is not None
    if number is not None:
        spec.guitar.string(number)  # refuses a string that the guitar does not have
    from bridge.live.desk.tuner import run_tuner
    from bridge.live.desk.tuner_display import make_tuner_display
    from bridge.sound.device.asking import usable_microphone

    reference = spec.guitar.reference_string
    microphone = usable_microphone(device)
    run_tuner(aims, microphone, lambda: make_tuner_display(aims, reference, lines), number)
