"""Keeps book of where an evening stands while it is played: what changes is written down by a thread of its own.

The desk shows it how things are, as it shows them to everybody else, and never waits for it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from bridge.errors import StillbeatError
from bridge.live.desk.drawing import Drawer
from bridge.live.desk.listening import Listening
from bridge.live.left_off import LeftOff, LeftOffFile
from bridge.live.snapshot import Snapshot

AGAIN_S = 60.0
"""So often it is written down though nothing has changed, so that it is known until when it played."""


class Book:
    """Writes down where an evening stands, once something has changed in it.

    Parameters
    ----------
    listening : Listening or None
        How the reference was found anew.
    drone_on : bool
        Whether the drone is on in the beginning.
    tell : callable
        Told what the musician should know; from any thread.
    """

    def __init__(
        self,
        file: LeftOffFile,
        listening: Listening | None,
        drone_on: bool,
        tell: Callable[[str], None] = lambda text: None,
    ) -> None:
        self._listening = listening
        self._drone_on = drone_on
        self._last: LeftOff | None = None
        self._writer: Drawer[LeftOff] = Drawer(lambda: _Page(file, tell))
        self.used = False
        """Whether anything was written down."""

    def show(self, seen: Snapshot) -> None:
        """Take how things are now."""
        if not seen.pieces or not seen.tonic or seen.link == "starting":
            return
        if seen.drone.state != "none":
            self._drone_on = seen.drone.state != "off"
        heard = self._listening.heard_reference if self._listening is not None else None
        left = LeftOff(
            at_s=seen.at_s,
            piece=seen.piece,
            section=seen.section,
            number=seen.number,
            chord=seen.chart_at,
            equal=seen.equal,
            trim_cents=seen.trim_cents,
            drone_on=self._drone_on,
            drone_volume=seen.drone_volume,
            key=heard.key if heard is not None else None,
            hz=heard.hz if heard is not None else 0.0,
        )
        last = self._last
        if last is None:
            self._last = left
            return
        if replace(left, at_s=last.at_s) == last and (not self.used or left.at_s - last.at_s < AGAIN_S):
            return
        self._last, self.used = left, True
        self._writer.show(left)

    def begin_at_once(self) -> None:
        """Nobody has anything to go on with that must be kept: write down from the first moment on."""
        self._last, self.used = LeftOff(at_s=0.0, piece="", section="", number=1), True

    def close(self) -> None:
        """Write down what came last, if there is time."""
        self._writer.close()


class _Page:
    """Writes in the thread that it is used in."""

    def __init__(self, file: LeftOffFile, tell: Callable[[str], None]) -> None:
        self._file = file
        self._tell = tell
        self._told = False

    def show(self, seen: LeftOff) -> None:
        try:
            self._file.write(seen)
        except StillbeatError as problem:
            if not self._told:
                self._told = True
                self._tell(f"after a crash nothing will be there to go on with: {problem}")

    def close(self) -> None:
        pass
