"""Processes of our own, and the signals that ask a process to leave.

Nothing that such a process loads comes from the working folder: a `struct.py` that lies beside a file which somebody
handed over must never run (`-P` and ``PYTHONSAFEPATH``, which their own children inherit).
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

if TYPE_CHECKING:
    from multiprocessing.context import BaseContext

_SAFE = "PYTHONSAFEPATH"
_PYTHON = (sys.executable, "-P", "-c")
LEAVE = ("SIGINT", "SIGTERM", "SIGHUP")
"""Ctrl-C, a wish to end, a terminal that was closed."""


def environment() -> dict[str, str]:
    """Return the environment for a Python process, which finds this package where this process found it."""
    given = os.environ.get("PYTHONPATH", "").split(os.pathsep)
    paths = [
        str(Path(__file__).resolve().parents[1]),
        *filter(None, given),
    ]  # an empty one: the working folder
    return {**os.environ, "PYTHONPATH": os.pathsep.join(paths), _SAFE: "1"}


def ask(code: str, *arguments: str, limit_s: float) -> subprocess.CompletedProcess[str]:
    """Run some Python code in a process of its own, which may hang or die, and return what it wrote.

    subprocess.TimeoutExpired if it took longer than `limit_s`.
    """
    return subprocess.run(
        [*_PYTHON, code, *arguments],
        stdin=subprocess.DEVNULL,
        env=environment(),
        capture_output=True,
        timeout=limit_s,
        check=False,
        text=True,
        errors="replace",
    )


def start(module: str, errors: int | IO[bytes] = subprocess.DEVNULL) -> subprocess.Popen[bytes]:
    """Start `main` of a module with pipes to and from it.

    Ctrl-C at the terminal does not reach it: it is for us to pass on.
    """
    return subprocess.Popen(
        [*_PYTHON, f"from {module} import main; main()"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=errors,
        env=environment(),
        start_new_session=True,
    )


def end(process: subprocess.Popen[bytes]) -> None:
    """End a process by force if it still runs, and wait for that."""
    if process.poll() is None:
        process.kill()
    process.wait()


def own_output() -> int:
    """Take this process's standard output; what C libraries print from now on does not stand among what we say."""
    out = os.dup(1)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    return out


@contextlib.contextmanager
def on_signals(take: Callable[[], object], names: Sequence[str] = LEAVE) -> Iterator[None]:
    """Call `take` for every signal of these names that this system has; outside the main thread leave them alone."""
    kept: dict[int, Any] = {}
    if threading.current_thread() is threading.main_thread():
        for number in (getattr(signal, name) for name in names if hasattr(signal, name)):
            kept[number] = signal.signal(number, lambda *_: take())
    try:
        yield
    finally:
        for number, handler in kept.items():
            signal.signal(number, handler)


@contextlib.contextmanager
def undisturbed() -> Iterator[None]:
    """Hold the signals that end a process back until the block is over: for what must not be left half begun."""
    came: list[int] = []
    kept: dict[int, Any] = {}
    if threading.current_thread() is threading.main_thread():
        for number in (getattr(signal, name) for name in LEAVE if hasattr(signal, name)):
            if signal.getsignal(number) not in (signal.SIG_IGN, None):
                kept[number] = signal.signal(number, lambda number, _: came.append(number))
    try:
        yield
    finally:
        for number, handler in kept.items():
            signal.signal(number, handler)
        for number in came[:1]:
            signal.raise_signal(number)


# ---- workers


@contextlib.contextmanager
def safe_helpers() -> Iterator[None]:
    """Within it `multiprocessing` may start processes: its helpers load nothing from the working folder either."""
    kept = os.environ.get(_SAFE)
    os.environ[_SAFE] = "1"
    try:
        yield
    finally:
        if kept is None:
            del os.environ[_SAFE]
        else:
            os.environ[_SAFE] = kept


def clean_context(preload: str) -> BaseContext:
    """Return the quickest way here to start processes that are no copies of this one (which hold its locks)."""
    import multiprocessing

    if "forkserver" in multiprocessing.get_all_start_methods():
        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload([preload])
        return context
    return multiprocessing.get_context("spawn")


def start_worker() -> None:
    """Leave Ctrl-C to the parent, and end with it, however it ends."""
    import multiprocessing

    with contextlib.suppress(ValueError, OSError):
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    from multiprocessing.connection import wait

    wait([sentinel])
    os._exit(1)
