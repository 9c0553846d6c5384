"""What was worked out for tables before: while the harmony is followed they come again and again, and differ little."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from typing import Generic, TypeVar

MOST = 256
"""So many answers are remembered; then it begins anew."""

_Value = TypeVar("_Value")


class Remembered(Generic[_Value]):
    """Answers by what they were asked for, as many as fit. Whoever gets one must not change it."""

    def __init__(self) -> None:
        self._known: dict[Hashable, _Value] = {}

    def get(self, asked: Hashable, work_out: Callable[[], _Value]) -> _Value:
        """Return the answer, worked out only where it is new."""
        found = self._known.get(asked)
        if found is None:
            found = work_out()
            if len(self._known) >= MOST:
                self._known.clear()
            self._known[asked] = found
        return found

    def forget(self) -> None:
        """Begin anew."""
        self._known.clear()


class ByKey(Generic[_Value]):
    """A value for each key of a table: of a new table only the keys that differ from the last one are worked out.

    Parameters
    ----------
    work_out : callable
        Returns the value of a key and its frequency; always the same for the same.
    """

    def __init__(self, work_out: Callable[[int, float], _Value]) -> None:
        self._work_out = work_out
        self._hz: Sequence[float] = ()
        self._values: tuple[_Value, ...] = ()
        self._tables: Remembered[tuple[_Value, ...]] = Remembered()

    def of(self, hz: Sequence[float]) -> tuple[_Value, ...]:
        """Return the values of all keys of a table."""
        table = tuple(hz)
        self._values = self._tables.get(table, lambda: self._worked_out(table))
        self._hz = table
        return self._values

    def _worked_out(self, table: Sequence[float]) -> tuple[_Value, ...]:
        work_out = self._work_out
        if len(self._hz) != len(table):
            return tuple(work_out(key, value) for key, value in enumerate(table))
        return tuple(
            old if value == before else work_out(key, value)
            for key, (value, before, old) in enumerate(zip(table, self._hz, self._values, strict=True))
        )

    def forget(self) -> None:
        """Begin anew."""
        self._hz, self._values = (), ()
        self._tables.forget()
