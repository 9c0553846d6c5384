"""Where an evening stands, kept in a file, so that the next run can go on there after everything has crashed.

There is one file for each session and synth, in the user's state folder, replaced whole each time. A run that plays
holds a lock beside it: what is not locked was left by a run that ended without leaving. One that leaves as it should
takes the file along.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from bridge.engine.play.tables import MOST_TRIM_CENTS, Kept
from bridge.errors import StillbeatError
from bridge.store.files import read_bytes, write_bytes_atomic
from bridge.store.hidden import lock
from bridge.tuning.reference import Reference

_MOST_BYTES = 1 << 16
_SCHEMA = 1


@dataclass(frozen=True, kw_only=True)
class LeftOff:
    """Where an evening stands."""

    at_s: float
    """When, in seconds since 1970."""
    piece: str
    section: str
    """Title of the piece, and the section as it is shown."""
    number: int
    """Which of the tables, from 1."""
    chord: int = 0
    """Which chord of its chart, from 0."""
    equal: bool = False
    trim_cents: float = 0.0
    drone_on: bool = False
    drone_volume: int | None = None
    """How loud it was meant to be, in hundredths; None: as usual."""
    key: int | None = None
    hz: float = 0.0
    """The reference as it was last heard: its MIDI key, and its frequency without the trim; None: as in the file."""
    schema: int = _SCHEMA

    @property
    def kept(self) -> Kept:
        """Which table held, as a player takes it."""
        return Kept(self.number, None, self.equal, self.trim_cents)

    @property
    def reference(self) -> Reference | None:
        """The reference as it was last heard; None: as in the file."""
        return Reference(self.key, self.hz) if self.key is not None else None


class LeftOffFile:
    """The file in which it is kept where one session stands on one synth.

    Parameters
    ----------
    folder : path
        Folder for such files.
    session : path
        The session's file.
    synth : str
        What the synth is called.
    """

    def __init__(self, folder: str | os.PathLike[str], session: str | os.PathLike[str], synth: str) -> None:
        name = hashlib.sha256(f"{Path(session).resolve()}\0{synth}".encode()).hexdigest()[:16]
        self.path = Path(folder) / f"{name}.evening.json"
        self._lock: Any = None

    def hold(self) -> bool:
        """Hold it for this run until `release`; False where another run holds it, or there is no room for it."""
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            file = open(self.path.with_suffix(".lock"), "ab")  # noqa: SIM115 - closed in release()
        except OSError:
            return False
        if not lock(file.fileno(), wait=False):
            file.close()
            return False
        self._lock = file
        return True

    def read(self) -> LeftOff | None:
        """Return what a run left that did not leave; None where there is nothing, or nothing that makes sense."""
        try:
            left = msgspec.json.decode(read_bytes(self.path, _MOST_BYTES), type=LeftOff)
            sound = (
                left.schema == _SCHEMA
                and left.number >= 1
                and left.chord >= 0
                and abs(left.trim_cents) <= MOST_TRIM_CENTS
            )
            sound = sound and (left.drone_volume is None or 0 <= left.drone_volume <= 100)
            if left.key is not None:
                sound = sound and 0 <= left.key <= 127 and 1.0 <= left.hz <= 30000.0
        except (StillbeatError, msgspec.DecodeError, OverflowError):
            return None
        return left if sound else None

    def write(self, left: LeftOff) -> None:
        """Keep it, whole or not at all.

        Raises
        ------
        OutputProblem
            It cannot be written.
        """
        with contextlib.suppress(OSError):
            self.path.parent.mkdir(parents=True, exist_ok=True)
        write_bytes_atomic(self.path, msgspec.json.encode(left), overwrite=True)

    def clear(self) -> None:
        """There is nothing to go on with."""
        with contextlib.suppress(OSError):
            self.path.unlink()

    def release(self) -> None:
        """Let other runs have it."""
        if self._lock is not None:
            self._lock.close()
            self._lock = None
            if not self.path.exists():
                with contextlib.suppress(OSError):
                    self.path.with_suffix(".lock").unlink()
