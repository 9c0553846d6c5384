"""What is costly to set up is made once for a run, whichever of its workers asks first.

Imports nothing of the project.

Index: `folder`, `lock`.
"""

from __future__ import annotations

import importlib.util
import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


@contextmanager
def lock(path: Path) -> Iterator[None]:
    """Hold a lock between processes, where the system has file locks."""
    with open(path, "w") as stream:
        if importlib.util.find_spec("fcntl"):
            import fcntl

            fcntl.flock(stream, fcntl.LOCK_EX)
        yield


def folder(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """Return a folder of this run that `make` has filled; other workers wait, and then find it whole.

    Parameters
    ----------
    factory
        The run's maker of folders.
    name : str
        Of the folder; the same name gives the same folder.
    make : callable
        Fills the new folder that it is given. What is made there may not know its own path: the folder moves.
    """
    # The workers of a run have folders of their own inside one of the run's.
    root = factory.getbasetemp()
    root = root.parent if os.environ.get("PYTEST_XDIST_WORKER") else root
    place = root / f"once-{name}"
    with lock(root / f"once-{name}.lock"):
        if not place.is_dir():
            scratch = Path(tempfile.mkdtemp(prefix="making-", dir=root))
            make(scratch)
            scratch.rename(place)
    return place
