"""A chart that is known while somebody plays, as plain values that go over a pipe: `ChartPlan`, one for each table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from bridge.engine.play.drones.chart import ChartNote
from bridge.errors import ValueProblem


class ChordStep(NamedTuple):
    """One chord of a chart, for as long as it stays."""

    name: str
    """As it is written; ``N.C.`` where nothing sounds; empty where there is a drone and no chart."""
    bar: int
    """The bar as played in which it begins, from 1."""
    section: str = ""
    limits: tuple[tuple[int, int], ...] = ()
    """Pitch classes that have one pitch under it, each with the number of its choice (`follow_plan.Choices`)."""
    held: tuple[ChartNote, ...] = ()
    """What a drone holds under it."""


@dataclass(frozen=True)
class ChartPlan:
    """The chords of a piece under one table."""

    piece: str
    """Whose chart it is; another piece begins at its first chord."""
    steps: tuple[ChordStep, ...]
    starts_s: tuple[float, ...] = ()
    """When each chord begins in the track; empty where a foot or a key goes on."""
    channels: tuple[int, ...] = ()
    """Where a drone may sound, 1 to 16: two for each note that it holds at once; none: there is no drone."""
    program: int | None = None
    """The drone's sound as a MIDI program from 0; None: what the synth is set to."""

    @property
    def named(self) -> bool:
        """Whether there are chords, and not a drone alone."""
        return bool(self.steps[0].name)

    def __post_init__(self) -> None:
        if not self.steps:
            raise ValueProblem("the chart holds no chord", "write bars between strokes, like | G | Em |")
        if self.starts_s and len(self.starts_s) != len(self.steps):
            raise ValueProblem(
                f"{len(self.starts_s)} times for {len(self.steps)} chords", "as many as chords"
            )
