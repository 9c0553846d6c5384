"""What a Python library for MIDI ports must do for us, and which of them is used.

Two libraries wrap the same C++ code, RtMidi. python-rtmidi is used where it is installed; it has ready-made wheels up
to Python 3.12. rtmidi2 is used where it alone is installed, or where the environment says ``STILLBEAT_PORTS=rtmidi2``.
Each has an adapter of its own, `by_python_rtmidi` and `by_rtmidi2`, the only modules that import them.
"""

from __future__ import annotations

import os
import traceback
from collections.abc import Callable
from typing import Protocol

from bridge.errors import PortProblem

LIBRARY_VARIABLE = "STILLBEAT_PORTS"
"""The environment variable that names the library to use."""

SYSTEMS = {"LINUX_ALSA": "ALSA", "UNIX_JACK": "JACK", "MACOSX_CORE": "CoreMIDI", "WINDOWS_MM": "Windows MIDI"}
"""What RtMidi calls the systems (``API_…``), and what we call them."""

REFUSALS = (OSError, RuntimeError, NotImplementedError)
"""What the libraries raise where a system does not answer or refuses."""


class Ear:
    """What the thread of an input calls with each message: kept alive by the open port alone."""

    __slots__ = ("__weakref__", "receive")

    def __init__(self, receive: Callable[[bytes], object]) -> None:
        self.receive = receive

    def __call__(self, message: list[int], _since_s: float) -> None:
        """Take a message as a list of bytes. What goes wrong is printed, and listening goes on."""
        try:
            self.receive(bytes(message))
        except Exception:
            traceback.print_exc()


class LibraryPort(Protocol):
    """A client of a MIDI system, with one port at most.

    All methods may raise one of `REFUSALS`.
    """

    @property
    def deleted(self) -> bool:
        """Whether `delete` was called."""

    def names(self) -> list[str]:
        """Return the ports at the other side, our own among them."""

    def open(self, name: str, label: str) -> None:
        """Connect to a port by its full name; ValueError if it is not there. Not every library can use the label."""

    def make(self, label: str) -> None:
        """Make a port that others can connect to."""

    def close_port(self) -> None:
        """Close the port, when what was sent has gone out."""

    def delete(self) -> None:
        """Give the client back. Nothing may be asked of it after that."""


class LibraryIn(LibraryPort, Protocol):
    """A client that can hear."""

    def listen(self, ear: Ear) -> None:
        """Call an ear with every message from now on, SysEx and clock too, in a thread of the library's."""

    def cancel(self) -> None:
        """Call it no more; the library holds it no more."""

    def held(self) -> object:
        """Return something that keeps the ear alive."""


class LibraryOut(LibraryPort, Protocol):
    """A client that can play."""

    send: Callable[[bytes], None]
    """Sends one whole message and returns at once."""


class Library(Protocol):
    """A Python library for MIDI ports."""

    name: str
    """As it is installed by: ``python-rtmidi``."""

    @property
    def version(self) -> str:
        """Which one is installed."""

    def systems(self) -> dict[str, int]:
        """Return the systems that it knows here: our title to its number."""

    def spelled(self, client: str) -> str:
        """Return the name of a client as the library gives it to a system."""

    def new_in(self, number: int, client: str) -> LibraryIn:
        """Return a client that can hear, on the system of this number."""

    def new_out(self, number: int, client: str) -> LibraryOut:
        """Return a client that can play."""


def version_of(package: str) -> str:
    """Return the version of a package that is installed."""
    import importlib.metadata  # which imports much

    return importlib.metadata.version(package)


def chosen_library() -> Library:
    """Return the library to use.

    PortProblem if none is installed, or not the one that the environment names.
    """
    from bridge.ports.by_python_rtmidi import PythonRtMidi
    from bridge.ports.by_rtmidi2 import RtMidi2

    known: dict[str, Callable[[], Library]] = {"python-rtmidi": PythonRtMidi, "rtmidi2": RtMidi2}
    wanted = os.environ.get(LIBRARY_VARIABLE, "").strip()
    if wanted and wanted not in known:
        raise PortProblem(
            f"{LIBRARY_VARIABLE} names no library for MIDI ports that is known here: {wanted!r}",
            f"leave it away, or say one of: {', '.join(known)}",
        )
    for name in [wanted] if wanted else known:
        try:
            return known[name]()
        except ImportError as error:
            missing = error
    raise PortProblem(
        f"MIDI ports need the package {wanted or ' or '.join(known)}, which is not installed ({missing})",
        f"pip install {wanted}"
        if wanted
        else 'pip install "stillbeat[ports]"; where there is no ready-made wheel, it needs a C++ compiler',
    )
