"""A chord that is sounded on request, so that a table can be heard: some keys, struck softly, for a while."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.live.plan import LivePlan, pitched_channels

HOLD_S = 6.0
VELOCITY = 64
MOST_KEYS = 6


def chord_channel(plan: LivePlan) -> int:
    """Return where a chord sounds: with the keyboard's sound; beside a drone, which has loudness of its own."""
    if plan.controls.play_on is not None:
        return plan.controls.play_on
    taken = plan.drone.channels if plan.drone is not None else ()
    usable = pitched_channels(plan.profile, plan.channels) or (1,)
    return next((channel for channel in usable if channel not in taken), usable[0])


class HeldChord:
    """A `NoteSource` that strikes the keys it is given, and lets them go.

    Parameters
    ----------
    channel : int
        From 1.
    """

    def __init__(self, channel: int) -> None:
        self._nibble = channel - 1
        self._held: tuple[int, ...] = ()
        self._waiting: list[tuple[float, bytes]] = []
        self._end_s: float | None = None

    def sound(self, keys: Sequence[int], now_s: float) -> None:
        """Strike keys, in the place of those that sound still; none ends them."""
        self._waiting += [(now_s, data) for data in self._offs()]
        self._held = tuple(key for key in dict.fromkeys(keys[:MOST_KEYS]) if 0 <= key <= 127)
        self._waiting += [(now_s, bytes((0x90 | self._nibble, key, VELOCITY))) for key in self._held]
        self._end_s = now_s + HOLD_S if self._held else None

    def _offs(self) -> list[bytes]:
        held, self._held = self._held, ()
        return [bytes((0x80 | self._nibble, key, 64)) for key in held]

    @property
    def next_s(self) -> float | None:
        """When something is due."""
        return self._waiting[0][0] if self._waiting else self._end_s

    def due(self, now_s: float) -> list[tuple[float, bytes]]:
        """Return what is due."""
        found, self._waiting = self._waiting, []
        if self._end_s is not None and self._end_s <= now_s:
            end_s, self._end_s = self._end_s, None
            found += [(end_s, data) for data in self._offs()]
        return found

    def release(self) -> list[bytes]:
        """Let go of everything."""
        self._waiting, self._end_s = [], None
        return self._offs()
