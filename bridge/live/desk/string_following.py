"""Tables that follow the guitar while it is played: an ear between phrases, and what is done with what it hears.

Whether and how far tables move is decided in `bridge.engine.play.string_follow`. They move as a trim does, so every
method can say it, and what sounds glides.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from bridge.engine.play.string_follow import Pluck, StringFollower
from bridge.live.desk import ear
from bridge.live.desk.string_ear import Around, OfTake, Opened, Plucked, Strings, Told, start_ear
from bridge.live.frames import Refused
from bridge.live.piped import Piped
from bridge.live.state import State
from bridge.tuning.notes import key_to_hz
from bridge.tuning.ratios import cents_to_ratio


class StringsOfPiece(NamedTuple):
    """The open strings while one table plays: another capo, or a reference of its own, makes them others."""

    hz: Mapping[int, float]
    """What they sound in that table, in hertz, by number."""
    follows_reference: bool = True
    """Whether that table moves where the reference string was heard anew."""


class StringFollowing:
    """The guitar's open strings, listened to as long as something plays.

    Parameters
    ----------
    reference : int
        The number of the reference string.
    strings_hz : mapping of int to float
        What the open strings sound in the tables, in hertz, by number.
    device : str, optional
        Part of the microphone's name.
    pieces : sequence of StringsOfPiece
        The strings of every table that is played, where they are not always those.
    """

    def __init__(
        self,
        reference: int,
        strings_hz: Mapping[int, float],
        device: str | None = None,
        pieces: Sequence[StringsOfPiece] = (),
    ) -> None:
        self._reference = reference
        self._now = StringsOfPiece(dict(strings_hz))
        self._pieces = pieces
        self._listened_cents = 0.0
        self._device = device
        self._follower = StringFollower(reference, strings_hz)
        self._ear: Piped[Told] | None = None
        self._around = Around()
        self._asked: _Asked | None = None

    @property
    def moved_cents(self) -> float:
        """How far the tables were moved."""
        return self._follower.moved_cents

    def begin(self, put: Callable[[Told], None]) -> None:
        """Begin to listen; `put` is called with what the ear tells, from another thread."""
        self._ear = start_ear(Strings(tuple(self._now.hz.items()), self._device), put)

    def end(self) -> None:
        """Listen no more."""
        ear, self._ear = self._ear, None
        if ear is not None:
            ear.end()

    def listen(self, take: ear.Take, put: Callable[[ear.Told], None]) -> _Asked | None:
        """Find the reference with the microphone that is open; None where it does not listen, and another one may.

        `put` is called with what `bridge.live.desk.ear` tells. Something final always comes.
        """
        if self._ear is None:
            return None
        self._asked = _Asked(put, take.wait_s + take.seconds)
        self._ear.tell(take)
        return self._asked

    def state(self, state: State) -> None:
        """Take how things are: the ear is told what sounds besides the guitar, and which strings that has now."""
        now = self._pieces[state.kept.number - 1] if self._pieces else self._now
        if now != self._now:
            self._now = now
            if not self._follower.off:
                self._from_here(state.kept.trim_cents)
        around = _around(state)
        if around != self._around and self._ear is not None:
            self._ear.tell(around)
        self._around = around

    def heard(self, told: Told, now_s: float) -> str:
        """Take what the ear tells; return what the musician should know, or nothing."""
        match told:
            case Opened(name):
                return f"follows string {self._reference} and those beside it, heard by {name}"
            case Plucked(string, hz):
                return self._follower.pluck(Pluck(string, hz, now_s))
            case OfTake(of_take):
                if self._asked is not None:
                    self._asked.tell(of_take)
                return ""
            case Refused(message):
                if self._ear is None:  # it has refused already, and its process has ended since
                    return ""
                self.end()
                if self._asked is not None:
                    self._asked.tell(Refused(message))
                return f"the strings are not followed: {message}"

    def step(self, now_s: float) -> float:
        """Return by how many cents the tables are to be moved now."""
        return self._follower.step(now_s) if self._ear is not None else 0.0

    def take_back(self) -> float | None:
        """Follow no longer; return by how many cents to move back, None if nothing was moved."""
        return self._follower.take_back() if self._follower.moved_cents else None

    def begin_anew(self, moved_cents: float) -> None:
        """All tables are others now, so many cents from where they were in the beginning."""
        self._listened_cents = moved_cents
        self._from_here(0.0)

    def _from_here(self, trim_cents: float) -> None:
        """Know nothing yet of the strings that the guitar has now."""
        factor = cents_to_ratio(trim_cents + (self._listened_cents if self._now.follows_reference else 0.0))
        now_hz = {string: hz * factor for string, hz in self._now.hz.items()}
        self._follower.begin_anew(now_hz)
        if self._ear is not None:
            self._ear.tell(Strings(tuple(now_hz.items()), self._device))


class _Asked:
    """One search for the reference, which another ear was asked for: after its end nothing is told any more."""

    def __init__(self, put: Callable[[ear.Told], None], seconds: float) -> None:
        self._put = put
        self._open = True
        never = Refused("the sound system does not answer", "is the microphone connected?")
        self._limit = threading.Timer(ear.LIMIT_S + seconds, self.tell, (never,))
        self._limit.daemon = True
        self._limit.start()

    def tell(self, told: ear.Told) -> None:
        """Pass on what was told."""
        if self._open:
            if not isinstance(told, ear.Opened):
                self.end()
            self._put(told)

    def end(self) -> None:
        """Pass on nothing more."""
        self._open = False
        self._limit.cancel()


def _around(state: State) -> Around:
    """What sounds besides the guitar."""
    drone = [float(key_to_hz(note.key)) * cents_to_ratio(note.cents) for note in state.held_notes]
    if state.lesson is not None:
        drone = [hz for _, hz in state.lesson.notes]
    playing = state.lesson is None and bool(state.played)
    return Around(tuple(round(hz, 4) for hz in drone), playing)
