"""The events of a MIDI file in the order in which a player meets them, and the way back to tracks.

Jobs hand `Playing` to an engine as a sequence of ``(seconds, data)`` and weave the engine's answer back into
the tracks it came from. Nothing is copied on the way: the sequence is a view, and an event that comes back as
the same bytes object at its own place stays the same tuple.

Conventions: playing order is by tick, then track, then position in the track. An *anchor* is an index into that
order. Ticks are absolute; times in seconds; tracks count from 0.
"""

from __future__ import annotations

import gc
import math
from array import array
from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Sequence
from operator import itemgetter
from typing import overload

from bridge.engine.protocols import MARKER, Output
from bridge.store.smf import Event, MidiFile
from bridge.store.timeline import TempoMap

_tick_of = itemgetter(0)


class Playing(Sequence[tuple[float, bytes]]):
    """Events of some tracks that play together, in playing order, as ``(seconds, data)``; the file is not changed."""

    def __init__(self, mf: MidiFile, numbers: Sequence[int]) -> None:
        self.numbers = tuple(numbers)  # the tracks taken together
        self.tempo = TempoMap(mf, self.numbers[0] if mf.format == 2 else None)
        if len(self.numbers) == 1:
            number = self.numbers[0]
            # The file's own tuples ``(tick, data)`` in playing order.
            self.events: list[Event] = mf.tracks[number][:]
            # For each anchor, the number of its track in the file.
            self.tracks = array("H", [number]) * len(self.events)
        else:
            flat: list[Event] = []
            owners = array("H")
            for number in self.numbers:
                flat += mf.tracks[number]
                owners.extend(array("H", [number]) * len(mf.tracks[number]))
            # The sort is stable and the tracks are sorted runs already: it merges them in order of track.
            order = array("L", sorted(range(len(flat)), key=list(map(_tick_of, flat)).__getitem__))
            self.events = list(map(flat.__getitem__, order))
            self.tracks = array("H", map(owners.__getitem__, order))
        self._ends = {number: mf.tracks[number][-1][0] for number in self.numbers if mf.tracks[number]}

    def __len__(self) -> int:
        return len(self.events)

    @overload
    def __getitem__(self, index: int) -> tuple[float, bytes]: ...
    @overload
    def __getitem__(self, index: slice) -> list[tuple[float, bytes]]: ...
    def __getitem__(self, index: int | slice) -> tuple[float, bytes] | list[tuple[float, bytes]]:
        if isinstance(index, slice):
            return [(self.tempo.seconds(tick), data) for tick, data in self.events[index]]
        tick, data = self.events[index]
        return self.tempo.seconds(tick), data

    def __iter__(self) -> Iterator[tuple[float, bytes]]:
        return self.tempo.times(self.events)

    def anchor_at(self, tick: int) -> int:
        """Return the anchor of the first event at or after `tick`; the length if there is none."""
        return bisect_left(self.events, tick, key=_tick_of)

    def mark(self, ticks: Iterable[int], before: Callable[[bytes], bool]) -> list[int]:
        """Set markers among the events: places of their own, with empty data, for what is to change there.

        Parameters
        ----------
        ticks : iterable of int
            Where, ascending; several at one tick stand in the order given.
        before : callable
            Tells of an event's data whether a marker at the same tick stands before it (a note-on) or behind
            it (the end of a note). A marker stands before the first such event and all that follows it.

        Returns
        -------
        list of int
            The anchors of the markers; anchors behind them move up.
        """
        anchors: list[int] = []
        for tick in ticks:
            at = max(self.anchor_at(tick), anchors[-1] + 1 if anchors else 0)
            while at < len(self.events) and self.events[at][0] == tick and not before(self.events[at][1]):
                at += 1
            home = self.tracks[at] if at < len(self.tracks) else self.numbers[0]
            self.events.insert(at, (tick, MARKER))
            self.tracks.insert(at, home)
            anchors.append(at)
        return anchors

    def place(self, anchor: int) -> tuple[int, int]:
        """Return the track of an anchor and its position in that track."""
        number = self.tracks[anchor]
        return number, self.tracks[:anchor].count(number)

    def weave(self, answers: Iterable[Output]) -> dict[int, list[Event]]:
        """Put an engine's answer back into tracks.

        An answer without a time stands in its anchor's track at its anchor's tick, in the order given. One
        with a time stands in its anchor's track at the next tick from that time on, before the file's own
        events at that tick in whatever track: where an earlier track has one there, a tick sooner. Where the
        anchor's track is over by then, it goes to the track that plays next. An end mark stays last in its
        track. Markers vanish.

        Parameters
        ----------
        answers : iterable of Output
            Anchors must not run backwards among answers without a time. A time earlier than its anchor's
            counts as none.

        Returns
        -------
        dict of int to list of Event
            New events for each track of this sequence; ticks never run backwards.
        """
        woven: dict[int, list[Event]] = {number: [] for number in self.numbers}
        add = {number: events.append for number, events in woven.items()}
        late: dict[int, list[Event]] = {}
        events, tracks = self.events, self.tracks
        collecting = gc.isenabled()
        gc.disable()  # the tuples that pile up here are all kept
        try:
            for anchor, time_s, data in answers:
                event = events[anchor]
                if time_s is None:
                    add[tracks[anchor]](event if event[1] is data else (event[0], data))
                    continue
                tick, number = self._late(anchor, time_s)
                if tick <= event[0]:
                    add[tracks[anchor]]((event[0], data))
                else:
                    late.setdefault(number, []).append((tick, data))
        finally:
            if collecting:
                gc.enable()
        for number, added in late.items():
            added.sort(key=_tick_of)
            woven[number] = sorted(added + woven[number], key=_tick_of)
        for track in woven.values():
            _end_last(track)
        return woven

    def _late(self, anchor: int, time_s: float) -> tuple[int, int]:
        """Return tick and track for a message due at a time after its anchor's."""
        number = self.tracks[anchor]
        tick = math.ceil(self.tempo.tick(time_s) - 1e-6)
        at = self.anchor_at(tick)
        if at < len(self.events):
            if tick > self._ends.get(number, 0):
                number = self.tracks[at]
            elif self.events[at][0] == tick and self.tracks[at] < number:
                tick -= 1
        return tick, number


def _end_last(track: list[Event]) -> None:
    """Move an end mark that no longer stands last to the end."""
    if not track or track[-1][1][:2] == b"\xff\x2f":
        return
    for position in range(len(track) - 1, -1, -1):
        tick, data = track[position]
        if data[:2] == b"\xff\x2f":
            del track[position]
            track.append((max(tick, track[-1][0]), data))
            return


def sequences(mf: MidiFile) -> list[Playing]:
    """Return what plays on its own: all tracks together in formats 0 and 1, each track in format 2."""
    if mf.format == 2:
        return [Playing(mf, [number]) for number in range(len(mf.tracks))]
    return [Playing(mf, range(len(mf.tracks)))]
