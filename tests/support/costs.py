"""What a choice of variants costs, counted by itself: the search is held against it."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.harmony.choice.search import Problem


def total_cost(problem: Problem, choices: Sequence[int]) -> float:
    """Return what a choice for every segment costs."""
    cost = sum(float(unary[choice]) for unary, choice in zip(problem.unary, choices, strict=True))
    return cost + sum(
        float(matrix[choices[first], choices[second]]) for (first, second), matrix in problem.edges.items()
    )
