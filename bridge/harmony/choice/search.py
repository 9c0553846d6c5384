"""The exact search: one variant for every segment, at the least cost that there is.

Conventions
-----------
A `Problem` is numbers only. Each segment has some choices; a cost stands on each choice, and on each pair of choices
of two segments that have to do with each other. `best_choices` finds the choices of least total cost, and among
equals the earliest in each list, so that the same problem always gives the same answer.

How
---
Dynamic programming over segments in order of time. The state is the choice of every segment that a later one still
has to do with; a segment leaves the state with the last such one. So the state is at most the last choice of all
twelve classes, and usually far smaller. The work is linear in the number of segments. What each step chose is kept in
one byte a state; where that would be too much, only some states are kept on the way and the steps between are walked
again.

Where the state would still grow beyond `Problem.most_states`, the segment that has been silent for longest leaves it,
and costs between it and later ones are not counted: `Problem.limited` says which remain.

Index
-----
`Problem`, `best_choices` · `fits`, `seconds_of`

Sources
-------
R. Bellman, *Dynamic Programming*, 1957; elimination of one variable after another: U. Bertelè and F. Brioschi,
*Nonserial Dynamic Programming*, 1972 (both from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

Matrix = NDArray[np.float64]

MOST_STATES = 50_000
POINTER_BYTES = 200_000_000
"""As many bytes of kept choices as may stand in memory at once."""

_SEGMENT_S, _STATE_S = 1.5e-4, 2.3e-8
"""What a segment takes, and each state that it meets: half as much again as was measured on two cores with 2,500
to 30,000 notes, so that a busy machine does not take longer than was said."""


@dataclass(frozen=True, eq=False)
class Problem:
    """What is to be chosen, and what it costs."""

    unary: list[Matrix]  # cost of each choice of a segment; shape (choices,)
    # Cost of two choices together; the first segment comes earlier; shape (choices of the first, choices
    # of the second).
    edges: dict[tuple[int, int], Matrix]
    starts_s: list[float]
    # When each segment starts and ends: which one has been silent for longest.
    ends_s: list[float]
    most_states: int = MOST_STATES  # how far the state may grow

    def limited(self) -> Problem:
        """Return the problem without the costs that would make the state too large."""
        last = self._last_use()
        leaving: dict[int, list[int]] = {}
        for segment, step in enumerate(last):
            leaving.setdefault(step, []).append(segment)
        cut: dict[int, int] = {}
        active: set[int] = set()
        size = 1
        for step in range(len(self.unary)):
            active.add(step)
            size *= len(self.unary[step])
            while size > self.most_states:
                silent = [
                    one
                    for one in active
                    if self.ends_s[one] <= self.starts_s[step] and len(self.unary[one]) > 1 and one != step
                ]
                if not silent:
                    break
                oldest = min(silent, key=lambda one: (self.ends_s[one], one))
                cut[oldest] = step
                active.discard(oldest)
                size //= len(self.unary[oldest])
            for one in leaving.get(step, ()):
                if one in active:
                    active.discard(one)
                    size //= len(self.unary[one])
        if not cut:
            return self
        edges = {pair: cost for pair, cost in self.edges.items() if pair[1] < cut.get(pair[0], pair[1] + 1)}
        return replace(self, edges=edges)

    def _last_use(self) -> list[int]:
        last = list(range(len(self.unary)))
        for first, second in self.edges:
            last[first] = max(last[first], second)
        return last


@dataclass(eq=False)
class _State:
    """Least cost so far for every choice of the segments that still matter."""

    active: list[int] = field(default_factory=list)
    cost: Matrix = field(default_factory=lambda: np.zeros(()))


Pointer = tuple[int, tuple[int, ...], NDArray[np.uint8]]
"""Which segment left, which ones remained, and its best choice for each choice of those."""


def best_choices(problem: Problem, progress: Callable[[float], None] | None = None) -> list[int]:
    """Return for each segment the index of its choice, at the least total cost.

    Parameters
    ----------
    problem : Problem
        Taken as it is; call `Problem.limited` first where the state may be large.
    progress : callable, optional
        Called now and then with the part that is done, 0 to 1.
    """
    walk = _Walk(problem)
    count = len(problem.unary)
    blocks = walk.blocks()
    kept: list[_State] = []
    state = _State()
    pointers: list[Pointer] = []
    for number, (first, beyond) in enumerate(blocks):
        if progress is not None:
            progress(0.5 * first / max(count, 1))
        kept.append(_State(list(state.active), state.cost))
        pointers = []
        # The last block is walked with pointers at once; the others again, on the way back.
        walk.run(state, first, beyond, pointers if number == len(blocks) - 1 else None)
    chosen: list[int] = [0] * count
    for number in reversed(range(len(blocks))):
        first, beyond = blocks[number]
        if progress is not None:
            progress(1.0 - 0.5 * first / max(count, 1))
        if number < len(blocks) - 1:
            pointers = []
            walk.run(kept[number], first, beyond, pointers)
        for segment, remaining, best in reversed(pointers):
            chosen[segment] = int(best[tuple(chosen[one] for one in remaining)])
    return chosen


def fits(problem: Problem) -> int:
    """Return the number of states that the search holds at most."""
    return max(_Walk(problem).sizes(), default=1)


def seconds_of(problem: Problem) -> float:
    """Return about how long the search takes, in seconds, from its segments and the states at each."""
    return _SEGMENT_S * len(problem.unary) + _STATE_S * sum(_Walk(problem).sizes())


class _Walk:
    """The steps of the search over one problem."""

    def __init__(self, problem: Problem) -> None:
        self.unary = [unary.copy() for unary in problem.unary]
        self.before: list[list[tuple[int, Matrix]]] = [[] for _ in self.unary]
        last = list(range(len(self.unary)))
        for (first, second), matrix in problem.edges.items():
            # What has no choice costs the other alone.
            if len(self.unary[first]) == 1:
                self.unary[second] = self.unary[second] + matrix[0]
            elif len(self.unary[second]) == 1:
                self.unary[first] = self.unary[first] + matrix[:, 0]
            else:
                self.before[second].append((first, matrix))
                last[first] = max(last[first], second)
        self.leaving: list[list[int]] = [[] for _ in self.unary]
        for segment, step in enumerate(last):
            self.leaving[step].append(segment)

    def sizes(self) -> list[int]:
        """Return the number of states at each step."""
        sizes, size = [], 1
        for step in range(len(self.unary)):
            size *= len(self.unary[step])
            sizes.append(size)
            for one in self.leaving[step]:
                size //= len(self.unary[one])
        return sizes

    def blocks(self) -> list[tuple[int, int]]:
        """Cut the steps into blocks whose pointers fit into memory; one block for most pieces."""
        blocks, first, held = [], 0, 0
        for step, size in enumerate(self.sizes()):
            held += size * len(self.leaving[step])
            if held > POINTER_BYTES and step > first:
                blocks.append((first, step))
                first, held = step, size
        return [*blocks, (first, len(self.unary))]

    def run(self, state: _State, first: int, beyond: int, pointers: list[Pointer] | None) -> None:
        """Walk some steps; the state is changed in place, its arrays are not."""
        for step in range(first, beyond):
            self._join(state, step, pointers)

    def _join(self, state: _State, step: int, pointers: list[Pointer] | None) -> None:
        """Let one segment join, and those leave that nothing later has to do with.

        The newest segment is the first axis.
        """
        active, cost = state.active, state.cost
        unary = self.unary[step]
        matrices: dict[int, Matrix] = {}
        for earlier, matrix in self.before[step]:
            matrices[earlier] = matrices[earlier] + matrix if earlier in matrices else matrix
        leaving = [one for one in self.leaving[step] if one != step]
        # First whoever leaves now: the state never holds two segments of a class for longer than one sum.
        added = False
        for segment in leaving:
            axis = active.index(segment)
            if not added:
                joined = matrices.pop(segment, None)
                if joined is None:
                    best = cost.argmin(axis=axis)
                    cost = np.take_along_axis(cost, np.expand_dims(best, axis), axis).squeeze(axis)
                    del active[axis]
                    self._remember(pointers, segment, active, best)
                    continue
                shape = [1] * cost.ndim
                shape[axis] = len(joined)
                cost = cost + np.ascontiguousarray(joined.T).reshape(len(unary), *shape)
                added = True
                active.insert(0, step)
                axis += 1
            else:
                joined = matrices.pop(segment, None)
                if joined is not None:
                    shape = [1] * cost.ndim
                    shape[0], shape[axis] = len(unary), len(joined)
                    cost = cost + np.ascontiguousarray(joined.T).reshape(shape)
            best = cost.argmin(axis=axis)
            cost = np.take_along_axis(cost, np.expand_dims(best, axis), axis).squeeze(axis)
            del active[axis]
            self._remember(pointers, segment, active, best)
        if not added:
            active.insert(0, step)
            cost = cost[None]
        # The rest is summed over the few axes it concerns before it meets the whole state.
        extra = unary.reshape(len(unary), *([1] * (cost.ndim - 1)))
        for axis in range(cost.ndim - 1, 0, -1):
            joined = matrices.get(active[axis])
            if joined is not None:
                shape = [1] * cost.ndim
                shape[0], shape[axis] = len(unary), joined.shape[0]
                extra = extra + np.ascontiguousarray(joined.T).reshape(shape)
        cost = cost + extra
        if step in self.leaving[step]:
            best = cost.argmin(axis=0)
            cost = np.take_along_axis(cost, best[None], 0).squeeze(0)
            del active[0]
            self._remember(pointers, step, active, best)
        state.cost = cost

    @staticmethod
    def _remember(
        pointers: list[Pointer] | None, segment: int, remaining: list[int], best: NDArray[np.int64]
    ) -> None:
        if pointers is not None:
            pointers.append((segment, tuple(remaining), np.asarray(best).astype(np.uint8)))
