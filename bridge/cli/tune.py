"""``stillbeat tune``: a live tuner that aims at the guitar's pure intervals instead of equal temperament."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import click

from bridge.cli.parts.devices import DeviceCommand, mic_option, say_opening
from bridge.cli.parts.options import table_options, warn_doubt
from bridge.cli.parts.page_options import page_options, show_addresses, wants_page

if TYPE_CHECKING:
    from bridge.jobs.choose import TableRequest


@click.command("tune", cls=DeviceCommand)
@mic_option("Microphone or other sound input", alone=True)
@click.option(
    "--string", "number", type=int, metavar="N", help="Hold on to one string, however far off it is."
)
@click.option("--lines", is_flag=True, help="Plain lines instead of a picture.")
@page_options
@table_options(argument=True)
def tune_command(
    request: TableRequest, mic: str | None, number: int | None, lines: bool, **chosen: Any
) -> None:
    """Tune the guitar by microphone: which string, how far from its pure pitch, which way to turn.

    Cents are from what makes the open strings pure, not from equal temperament, and beside them stands how fast
    the string would beat against the reference string. Bring the reference string to its pitch first, and every
    string up from below. q or Ctrl-C ends it.

    \b
      stillbeat tune --guitar open-d --reference D3=146.5
      stillbeat tune --guitar open-g --fret 2
      stillbeat tune --guitar open-d --string 6 --mic interface
    """
    from bridge.jobs.choose import choose_table
    from bridge.tuning.strings.aims import string_aims

    spec = choose_table(request)
    warn_doubt(spec.doubt)
    aims = string_aims(spec)
    assert spec.guitar is not None
    if number is not None:
        spec.guitar.string(number)  # refuses a string that the guitar does not have
    say_opening()
    from bridge.live.desk.tuner import run_tuner
    from bridge.live.desk.views.tuner import make_tuner_display
    from bridge.sound.device.asking import usable_microphone

    reference = spec.guitar.reference_string
    microphone = usable_microphone(mic or None)
    if not wants_page(chosen):
        run_tuner(aims, microphone, partial(make_tuner_display, aims, reference, lines), number)
        return
    from bridge.page.addresses import code_lines
    from bridge.page.frames import Stand
    from bridge.page.host import Page

    stand = Stand(command="tune", spec=spec, aims=tuple(aims.values()), reference_string=reference)
    with Page(stand, lambda asked: None, port=chosen["page_port"] or 0, lan=chosen["page_lan"]) as page:
        show_addresses(page.addresses, chosen["page_lan"])
        under = page.addresses.lines()[:2] + (code_lines(page.addresses.act) if chosen["page_lan"] else [])
        view = partial(make_tuner_display, aims, reference, lines, under)
        run_tuner(aims, microphone, view, number, [page])
