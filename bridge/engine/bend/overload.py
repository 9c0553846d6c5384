"""More classes than channels: which of them share, so that the loss is the least.

The loss of a class is the sum over time of (cents off times weight); its weight is the mean loudness of its notes, a
thousandfold for the tonic and for the bass, which therefore stay pure as long as anything else can give way. Classes
share only with their own source channel, for a channel has one program. Where classes share, the bend is at each
moment the offset among theirs with the least loss (`bend_channels.best_offset`).

The search goes through the crowded stretches in order of time and keeps the best ways to share so far, each with the
loss that it is bound to have from what has started already. While all ways are kept, the result is the optimum; where
there are too many, only the best survive (a beam). Each way kept is feasible: it leaves a channel for every source
channel that is still to start.

Conventions: as in `classes`. Source channels are 0 to 15, bits of a mask.

Index: `share`, `pure_notes`.
"""

from __future__ import annotations

import math
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import NamedTuple

from bridge.engine.bend.bend_channels import best_offset
from bridge.engine.bend.classes import Classes, crowded_spans, depth
from bridge.engine.bend.on_the_spot import PURE_WEIGHT, sums_loss
from bridge.engine.score import Score

_EFFORT = 4_000  # ways kept, over a whole file
_MOST_WAYS = 2_000
_SEARCHED_WHOLE = 8  # so few classes are searched to the end
_FINE_EFFORT = 60_000  # losses worked out where one way is followed, over a whole file
_LEAST_WAYS = 4  # below this, one way is followed, which is much faster
_JOINS_IN_A_BEAM = 3

_Group = tuple[int, ...]  # classes that share and still sound


class _Step(NamedTuple):
    """A class was put to the group that `root` began."""

    before: _Step | None
    number: int
    root: int


# What shares, to: the loss so far and to come, the class that began each group, and the steps that led there.
_Ways = dict[tuple[_Group, ...], tuple[float, tuple[int, ...], _Step | None]]


@dataclass(slots=True)
class _Shared:
    """A channel that classes share: the first of them, until when it is taken, and the weightiest one's offset."""

    root: int
    source: int
    end: int
    end_s: float
    offset: float
    weight: float
    members: list[int]

    def join(self, number: int, end: int, end_s: float, offset: float, weight: float) -> None:
        self.end, self.end_s = max(self.end, end), max(self.end_s, end_s)
        self.members.append(number)
        if weight > self.weight:
            self.offset, self.weight = offset, weight


def share(
    score: Score,
    classes: Classes,
    channels: int,
    offsets: Sequence[float],
    changes: Mapping[int, Sequence[float]],
    tonics: Sequence[int | None] = (),
    chord_s: float = 0.03,
) -> array[int]:
    """Decide which classes share a channel, so that `channels` are enough.

    Parameters
    ----------
    channels : int
        At least as many as source channels sound at once.
    offsets, changes
        The tables, as in `sort_into_classes`.
    tonics : sequence of int or None
        Pitch class of the tonic of each table, the first and then each change in order.
    chord_s : float
        Notes that start within this time count as one chord, of which the lowest is the bass.

    Returns
    -------
    array of int
        For each class the first class of those it shares with; its own number where it shares with none.
    """
    spans = crowded_spans(classes.starts, classes.ends, channels)
    shared = array("i", range(len(classes)))
    if spans:
        search = _Search(score, classes, channels, spans)
        search.know_pitch(offsets, changes)
        search.know_weights(pure_notes(score, changes, tonics, chord_s))
        search.run(shared)
    return shared


def pure_notes(
    score: Score, changes: Mapping[int, Sequence[float]], tonics: Sequence[int | None], chord_s: float
) -> bytearray:
    """Return for each note whether it is kept pure: the tonic of its table, or the lowest when its chord has begun."""
    anchors = sorted(changes)
    pure = bytearray(len(score))
    by_end = sorted(range(len(score)), key=score.ends.__getitem__)
    counts = [0] * 128
    ended = first = 0
    while first < len(score):
        last = first
        limit_s = score.starts_s[first] + chord_s
        while last < len(score) and score.starts_s[last] <= limit_s:
            counts[score.keys[last]] += 1
            last += 1
        while score.ends[by_end[ended]] < score.starts[first]:
            counts[score.keys[by_end[ended]]] -= 1
            ended += 1
        lowest = next(key for key in range(128) if counts[key])
        for note in range(first, last):
            table = bisect_right(anchors, score.starts[note])
            tonic = tonics[table] if table < len(tonics) else None
            pure[note] = score.keys[note] == lowest or score.keys[note] % 12 == tonic
        first = last
    return pure


class _Search:
    def __init__(self, score: Score, classes: Classes, channels: int, spans: list[tuple[int, int]]) -> None:
        self.score = score
        self.classes = classes
        self.channels = channels
        span_ends = [end for _, end in spans]
        self.concerned = [
            number
            for number, (start, end) in enumerate(zip(classes.starts, classes.ends, strict=True))
            if (at := bisect_left(span_ends, start)) < len(spans) and spans[at][0] <= end
        ]
        self.crowded = {
            number for number, count in enumerate(depth(classes.starts, classes.ends)) if count > channels
        }
        few = len(self.concerned) <= _SEARCHED_WHOLE
        self.most_ways = _MOST_WAYS if few else _EFFORT // len(self.concerned)
        self.ends_s: dict[int, float] = dict.fromkeys(self.concerned, 0.0)
        for note, number in enumerate(classes.of_note):
            if number in self.ends_s and score.ends_s[note] > self.ends_s[number]:
                self.ends_s[number] = score.ends_s[note]
        self.last_end = -1  # of the classes that have started
        self._gates()

    def know_pitch(self, offsets: Sequence[float], changes: Mapping[int, Sequence[float]]) -> None:
        """Take the tables; the time of a change is taken as that of the next note."""
        starts, starts_s = self.score.starts, self.score.starts_s
        self.change_s: list[float] = []
        self.tables = [offsets]
        for anchor in sorted(changes):
            at = bisect_left(starts, anchor)
            self.change_s.append(starts_s[at] if at < len(starts) else math.inf)
            self.tables.append(changes[anchor])

    def know_weights(self, pure: bytearray) -> None:
        """Work out what each class counts."""
        score, classes = self.score, self.classes
        sums = dict.fromkeys(self.concerned, 0.0)
        for note, number in enumerate(classes.of_note):
            if number in sums:
                length_s = score.ends_s[note] - score.starts_s[note]
                sums[number] += score.loud[note] * length_s * (PURE_WEIGHT if pure[note] else 1.0)
        self.weights = {
            number: total / max(self.ends_s[number] - score.starts_s[classes.first[number]], 1e-9)
            for number, total in sums.items()
        }

    def _gates(self) -> None:
        """Find where, in a crowd, a source channel begins to sound: a channel must be left for it there."""
        classes = self.classes
        run_ends = [-1] * 16
        self.gate_anchors: list[int] = []
        self.gate_masks: list[int] = []
        for number, (source, start, end) in enumerate(
            zip(classes.sources, classes.starts, classes.ends, strict=True)
        ):
            if run_ends[source] < start and number in self.crowded:
                mask = sum(1 << each for each in range(16) if run_ends[each] > start)
                self.gate_anchors.append(start)
                self.gate_masks.append(mask | 1 << source)
            run_ends[source] = max(run_ends[source], end)

    def offset(self, number: int, table: int) -> float:
        """The offset of a class under a table."""
        return self.tables[table][self.score.keys[self.classes.first[number]]]

    def loss(self, group: _Group, from_s: float) -> float:
        """What a group loses from a time until all its members have ended."""
        if len(group) < 2:
            return 0.0
        ends_s, weights = self.ends_s, self.weights
        if len(group) == 2 and not self.change_s:
            one, other = group
            apart = abs(self.offset(one, 0) - self.offset(other, 0))
            both_s = max(0.0, min(ends_s[one], ends_s[other]) - from_s)
            return apart * min(weights[one], weights[other]) * both_s
        alive = sorted(group, key=ends_s.__getitem__)
        table = bisect_right(self.change_s, from_s)
        total, now_s = 0.0, from_s
        while len(alive) > 1:
            end_s = ends_s[alive[0]]
            change_s = self.change_s[table] if table < len(self.change_s) else math.inf
            until_s = min(end_s, change_s)
            if until_s > now_s:
                sums: dict[float, float] = {}
                for number in alive:
                    offset = self.offset(number, table)
                    sums[offset] = sums.get(offset, 0.0) + weights[number]
                total += (until_s - now_s) * sums_loss(sums, best_offset(sums, math.inf))
                now_s = until_s
            if end_s <= change_s:
                alive.pop(0)
            else:
                table += 1
        return total

    def nothing_ahead(self, start: int) -> bool:
        """Tell whether no source channel begins while what sounds now may still sound."""
        at = bisect_right(self.gate_anchors, start)
        return at == len(self.gate_anchors) or self.gate_anchors[at] >= self.last_end

    def is_safe(self, groups: Sequence[_Group], start: int) -> bool:
        """Tell whether a channel is left for every source channel that begins later."""
        if self.nothing_ahead(start):
            return True
        ends, sources = self.classes.ends, self.classes.sources
        return self.leaves_room(
            [(max([ends[number] for number in group]), 1 << sources[group[0]]) for group in groups], start
        )

    def leaves_room(self, spans: Sequence[tuple[int, int]], start: int) -> bool:
        """The same, for channels given by the anchor where each is free again and the bit of its source channel."""
        at = bisect_right(self.gate_anchors, start)
        last = max(spans)[0]
        while at < len(self.gate_anchors) and self.gate_anchors[at] < last:
            anchor, covered, alive = self.gate_anchors[at], 0, 0
            for end, bit in spans:
                if end > anchor:
                    alive += 1
                    covered |= bit
            if alive + (self.gate_masks[at] & ~covered).bit_count() > self.channels:
                return False
            at += 1
        return True

    def run(self, shared: array[int]) -> None:
        """Search, and enter into `shared` the best that was found."""
        if self.most_ways < _LEAST_WAYS:
            self._one_way(shared)
            return
        ways: _Ways = {(): (0.0, (), None)}
        for number in self.concerned:
            ways = self._step(ways, number)
        history = min(ways.values(), key=itemgetter(0))[2]
        while history is not None:
            shared[history.number] = history.root
            history = history.before

    def _one_way(self, shared: array[int]) -> None:
        """Follow one way only: a channel of its own while there is one to spare, else the group that costs least."""
        classes, channels, weights, ends_s = self.classes, self.channels, self.weights, self.ends_s
        starts_s, keys = self.score.starts_s, self.score.keys
        table, next_change_s = 0, self.change_s[0] if self.change_s else math.inf
        groups: list[_Shared] = []
        finely = min(_JOINS_IN_A_BEAM, _FINE_EFFORT // len(self.concerned))
        for number in self.concerned:
            start, end, source = classes.starts[number], classes.ends[number], classes.sources[number]
            self.last_end = max(self.last_end, end)
            groups = [group for group in groups if group.end > start]
            now_s = starts_s[classes.first[number]]
            if now_s >= next_change_s:
                table = bisect_right(self.change_s, now_s)
                next_change_s = self.change_s[table] if table < len(self.change_s) else math.inf
            offset = self.tables[table][keys[classes.first[number]]]
            clear = self.nothing_ahead(start)
            spans = [] if clear else [(group.end, 1 << group.source) for group in groups]
            alone = (end, 1 << source)
            if (len(groups) < channels or number not in self.crowded) and (
                clear or self.leaves_room([*spans, alone], start)
            ):
                groups.append(_Shared(number, source, end, ends_s[number], offset, weights[number], [number]))
                continue
            options: list[tuple[float, int]] = []
            for at, group in enumerate(groups):
                if group.source == source:
                    both_s = min(group.end_s, ends_s[number]) - now_s
                    cost = abs(group.offset - offset) * min(group.weight, weights[number]) * both_s
                    options.append((cost, at))
            options.sort()
            if finely:
                looked_at = [(self._more(groups[at], number, start, now_s), at) for _, at in options[:finely]]
                options[:finely] = sorted(looked_at)
            for _, at in options:
                group = groups[at]
                if (
                    clear
                    or end <= group.end
                    or self.leaves_room([*spans[:at], alone, *spans[at + 1 :]], start)
                ):
                    shared[number] = group.root
                    group.join(number, end, ends_s[number], offset, weights[number])
                    break

    def _more(self, group: _Shared, number: int, start: int, now_s: float) -> float:
        """What a group loses more if a class joins it."""
        ends = self.classes.ends
        group.members = [each for each in group.members if ends[each] > start]
        members = tuple(group.members)
        return self.loss((*members, number), now_s) - self.loss(members, now_s)

    def _step(self, ways: _Ways, number: int) -> _Ways:
        """Let a class start: in every way so far, on a channel of its own and in every group it may join."""
        classes = self.classes
        start, source = classes.starts[number], classes.sources[number]
        self.last_end = max(self.last_end, classes.ends[number])
        now_s = self.score.starts_s[classes.first[number]]
        crowded = number in self.crowded
        beam = len(ways) * 4 > self.most_ways
        following: _Ways = {}
        for groups, (cost, roots, history) in self._survivors(ways, start).items():
            options = [at for at, group in enumerate(groups) if classes.sources[group[0]] == source]
            if beam:
                options = self._nearest(number, groups, options, now_s)
            for at in [-1, *options]:
                if at < 0:
                    if crowded and len(groups) >= self.channels:
                        continue
                    joined, root, more = (*groups, (number,)), number, 0.0
                    new_roots = (*roots, number)
                else:
                    group = (*groups[at], number)
                    joined, root = (*groups[:at], group, *groups[at + 1 :]), roots[at]
                    more = self.loss(group, now_s) - self.loss(groups[at], now_s)
                    new_roots = roots
                if not self.is_safe(joined, start):
                    continue
                known = following.get(joined)
                if known is None or cost + more < known[0]:
                    following[joined] = (cost + more, new_roots, _Step(history, number, root))
        if len(following) > self.most_ways:
            best = sorted(following.items(), key=lambda way: way[1][0])
            following = dict(best[: self.most_ways])
        return following

    def _nearest(self, number: int, groups: Sequence[_Group], options: list[int], now_s: float) -> list[int]:
        """Keep the groups that cost least to join, and the one that lasts longest, which is always safe."""
        if len(options) <= _JOINS_IN_A_BEAM:
            return options
        table = bisect_right(self.change_s, now_s)
        offset = self.offset(number, table)
        offsets, keys, first, ends = (
            self.tables[table],
            self.score.keys,
            self.classes.first,
            self.classes.ends,
        )
        near = sorted(options, key=lambda at: abs(offsets[keys[first[groups[at][0]]]] - offset))
        longest = max(options, key=lambda at: max([ends[each] for each in groups[at]]))
        return list(dict.fromkeys([*near[:_JOINS_IN_A_BEAM], longest]))

    def _survivors(self, ways: _Ways, start: int) -> _Ways:
        """Drop the classes that have ended; ways that are the same then become one, the better."""
        ends = self.classes.ends
        left: _Ways = {}
        for groups, (cost, roots, history) in ways.items():
            kept: list[tuple[_Group, int]] = []
            for group, root in zip(groups, roots, strict=True):
                members = tuple(each for each in group if ends[each] > start)
                if members:
                    kept.append((members, root))
            kept.sort()
            key = tuple(group for group, _ in kept)
            known = left.get(key)
            if known is None or cost < known[0]:
                left[key] = (cost, tuple(root for _, root in kept), history)
        return left
