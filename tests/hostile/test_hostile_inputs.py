"""Hostile inputs through every reader: a StillbeatError or nothing. The long one is `campaign.py`."""

from __future__ import annotations

from pathlib import Path

import pytest
from support import hostile

NAMES = [door.name for door in hostile.doors(Path())]


@pytest.mark.parametrize("name", NAMES)
def test_whatever_comes_in_is_read_or_refused(name: str, tmp_path: Path) -> None:
    door = next(door for door in hostile.doors(tmp_path) if door.name == name)
    done = hostile.run(door, range(60))
    assert not done.faults, "\n".join(done.faults[:5])
    assert done.inputs == 60
    assert done.grown_mb < 300
