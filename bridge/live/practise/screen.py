"""What is seen while practising: large letters in a terminal, plain lines anywhere else."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from bridge.live.desk.drawing import View
from bridge.live.desk.views.letters import LOW_ROWS, ROWS, fitting, low
from bridge.live.desk.views.lines import Printed
from bridge.live.desk.views.playing import a_picture_suits
from bridge.live.desk.views.screen import Screen
from bridge.live.practise.seen import PractiseSeen

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

_SAID_LINES = 7
_LOW = 17


def make_practise_display(lines: bool) -> View[PractiseSeen]:
    """Return the view that suits where the output goes."""
    return PractiseLines() if lines or not a_picture_suits() else PractiseScreen()


class PractiseLines(Printed):
    """One line for each thing worth saying."""

    def __init__(self) -> None:
        super().__init__()
        self._before = PractiseSeen()

    def show(self, seen: PractiseSeen) -> None:
        """Write what is new."""
        before, self._before = self._before, seen
        for text in seen.said[len(before.said) :]:
            self._say(text)
        if (seen.title, seen.about) != (before.title, before.about) and seen.title:
            self._say(f"{seen.title} {seen.about}")
            self._say(seen.keys)
        if seen.ask and (seen.ask, seen.place) != (before.ask, before.place):
            self._say(f"{seen.place}: {seen.ask}")


def _rows_of(text: str, width: int) -> int:
    """Return how many rows of a terminal a text takes, words kept whole."""
    return max(1, len(textwrap.wrap(text, max(width, 10))))


class PractiseScreen(Screen[PractiseSeen]):
    """A picture that is drawn again as things change."""

    def __init__(self, console: Console | None = None) -> None:
        super().__init__(console)

    def _left(self, seen: PractiseSeen) -> list[str]:
        """Nothing: what a run came to is printed by the command."""
        return []

    def _picture(self, seen: PractiseSeen) -> RenderableType:
        from rich.console import Group
        from rich.text import Text

        width, height = self.size
        small = height < _LOW
        draw, most = (low, LOW_ROWS) if small else (fitting, ROWS)
        letters = draw(seen.large, width - 2) if seen.large else []
        letters = [*letters, *[""] * (most - len(letters))]
        air = [] if small else [Text("")]
        rows = [
            Text(seen.title, style="bold"),
            Text("  ".join((seen.about, seen.place)) if small else seen.about),
            *([] if small else [Text(seen.place, style="dim")]),
            *air,
            *(Text(row, style="bold") for row in letters),
            *air,
            Text(seen.ask, style="bold"),
            *air,
        ]
        room = height - sum(_rows_of(str(row), width) for row in (*rows, seen.keys)) - 2 * len(air)
        said: list[Text] = []
        for text in reversed(seen.said[-_SAID_LINES:]):
            room -= _rows_of(text, width)
            if room < 0 and (said or small):
                break
            said.insert(0, Text(text))
        return Group(*rows, *said, *air, Text(seen.keys, style="dim"))
