"""How a harmony is to be followed, in the words of the player who asks for it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from bridge.errors import ValueProblem, near_names
from bridge.harmony.choice.costs import MOVES
from bridge.harmony.choice.follow import FollowOptions

PINNED = ("strings", "tonic")


@dataclass(frozen=True)
class FollowRequest:
    """How to follow the harmony."""

    # ``"strings"``: the open strings stay where they are (without a guitar the tonic); ``"tonic"``: it
    # alone.
    pinned: str = "strings"
    moves: str = "some"  # ``"few"``, ``"some"`` or ``"many"``: how readily notes that are struck again move
    natural_sevenths: bool = False  # whether 7/4, 7/6 and 21/16 may be taken
    equal_chords: bool = False  # whether augmented triads and diminished sevenths are kept equal; in files
    # Called with the seconds that a long search will take, before it begins.
    beforehand: Callable[[float], None] | None = field(default=None, compare=False, repr=False)

    def __post_init__(self) -> None:
        if self.pinned not in PINNED:
            raise ValueProblem(f"pinned {self.pinned!r}", near_names(self.pinned, PINNED))
        if self.moves not in MOVES:
            raise ValueProblem(f"moves {self.moves!r}", near_names(self.moves, MOVES))

    @property
    def options(self) -> FollowOptions:
        """The same for the search. Messages may move tails that still ring, so strokes are taken as they are."""
        return FollowOptions(moves=self.moves, slop_s=0.0, beforehand=self.beforehand)
