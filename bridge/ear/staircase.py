"""A staircase that seeks out the mistuning which is just heard: two right answers down, one wrong answer up.

Two right in a row make it harder, one wrong makes it easier. It hovers where that is as likely up as down: where a
single answer is right with probability √½ = 70.7 %. Steps are factors, large at first, smaller after reversals.

Source: H. Levitt, "Transformed up-down methods in psychoacoustics", J. Acoust. Soc. Am. 49 (1971), 467-477, table I.
"""

from __future__ import annotations

from dataclasses import dataclass, field

CONVERGES = 0.5**0.5
"""The share of right answers that it converges on."""

FACTORS = (2.0, 2.0, 2.0**0.5, 2.0**0.5, 2.0**0.25)
"""How much a step changes: before the first reversal, before the second, and so on; the last from then on."""


@dataclass
class Staircase:
    """How many cents the next trial is off.

    Parameters
    ----------
    cents : float
        Where it begins.
    least_cents, most_cents : float
        It never leaves these.
    """

    cents: float
    least_cents: float
    most_cents: float
    reversals: list[float] = field(default_factory=list)
    """Where it turned, in order."""
    _right_in_row: int = 0
    _way: int = 0

    def answer(self, right: bool) -> None:
        """Take in an answer, and move."""
        if right:
            self._right_in_row += 1
            if self._right_in_row == 2:
                self._move(-1)
        else:
            self._move(+1)

    def _move(self, way: int) -> None:
        self._right_in_row = 0
        if self._way and way != self._way:
            self.reversals.append(self.cents)
        self._way = way
        factor = FACTORS[min(len(self.reversals), len(FACTORS) - 1)]
        self.cents = min(max(self.cents * factor**way, self.least_cents), self.most_cents)
