"""What retuning by bends did to a file: which notes are as the table has them, how nearly, at what cost in messages.

Residuals are those of the bends that were really sent, at the range that was really sent, over the whole life of a
note: a note counts as exact if it was never off by more than half a step of its channel's bend.

The record as JSON (`BendReport.to_json`)::

    {"schema": 1, "notes": 812, "exact": 812, "worst_cents": 0.012, "mean_cents": 0.006, "demand_max": 9,
     "bars": [{"bar": 17, "notes_off": 3, "worst_cents": 7.1}],
     "method": "bend", "channels_allowed": 15, "channels": [1, 2, …], "range_semitones": 2,
     "ranges_semitones": {"1": 2, "3": 3}, "setup_messages": 96, "bend_messages": 240, "clipped": 0,
     "mean_off_cents": 0.0, "demand": [{"bar": 1, "channels": 4}, …], "notices": ["…"]}

`worst_cents` and `mean_cents` are the largest and the mean, over all notes, of how far each was off at worst; `bars`
lists the bars in which a note starts that is not exact; `demand` how many channels it would take in each bar.
"""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

BarOf = Callable[[int], int]
"""Anchor of an event to the bar it stands in, counted from 1; bars never run backwards."""


@dataclass
class BendReport:
    """The record of a file retuned by bends."""

    method: str  # ``"bend"`` or ``"mpe"``
    starts: array[int]  # anchor of each pitched note
    note_cents: array[float]  # by how much each note was off at worst
    half_step_cents: array[float]  # what each note may be off and still count as exact
    clipped: int  # notes under which the source bent farther than the range reaches
    # Anchors where a class starts, and how many classes sound then.
    class_starts: array[int]
    demand: array[int]
    channels_allowed: int  # how many channels there were
    channels: tuple[int, ...]  # channels that pitched notes sounded on
    ranges_semitones: dict[int, int]  # bend range for each source channel that plays pitched notes
    # Messages of our own: set-ups and bends.
    setup_messages: int
    bend_messages: int
    notices: list[str] = field(default_factory=list)  # what a player should know

    def __post_init__(self) -> None:
        self._off = array(
            "l",
            (
                number
                for number, (cents, half) in enumerate(
                    zip(self.note_cents, self.half_step_cents, strict=True)
                )
                if cents > half + 1e-7
            ),
        )

    @property
    def notes(self) -> int:
        """Pitched notes."""
        return len(self.starts)

    @property
    def exact(self) -> int:
        """Notes that are as the table has them for their whole length."""
        return self.notes - len(self._off)

    @cached_property
    def worst_cents(self) -> float:
        """How far the worst note was off."""
        return max(self.note_cents, default=0.0)

    @cached_property
    def mean_cents(self) -> float:
        """Mean over all notes of how far each was off at worst."""
        return sum(self.note_cents) / self.notes if self.notes else 0.0

    @property
    def mean_off_cents(self) -> float:
        """The same over the notes that are not exact."""
        return sum(self.note_cents[number] for number in self._off) / len(self._off) if self._off else 0.0

    @cached_property
    def demand_max(self) -> int:
        """How many channels it would take for every note to be exact."""
        return max(self.demand, default=0)

    @property
    def range_semitones(self) -> int:
        """The widest bend range used; 2 where no note sounds."""
        return max(self.ranges_semitones.values(), default=2)

    def bars(self, bar_of: BarOf) -> list[dict[str, Any]]:
        """Return the bars with notes that are not exact: ``bar``, ``notes_off``, ``worst_cents``."""
        anchors = array("i", map(self.starts.__getitem__, self._off))
        return [
            {
                "bar": bar,
                "notes_off": last - first,
                "worst_cents": max(self.note_cents[number] for number in self._off[first:last]),
            }
            for bar, first, last in _by_bar(anchors, bar_of)
        ]

    def demand_by_bar(self, bar_of: BarOf) -> list[dict[str, int]]:
        """Return the largest demand that arises in each bar: ``bar``, ``channels``."""
        return [
            {"bar": bar, "channels": max(self.demand[first:last])}
            for bar, first, last in _by_bar(self.class_starts, bar_of)
        ]

    def to_json(self, bar_of: BarOf | None = None) -> dict[str, Any]:
        """Return the record as plain data (see the module's text); without `bar_of` no bars are listed."""
        return {
            "schema": 1,
            "notes": self.notes,
            "exact": self.exact,
            "worst_cents": self.worst_cents,
            "mean_cents": self.mean_cents,
            "demand_max": self.demand_max,
            "bars": self.bars(bar_of) if bar_of else [],
            "method": self.method,
            "channels_allowed": self.channels_allowed,
            "channels": list(self.channels),
            "range_semitones": self.range_semitones,
            "ranges_semitones": {str(number): width for number, width in self.ranges_semitones.items()},
            "setup_messages": self.setup_messages,
            "bend_messages": self.bend_messages,
            "clipped": self.clipped,
            "mean_off_cents": self.mean_off_cents,
            "demand": self.demand_by_bar(bar_of) if bar_of else [],
            "notices": list(self.notices),
        }

    def lines(self, bar_of: BarOf | None = None) -> list[str]:
        """Return the record in words, a line each."""
        told = [self._exactness()]
        if self._off:
            told.append(
                f"{len(self._off)} are off, by {self.worst_cents:.2f} cents at most and {self.mean_off_cents:.2f} on "
                "average"
            )
            if bar_of:
                told.append("in bars " + spans(entry["bar"] for entry in self.bars(bar_of)))
        told.append(
            f"channels: {self.demand_max} needed at most, {self.channels_allowed} allowed; used "
            f"{spans(self.channels) or 'none'}"
        )
        if bar_of and self.demand:
            peaks = [
                entry["bar"] for entry in self.demand_by_bar(bar_of) if entry["channels"] == self.demand_max
            ]
            told.append(f"most channels are needed in bars {spans(peaks)}")
        told.append(
            f"bend range: {self._ranges()}; added {self.setup_messages} set-up messages and {self.bend_messages} bends"
        )
        return told

    def _exactness(self) -> str:
        if not self.notes:
            return "no pitched notes"
        if not self._off:
            them = "it" if self.notes == 1 else "them"
            return (
                f"{every_note(self.notes)} as the table has {them}, within {self.worst_cents:.3f} cents for their "
                "whole length"
            )
        return f"{self.exact} of {self.notes} notes are as the table has them for their whole length"

    def _ranges(self) -> str:
        widths: dict[int, list[int]] = {}
        for number, width in self.ranges_semitones.items():
            widths.setdefault(width, []).append(number)
        if len(widths) < 2:
            return f"±{self.range_semitones} semitones"
        return ", ".join(
            f"±{width} semitones for channel{'s' if len(numbers) > 1 else ''} {spans(numbers)}"
            for width, numbers in sorted(widths.items())
        )


def _by_bar(anchors: Sequence[int], bar_of: BarOf) -> Iterator[tuple[int, int, int]]:
    """Yield each bar in which something stands, its first place in `anchors` (ascending) and the one past its last.

    Bars are asked for sparingly: that takes arithmetic with fractions.
    """
    first = 0
    while first < len(anchors):
        bar = bar_of(anchors[first])
        step = 1
        while first + step < len(anchors) and bar_of(anchors[first + step]) == bar:
            step *= 2
        last = bisect_right(anchors, bar, first + step // 2, min(first + step, len(anchors)), key=bar_of)
        yield bar, first, last
        first = last


def every_note(count: int) -> str:
    """Begin a sentence about all notes of a file: ``all 125 notes are``."""
    return "the only note is" if count == 1 else f"all {count} notes are"


def spans(numbers: Any) -> str:
    """Write whole numbers as ``1-9, 11-16``."""
    runs: list[list[int]] = []
    for number in sorted(set(numbers)):
        if runs and runs[-1][1] == number - 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(f"{low}-{high}" if low < high else f"{low}" for low, high in runs)
