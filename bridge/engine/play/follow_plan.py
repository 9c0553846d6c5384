"""How the harmony is followed while somebody plays, as plain values that go over a pipe: `FollowPlan`."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

WINDOW_MS = 40.0
"""How long the notes of a chord may still be corrected, where nobody says otherwise."""
MOST_WINDOW_MS = 200.0


class Choice(NamedTuple):
    """One pitch that a class of notes may take."""

    ratio: Fraction | None
    """Above the table's tonic; None where it is no ratio."""
    cents: float
    """The same in cents."""
    offset_cents: float
    """How far it lies above the table's own pitch."""


class Choices(NamedTuple):
    """What there is to choose from under one table."""

    tonic: str
    classes: tuple[tuple[Choice, ...], ...]
    """Of each pitch class from C upward, the table's own pitch first."""
    base_cents: tuple[float, ...]
    """Where the table's own pitch of each class lies, from equal temperament."""
    natural_sevenths: bool = False
    keyboard: bool = True
    """Whether what is played follows; otherwise the drone of a chart alone does."""
    moves: str = "some"
    """How readily a note that is struck again moves."""


@dataclass(frozen=True)
class FollowPlan:
    """How to follow."""

    tables: tuple[Choices | None, ...]
    """Under each table; None: it is played as it is."""
    tonics: tuple[Choices | None, ...] = ()
    """Under the tables of the twelve tonics, where there are any."""
    window_s: float = WINDOW_MS / 1000.0
    """How long a note may still be corrected; 0 for never."""
    on: bool = True
    """Whether it follows from the beginning."""

    @property
    def offered(self) -> bool:
        """Whether a musician may switch it on and off; otherwise only the drone of a chart follows."""
        return any(one is not None and one.keyboard for one in (*self.tables, *self.tonics))

    def under(self, number: int, tonic: int | None) -> Choices | None:
        """Return what there is to choose from under a table, or a tonic chosen since."""
        return self.tables[number - 1] if tonic is None else self.tonics[tonic]
