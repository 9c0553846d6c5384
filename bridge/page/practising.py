"""The page of practising: what is seen goes to it, touches come back from it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Self

from bridge.live.practise.seen import PractiseSeen
from bridge.page.actions import actions_of, practise_command
from bridge.page.addresses import Addresses
from bridge.page.frames import Asked, ShowPractise, Stand
from bridge.page.host import Page
from bridge.tuning.spec import TableSpec


class PractisePage:
    """A page for practising; as a context manager it is served within.

    Parameters
    ----------
    spec : TableSpec
        The table that is practised in.
    port, lan
        As in `bridge.page.host.Page`.
    """

    def __init__(self, spec: TableSpec, port: int = 0, lan: bool = False) -> None:
        stand = Stand(command="practise", actions=actions_of("practise"), spec=spec)
        self._page = Page(stand, self._take, lambda text: self.said(text), port, lan)
        self.touched: Callable[[str], None] = lambda command: None
        """Called with every touch that means something, in a thread of the page's."""
        self.said: Callable[[str], None] = lambda text: None
        """Called with what the page tells of itself, in the same thread."""

    def __enter__(self) -> Self:
        self._page.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._page.close()

    @property
    def addresses(self) -> Addresses:
        """Where it is served."""
        return self._page.addresses

    @property
    def pid(self) -> int:
        """The process that serves now; 0 where none does."""
        return self._page.pid

    def show(self, seen: PractiseSeen) -> None:
        """Show something as soon as the server takes it; never waits."""
        self._page.put(ShowPractise(seen))

    def _take(self, asked: Asked) -> None:
        command = practise_command(asked.action, asked.number)
        if command is not None:
            self.touched(command)
