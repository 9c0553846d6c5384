"""The seam between an engine that retunes while it is played and whoever drives it.

An engine has no clock, port or thread: it is told what comes in and what time it is, and answers with messages and the
time at which each is due. Whoever drives it sends them, and calls `wake` when `next_wake_s` has come. One thread at a
time.

`bridge.engine.mts.live` (methods `note`, `octave` and `dump`) and `bridge.engine.bend.live` (`bend` and `mpe`) have it.

What becomes of sounding notes when the table changes
------------------------------------------------------

==========  ======================================================  ====================================================
mode        note, octave in real time, bend, mpe                    dump, and messages that are not in real time
==========  ======================================================  ====================================================
``now``     they move at once                                       they keep their pitch, and the next strike has the
                                                                    new one: this synth does not move sounding notes
``next``    each keeps its pitch until it is let go and has         the same
            decayed; a new strike has the new one at once
``glide``   they move in a straight line of cents; a new strike     the same
            has the new pitch at once
==========  ======================================================  ====================================================

One pitch for each key is all that `note` can hold, and one for each pitch class all that `octave` can: under ``next`` a
key (or any octave of it) that is struck again while it still sounds keeps the old pitch until all of them are let go.
Which methods move sounding notes stands in the synth's profile (``sounding``).

Index: `LiveEngine`, `Due`, `OnChange`, `moves_sounding`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, Protocol, TypeAlias

from bridge.wire.profile import SynthProfile

Due: TypeAlias = tuple[float, bytes]
"""When a message is due, in seconds on the driver's clock, and the message."""

OnChange: TypeAlias = Literal["now", "next", "glide"]
"""What becomes of notes that sound when the table changes."""


class LiveEngine(Protocol):
    """What retunes a stream of messages as it is played."""

    def start(self, now_s: float) -> list[Due]:
        """Return what makes the synth ready, the table included."""
        ...

    def feed(self, data: bytes, now_s: float) -> list[Due]:
        """Take one whole message; return what is to be sent for it."""
        ...

    def change(
        self, table_hz: Sequence[float], now_s: float, mode: OnChange = "now", glide_s: float = 0.5
    ) -> list[Due]:
        """Take a new table, 128 frequencies in hertz by MIDI key; return what is to be sent at once.

        Raises
        ------
        MethodProblem
            The method cannot express the table; nothing has changed.
        """
        ...

    def wake(self, now_s: float) -> list[Due]:
        """Do what is due by now."""
        ...

    @property
    def next_wake_s(self) -> float | None:
        """When `wake` wants to be called; None if nothing is pending."""
        ...

    def stop(self, now_s: float) -> list[Due]:
        """Return what leaves the synth silent and as it was before `start`."""
        ...

    @property
    def at_rest(self) -> bool:
        """Whether no note sounds and none is owed its end."""
        ...

    def sounding(self) -> Sequence[tuple[int, int, int, float]]:
        """Return what sounds: source channel, key, output channel (1 to 16), cents from equal at A4 = 440 Hz."""
        ...


def moves_sounding(profile: SynthProfile | None, method: str) -> bool:
    """Tell whether a change of table reaches notes that sound already."""
    return method in (profile.sounding if profile is not None else ("note", "octave", "bend", "mpe"))
