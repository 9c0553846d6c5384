"""The track's place in a player: what is asked of it, and what is told of it; the player's lock is held meanwhile."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from bridge.live.state import TrackState
from bridge.live.track import BackingPlayer


def track_actions(
    track: BackingPlayer, notice: Callable[[str], None]
) -> dict[str, Callable[[float, float], list[bytes]]]:
    """Return what carries out each action that concerns a track, as `bridge.engine.play.performance` takes it.

    Parameters
    ----------
    notice : callable
        Told what the musician should know.
    """
    parts = len(track.backing.parts)

    def mute(number: float, _now_s: float) -> list[bytes]:
        if not 1 <= number <= parts:
            notice(f"there is no part {number:g}: the track has {parts}")
            return []
        return track.mute(int(number))

    def bar_back(_number: float, now_s: float) -> list[bytes]:
        if not track.backing.bars_s:
            notice("this file has no bars to go back to")
        return track.bar_back(now_s)

    return {"pause": lambda _number, now_s: track.pause(now_s), "bar-back": bar_back, "mute": mute}


def track_state(track: BackingPlayer, now_s: float) -> dict[str, Any]:
    """Return what of `bridge.live.state.State` is about a track."""
    position_s = track.position_s(now_s)
    state = TrackState(track.paused, track.count_in(now_s), track.muted)
    return {"position_s": position_s, "bar": track.backing.bar_at(position_s), "track": state}
