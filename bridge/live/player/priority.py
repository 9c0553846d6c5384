"""Real-time priority for the process that plays, where the system grants it.

On a busy computer an ordinary process waits its turn, and its slowest notes come late. A real-time one does not.
All threads of the player get the priority, for whichever of them holds the interpreter holds up the others; those that
JACK has made real-time already keep theirs, which is higher. Threads that are made later take over what the one has
that makes them. Where the system does not grant it, everything goes on as it is.

A runaway would keep everybody else waiting: one that never rests for `_RUNAWAY_S` is ended by the system, and another
player takes its place.

Source: sched(7), setrlimit(2) (``RLIMIT_RTPRIO``, ``RLIMIT_RTTIME``).
"""

from __future__ import annotations

import contextlib
import os

USUAL_PRIORITY = 4
"""Of 1 to 99. JACK's clients have 5 unless it was told otherwise (jackd(1): its server has 10, clients 5 less)."""
_RUNAWAY_S = 3


def be_real_time() -> int | None:
    """Give all threads of this process real-time priority; return it, or None where it is not granted."""
    if not hasattr(os, "sched_setscheduler"):
        return None
    policies: dict[int, int] = {}
    real_time: list[int] = []
    for task in map(int, _tasks()):
        with contextlib.suppress(OSError):  # a thread that has ended meanwhile
            policies[task] = os.sched_getscheduler(task) & ~os.SCHED_RESET_ON_FORK
            if policies[task] in (os.SCHED_FIFO, os.SCHED_RR):
                real_time.append(os.sched_getparam(task).sched_priority)
    priority = max(1, min([USUAL_PRIORITY, *(theirs - 1 for theirs in real_time)]))
    given = None
    for task, policy in policies.items():
        if policy not in (os.SCHED_FIFO, os.SCHED_RR) and _set(task, priority):
            given = priority
    if given is not None:
        _limit()
    return given


def granted() -> int | None:
    """Return which priority this process would get, and stay as it is."""
    if not hasattr(os, "sched_setscheduler"):
        return None
    policy, parameter = os.sched_getscheduler(0), os.sched_getparam(0)
    if not _set(0, USUAL_PRIORITY):
        return None
    os.sched_setscheduler(0, policy, parameter)
    return USUAL_PRIORITY


def promptness() -> str:
    """Return a line for musicians: whether notes wait for other programs."""
    priority = granted()
    if priority is not None:
        return f"What plays goes before other programs (real-time priority {priority}, below JACK's own)"
    advice = ": add yourself to the group audio, log in again, and look once more" * hasattr(
        os, "sched_setscheduler"
    )
    return f"What plays has no real-time priority: a busy computer may hold notes up{advice}"


def _tasks() -> list[str]:
    try:
        return os.listdir("/proc/self/task")
    except OSError:
        return ["0"]


def _set(task: int, priority: int) -> bool:
    try:
        os.sched_setscheduler(task, os.SCHED_RR, os.sched_param(priority))
    except OSError:
        return False
    return True


def _limit() -> None:
    """Have the system end us if we never rest."""
    import resource

    with contextlib.suppress(OSError, ValueError):
        microseconds = _RUNAWAY_S * 1_000_000
        resource.setrlimit(resource.RLIMIT_RTTIME, (microseconds, microseconds + 1_000_000))
