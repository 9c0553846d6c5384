"""``stillbeat page``: tables and a tuner in a browser; and the options by which other commands have a page."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any, TypeVar

import click

from bridge.cli.parts.options import table_options, warn_doubt

if TYPE_CHECKING:
    from bridge.jobs.choose import TableRequest
    from bridge.live.desk.desk import Desk
    from bridge.live.desk.labels import Labels
    from bridge.page.addresses import Addresses
    from bridge.page.beside import BesideDesk
    from bridge.page.frames import Stand

F = TypeVar("F", bound=Callable[..., Any])

_OPTIONS = (
    click.option(
        "--page", is_flag=True, help="Show it in a browser as well: on a tablet, a phone, a screen."
    ),
    click.option(
        "--page-port",
        type=click.IntRange(1, 65535),
        metavar="N",
        help="Port of the page  [default: a free one, which is printed]",
    ),
    click.option(
        "--page-lan",
        is_flag=True,
        help="Let others in the network come, by an address that holds a secret; only in a network you trust.",
    ),
)


def page_options(function: F) -> F:
    """Add ``--page`` and what belongs to it; they stay among the command's values."""
    for option in reversed(_OPTIONS):
        function = option(function)
    return function


def wants_page(chosen: dict[str, Any]) -> bool:
    """Tell whether a page was asked for: whoever says where also says that."""
    return bool(chosen["page"] or chosen["page_port"] or chosen["page_lan"])


def show_addresses(addresses: Addresses, code: bool) -> None:
    """Say where the page is, with a code to scan where that helps."""
    from bridge.cli.parts.printing import show
    from bridge.page.addresses import code_lines

    for line in addresses.lines():
        show(line)
    for line in code_lines(addresses.act) if code else ():
        click.echo(line)


@contextlib.contextmanager
def page_beside(
    desk: Desk, stand: Callable[[], Stand], labels: Labels, chosen: dict[str, Any]
) -> Iterator[tuple[list[BesideDesk], Labels]]:
    """Serve a page beside a desk while it performs, if one was asked for.

    Those who watch the desk are given, and the labels with what the terminal says of the page.
    """
    if not wants_page(chosen):
        yield [], labels
        return
    from dataclasses import replace

    from bridge.page.addresses import code_lines
    from bridge.page.beside import BesideDesk

    beside = BesideDesk(stand(), desk.typed, chosen["page_port"] or 0, chosen["page_lan"])
    beside.page.start()
    try:
        addresses = beside.page.addresses
        show_addresses(addresses, chosen["page_lan"])
        code = tuple(code_lines(addresses.act)) if chosen["page_lan"] else ()
        lines = (*addresses.lines()[:2], *(["v shows a code to scan"] if code else []))
        yield [beside], replace(labels, addresses=lines, code=code)
    finally:
        beside.close()


@click.command("page")
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
@click.option(
    "--device", metavar="NAME", help="Sound input of the tuner: part of its name  [default: the usual one]"
)
@table_options(argument=True)
def page_command(request: TableRequest, port: int | None, lan: bool, device: str | None) -> None:
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
    alone = PageAlone(spec, port or 0, lan, device, show)
    with on_signals(alone.leave):
        alone.page.start()
        show_addresses(alone.page.addresses, lan)
        alone.run()
