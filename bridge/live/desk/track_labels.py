"""What stays the same of a track, and what is shown of it while it plays: bars, chords, parts, tables it chooses."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bridge.live.backing import Backing
from bridge.live.snapshot import PartShown, TrackShown
from bridge.live.state import State, TrackState

_SLACK_S = 1e-6


@dataclass(frozen=True)
class TrackLabels:
    """What is known of a track before it plays."""

    backing: Backing
    chords: Sequence[tuple[float, str]] = ()
    """Its chords: from when on which one is heard; empty text for none. They may be heard while it plays already."""
    changes: tuple[tuple[float, str], ...] = ()
    """Tables that it chooses inside the piece: from when on, and what that is in words."""

    def chord_at(self, position_s: float) -> str:
        """Return the chord at a time of the file; empty where none is heard."""
        at = bisect_right(self.chords, position_s + _SLACK_S, key=lambda one: one[0])
        return self.chords[at - 1][1] if at else ""

    def shown(self, state: State) -> dict[str, Any]:
        """Return what a `Snapshot` says of the track, by its names."""
        backing, now = self.backing, state.track or TrackState()
        bars = len(backing.bars_s)
        parts = tuple(PartShown(name, number in now.muted) for number, name in enumerate(backing.parts, 1))
        track = TrackShown(
            Path(backing.name).stem, bars, backing.loop, backing.tempo, now.paused, now.count_in, parts
        )
        last = bars if backing.loop is None else backing.loop[1]
        left = None if state.bar is None or not bars else max(last - state.bar + 1, 0)
        ahead: dict[str, Any] = {}
        for at_s, words in self.changes:
            bar = backing.bar_at(at_s)
            if at_s > state.position_s + _SLACK_S and bar is not None and bar <= last:
                ahead = {"next": words}
                left = None if state.bar is None else max(bar - state.bar, 1)
                break
        else:
            if self.changes:
                ahead = {"next": "", "last": backing.loop is None}
        return {"track": track, "bars_left": left, **ahead}
