"""The tables that a musician switches between: numbered ones, tonics, equal for comparison; the trim of the reference.

- Tables are numbered from 1, as they were named. *Tonics* are twelve more tables, one for each pitch class, for the
  switch keys.
- Equal temperament is that of the same table through the same reference, so only the intervals change.
- The *trim* follows a guitar that drifts: it moves every table by the same cents, whichever is chosen.

A refused step (the first table's predecessor, a trim beyond `MOST_TRIM_CENTS`) changes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from bridge.errors import ValueProblem

TRIM_STEP_CENTS = 0.5
MOST_TRIM_CENTS = 50.0


@dataclass(frozen=True)
class PlayTable:
    """One table to switch to."""

    name: str  # how it is called on the display
    hz: tuple[float, ...]  # frequencies of the 128 MIDI keys, untrimmed
    equal_hz: tuple[float, ...]  # equal temperament through the same reference
    tonic: int  # pitch class of the tonic as it sounds, 0 = C
    off_guitar: str = ""  # where it lies off the guitar and what to do, to be said when it is switched to

    def __post_init__(self) -> None:
        if len(self.hz) != 128 or len(self.equal_hz) != 128:
            raise ValueProblem(f"table {self.name!r} has {len(self.hz)} frequencies", "128, one for each key")


class AllTables(NamedTuple):
    """All tables of a performance."""

    tables: tuple[PlayTable, ...]
    tonics: tuple[PlayTable, ...] = ()


class Kept(NamedTuple):
    """Which table holds: what another player needs to go on where this one was."""

    number: int
    """The number of the table chosen last, from 1."""
    tonic: int | None = None
    """The tonic chosen since then, as a pitch class; None where the table itself holds."""
    equal: bool = False
    """Whether equal temperament holds for comparison."""
    trim_cents: float = 0.0
    """How far the reference is moved up."""


class TableSwitch:
    """Which table holds now.

    Parameters
    ----------
    tables : sequence of PlayTable
        At least one; the first holds at the start.
    tonics : sequence of PlayTable
        None, or one for each pitch class from C upward.
    starts : sequence of int
        Tables with which pieces begin, the first one first; none: every table is a piece of its own. With pieces, steps
        end at the last table and at the first; without, they go round.

    What holds stands in `number`, `tonic`, `equal` and `trim_cents`, as in `Kept`.
    """

    def __init__(
        self, tables: Sequence[PlayTable], tonics: Sequence[PlayTable] = (), starts: Sequence[int] = ()
    ) -> None:
        if not tables:
            raise ValueProblem("there is no table to play", "name one")
        if tonics and len(tonics) != 12:
            raise ValueProblem(f"{len(tonics)} tonics were given", "none, or twelve from C upward")
        if starts and not (
            starts[0] == 1 and list(starts) == sorted(set(starts)) and starts[-1] <= len(tables)
        ):
            raise ValueProblem(f"pieces that begin at tables {list(starts)}", "rising, from table 1 on")
        self.tables = tuple(tables)
        self.tonics = tuple(tonics)
        self.starts = tuple(starts)
        self.number = 1
        self.tonic: int | None = None
        self.equal = False  # whether equal temperament holds for comparison
        self.trim_cents = 0.0  # how far the reference is moved up

    @property
    def chosen(self) -> PlayTable:
        """The table that holds, untrimmed."""
        return self.tables[self.number - 1] if self.tonic is None else self.tonics[self.tonic]

    def table(self) -> list[float]:
        """Return the 128 frequencies that hold now."""
        table = self.chosen
        hz = table.equal_hz if self.equal else table.hz
        if not self.trim_cents:
            return list(hz)
        factor = 2.0 ** (self.trim_cents / 1200.0)
        return [value * factor for value in hz]

    def select(self, number: int) -> bool:
        """Choose a table; tell whether there is one of that number."""
        if not 1 <= number <= len(self.tables):
            return False
        self.number, self.tonic = number, None
        return True

    def step(self, by: int) -> bool:
        """Choose the next table (+1) or the one before (-1)."""
        if self.starts:
            return self.select(self.number + by)
        return self.select((self.number - 1 + by) % len(self.tables) + 1)

    @property
    def piece(self) -> int:
        """The piece that the table belongs to, from 1."""
        return sum(start <= self.number for start in self.starts) if self.starts else self.number

    def select_piece(self, piece: int) -> bool:
        """Choose the beginning of a piece; tell whether there is one of that number."""
        if not self.starts:
            return self.select(piece)
        return 1 <= piece <= len(self.starts) and self.select(self.starts[piece - 1])

    def step_piece(self, by: int) -> bool:
        """Choose the next piece (+1) or the one before (-1)."""
        return self.select_piece(self.piece + by) if self.starts else self.step(by)

    def renew(self, tables: Sequence[PlayTable], tonics: Sequence[PlayTable]) -> None:
        """Put other tables in the place of all, untrimmed.

        ValueProblem if there are not as many as before.
        """
        if (len(tables), len(tonics)) != (len(self.tables), len(self.tonics)):
            raise ValueProblem(f"{len(tables)} tables and {len(tonics)} tonics", "as many as before")
        self.tables, self.tonics = tuple(tables), tuple(tonics)
        self.trim_cents = 0.0

    def select_tonic(self, pitch_class: int) -> bool:
        """Choose a tonic by its pitch class; tell whether tonics can be chosen."""
        if not self.tonics:
            return False
        self.tonic = pitch_class % 12
        return True

    def toggle_equal(self) -> bool:
        """Change from just to equal, or back."""
        self.equal = not self.equal
        return True

    def trim(self, by_cents: float) -> bool:
        """Move the reference; tell whether it may go that far."""
        wanted = round(self.trim_cents + by_cents, 6)
        if abs(wanted) > MOST_TRIM_CENTS:
            return False
        self.trim_cents = wanted
        return True

    def keep(self) -> Kept:
        """Return what to hand to `put` to come back to this."""
        return Kept(self.number, self.tonic, self.equal, self.trim_cents)

    def put(self, kept: Kept) -> None:
        """Come back to what `keep` returned."""
        self.number, self.tonic, self.equal, self.trim_cents = kept
