"""A backing as it plays: which of its messages are due when; it can wait, go back a bar, and leave parts out.

It has no clock and no port; whatever retunes a keyboard retunes it too. Wherever it jumps, whatever still sounds is let
go, and the sounds that the place begins with are sent again, with the table that holds there. Every time is worked out
from where the track began to run, so nothing adds up to a drift.

Index: `BackingPlayer`, `Played`.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable
from typing import TypeAlias

from bridge.engine.play.controls import Action
from bridge.live.backing import Backing
from bridge.wire.rpn import Parameter, RpnReader

_CLICK_S = 0.05
_HIGH_BLOCK, _LOW_BLOCK = 76, 77  # General MIDI percussion: high and low wood block
_PEDALS = (64, 66, 69)
_NOT_CHASED = frozenset((*_PEDALS, 6, 38, *range(96, 102), *range(120, 128)))

Played: TypeAlias = bytes | Action
"""A whole message; or an action, where the track chooses a table."""

_Item: TypeAlias = tuple[float, Played, int]
"""When, what, and whose it is."""


class BackingPlayer:
    """Plays a backing: says when its next message is due, and which messages are due by a time.

    Parameters
    ----------
    now_s : float
        When to begin, on the driver's clock.
    position_s : float, optional
        Where in the file to begin, without a count-in: after an interruption.
    paused : bool
        Whether it waits there.
    muted : iterable of int
        Parts that are left out, from 1.
    """

    def __init__(
        self,
        backing: Backing,
        now_s: float,
        position_s: float | None = None,
        paused: bool = False,
        muted: Iterable[int] = (),
    ) -> None:
        self.backing = backing
        self._line = _with_tables(backing)
        self._times = [item[0] for item in self._line]
        self._muted = set(muted)
        self._once_muted = set(muted)
        # What sounds, by part and place (channel and key): how often it was struck, and how hard the last time.
        self._held: dict[tuple[int, int], tuple[int, int]] = {}
        self._pedals: set[tuple[int, int]] = set()
        self._paused_s: float | None = None
        self._opening: list[tuple[Played, int]] = []  # what the place begins with, and is still to be sent
        self._at = 0
        self._anew = False  # whether it is counted in once more when it goes on
        self._again: list[tuple[bytes, int]] = []  # what sounded when it began to wait
        self._begin(now_s, position_s)
        if paused:
            self.pause(now_s)

    def _begin(self, now_s: float, position_s: float | None) -> None:
        backing = self.backing
        begin_s = position_s if position_s is not None else backing.begin_s
        counts = position_s is None and bool(backing.clicks_s)
        wait_s = -backing.clicks_s[0] / backing.tempo if counts else 0.0
        self._start_s = now_s + wait_s
        self._clicks = self._count_in() if counts else []
        self._stand_at(begin_s, self._start_s)

    # ---- what drives it

    @property
    def next_s(self) -> float | None:
        """When `due` wants to be called next, infinite while it waits; None once it has ended."""
        if self.paused:
            return math.inf
        times = [self._clicks[0][0]] if self._clicks else []
        if self._opening:
            times.append(self._start_s)
        elif (at_s := self._next_at_s()) is not None:
            times.append(self._zero_s + at_s / self.backing.tempo)
        return min(times, default=None)

    def due(self, now_s: float) -> list[tuple[float, Played]]:
        """Return what is due by now, with the time at which it was due, in order."""
        found: list[tuple[float, Played]] = []
        if self.paused:
            return found
        while self._clicks and self._clicks[0][0] <= now_s:
            found.append(self._clicks.pop(0))
        if self._opening and now_s >= self._start_s:
            opening, self._opening = self._opening, []
            found += [(self._start_s, played) for played, part in opening if self._follow(played, part)]
        while (at_s := self._next_at_s()) is not None and not self._opening:
            due_s = self._zero_s + at_s / self.backing.tempo
            if due_s > now_s:
                break
            if self._at_loop_end():
                found += [(due_s, played) for played in self._jump()]
            else:
                _, played, part = self._line[self._at]
                self._at += 1
                if self._follow(played, part):
                    found.append((due_s, played))
        return found

    def release(self) -> list[bytes]:
        """Return what lets go of everything that it holds."""
        sent = self._offs(list(self._held))
        sent += [bytes((0xB0 | nibble, pedal, 0)) for nibble, pedal in sorted(self._pedals)]
        self._pedals.clear()
        return sent

    # ---- what a display asks

    def time_s(self, position_s: float) -> float:
        """Return when it comes to a place of the file, if it does not jump before; never while it waits."""
        return math.inf if self.paused else self._zero_s + position_s / self.backing.tempo

    def position_s(self, now_s: float) -> float:
        """Return where in the file it is; while it is counted in, where it will begin."""
        if self._paused_s is not None:
            return self._paused_s
        return max((max(now_s, self._start_s) - self._zero_s) * self.backing.tempo, 0.0)

    def count_in(self, now_s: float) -> int:
        """Return how many beats go by before it begins."""
        clicks_s = self.backing.clicks_s
        if not clicks_s or self.paused:
            return 0
        beat_s, tempo = -clicks_s[-1], self.backing.tempo
        return sum(self._start_s + (click_s + beat_s) / tempo > now_s for click_s in clicks_s)

    @property
    def paused(self) -> bool:
        """Whether it waits."""
        return self._paused_s is not None

    @property
    def muted(self) -> tuple[int, ...]:
        """Parts that are left out, from 1."""
        return tuple(sorted(self._muted))

    @property
    def ended(self) -> bool:
        """Whether nothing more will come."""
        return self.next_s is None

    # ---- what the musician asks for; each returns what is to be sent at once

    def pause(self, now_s: float) -> list[bytes]:
        """Wait here, or go on: with what sounded then, or counted in anew if it had not begun."""
        if self._paused_s is None:
            self._anew = now_s < self._start_s
            self._paused_s = self.position_s(now_s)
            self._again = [(bytes((0xB0 | nibble, pedal, 127)), 0) for nibble, pedal in sorted(self._pedals)]
            for (part, place), (count, velocity) in self._held.items():
                self._again += [(bytes((0x90 | place >> 7, place & 0x7F, velocity)), part)] * count
            return self.release()
        position_s, self._paused_s = self._paused_s, None
        if self._anew:
            self._begin(now_s, None)
            return []
        self._start_s = now_s
        self._zero_s = now_s - position_s / self.backing.tempo
        self._opening = [*self._opening, *self._again]
        self._again = []
        return []

    def halt(self, now_s: float) -> list[bytes]:
        """Be silent and wait, whatever it does; what sounded does not sound again."""
        sent = self.release() if self.paused else self.pause(now_s)
        self._again = []
        return sent

    def bar_back(self, now_s: float) -> list[bytes]:
        """Go to the beginning of the bar before; in a loop not beyond its first. While counted in, count anew."""
        backing = self.backing
        bar = backing.bar_at(self.position_s(now_s))
        if bar is None:
            return []
        sent = self.release()
        if self._anew if self.paused else now_s < self._start_s:
            if not self.paused:
                self._begin(now_s, None)
            return sent
        to_s = max(backing.bars_s[max(bar - 2, 0)], backing.begin_s if backing.loop_s is not None else 0.0)
        self._start_s, self._again = now_s, []
        self._stand_at(to_s, now_s)
        if self.paused:
            self._paused_s = to_s
        return sent

    def mute(self, part: int) -> list[bytes]:
        """Leave a part out, or let it play again from its next note on."""
        if part in self._muted:
            self._muted.remove(part)
            return []
        self._muted.add(part)
        self._once_muted.add(part)
        own = [(owner, place) for owner, place in self._held if owner == part]
        nibbles = {place >> 7 for _, place in own}
        sent = self._offs(own)
        left = {place >> 7 for _, place in self._held}
        for nibble, pedal in sorted(self._pedals):
            if nibble in nibbles - left:  # nobody else has this pedal
                self._pedals.discard((nibble, pedal))
                sent.append(bytes((0xB0 | nibble, pedal, 0)))
        return sent

    # ---- inside

    def _stand_at(self, position_s: float, start_s: float) -> None:
        """Let a place of the file come at a time of the driver's."""
        self._zero_s = start_s - position_s / self.backing.tempo
        self._opening = self._chase(position_s) if position_s > 0.0 or self.backing.tables else []
        self._at = bisect_left(self._times, position_s)

    def _next_at_s(self) -> float | None:
        """Where in the file the next thing happens."""
        loop = self.backing.loop_s
        at_s = self._times[self._at] if self._at < len(self._times) else None
        if loop is not None and (at_s is None or at_s >= loop[1]):
            return loop[1]
        return at_s

    def _at_loop_end(self) -> bool:
        loop = self.backing.loop_s
        return loop is not None and (self._at >= len(self._times) or self._times[self._at] >= loop[1])

    def _jump(self) -> list[Played]:
        """Go back to the beginning of the loop."""
        loop = self.backing.loop_s
        assert loop is not None
        sent = [*self.release(), *(played for played, _ in self._chase(loop[0]))]
        self._zero_s += (loop[1] - loop[0]) / self.backing.tempo
        self._at = bisect_left(self._times, loop[0])
        return sent

    def _follow(self, played: Played, part: int) -> bool:
        """Take notice of what is about to be sent; tell whether it goes out, or is a muted part's."""
        if isinstance(played, Action):
            return True
        kind = played[0] & 0xF0
        if kind in (0x80, 0x90) and len(played) == 3:
            at = part, (played[0] & 0x0F) << 7 | played[1] & 0x7F
            count = self._held.get(at, (0, 0))[0]
            if kind == 0x90 and played[2]:
                if part in self._muted:
                    return False
                self._held[at] = count + 1, played[2]
            elif count > 1:
                self._held[at] = count - 1, self._held[at][1]
            elif count:
                del self._held[at]
            else:
                return part not in self._once_muted  # its note never began, or was let go
        elif kind == 0xB0 and len(played) == 3 and played[1] in _PEDALS:
            (self._pedals.add if played[2] else self._pedals.discard)((played[0] & 0x0F, played[1]))
        return True

    def _offs(self, held: list[tuple[int, int]]) -> list[bytes]:
        return [
            bytes((0x80 | place >> 7, place & 0x7F, 64))
            for part, place in held
            for _ in range(self._held.pop((part, place))[0])
        ]

    def _chase(self, position_s: float) -> list[tuple[Played, int]]:
        """Return banks, programs, controllers, parameters, bends and the table as they stand before a place."""
        last: dict[tuple[int, int], bytes] = {}
        reader = RpnReader()
        parameters: dict[tuple[int, Parameter, bool], int] = {}
        for _, data, _ in self._line[: bisect_left(self._times, position_s)]:
            if isinstance(data, Action):
                continue
            kind = data[0] & 0xF0
            change = reader.feed_message(data)
            if change is not None:
                parameters[change.channel, change.number, change.registered] = change.value
            if kind == 0xB0 and len(data) == 3 and data[1] not in _NOT_CHASED:
                which = (data[0], data[1])
            elif kind in (0xC0, 0xE0):
                which = (data[0], -1)
            else:
                continue
            last.pop(which, None)  # each in the place where it was said last
            last[which] = data
        sent = list(last.values())
        for (channel, (msb, lsb), registered), value in parameters.items():
            first = 101 if registered else 99
            pairs = (
                (first, msb),
                (first - 1, lsb),
                (6, value >> 7),
                (38, value & 0x7F),
                (101, 127),
                (100, 127),
            )
            sent += [bytes((0xB0 | channel - 1, controller, part)) for controller, part in pairs]
        holds = [number for at_s, number in self.backing.tables if at_s <= position_s]
        opening: list[tuple[Played, int]] = [(data, 0) for data in sent]
        return [(Action("table", holds[-1]), 0), *opening] if holds else opening

    def _count_in(self) -> list[tuple[float, Played]]:
        clicks: list[tuple[float, Played]] = []
        for number, before_s in enumerate(self.backing.clicks_s):
            at_s = self._start_s + before_s / self.backing.tempo
            stressed = number % self.backing.clicks_a_bar == 0
            key = _HIGH_BLOCK if stressed else _LOW_BLOCK
            clicks.append((at_s, bytes((0x99, key, 100 if stressed else 70))))
            clicks.append((at_s + _CLICK_S, bytes((0x89, key, 64))))
        return sorted(clicks, key=lambda click: click[0])


def _with_tables(backing: Backing) -> list[_Item]:
    """Return the events with whose they are, and each change of table where it belongs: before the notes that begin."""
    owners = backing.of_parts or (0,) * len(backing.events)
    line: list[_Item] = [
        (time_s, data, owner) for (time_s, data), owner in zip(backing.events, owners, strict=True)
    ]
    for at_s, number in reversed(backing.tables):
        place = bisect_left(line, at_s, key=lambda item: item[0])
        while place < len(line) and line[place][0] == at_s and not _begins(line[place][1]):
            place += 1
        line.insert(place, (at_s, Action("table", number), 0))
    return line


def _begins(played: Played) -> bool:
    return isinstance(played, bytes) and played[0] & 0xF0 == 0x90 and len(played) == 3 and played[2] > 0
