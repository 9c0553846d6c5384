"""A picture in the terminal that is drawn again as things change.

What runs must not end because the terminal does: the first time that drawing fails because nobody takes it any more,
the picture is left alone.
"""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from bridge.live.desk.drawing import own_stream

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

_Seen = TypeVar("_Seen")


class Screen(Generic[_Seen]):
    """Draws what `_picture` makes of what it is shown; a view is made of it by saying what that is."""

    def __init__(self, console: Console | None = None) -> None:
        from rich.console import Console
        from rich.live import Live

        self._console = console or Console(file=own_stream(), highlight=False)
        self._seen: _Seen | None = None
        # A screen of its own, so that nothing of it is left when the terminal changes its size.
        self._live: Any = Live(
            console=self._console, get_renderable=self._now, auto_refresh=False, screen=True
        )
        self._quietly(self._live.start)

    @property
    def size(self) -> tuple[int, int]:
        """Columns and lines of the terminal now."""
        return self._console.width, self._console.height

    def _now(self) -> RenderableType:
        return "" if self._seen is None else self._picture(self._seen)

    def _picture(self, seen: _Seen) -> RenderableType:
        """Return what is to be seen now."""
        raise NotImplementedError

    def _left(self, seen: _Seen) -> list[str]:
        """Return the lines that stay when the picture goes."""
        return []

    def _quietly(self, do: Any) -> None:
        """Do something with the terminal; if it takes nothing any more, leave it alone from then on."""
        try:
            do()
        except (OSError, ValueError):
            self._live = None

    def show(self, seen: _Seen) -> None:
        """Draw the picture anew."""
        self._seen = seen
        self.again()

    def again(self) -> None:
        """Draw what was shown last once more."""
        if self._live is not None:
            self._quietly(self._live.refresh)

    def close(self) -> None:
        """Take the picture away; what is worth keeping stays."""
        live, self._live = self._live, None
        if live is None:
            return
        self._quietly(live.stop)
        with contextlib.suppress(OSError, ValueError):
            for line in self._left(self._seen) if self._seen is not None else []:
                print(line, file=self._console.file, flush=True)
