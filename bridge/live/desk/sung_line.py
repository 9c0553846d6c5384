"""The last seconds of a voice's pitch, as a line that breaks where there was none.

Conventions: seconds since the first sample heard; Hz.
"""

from __future__ import annotations

from collections import deque

from bridge.sound.listening.voice.meter import UPDATE_S, VoiceReading

KEPT_S = 10.0
BREAKS_S = 2.5 * UPDATE_S
"""Readings further apart than this are not joined."""


class SungLine:
    """Readings in, the line of the last `KEPT_S` out."""

    def __init__(self) -> None:
        self._points: deque[tuple[float, float]] = deque()
        self._note = -1

    def take(self, reading: VoiceReading, at_s: float) -> None:
        """Take in a reading, made at a time that goes on where the meter is a new one."""
        last_s = self._points[-1][0] if self._points else at_s
        if self._points and (at_s - last_s > BREAKS_S or reading.note != self._note):
            self._points.append((last_s, 0.0))
        self._note = reading.note
        self._points.append((at_s, reading.hz))

    def until(self, now_s: float) -> tuple[tuple[float, float], ...]:
        """Return the line: how many seconds ago, and Hz; 0 Hz where it breaks."""
        while self._points and now_s - self._points[0][0] > KEPT_S:
            self._points.popleft()
        return tuple((round(now_s - at_s, 3), hz) for at_s, hz in self._points)
