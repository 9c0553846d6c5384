"""Doing the work of a session in several processes.

Processes start clean (a copy of this one could hold locks of its threads), leave Ctrl-C to their parent, and end with
it, however it ends: a parent that is killed leaves nobody behind who still writes.
"""

from __future__ import annotations

import contextlib
import os
import queue
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from types import TracebackType
from typing import Any, TypeVar

from bridge.children import clean_context, safe_helpers, start_worker, undisturbed
from bridge.errors import OutputProblem

_Job = TypeVar("_Job")
_Done = TypeVar("_Done")
Say = Callable[[Any], None]

_LISTEN_S = 0.2
"""So often what other processes say is listened to."""

_says: list[Say] = []
"""In a process of a crew: what brings a word to its parent."""


def cores() -> int:
    """Return how many cores this process may use."""
    try:
        return max(1, len(os.sched_getaffinity(0)))
    except AttributeError:
        return os.cpu_count() or 1


class Crew:
    """Processes that do jobs; use it in a ``with`` statement.

    Parameters
    ----------
    processes : int
        How many; with 1, and for a single job, everything is done in this process.
    """

    def __init__(self, processes: int) -> None:
        self.processes = processes
        self._pool: ProcessPoolExecutor | None = None
        self._said: Any = None

    def __enter__(self) -> Crew:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None

    def run(
        self,
        function: Callable[..., _Done],
        jobs: Iterable[_Job],
        count: int,
        worth: int = 2,
        say: Say | None = None,
    ) -> Iterator[tuple[_Job, _Done]]:
        """Do jobs; return an iterator over each with what came of it, in their order.

        Other processes begin at once, each job as soon as `jobs` has it, whether or not the result is asked for yet.

        Parameters
        ----------
        function : callable
            Does a job; a function of a module.
        worth : int
            From how many jobs on it is worth starting processes for them.
        say : callable, optional
            Takes what jobs say on their way, here and now; `function` gets it, or what brings it here, beside its job.

        Raises
        ------
        OutputProblem
            A process ended unexpectedly.
        StillbeatError
            What a job raised: that of the first job, whichever was found first.
        """
        few = count < (worth if self._pool is None else 2)
        if self.processes <= 1 or few:
            return ((job, function(job) if say is None else function(job, say)) for job in jobs)
        with _ended_well(), safe_helpers():
            if self._pool is None:
                context = clean_context("bridge.jobs.session.piece")
                self._said = context.Queue()
                self._pool = ProcessPoolExecutor(
                    self.processes, mp_context=context, initializer=_begin, initargs=(self._said,)
                )
            waiting = []
            for number, job in enumerate(jobs):
                with undisturbed():  # a process that is left half started cannot be waited for, and complains
                    own = (function, job) if say is None else (_saying, function, job, number)
                    waiting.append((job, self._pool.submit(*own)))
            return self._finished(waiting, say)

    def _finished(
        self, waiting: Sequence[tuple[_Job, Future[_Done]]], say: Say | None
    ) -> Iterator[tuple[_Job, _Done]]:
        ended: set[int] = set()
        for number, (job, future) in enumerate(waiting):
            with _ended_well():
                while say is not None and number not in ended:
                    if future.done() and future.exception() is not None:
                        break
                    with contextlib.suppress(queue.Empty):
                        of, word = self._said.get(timeout=_LISTEN_S)
                        say(word) if of is None else ended.add(of)
                done = future.result()
            yield job, done


def _begin(said: Any) -> None:
    """Get ready for jobs, and for what they say: a word that nobody takes any more holds up no end."""
    start_worker()
    said.cancel_join_thread()
    _says.append(said.put)


def _saying(function: Callable[[_Job, Say], _Done], job: _Job, number: int) -> _Done:
    """Do a job that says something on its way, and say that all is said."""
    put = _says[-1]
    done = function(job, lambda word: put((None, word)))
    put((number, None))
    return done


@contextlib.contextmanager
def _ended_well() -> Iterator[None]:
    try:
        yield
    except BrokenProcessPool:
        raise OutputProblem(
            "a process that worked on the session ended unexpectedly",
            "perhaps the memory was full; try --jobs 1",
        ) from None
