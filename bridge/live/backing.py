"""A MIDI file that plays in real time: count-in, a loop of bars, another tempo.

Times of a `Backing` are seconds of the file at its own tempo; a `BackingPlayer` turns them into the driver's time. Its
notes and sounds are the file's own; at the end of a loop whatever still sounds is let go, and the sounds that the
first bar of the loop begins with are sent again.

Index: `Backing`, `load_backing`, `BackingPlayer`, `parse_bars`.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from dataclasses import dataclass
from pathlib import Path

from bridge.errors import InputProblem, ValueProblem
from bridge.wire.rpn import Parameter, RpnReader

MOST_COUNT_IN_BARS = 8
LEAST_TEMPO, MOST_TEMPO = 0.25, 4.0
_CLICK_S = 0.05
_HIGH_BLOCK, _LOW_BLOCK = 76, 77  # General MIDI percussion: high and low wood block
_PEDALS = (64, 66, 69)
_NOT_CHASED = frozenset((*_PEDALS, 6, 38, *range(96, 102), *range(120, 128)))


@dataclass(frozen=True)
class Backing:
    """A file made ready to play."""

    name: str
    events: tuple[tuple[float, bytes], ...]  # seconds and whole messages, in playing order
    length_s: float
    bars_s: tuple[float, ...] = ()  # where its bars begin; empty for a file without bars
    begin_s: float = 0.0  # where it starts to play
    loop_s: tuple[float, float] | None = None  # what it repeats
    # Clicks of the count-in, in seconds before the beginning, rising; the first of each bar is stressed.
    clicks_s: tuple[float, ...] = ()
    clicks_a_bar: int = 4
    tempo: float = 1.0  # how fast, 1 being the file's own

    @property
    def channels(self) -> frozenset[int]:
        """Channels that it plays on, 1 to 16; its clicks not counted."""
        return frozenset((data[0] & 0x0F) + 1 for _, data in self.events if data[0] < 0xF0)

    def bar_at(self, position_s: float) -> int | None:
        """Return the bar, from 1, at a time of the file; None for a file without bars."""
        if not self.bars_s:
            return None
        return max(bisect_left(self.bars_s, position_s + 1e-6), 1)


def parse_bars(text: str) -> tuple[int, int]:
    """Read ``5-8`` or ``5``: first and last bar of a loop; ValueProblem if it is not that."""
    match = re.fullmatch(r"\s*(\d{1,6})\s*(?:-\s*(\d{1,6}))?\s*", text)
    if match is None:
        raise ValueProblem(f"{text!r} are no bars", "write the first and the last, such as 5-8")
    first, last = int(match[1]), int(match[2] or match[1])
    if not 1 <= first <= last:
        raise ValueProblem(f"bars {first}-{last} cannot be a loop", "bars count from 1, the first one first")
    return first, last


def load_backing(
    path: Path,
    count_in_bars: int = 0,
    loop: tuple[int, int] | None = None,
    tempo: float = 1.0,
    transposed: int = 0,
) -> Backing:
    """Read a MIDI file and make it ready.

    Parameters
    ----------
    path : Path
        The file. It is not changed.
    count_in_bars : int
        Bars of clicks before it begins.
    loop : tuple of (int, int), optional
        First and last bar of what it repeats; it begins there.
    tempo : float
        How fast, from 0.25 to 4 times the file's own tempo.
    transposed : int
        Semitones by which its keys are moved.

    Raises
    ------
    InputProblem
        The file cannot be read, or plays nothing.
    ValueProblem
        A bar does not exist, the file has no bars, or a number is out of range.
    """
    from bridge.jobs.transposed import transposed_midi
    from bridge.store.playing import sequences
    from bridge.store.smf import read_midi
    from bridge.store.timeline import BarMap

    if not LEAST_TEMPO <= tempo <= MOST_TEMPO:
        raise ValueProblem(
            f"a tempo of {tempo:g} times the file's is out of range", f"{LEAST_TEMPO:g} to {MOST_TEMPO:g}"
        )
    if not 0 <= count_in_bars <= MOST_COUNT_IN_BARS:
        raise ValueProblem(f"a count-in of {count_in_bars} bars", f"0 to {MOST_COUNT_IN_BARS}")
    midi = transposed_midi(read_midi(path), transposed)
    playing = sequences(midi)[0]
    events = tuple((time_s, message) for time_s, data in playing if (message := _playable(data)))
    if not events:
        raise InputProblem(f"{path.name} plays nothing", "it holds no notes and no other messages")
    end_s = max(time_s for time_s, _ in playing)
    if midi.ticks_per_quarter is None:
        if loop is not None or count_in_bars:
            BarMap(midi)  # says that there are no bars
        return Backing(path.name, events, end_s, tempo=tempo)
    bars = BarMap(midi, playing.numbers[0] if midi.format == 2 else None)
    starts_s = tuple(playing.tempo.seconds(bars.tick(bar)) for bar in range(1, bars.bars + 1))
    begin_s, loop_s, first = 0.0, None, 1
    if loop is not None:
        first, last = loop
        begin_s = playing.tempo.seconds(bars.tick(first))
        bars.tick(last)  # says if it does not exist
        loop_s = (begin_s, starts_s[last] if last < bars.bars else end_s)
        if loop_s[1] <= loop_s[0]:
            raise ValueProblem(f"bars {first}-{last} last no time", "choose bars that play")
    signature = max((one for one in bars.signatures if one.bar <= first), key=lambda one: one.bar)
    beat_s = playing.tempo.seconds(bars.tick(first) + 4 * midi.ticks_per_quarter / signature.unit) - begin_s
    clicks = count_in_bars * signature.beats
    clicks_s = tuple(-number * beat_s for number in range(clicks, 0, -1))
    return Backing(path.name, events, end_s, starts_s, begin_s, loop_s, clicks_s, signature.beats, tempo)


def _playable(data: bytes) -> bytes:
    """Return what goes out for an event of a file; nothing for meta events and parts of SysEx messages."""
    if not data or data[0] == 0xFF:
        return b""
    if data[0] == 0xF0:
        return data if data[-1] == 0xF7 else b""
    return data[1:] if data[0] == 0xF7 else data


class BackingPlayer:
    """Plays a backing: says when its next message is due, and which messages are due by a time.

    Parameters
    ----------
    now_s : float
        When to begin, on the driver's clock.
    position_s : float, optional
        Where in the file to begin, without a count-in: after an interruption.
    """

    def __init__(self, backing: Backing, now_s: float, position_s: float | None = None) -> None:
        self.backing = backing
        self._times = [time_s for time_s, _ in backing.events]
        resumed = position_s is not None
        begin_s = position_s if position_s is not None else backing.begin_s
        wait_s = 0.0 if resumed or not backing.clicks_s else -backing.clicks_s[0] / backing.tempo
        self._start_s = now_s + wait_s
        self._zero_s = self._start_s - begin_s / backing.tempo
        self._clicks = [] if resumed else self._count_in()
        self._held: dict[int, int] = {}
        self._pedals: set[tuple[int, int]] = set()
        self._opening = self._chase(begin_s) if begin_s > 0.0 else []
        self._at = bisect_left(self._times, begin_s)

    @property
    def next_s(self) -> float | None:
        """When `due` wants to be called next; None once the backing has ended."""
        times = [self._clicks[0][0]] if self._clicks else []
        if self._opening:
            times.append(self._start_s)
        elif (at_s := self._next_at_s()) is not None:
            times.append(self._zero_s + at_s / self.backing.tempo)
        return min(times, default=None)

    def position_s(self, now_s: float) -> float:
        """Return where in the file it is."""
        return max((now_s - self._zero_s) * self.backing.tempo, 0.0)

    @property
    def ended(self) -> bool:
        """Whether nothing more will come."""
        return self.next_s is None

    def due(self, now_s: float) -> list[tuple[float, bytes]]:
        """Return what is due by now, with the time at which it was due, in order."""
        found: list[tuple[float, bytes]] = []
        while self._clicks and self._clicks[0][0] <= now_s:
            found.append(self._clicks.pop(0))
        if self._opening and now_s >= self._start_s:
            found += [(self._start_s, data) for data in self._opening]
            self._opening = []
        backing = self.backing
        while (at_s := self._next_at_s()) is not None and not self._opening:
            due_s = self._zero_s + at_s / backing.tempo
            if due_s > now_s:
                break
            if self._at_loop_end():
                found += [(due_s, data) for data in self._jump()]
            else:
                data = backing.events[self._at][1]
                self._at += 1
                self._follow(data)
                found.append((due_s, data))
        return found

    def release(self) -> list[bytes]:
        """Return what lets go of everything that it holds."""
        sent = [
            bytes((0x80 | place >> 7, place & 0x7F, 64))
            for place, count in self._held.items()
            for _ in range(count)
        ]
        sent += [bytes((0xB0 | nibble, pedal, 0)) for nibble, pedal in sorted(self._pedals)]
        self._held.clear()
        self._pedals.clear()
        return sent

    # ---- inside

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

    def _jump(self) -> list[bytes]:
        """Go back to the beginning of the loop."""
        loop = self.backing.loop_s
        assert loop is not None
        sent = self.release() + self._chase(loop[0])
        self._zero_s += (loop[1] - loop[0]) / self.backing.tempo
        self._at = bisect_left(self._times, loop[0])
        return sent

    def _follow(self, data: bytes) -> None:
        kind = data[0] & 0xF0
        if kind in (0x80, 0x90) and len(data) == 3:
            place = (data[0] & 0x0F) << 7 | data[1] & 0x7F
            if kind == 0x90 and data[2]:
                self._held[place] = self._held.get(place, 0) + 1
            elif place in self._held:
                self._held[place] -= 1
                if not self._held[place]:
                    del self._held[place]
        elif kind == 0xB0 and len(data) == 3 and data[1] in _PEDALS:
            (self._pedals.add if data[2] else self._pedals.discard)((data[0] & 0x0F, data[1]))

    def _chase(self, position_s: float) -> list[bytes]:
        """Return banks, programs, controllers, parameters and bends as they stand before a place of the file."""
        last: dict[tuple[int, int], bytes] = {}
        reader = RpnReader()
        parameters: dict[tuple[int, Parameter, bool], int] = {}
        for _, data in self.backing.events[: bisect_left(self._times, position_s)]:
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
        return sent

    def _count_in(self) -> list[tuple[float, bytes]]:
        clicks: list[tuple[float, bytes]] = []
        for number, before_s in enumerate(self.backing.clicks_s):
            at_s = self._start_s + before_s / self.backing.tempo
            stressed = number % self.backing.clicks_a_bar == 0
            key = _HIGH_BLOCK if stressed else _LOW_BLOCK
            clicks.append((at_s, bytes((0x99, key, 100 if stressed else 70))))
            clicks.append((at_s + _CLICK_S, bytes((0x89, key, 64))))
        return sorted(clicks, key=lambda click: click[0])
