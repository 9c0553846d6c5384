"""When which part of a table goes to the synth: at once, when a note has ended, in steps, or when the cable is free.

A `Lane` knows the table that holds, what each cell of the synth's tuning (`bridge.engine.mts.cells`) should be at this
moment, and how many notes sound in each cell. What becomes of those at a change stands in `bridge.engine.protocols`.
A note counts as sounding for `DECAY_S` after its end, since a tone that decays would be heard to move.

What cannot go out yet, because the synth needs pauses between SysEx messages, waits here as a difference, not as a
queue: a newer table takes its place. On a slow cable a table goes in pieces of `PIECE_S`, sounding notes first, so that
no note has to wait longer than that for the cable.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence

from bridge.engine.lifetimes import DECAY_S
from bridge.engine.mts.cells import Cells
from bridge.engine.protocols import Due, OnChange
from bridge.errors import MethodProblem, ValueProblem
from bridge.wire.profile import SynthProfile

GLIDE_STEP_S = 0.02

PIECE_S = 0.02
"""How long one SysEx message may keep a slow cable from carrying a note."""

MOST_GLIDE_S = 600.0


class Lane:
    """The tuning of one synth, on its way from table to table by the cells of a method; `table_hz` is the first.

    Where messages of this method do not move sounding notes, every change is sent at once. MethodProblem if
    the method cannot express the table.
    """

    def __init__(self, profile: SynthProfile, cells: Cells, moves: bool, table_hz: Sequence[float]) -> None:
        self.profile = profile
        self.cells = cells
        self.moves = moves
        self.wanted = cells.values(table_hz)
        self._target = list(self.wanted)
        self._deferred: set[int] = set()
        self._quiet: deque[tuple[float, int]] = deque()
        self._glides: dict[int, tuple[float, float]] = {}
        self._glide_from_s = self._glide_to_s = self._glide_next_s = 0.0
        self._counts = [0] * cells.count
        self._let_go_s = [-math.inf] * cells.count
        self._line_free_s = -math.inf

    # ---- notes

    def strike(self, key: int, now_s: float) -> list[bytes]:
        """A pitched note starts; return what must go out before it."""
        cell = self.cells.of_key(key)
        self._counts[cell] += 1
        if self._counts[cell] == 1 and (cell in self._deferred or cell in self._glides):
            self._settle(cell)
            return self.pump(now_s)
        return []

    def end(self, key: int, now_s: float) -> None:
        """A pitched note has ended."""
        cell = self.cells.of_key(key)
        self._counts[cell] -= 1
        if not self._counts[cell]:
            self._let_go_s[cell] = now_s
            if cell in self._deferred:
                self._quiet.append((now_s + DECAY_S, cell))

    def count(self, key: int, step: int) -> None:
        """Notes that sound begin or cease to be pitched ones."""
        self._counts[self.cells.of_key(key)] += step

    def silence(self) -> None:
        """Take it that nothing sounds, so that nothing need wait."""
        self._counts = [0] * self.cells.count
        self._let_go_s = [-math.inf] * self.cells.count
        self._settle_all()

    # ---- tables

    def change(self, table_hz: Sequence[float], now_s: float, mode: OnChange, glide_s: float) -> None:
        """Take a new table; `pump` sends it (errors are those of `LiveEngine.change`)."""
        if mode not in ("now", "next", "glide"):
            raise ValueProblem(f"on change {mode!r} is unknown", "now, next or glide")
        if mode == "glide" and not (math.isfinite(glide_s) and 0.0 <= glide_s <= MOST_GLIDE_S):
            raise ValueProblem(f"a glide of {glide_s:g} s is out of range", f"0 to {MOST_GLIDE_S:g} seconds")
        target = self.cells.values(table_hz)
        before, self._target = self.wanted, target
        self._settle_all()
        if not self.moves or mode == "now" or (mode == "glide" and glide_s == 0.0):
            return
        waiting = []
        for cell in self._active(now_s):
            if before[cell] == target[cell]:
                continue
            self.wanted[cell] = before[cell]
            if mode == "glide":
                self._glides[cell] = (before[cell], target[cell])
                continue
            self._deferred.add(cell)
            if not self._counts[cell]:
                waiting.append((self._let_go_s[cell] + DECAY_S, cell))
        self._quiet.extend(sorted(waiting))
        self._glide_from_s, self._glide_to_s = now_s, now_s + glide_s
        self._glide_next_s = now_s + GLIDE_STEP_S

    def restart(self) -> None:
        """Take it that the synth holds nothing, and can take messages."""
        self.cells.forget()
        self._line_free_s = -math.inf

    @property
    def next_wake_s(self) -> float | None:
        """When `wake` wants to be called; None if nothing is pending."""
        times = [self._quiet[0][0]] if self._quiet else []
        if self._glides:
            times.append(max(self._glide_next_s, self._line_free_s))
        elif self.cells.pending(self.wanted):
            times.append(self._line_free_s)
        return min(times, default=None)

    def wake(self, now_s: float) -> list[bytes]:
        """Do what is due by now."""
        while self._quiet and self._quiet[0][0] <= now_s:
            _, cell = self._quiet.popleft()
            if not self._counts[cell] and self._let_go_s[cell] + DECAY_S <= now_s:
                self._settle(cell)
        if self._glides and now_s >= self._glide_next_s:
            self._glide(now_s)
        return self.pump(now_s)

    def pump(self, now_s: float, whole: bool = False) -> list[bytes]:
        """Return as much of what is wanted as the synth takes now; `whole`: in the largest pieces, since nobody plays
        yet.
        """
        sent: list[bytes] = []
        cells, profile = self.cells, self.profile
        most_bytes = profile.sysex_max_bytes
        if profile.bytes_per_s is not None and not whole:
            most_bytes = min(most_bytes, int(profile.bytes_per_s * PIECE_S))
        while now_s >= self._line_free_s and cells.pending(self.wanted):
            try:
                messages = cells.next(self.wanted, self._active(now_s), most_bytes)
            except MethodProblem:  # old and new pitches go together in no message: then all move now
                if self.wanted == self._target:
                    raise
                self._settle_all()
                continue
            if not messages:
                break
            sent += messages
            gap_s = profile.pause_after_s(b"".join(messages))
            if gap_s:
                self._line_free_s = now_s + gap_s
        return sent

    def hand_over(self, cells: Cells, values: Sequence[float], now_s: float) -> list[Due]:
        """Return what brings a synth to other values in the end, paced as it needs."""
        due: list[Due] = []
        at_s = max(now_s, self._line_free_s)
        while cells.pending(values):
            messages = cells.next(values, (), self.profile.sysex_max_bytes)
            if not messages:
                break
            due += [(at_s, message) for message in messages]
            at_s += self.profile.pause_after_s(b"".join(messages))
        self._line_free_s = at_s
        return due

    # ---- inside

    def _active(self, now_s: float) -> set[int]:
        """Cells in which something sounds or decays."""
        since = now_s - DECAY_S
        return {cell for cell, count in enumerate(self._counts) if count or self._let_go_s[cell] > since}

    def _settle(self, cell: int) -> None:
        """A cell need not wait any longer."""
        self._deferred.discard(cell)
        self._glides.pop(cell, None)
        self.wanted[cell] = self._target[cell]

    def _settle_all(self) -> None:
        self.wanted = list(self._target)
        self._deferred.clear()
        self._quiet.clear()
        self._glides.clear()

    def _glide(self, now_s: float) -> None:
        part = min((now_s - self._glide_from_s) / (self._glide_to_s - self._glide_from_s), 1.0)
        for cell, (before, after) in self._glides.items():
            self.wanted[cell] = self.cells.between(before, after, part)
        if part >= 1.0:
            self._glides.clear()
        self._glide_next_s = now_s + GLIDE_STEP_S
