"""How a harmony is to be followed, in the words of the player who asks for it.

Index
-----
`FollowRequest`
"""

from __future__ import annotations

from dataclasses import dataclass

from bridge.errors import ValueProblem, near_names
from bridge.harmony.costs import MOVES
from bridge.harmony.follow import FollowOptions

PINNED = ("strings", "tonic")


@dataclass(frozen=True)
class FollowRequest:
    """How to follow the harmony.

    Attributes
    ----------
    pinned : str
        ``"strings"``: the open strings stay where they are (without a guitar the tonic); ``"tonic"``: it alone.
    moves : str
        ``"few"``, ``"some"`` or ``"many"``: how readily notes that are struck again move.
    natural_sevenths : bool
        Whether 7/4, 7/6 and 21/16 may be taken.
    held : tuple of int
        Pitch classes that stay besides: a drone's.
    """

    pinned: str = "strings"
    moves: str = "some"
    natural_sevenths: bool = False
    held: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if self.pinned not in PINNED:
            raise ValueProblem(f"pinned {self.pinned!r}", near_names(self.pinned, PINNED))
        if self.moves not in MOVES:
            raise ValueProblem(f"moves {self.moves!r}", near_names(self.moves, MOVES))

    @property
    def options(self) -> FollowOptions:
        """The same for the search. Messages may move tails that still ring, so strokes are taken as they are."""
        return FollowOptions(moves=self.moves, slop_s=0.0)
