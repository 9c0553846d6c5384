"""The options by which a command has a page in a browser beside it, and what it says of that page."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
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
