"""What hangs if everything ends at once: a ledger in a file that outlives the process.

There is one file for each synth port, in a folder of the user's. While a player uses it, the file is locked; a file
that holds something and is not locked was left by a player that was killed.

On a system without file locks, or where the folder cannot be written, the ledger lives in memory only.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import zlib
from pathlib import Path
from typing import Any

from bridge.engine.play.owed import LEDGER_BYTES, Ledger
from bridge.ports.pick import base_name


def state_dir() -> Path:
    """Return the folder in which players keep their journals."""
    from platformdirs import user_state_path

    return user_state_path("stillbeat", appauthor=False) / "live"


class Journal:
    """The ledger of one synth port, taken over from whoever held it before.

    Parameters
    ----------
    folder : str or None
        Where the file is; None: in memory only.
    """

    def __init__(self, folder: str | None, port: str) -> None:
        self.shared = (
            False  # whether another player is using this synth now: then the ledger is in memory only
        )
        self.kept = False  # whether it is in a file
        self._file: Any = None
        self._map: Any = None
        if folder is not None:
            with contextlib.suppress(OSError):
                self._open(Path(folder), port)
        self.ledger = Ledger(bytearray(LEDGER_BYTES) if self._map is None else self._map)

    def _open(self, folder: Path, port: str) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        port_bytes = base_name(port).encode()
        name = f"{zlib.crc32(port_bytes):08x}{zlib.adler32(port_bytes):08x}"  # hashlib would load 5 MB
        self.path = folder / f"{name}.journal"
        file = open(self.path, "a+b")  # noqa: SIM115 - closed in close()
        try:
            _lock(file)
        except OSError:
            self.shared = True
            file.close()
            return
        if os.fstat(file.fileno()).st_size != LEDGER_BYTES:
            file.truncate(0)
            file.truncate(LEDGER_BYTES)
        self._file = file
        self._map = mmap.mmap(file.fileno(), LEDGER_BYTES)
        self.kept = True

    def close(self, clean: bool) -> None:
        """Let go of it; after a clean end the file goes too."""
        self.ledger.close()
        if self._map is None:
            return
        self._map.close()
        self._map = None
        if clean:
            with contextlib.suppress(OSError):
                self.path.unlink()
        self._file.close()


def _lock(file: Any) -> None:
    """Lock a file for this process; OSError if another holds it."""
    try:
        import fcntl
    except ImportError:  # Windows
        import msvcrt

        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        return
    fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
