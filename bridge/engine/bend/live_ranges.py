"""Bend ranges for bends that are still to come: each widens when the wheel first moves.

Unlike a plan, one who plays live cannot know what the source's wheel will do. So each range starts as the smallest that
holds the table, and grows, never shrinks, when more is needed.
"""

from __future__ import annotations

from bridge.engine.bend.bend_channels import BendChannels
from bridge.engine.bend.channels import Source
from bridge.engine.offsets import fixed_range, most_range, smallest_range
from bridge.wire.bend import CENTRE
from bridge.wire.profile import SynthProfile


class LiveRanges:
    """The ranges of all sources (a `bridge.engine.bend.router.Ranges`), wide enough for the table from the start."""

    def __init__(self, channels: BendChannels, profile: SynthProfile | None, mpe: bool) -> None:
        self._channels = channels
        self._profile = profile
        self._mpe = mpe
        self._fixed = fixed_range(profile, mpe)
        self._moved = [False] * 16
        self._fitted = [(0.0, 0.0)] * 16
        self.fit()

    def fit(self) -> None:
        """Make every range wide enough for the table, and for the wheel where it has been moved."""
        self._low_cents, self._high_cents = min(self._channels.offsets), max(self._channels.offsets)
        for source in self._channels.sources:
            self._fit(source)

    def follow(self, source: Source) -> None:
        """Widen the range before the wheel or the fine tuning is followed beyond it."""
        index = source.index
        self._moved[index] = self._moved[index] or source.wheel != CENTRE
        reach = source.range_cents if self._moved[index] else 0.0
        if self._fitted[index] != (reach, source.fine_cents):
            self._fit(source)

    def _fit(self, source: Source) -> None:
        index = source.index
        reach = source.range_cents if self._moved[index] else 0.0
        self._fitted[index] = (reach, source.fine_cents)
        most = self._fixed or most_range(self._profile, source.range_cents, self._mpe)
        low = self._low_cents - reach + source.fine_cents
        high = self._high_cents + reach + source.fine_cents
        need = smallest_range(low, high, most)
        semitones = self._fixed or max(need, min(source.range_out_semitones, most))
        if semitones == source.range_out_semitones:
            return
        source.range_out_semitones = semitones
        for out in source.pool if source.manager is not None else source.serving:
            if out.source is source and out.range_semitones not in (0, semitones):
                self._channels.send_range(out, semitones)
                out.value = -1
                self._channels.bend(out)
