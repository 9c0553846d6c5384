"""Doing the work of a session in several processes.

Processes start clean (a copy of this one could hold locks of its threads), leave Ctrl-C to their parent, and end with
it, however it ends: a parent that is killed leaves nobody behind who still writes.

Index
-----
`cores`, `Crew`
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.connection import wait
from multiprocessing.context import BaseContext
from types import TracebackType
from typing import TypeVar

from bridge.errors import OutputProblem

_Job = TypeVar("_Job")
_Done = TypeVar("_Done")


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
        function: Callable[[_Job], _Done],
        jobs: Iterable[_Job],
        count: int,
        worth: int = 2,
    ) -> Iterator[tuple[_Job, _Done]]:
        """Do jobs; return an iterator over each with what came of it, in their order.

        Other processes begin at once, each job as soon as `jobs` has it, whether or not the result is asked for yet.

        Parameters
        ----------
        function : callable
            Does a job; a function of a module.
        jobs : iterable
            What it takes.
        count : int
            How many there are.
        worth : int
            From how many jobs on it is worth starting processes for them.

        Raises
        ------
        OutputProblem
            A process ended unexpectedly.
        StillbeatError
            What a job raised: that of the first job, whichever was found first.
        """
        few = count < (worth if self._pool is None else 2)
        if self.processes <= 1 or few:
            return ((job, function(job)) for job in jobs)
        if self._pool is None:
            self._pool = ProcessPoolExecutor(self.processes, mp_context=_context(), initializer=_start_worker)
        with _ended_well():
            return _finished([(job, self._pool.submit(function, job)) for job in jobs])


def _finished(waiting: Sequence[tuple[_Job, Future[_Done]]]) -> Iterator[tuple[_Job, _Done]]:
    for job, future in waiting:
        with _ended_well():
            done = future.result()
        yield job, done


@contextlib.contextmanager
def _ended_well() -> Iterator[None]:
    try:
        yield
    except BrokenProcessPool:
        raise OutputProblem(
            "a process that worked on the session ended unexpectedly",
            "perhaps the memory was full; try --jobs 1",
        ) from None


def _context() -> BaseContext:
    """Return the way to start clean processes that is quickest here."""
    if "forkserver" in multiprocessing.get_all_start_methods():
        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload(["bridge.jobs.session.piece"])
        return context
    return multiprocessing.get_context("spawn")


def _start_worker() -> None:
    """Leave Ctrl-C to the parent, and end with it, however it ends."""
    with contextlib.suppress(ValueError, OSError):
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    wait([sentinel])
    os._exit(1)
