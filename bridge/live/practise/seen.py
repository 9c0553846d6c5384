"""What is seen of practising at one moment, in the terminal and on a page; nothing of an answer before it is given."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class PractiseSeen:
    """All that is seen at one moment."""

    title: str = ""  # what is asked
    about: str = ""  # of which notes
    place: str = ""  # ``trial 12 of 50``
    large: str = ""  # what sounds now
    ask: str = ""  # what is waited for
    keys: str = ""
    said: tuple[str, ...] = ()  # all that was said, in order
    what: str = ""  # the exercise, by its word
    waits: tuple[str, ...] = ()  # what may be answered now
