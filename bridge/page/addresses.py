"""Where the page is: addresses to type, and a code to scan with a tablet."""

from __future__ import annotations

import contextlib
import io
import socket
from dataclasses import dataclass

# A route to this address is asked for, nothing is sent to it: it is kept for examples (RFC 5737).
_SOMEWHERE = "192.0.2.1"


def own_number() -> str:
    """Return this computer's number in the network; that of the computer itself where there is no network."""
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect((_SOMEWHERE, 9))
        return str(probe.getsockname()[0])
    return "127.0.0.1"


@dataclass(frozen=True)
class Addresses:
    """Where a page is."""

    act: str
    """Who has this may act."""
    look: str = ""
    """Who has this may look; empty where there is one address."""

    @classmethod
    def of(cls, port: int, lan: bool, look: str, act: str) -> Addresses:
        """Return the addresses of a page that is served on a port."""
        if not lan:
            return cls(f"http://127.0.0.1:{port}/")
        root = f"http://{own_number()}:{port}"
        return cls(f"{root}/{act}/", f"{root}/{look}/")

    def lines(self) -> list[str]:
        """Say them, in a few lines."""
        if not self.look:
            return [f"page: {self.act}"]
        return [
            f"page, to act: {self.act}",
            f"page, to look: {self.look}",
            "Whoever has the first address can change what sounds. Nothing is encrypted: use a network you trust.",
        ]


def code_lines(address: str) -> list[str]:
    """Return an address as a QR code for a terminal, in blocks; none where the package segno is missing."""
    try:
        import segno
    except ModuleNotFoundError:
        return []
    out = io.StringIO()
    segno.make(address, error="m", micro=False).terminal(out, compact=True, border=2)
    return out.getvalue().splitlines()
