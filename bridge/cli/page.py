"""``stillbeat page``: tables and a tuner in a browser."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from bridge.cli.parts.devices import DeviceCommand, mic_option
from bridge.cli.parts.options import table_options, warn_doubt
from bridge.cli.parts.page_options import show_addresses

if TYPE_CHECKING:
    from bridge.jobs.choose import TableRequest


@click.command("page", cls=DeviceCommand)
@click.option(
    "--port",
    type=click.IntRange(1, 65535),
    metavar="N",
    help="Port to serve on  [default: a free one, which is printed]",
)
@click.option(
    "--lan",
    is_flag=True,
    help="Let others in the network come, by an address that holds a secret; only in a network you trust.",
)
@mic_option("Microphone of the tuner")
@table_options(argument=True)
def page_command(request: TableRequest, port: int | None, lan: bool, mic: str | None) -> None:
    """Read tables, chords, frets and strings in a browser, and tune the guitar there.

    Prints the address of a page on this computer; open it in a browser. The microphone is always this computer's, and
    listens only when the tuner is begun. Ctrl-C ends it.

    \b
      stillbeat page
      stillbeat page --guitar open-d --reference D3=146.5 --port 8080
      stillbeat page --guitar open-g --lan

    With --lan a tablet or a phone in the same network may come. The address then holds a secret: who has the first one
    may act, who has the second may only look. Nothing is encrypted, so use it in a network you trust.
    """
    from bridge.children import on_signals
    from bridge.cli.parts.printing import show
    from bridge.jobs.choose import TableRequest as Request
    from bridge.jobs.choose import choose_table
    from bridge.page.alone import PageAlone

    spec = None
    if request != Request():
        spec = choose_table(request)
        warn_doubt(spec.doubt)
    alone = PageAlone(spec, port or 0, lan, mic, show)
    with on_signals(alone.leave):
        alone.page.start()
        show_addresses(alone.page.addresses, lan)
        alone.run()
