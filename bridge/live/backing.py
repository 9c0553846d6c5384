"""A MIDI file made ready to play in real time: its events, bars and parts, a count-in, a loop of bars, another tempo.

Times are seconds of the file at its own tempo; `bridge.live.track.BackingPlayer` turns them into the driver's time.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.errors import InputProblem, ValueProblem

if TYPE_CHECKING:
    from bridge.store.smf import MidiFile

MOST_COUNT_IN_BARS = 8
LEAST_TEMPO, MOST_TEMPO = 0.25, 4.0


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
    parts: tuple[str, ...] = ()  # names of those who play in it
    of_parts: tuple[int, ...] = ()  # who plays each event, from 1; 0: nobody; empty where nobody asked
    loop: tuple[int, int] | None = None  # first and last bar of what it repeats
    tables: tuple[
        tuple[float, int], ...
    ] = ()  # from when on which table holds, from 1; empty: none is chosen

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

    Raises
    ------
    InputProblem
        The file cannot be read, or plays nothing.
    ValueProblem
        A bar does not exist, the file has no bars, or a number is out of range.
    """
    from bridge.store.smf import read_midi

    return make_backing(read_midi(path), path.name, count_in_bars, loop, tempo)


def make_backing(
    midi: MidiFile,
    name: str,
    count_in_bars: int | None = 0,
    loop: tuple[int, int] | None = None,
    tempo: float = 1.0,
) -> Backing:
    """Make a file ready that was read; parameters as for `load_backing`.

    A count-in of None is one bar, where the file has bars.
    """
    from bridge.live.parts import parts_of
    from bridge.store.playing import sequences
    from bridge.store.timeline import BarMap

    if count_in_bars is None:
        count_in_bars = 0 if midi.ticks_per_quarter is None else 1
    if not LEAST_TEMPO <= tempo <= MOST_TEMPO:
        meant = LEAST_TEMPO <= tempo / 100.0 <= MOST_TEMPO
        raise ValueProblem(
            f"a tempo of {tempo:g} times the file's is out of range",
            f"{LEAST_TEMPO:g} to {MOST_TEMPO:g}" + (f"; did you mean {tempo:g}%?" if meant else ""),
        )
    if not 0 <= count_in_bars <= MOST_COUNT_IN_BARS:
        raise ValueProblem(f"a count-in of {count_in_bars} bars", f"0 to {MOST_COUNT_IN_BARS}")
    playing = sequences(midi)[0]
    names, owners = parts_of(playing)
    kept = [
        ((time_s, message), owner)
        for (time_s, data), owner in zip(playing, owners, strict=True)
        if (message := _playable(data))
    ]
    events, of_parts = tuple(one for one, _ in kept), tuple(owner for _, owner in kept)
    if not events:
        raise InputProblem(f"{name} plays nothing", "it holds no notes and no other messages")
    end_s = max(time_s for time_s, _ in playing)
    if midi.ticks_per_quarter is None:
        if loop is not None or count_in_bars:
            BarMap(midi)  # says that there are no bars
        return Backing(name, events, end_s, tempo=tempo, parts=names, of_parts=of_parts)
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
    return Backing(
        name,
        events,
        end_s,
        starts_s,
        begin_s,
        loop_s,
        clicks_s,
        signature.beats,
        tempo=tempo,
        parts=names,
        of_parts=of_parts,
        loop=loop,
    )


def _playable(data: bytes) -> bytes:
    """Return what goes out for an event of a file; nothing for meta events and parts of SysEx messages."""
    if not data or data[0] == 0xFF:
        return b""
    if data[0] == 0xF0:
        return data if data[-1] == 0xF7 else b""
    return data[1:] if data[0] == 0xF7 else data
