"""The page alone: tables to read, and a tuner that listens to this computer's microphone when somebody asks for it."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass

from bridge.errors import StillbeatError
from bridge.live.desk.tuner import TunerSeen, run_tuner
from bridge.page.actions import actions_of
from bridge.page.frames import Asked, ShowTuner, Stand
from bridge.page.host import Page
from bridge.page.study import Study
from bridge.tuning.spec import TableSpec
from bridge.tuning.strings.aims import StringAim, string_aims


@dataclass(frozen=True)
class _Ended:
    """The page, or whoever waits, ends."""


class PageAlone:
    """Serves until it is told to end.

    Parameters
    ----------
    spec : TableSpec or None
        The table that is meant where a browser names no other.
    port, lan
        As in `bridge.page.host.Page`.
    device : str, optional
        Part of the microphone's name.
    say : callable
        Called with what somebody at this computer should know.
    """

    def __init__(
        self,
        spec: TableSpec | None,
        port: int = 0,
        lan: bool = False,
        device: str | None = None,
        say: Callable[[str], None] = print,
    ) -> None:
        self._inbox: queue.SimpleQueue[Asked | _Ended] = queue.SimpleQueue()
        self._device, self._study = device, Study(spec)
        self._tuner: tuple[threading.Thread, threading.Event] | None = None
        stand = Stand(command="page", actions=actions_of("page"), spec=spec)
        self.page = Page(stand, self._inbox.put, say, port, lan)

    def leave(self) -> None:
        """End; any thread and any signal may call it."""
        self._inbox.put(_Ended())

    def run(self) -> None:
        """Serve until `leave` is called; the page has been started."""
        try:
            while isinstance(asked := self._inbox.get(), Asked):
                if asked.action == "tuner":
                    self._tune(asked)
        finally:
            self._quiet()
            self.page.close()

    def _tune(self, asked: Asked) -> None:
        """Begin to listen for the strings of a guitar, or end it."""
        self._quiet()
        if not asked.number:
            self.page.put(ShowTuner(TunerSeen()))
            return
        try:
            spec = self._study.spec(asked.words)
            aims = string_aims(spec)
        except StillbeatError as problem:
            self.page.put(ShowTuner(TunerSeen(said=(str(problem),))))
            return
        assert spec.guitar is not None
        ended = threading.Event()
        work = threading.Thread(
            target=self._hear, args=(aims, spec.guitar.reference_string, ended), daemon=True
        )
        self._tuner = work, ended
        work.start()

    def _hear(self, aims: dict[int, StringAim], reference: int, ended: threading.Event) -> None:
        from bridge.sound.device.asking import usable_microphone

        view = _ToPage(self.page, tuple(aims.values()), reference)
        view.show(TunerSeen(said=("one moment: opening the microphone of this computer",)))
        try:
            run_tuner(aims, usable_microphone(self._device), lambda: view, ended=ended)
        except StillbeatError as problem:
            view.show(TunerSeen(said=(str(problem),)))

    def _quiet(self) -> None:
        """Listen no more."""
        tuner, self._tuner = self._tuner, None
        if tuner is not None:
            tuner[1].set()
            tuner[0].join(2.0)


class _ToPage:
    """A view of the tuner that hands everything to a page."""

    def __init__(self, page: Page, aims: tuple[StringAim, ...], reference: int) -> None:
        self._page, self._aims, self._reference = page, aims, reference

    def show(self, seen: TunerSeen) -> None:
        """Show what is heard."""
        self._page.put(ShowTuner(seen, self._aims, self._reference))

    def close(self) -> None:
        """Nothing to give back."""
