"""Other things that play beside the keyboard: a backing, a drone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from bridge.engine.play.controls import Action


class NoteSource(Protocol):
    """Plays by the player's clock; its messages are retuned like those of the keyboard.

    `bridge.live.player.player.Player.add_source` takes one. All calls come from the player's own thread, with its
    lock held.
    """

    @property
    def next_s(self) -> float | None:
        """When `due` wants to be called next; None if nothing more comes."""
        ...

    def due(self, now_s: float) -> Sequence[tuple[float, bytes | Action]]:
        """Return what is due by now: the time at which it was due, and one whole message; or what chooses a table."""
        ...

    def release(self) -> list[bytes]:
        """Return what lets go of everything that it holds."""
        ...
