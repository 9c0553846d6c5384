"""Doing the pieces of a session in several processes.

Processes start clean (a copy of this one could hold locks of its threads), leave Ctrl-C to their parent, and end with
it, however it ends: a parent that is killed leaves nobody behind who still writes.

Index
-----
`cores`, `run_pieces`
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.connection import wait
from multiprocessing.context import BaseContext

from bridge.errors import OutputProblem
from bridge.jobs.session_piece import PieceDone, PieceJob, run_piece


def cores() -> int:
    """Return how many cores this process may use."""
    try:
        return max(1, len(os.sched_getaffinity(0)))
    except AttributeError:
        return os.cpu_count() or 1


def run_pieces(jobs: list[PieceJob], processes: int) -> Iterator[tuple[PieceJob, PieceDone]]:
    """Do jobs, in this process or in several, and yield them in order.

    Raises
    ------
    StillbeatError
        What a job raised: that of the first piece, whichever was found first.
    """
    count = min(processes, len(jobs))
    if count <= 1:
        for job in jobs:
            yield job, run_piece(job)
        return
    pool = ProcessPoolExecutor(count, mp_context=_context(), initializer=_start_worker)
    try:
        waiting: list[Future[PieceDone]] = [pool.submit(run_piece, job) for job in jobs]
        for job, future in zip(jobs, waiting, strict=True):
            yield job, future.result()
    except BrokenProcessPool:
        raise OutputProblem(
            "a process that worked on the session ended unexpectedly",
            "perhaps the memory was full; try --jobs 1",
        ) from None
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _context() -> BaseContext:
    """Return the way to start clean processes that is quickest here."""
    if "forkserver" in multiprocessing.get_all_start_methods():
        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload(["bridge.jobs.session_piece"])
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
