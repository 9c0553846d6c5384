"""Which notes of a file may share a channel, and how many channels that takes.

Two notes may share a channel if they come from the same source channel and need the same offset whenever both
sound, through every table change. A *class* is a run of such notes, each starting while another still sounds.
Classes that sound at once need a channel each: the demand. As each class is an interval of time, the demand is the
depth of an interval graph, and as many channels as the demand are enough (D. R. Fulkerson and O. A. Gross,
"Incidence matrices and interval graphs", *Pacific J. Math.* 15, 1965): handing out free channels in order of start
reaches it.

Notes of one source channel in mono mode are one class, since they sound one at a time.

Conventions: anchors as in `demand`; classes are numbered in order of starting.
"""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from typing import TypeVar

from bridge.engine.score import Score

Place = TypeVar("Place", int, float)


class Classes:
    """The classes of a file, as columns."""

    def __init__(self) -> None:
        self.of_note = array("i")  # the class of each note
        self.first = array("i")  # the first note of each class
        self.sources = bytearray()  # source channel of each class
        # Anchors between which each class sounds.
        self.starts = array("i")
        self.ends = array("i")

    def __len__(self) -> int:
        return len(self.starts)

    def open(self, note: int, source: int, start: int, end: int) -> int:
        """Begin a class with a note; return its number."""
        self.first.append(note)
        self.sources.append(source)
        self.starts.append(start)
        self.ends.append(end)
        return len(self.starts) - 1

    def of_source(self, source: int) -> tuple[Classes, list[int]]:
        """Return the classes of one source channel on their own, and their numbers here (-1 for other notes)."""
        numbers = [number for number, each in enumerate(self.sources) if each == source]
        place = {number: at for at, number in enumerate(numbers)}
        some = Classes()
        for number in numbers:
            some.open(self.first[number], source, self.starts[number], self.ends[number])
        some.of_note.extend(place.get(number, -1) for number in self.of_note)
        return some, numbers

    def demand(self) -> array[int]:
        """Return how many classes sound at once when each class starts, itself included."""
        return depth(self.starts, self.ends)

    def sources_at_once(self) -> int:
        """Return the largest number of source channels that sound at once: fewer channels cannot do."""
        starts, ends = array("i"), array("i")
        last: dict[int, int] = {}
        for source, start, end in zip(self.sources, self.starts, self.ends, strict=True):
            at = last.get(source)
            if at is not None and ends[at] > start:
                ends[at] = max(ends[at], end)
            else:
                last[source] = len(starts)
                starts.append(start)
                ends.append(end)
        return max(depth(starts, ends), default=0)


def depth(starts: Sequence[int], ends: Iterable[int]) -> array[int]:
    """Return, at the start of each interval, how many intervals hold it.

    Starts ascend, ends come in any order; an interval that ends at an anchor below a start is over by then.
    """
    ended = sorted(ends)
    depths = array("i")
    over = 0
    for number, start in enumerate(starts, 1):
        while ended[over] < start:
            over += 1
        depths.append(number - over)
    return depths


def crowded_spans(starts: Sequence[Place], ends: Sequence[Place], channels: int) -> list[tuple[Place, Place]]:
    """Return the stretches of anchors, or of seconds, in which more than `channels` intervals hold at once."""
    spans: list[tuple[Place, Place]] = []
    ended = sorted(ends)
    over = 0
    for number, start in enumerate(starts, 1):
        while ended[over] < start:
            over += 1
        if number - over > channels:
            end = ended[number - channels - 1]  # when enough of them are over
            if spans and spans[-1][1] >= start:
                spans[-1] = (spans[-1][0], max(end, spans[-1][1]))
            else:
                spans.append((start, end))
    return spans


def sort_into_classes(
    score: Score, offsets: Sequence[float], changes: Mapping[int, Sequence[float]]
) -> Classes:
    """Sort the notes of a file into classes.

    `offsets` are those of the first table, for 128 keys in cents; `changes` has those from the anchor of each
    change on.
    """
    if changes:
        return _through_changes(score, offsets, changes)
    classes = Classes()
    numbers: dict[float, int] = {}
    number_of_key = [numbers.setdefault(offset, len(numbers)) for offset in offsets]
    width = len(numbers) + 1
    mono = score.mono
    latest = [-1] * (16 * width)  # the last class of a source and an offset; of a source in mono mode
    ends = classes.ends
    columns = zip(score.sources, score.keys, score.starts, score.ends, strict=True)
    for note, (source, key, start, end) in enumerate(columns):
        slot = source * width + (width - 1 if note in mono else number_of_key[key])
        number = latest[slot]
        if number < 0 or ends[number] < start:
            number = latest[slot] = classes.open(note, source, start, end)
        elif ends[number] < end:
            ends[number] = end
        classes.of_note.append(number)
    return classes


def _through_changes(
    score: Score, offsets: Sequence[float], changes: Mapping[int, Sequence[float]]
) -> Classes:
    """The same where tables change: what counts is the offset of a key in each table that it sounds through."""
    classes = Classes()
    anchors = sorted(changes)
    tables = [offsets, *(changes[anchor] for anchor in anchors)]
    paths: list[tuple[int, list[float] | None]] = []  # of each class: its first table, its offsets from there
    open_classes: list[list[int]] = [[] for _ in range(16)]
    columns = zip(score.sources, score.keys, score.starts, score.ends, strict=True)
    for note, (source, key, start, end) in enumerate(columns):
        first, last = bisect_right(anchors, start), bisect_right(anchors, end)
        path = None if note in score.mono else [table[key] for table in tables[first : last + 1]]
        alive = [number for number in open_classes[source] if classes.ends[number] > start]
        fitting = [number for number in alive if _agree(paths[number], first, path)]
        if fitting:
            number = max(fitting, key=classes.ends.__getitem__)
            classes.ends[number] = max(classes.ends[number], end)
            base, known = paths[number]
            if known is not None and path is not None:
                known += path[base + len(known) - first :]
        else:
            number = classes.open(note, source, start, end)
            paths.append((first, path))
            alive.append(number)
        open_classes[source] = alive
        classes.of_note.append(number)
    return classes


def _agree(known: tuple[int, list[float] | None], first: int, path: list[float] | None) -> bool:
    """Tell whether a note's offsets from table `first` on are those of a class, as far as both reach."""
    base, offsets = known
    if offsets is None or path is None:
        return offsets is None and path is None
    shared = offsets[first - base :]
    count = min(len(shared), len(path))
    return count > 0 and shared[:count] == path[:count]
