"""Errors of ports as programs written with mido expect them: as `OSError`."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from bridge.errors import PortProblem


class MidoPortProblem(PortProblem, OSError):
    """A `PortProblem` that is an `OSError` too, which is what mido's own ports raise."""


@contextlib.contextmanager
def as_mido_expects() -> Iterator[None]:
    """Turn a `PortProblem` inside into one that is an `OSError` too."""
    try:
        yield
    except PortProblem as problem:
        raise MidoPortProblem(problem.message, problem.hint) from problem
