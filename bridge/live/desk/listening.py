"""Between pieces: hear the reference string, and move all tables to where it sounds now.

What was heard takes the place of the reference and of the trim. It can be taken back, step by step.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, TypeAlias

from bridge.engine.play.tables import AllTables
from bridge.errors import InputProblem
from bridge.live.desk.ear import Ear, Take, Told
from bridge.tuning.notes import note_name
from bridge.tuning.ratios import cents_to_ratio, hz_to_cents
from bridge.tuning.reference import Reference

if TYPE_CHECKING:
    from bridge.live.desk.string_following import StringFollowing
    from bridge.tuning.spec import TableSpec

Remake: TypeAlias = Callable[[float], AllTables]
"""Returns all tables with the reference moved by so many cents from where it was in the beginning."""

SAME_CENTS = 0.05
MOST_CENTS = 60.0
"""What lies further off is another string, or one that was tuned to another note."""
MOST_GO_ON_CENTS = 200.0
"""So far a reference may have gone in an evening, heard again and again."""


@dataclass(frozen=True)
class Moved:
    """All tables anew."""

    tables: AllTables | None
    """None where they stay as they are."""
    trim_cents: float
    """The trim to give them."""
    text: str
    """What to tell."""


class _Ends(Protocol):
    """A search that goes on."""

    def end(self) -> None:
        """End it."""
        ...


class Listening:
    """What of a performance follows the reference, and how it is listened to.

    Parameters
    ----------
    spec : TableSpec
        Its reference, and its guitar if there is one.
    check : callable
        Called with tables; raises a `StillbeatError` where they cannot be sent.
    named : bool
        Whether a person named the reference's note (it matters without a guitar, and where the note is another than
        the guitar's reference string).
    stays : str
        What does not follow, for the message; may be empty.
    """

    def __init__(
        self,
        spec: TableSpec,
        first: AllTables,
        remake: Remake,
        check: Callable[[AllTables], None],
        named: bool,
        device: str | None = None,
        stays: str = "",
    ) -> None:
        self.spec = replace(spec, fret=0, slide=Fraction(1))
        self._tables = first
        self._remake = remake
        self._check = check
        self._named = named
        self.device = device
        """Part of the microphone's name."""
        self._stays = stays
        self.moved_cents = 0.0
        """How far the reference is from where it was in the beginning; the trim is not counted."""
        self._before: list[tuple[float, float, AllTables]] = []
        self._ear: _Ends | None = None

    @property
    def busy(self) -> bool:
        """Whether it listens at the moment."""
        return self._ear is not None

    @property
    def what(self) -> str:
        """What to play: ``string 4 (D3)``, or ``D3``."""
        spec, guitar = self.spec, self.spec.guitar
        if guitar is None or (self._named and spec.reference.key != guitar.reference_key):
            return note_name(spec.reference.key, spec.tonic)
        return f"string {guitar.reference_string} ({guitar.note_of(guitar.reference_string)}), open"

    def begin(
        self,
        file: Path | None,
        wait_s: float,
        put: Callable[[Told], None],
        strings: StringFollowing | None = None,
    ) -> None:
        """Begin to listen; `put` is called with what `bridge.live.desk.ear` tells.

        Parameters
        ----------
        strings : StringFollowing, optional
            Who has the microphone open perhaps; then it is not opened twice.
        """
        take = Take(
            reference=self._moved_reference(self.moved_cents),
            named=self._named,
            guitar=self.spec.guitar,
            file=str(file) if file is not None else None,
            device=self.device,
            wait_s=wait_s,
        )
        shared = strings.listen(take, put) if strings is not None and file is None else None
        self._ear = shared or Ear(take, put)

    def end(self) -> None:
        """Listen no more."""
        ear, self._ear = self._ear, None
        if ear is not None:
            ear.end()

    @property
    def heard_reference(self) -> Reference | None:
        """The reference as it was heard, without the trim; None as long as it is as in the beginning."""
        return self._moved_reference(self.moved_cents) if self._before else None

    def go_on(self, reference: Reference, when: str) -> Moved | None:
        """Work out all tables for what an earlier run had heard; None where that is no reference of these tables.

        Raises
        ------
        StillbeatError
            The tables cannot be made.
        """
        if reference.key != self.spec.reference.key:
            return None
        moved = self.heard(reference, 0.0, MOST_GO_ON_CENTS)
        if moved.tables is None:
            return moved
        note, cents = note_name(reference.key, self.spec.tonic), self.moved_cents
        how = f"{_distance(cents)} than in the file (u takes it back)"
        return replace(moved, text=f"{note} is {reference.hz:.2f} Hz, as heard {when}, {how}")

    def heard(self, reference: Reference, trim_cents: float, most_cents: float = MOST_CENTS) -> Moved:
        """Work out all tables for what was heard.

        InputProblem if it is too far off to be that string; StillbeatError if the tables cannot be made.
        """
        cents = hz_to_cents(reference.hz, self._at_first_hz(reference.key))
        by_cents = cents - self.moved_cents - trim_cents
        note = note_name(reference.key, self.spec.tonic)
        if abs(by_cents) > most_cents:
            raise InputProblem(
                f"{note} sounds {reference.hz:.2f} Hz, {_distance(by_cents)} than it was: nothing is moved",
                "is it that string, and open? If it is tuned anew, start again with --reference",
            )
        sounds = f"{note} sounds {reference.hz:.2f} Hz"
        also = f"; {reference.remark}" if reference.remark else ""
        if abs(by_cents) < SAME_CENTS:
            return Moved(None, trim_cents, f"{sounds}, as it was: nothing to move{also}")
        tables = self._remake(cents)
        self._check(tables)
        self._before.append((self.moved_cents, trim_cents, self._tables))
        self.moved_cents, self._tables = cents, tables
        text = f"{sounds}, {_distance(by_cents)}: all tables follow (u takes it back){also}"
        return Moved(tables, 0.0, text + (f"; {self._stays}" if self._stays else ""))

    def undo(self) -> Moved | None:
        """Take back what was heard last; None if there is nothing to take back."""
        if not self._before:
            return None
        cents, trim_cents, tables = self._before.pop()
        self.moved_cents, self._tables = cents, tables
        reference = self._moved_reference(cents)
        note = note_name(reference.key, self.spec.tonic)
        return Moved(tables, trim_cents, f"taken back: {note} is {reference.hz:.2f} Hz again")

    def _moved_reference(self, cents: float) -> Reference:
        reference = self.spec.reference
        return Reference(reference.key, reference.hz * cents_to_ratio(cents))

    def _at_first_hz(self, key: int) -> float:
        """Where a note lay in the beginning: an open string, or a note of the table."""
        from bridge.tuning.tables import build_table

        if key == self.spec.reference.key:
            return self.spec.reference.hz
        table = build_table(self.spec)
        strings = {string.key: string.hz for string in table.strings}
        return strings.get(key, float(table.hz[key]))


def _distance(cents: float) -> str:
    return f"{abs(cents):.1f} cents {'higher' if cents > 0 else 'lower'}"
