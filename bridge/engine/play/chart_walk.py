"""Where in its chart the playing is: `ChartWalk`. A foot, a key or the bars of a track lead it; it has no clock.

By foot and key the chart goes round: after the last chord comes the first. A change of table stays at the chord where
it was; another piece begins at its first chord.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

from bridge.engine.play.chart_plan import ChartPlan, ChordStep
from bridge.engine.play.tables import TableSwitch

_SOON_S = 1e-4
"""A chord counts from so long before its time: times are sums of parts of seconds."""


class ChartWalk:
    """Goes through the charts of the tables.

    Parameters
    ----------
    switch : TableSwitch
        Which table holds.
    charts, tonics : sequence of (ChartPlan or None)
        The chart under each table, and under each tonic.
    """

    def __init__(
        self,
        switch: TableSwitch,
        charts: Sequence[ChartPlan | None],
        tonics: Sequence[ChartPlan | None] = (),
    ) -> None:
        self._switch = switch
        self._charts, self._tonics = tuple(charts), tuple(tonics)
        self._piece = ""
        self._number = 0

    @property
    def chart(self) -> ChartPlan | None:
        """The chart under the table that holds."""
        switch = self._switch
        if switch.tonic is not None and self._tonics:
            return self._tonics[switch.tonic]
        return self._charts[switch.number - 1] if self._charts else None

    @property
    def number(self) -> int:
        """The chord that is now, from 0."""
        chart = self.chart
        piece = chart.piece if chart is not None else ""
        if piece != self._piece:
            self._piece, self._number = piece, 0
        return min(self._number, len(chart.steps) - 1) if chart is not None else 0

    @property
    def step(self) -> ChordStep | None:
        """The chord that is now; None without a chart."""
        chart = self.chart
        return chart.steps[self.number] if chart is not None else None

    @property
    def section(self) -> str:
        """The section that the chord belongs to; empty without one."""
        step = self.step
        return step.section if step is not None else ""

    @property
    def coming(self) -> ChordStep | None:
        """The chord that comes next; None where none does."""
        chart = self.chart
        if chart is None:
            return None
        now, later = self.number, chart.steps[self.number + 1 :]
        for step in later if chart.starts_s else (*later, *chart.steps[:now]):
            if step[:2] != chart.steps[now][:2]:  # a track goes on in finer steps than its chords
                return step
        return None

    def limits(self) -> dict[int, int]:
        """Return which choice each pitch class has under the chord that is now, where it has only one."""
        step = self.step
        return dict(step.limits) if step is not None else {}

    def go(self, by: int) -> bool:
        """Go to the next chord (+1) or the one before (-1), or back to the first (0); tell whether there is a chart."""
        chart = self.chart
        if chart is None:
            return False
        self._number = (self.number + by) % len(chart.steps) if by else 0
        return True

    def put(self, number: int) -> None:
        """Go to a chord, as far as there is one: where another player was."""
        if self.number != number:
            self._number = max(number, 0)

    def at(self, position_s: float) -> bool:
        """Go to the chord at a time of the track; tell whether that is another one."""
        chart = self.chart
        if chart is None or not chart.starts_s:
            return False
        before = self.number
        self._number = max(bisect_right(chart.starts_s, position_s + _SOON_S) - 1, 0)
        return self.number != before

    def next_s(self, position_s: float) -> float | None:
        """Return the time of the track at which the next chord begins; None where nothing leads to it."""
        chart = self.chart
        if chart is None or not chart.starts_s:
            return None
        later = bisect_right(chart.starts_s, position_s + _SOON_S)
        return chart.starts_s[later] if later < len(chart.starts_s) else None
