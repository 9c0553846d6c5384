"""Drawing in a thread of its own: whoever acts never waits for a terminal or a reader that has stopped taking output.

What is to be seen is put into a mailbox that holds only the newest. A view that fails is not asked again; what it was
about goes on, and the failure is told in the end.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable
from typing import Generic, Protocol, TextIO, TypeVar

CLOSE_S = 1.0
"""A terminal that takes nothing for so long is left as it is."""
AGAIN_S = 1.0
"""So often a picture is drawn again though nothing has changed: its terminal may have another size, or show what a
shell wrote while the program was stopped. A picture is a view that has a method ``again``."""

_Seen_contra = TypeVar("_Seen_contra", contravariant=True)
_Seen = TypeVar("_Seen")


class View(Protocol[_Seen_contra]):
    """Shows something. It may be called in a thread of its own, and may wait for the terminal there."""

    def show(self, seen: _Seen_contra) -> None:
        """Show how things are now."""
        ...

    def close(self) -> None:
        """Leave the terminal as it was."""
        ...


def own_stream() -> TextIO:
    """Return the standard output as a stream of our own.

    A thread that hangs in it must not hold what the rest of the process writes to when it ends.
    """
    try:
        sys.stdout.flush()
        descriptor = os.dup(sys.stdout.fileno())
    except (AttributeError, OSError, ValueError):
        return sys.stdout
    return open(descriptor, "w", encoding=sys.stdout.encoding, errors="replace", closefd=False)


class Drawer(Generic[_Seen]):
    """Shows the newest of what it is given, on a view that is made in the thread in which it is used."""

    def __init__(self, make: Callable[[], View[_Seen]]) -> None:
        self._make = make
        self._come = threading.Condition()
        self._newest: _Seen | None = None
        self._ending = False
        self.failure: Exception | None = None
        """What the view failed of."""
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def show(self, seen: _Seen) -> None:
        """Show something as soon as what is being drawn is done; never waits."""
        with self._come:
            self._newest = seen
            self._come.notify()

    def close(self) -> None:
        """Draw what came last, and give the terminal back; it is not waited for for long."""
        with self._come:
            self._ending = True
            self._come.notify()
        self._thread.join(CLOSE_S)

    def _run(self) -> None:
        try:
            view = self._make()
            again: Callable[[], None] | None = getattr(view, "again", None)
            try:
                while True:
                    with self._come:
                        limit_s = None if again is None else AGAIN_S
                        self._come.wait_for(lambda: self._ending or self._newest is not None, limit_s)
                        seen, self._newest = self._newest, None
                        ending = self._ending
                    if seen is not None:
                        view.show(seen)
                    elif again is not None and not ending:
                        again()
                    if ending:
                        return
            finally:
                view.close()
        except OSError:
            return  # nobody reads any more
        except Exception as failure:
            self.failure = failure
