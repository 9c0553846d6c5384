"""Bend ranges for bends that are still to come: each is set before the first note, for the widest that may come.

Unlike a plan, one who plays live cannot know what the source's wheel will do, so each range holds the table and the
whole travel of the wheel from the start. It grows, never shrinks, when the source says that its wheel reaches farther,
or when a table lies farther off than those that were foreseen.

Many synths take a range for notes that start later only: were it sent while a note sounds, that note would go on at the
old range and be bent for the new one. So a channel takes a new range at the first note after it has fallen silent, and
until then its bends are cut at the old one. Only where the profile says that sounding notes follow
(`SynthProfile.bend_range_sounding`) does the new range go out at once. In an MPE zone a range holds for all members, so
it waits until the whole zone is silent.
"""

from __future__ import annotations

from bridge.engine.bend.bend_channels import BendChannels
from bridge.engine.bend.channels import Out, Source
from bridge.engine.offsets import fixed_range, most_range, smallest_range
from bridge.wire.profile import SynthProfile


class LiveRanges:
    """The ranges of all sources (a `bridge.engine.bend.router.Ranges`), wide enough for the table from the start."""

    def __init__(self, channels: BendChannels, profile: SynthProfile | None, mpe: bool) -> None:
        self._channels = channels
        self._profile = profile
        self._mpe = mpe
        self._fixed = fixed_range(profile, mpe)
        self._at_once = profile is not None and profile.bend_range_sounding is True
        self._foreseen_cents = 0.0, 0.0
        self._fitted = [(0.0, 0.0)] * 16
        self.waiting: dict[Source, int] = {}  # zones that get another range once they are silent
        self.fit()

    def foresee(self, low_cents: float, high_cents: float) -> None:
        """Make every range wide enough for offsets of other tables as well."""
        low, high = self._foreseen_cents
        self._foreseen_cents = min(low, low_cents), max(high, high_cents)
        self.fit()

    def fit(self) -> None:
        """Make every range wide enough for the table and the wheel."""
        low, high = self._foreseen_cents
        offsets = self._channels.offsets
        self._low_cents, self._high_cents = min(low, *offsets), max(high, *offsets)
        for source in self._channels.sources:
            self._fit(source)

    def follow(self, source: Source) -> None:
        """Widen the range where the source's wheel or fine tuning reaches farther than before."""
        if self._fitted[source.index] != (source.range_cents, source.fine_cents):
            self._fit(source)

    def _fit(self, source: Source) -> None:
        reach = source.range_cents
        self._fitted[source.index] = (reach, source.fine_cents)
        most = self._fixed or most_range(self._profile, reach, self._mpe)
        low = self._low_cents - reach + source.fine_cents
        high = self._high_cents + reach + source.fine_cents
        need = smallest_range(low, high, most)
        semitones = self._fixed or max(need, min(source.range_out_semitones, most))
        if semitones == source.range_out_semitones:
            return
        if source.manager is not None:
            self._fit_zone(source, semitones)
            return
        if source.host is not None and source.host.manager is not None:
            self._fit_zone(source.host, max(semitones, self.waiting.get(source.host, 0)))
            return
        source.range_out_semitones = semitones
        if not self._at_once:
            return
        for out in source.serving:
            if out.source is source and out.range_semitones not in (0, semitones):
                self._send(out, semitones)

    def settle(self) -> None:
        """A note is about to start: what waits for silence takes effect where there is silence now."""
        waiting, self.waiting = self.waiting, {}
        for source, semitones in waiting.items():
            self._fit_zone(source, semitones)

    def _fit_zone(self, source: Source, semitones: int) -> None:
        """Give all members of a zone another range: what one of them is told holds for all."""
        if not self._at_once and any(out.notes for out in source.pool):
            self.waiting[source] = semitones
            return
        for one in (source, *source.guests):
            one.range_out_semitones = semitones
        for out in source.pool:
            if out.range_semitones not in (0, semitones):
                self._send(out, semitones)

    def _send(self, out: Out, semitones: int) -> None:
        self._channels.send_range(out, semitones)
        out.value = -1
        self._channels.bend(out)
