"""The notes that are heard in a take, where some must be."""

from __future__ import annotations

from typing import Any

from bridge.sound.listening.heard import HeardNote
from bridge.sound.listening.listen import hear


def notes_of(*take: Any, **around: Any) -> list[HeardNote]:
    """Hear a take, as `hear` does; fail where nothing was measured, with what was refused."""
    heard = hear(*take, **around)
    assert heard.notes, heard.refusals
    return list(heard.notes)
