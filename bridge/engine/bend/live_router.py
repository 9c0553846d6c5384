"""A router for bends that are still to come: its ranges widen when the wheel first moves.

`LiveRouter` is the `Router` of `bend_live`. Unlike a plan it cannot know what the source's wheel will do, so each range
starts as the smallest that holds the table, and grows, never shrinks, when more is needed.
"""

from __future__ import annotations

from bridge.engine.bend.channels import Source
from bridge.engine.bend.router import Router
from bridge.engine.lifetimes import HOLD_2, SOSTENUTO, SUSTAIN
from bridge.engine.offsets import fixed_range, most_range, smallest_range
from bridge.wire.bend import CENTRE
from bridge.wire.profile import SynthProfile


class LiveRouter(Router):
    """A router that does not know what bends are to come, and widens its ranges when they do."""

    def bound(self, profile: SynthProfile | None, mpe: bool) -> None:
        """Know what ranges the synth obeys."""
        self._profile = profile
        self._is_mpe = mpe
        self._fixed = fixed_range(profile, mpe)
        self._moved = [False] * 16
        self._fitted = [(0.0, 0.0)] * 16
        self._low_cents = self._high_cents = 0.0

    def fit_ranges(self) -> None:
        """Make every range wide enough for the table, and for the wheel where it has been moved."""
        self._low_cents, self._high_cents = min(self.offsets), max(self.offsets)
        for source in self.sources:
            self._fit(source)

    def _fit(self, source: Source) -> None:
        index = source.index
        reach = source.range_cents if self._moved[index] else 0.0
        self._fitted[index] = (reach, source.fine_cents)
        most = self._fixed or most_range(self._profile, source.range_cents, self._is_mpe)
        low = self._low_cents - reach + source.fine_cents
        high = self._high_cents + reach + source.fine_cents
        need = smallest_range(low, high, most)
        semitones = self._fixed or max(need, min(source.range_out_semitones, most))
        if semitones == source.range_out_semitones:
            return
        source.range_out_semitones = semitones
        for out in source.pool if source.manager is not None else source.serving:
            if out.source is source and out.range_semitones not in (0, semitones):
                self.send_range(out, semitones)
                out.value = -1
                self.bend(out)

    def tune_own(self, source: Source, now_s: float) -> None:
        """Widen the range before the wheel or the fine tuning is followed beyond it."""
        index = source.index
        self._moved[index] = self._moved[index] or source.wheel != CENTRE
        reach = source.range_cents if self._moved[index] else 0.0
        if self._fitted[index] != (reach, source.fine_cents):
            self._fit(source)
        super().tune_own(source, now_s)

    def forget_all(self, now_s: float) -> None:
        """A system reset byte: the synth starts afresh."""
        self._reset(now_s)

    def rest(self) -> None:
        """Take it that nothing sounds any more."""
        for out in self.outs:
            out.notes.clear()
            out.owed.clear()
            out.mixed = out.claimed = False
            out.glide = None
            out.value = CENTRE if out.value >= 0 else out.value
        for source in self.sources:
            source.sounding.reset()
            for pedal in (SUSTAIN, SOSTENUTO, HOLD_2):
                source.cc[pedal] = min(source.cc[pedal], 0)
            source.wheel = CENTRE
            source.own_cents = source.fine_cents
            source.settled_offs.clear()
            source.version += 1
