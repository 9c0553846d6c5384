"""A picture in the terminal that is drawn again as things change, with the last things said under it.

What runs must not end because the terminal does: the first time that drawing fails, the picture is left alone, and
everything else goes on.

Index: `Screen`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console, RenderableType


class Screen:
    """Draws what `_picture` returns; a display is made of it by saying what the picture is.

    Parameters
    ----------
    console : Console, optional
        Where it is drawn; the standard output where left out.
    said_lines : int
        How many of the last lines said are kept.

    Notes
    -----
    The picture is drawn at once, so a display must be ready for `_picture` before it calls this constructor.
    """

    def __init__(self, console: Console | None, said_lines: int) -> None:
        from rich.console import Console
        from rich.live import Live

        self._said_lines = said_lines
        self._said: list[str] = []
        self._live: Any = Live(
            console=console or Console(highlight=False),
            get_renderable=self._picture,
            auto_refresh=False,
            transient=True,
        )
        self._quietly(self._live.start)

    def _picture(self) -> RenderableType:
        """Return what is to be seen now."""
        return ""

    def _quietly(self, do: Any, *arguments: Any) -> None:
        """Do something with the terminal; if that fails, leave it alone from then on."""
        try:
            do(*arguments)
        except Exception:
            self._live = None

    def say(self, text: str) -> None:
        """Show a line under the picture."""
        self._said = [*self._said[1 - self._said_lines :], text]
        self._draw()

    def _draw(self) -> None:
        if self._live is not None:
            self._quietly(self._live.refresh)

    def _take_away(self) -> None:
        """Take the picture away."""
        if self._live is not None:
            self._quietly(self._live.stop)
            self._live = None

    def close(self) -> None:
        """Take the picture away; what was said stays."""
        self._take_away()
        for text in self._said:
            try:
                print(text, flush=True)
            except (OSError, ValueError):
                return
