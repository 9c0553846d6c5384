"""The Python libraries for MIDI ports, each as a test wants it.

Index: `NAMES`, `require`, `use`.
"""

from __future__ import annotations

import importlib.util

import pytest

from support import needs

_MODULES = {"python-rtmidi": "rtmidi", "rtmidi2": "rtmidi2"}
NAMES = tuple(_MODULES)
"""By what name each is installed, and called in the environment."""


def require(name: str) -> None:
    """Skip the test (fail under CI) if a library is not installed."""
    if importlib.util.find_spec(_MODULES[name]) is None:
        needs.missing(f"the Python package {name}", needs.TEST)


def use(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Have ports go through this library, here and in processes that are started."""
    require(name)
    monkeypatch.setenv("STILLBEAT_PORTS", name)
