"""One exception tree for the whole project, each error saying what to do about it.

Every error carries a message of one line that names the value or file, the allowed range and the likely
mistake. The command line prints it after ``stillbeat:`` and exits with the class's `exit_code`:

====  =====================================================
code  meaning
====  =====================================================
2     usage, or a value out of range
3     bad input file, or an output that cannot be written
4     a MIDI port or an audio device
====  =====================================================

Any room may import this module; it imports nothing of the project.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from difflib import SequenceMatcher, get_close_matches

# C0 and C1 controls but tab and line feed, DEL, and the marks that turn the direction of writing: what a terminal obeys
# instead of showing it, or what makes a line read as another.
_UNSEEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")


def visible(text: str) -> str:
    """Return a text without anything that a terminal would obey instead of showing it.

    Titles, notes, file names and texts in MIDI files come from anybody. Whatever of them reaches a terminal or a text
    file goes through here. Each such character becomes U+FFFD, and so do halves of characters that no
    output can hold.
    """
    return _UNSEEN.sub("\N{REPLACEMENT CHARACTER}", text).encode("utf-8", "replace").decode("utf-8")


class StillbeatError(Exception):
    """Base of every error that Stillbeat raises on purpose.

    Parameters
    ----------
    message : str
        One line: what is wrong, with the value.
    hint : str, optional
        What to do about it; printed after the message in brackets.
    """

    exit_code = 2

    def __init__(self, message: str, hint: str = "") -> None:
        self.message = message = visible(message)
        self.hint = hint = visible(hint)
        super().__init__(f"{message} ({hint})" if hint else message)


class OffGuitarWarning(UserWarning):
    """An open string, or the reference, lies more than 2 cents off the table that a Python program asked for.

    Examples
    --------
    A cello's A lies a comma above the scale on its C; a program that means it says so:

    >>> import bridge, warnings
    >>> with warnings.catch_warnings():
    ...     warnings.simplefilter("ignore", bridge.OffGuitarWarning)
    ...     cello = bridge.table(guitar="cello")
    >>> round(cello.strings[-1].cents_from_table, 1)
    21.5
    """


class ValueProblem(StillbeatError):
    """A value that the user gave is malformed or out of range (exit code 2)."""


class TuningProblem(StillbeatError):
    """A description is well formed but makes no tuning: incomplete, contradictory, out of range (code 2)."""


class MethodProblem(StillbeatError):
    """The chosen method or synth cannot do what is asked; names the alternative (exit code 2)."""


class InputProblem(StillbeatError):
    """A file cannot be read or is not what it should be (exit code 3)."""

    exit_code = 3


class OutputProblem(StillbeatError):
    """An output cannot be written, or exists already (exit code 3)."""

    exit_code = 3


class PortProblem(StillbeatError):
    """A MIDI port or an audio device is missing or failed (exit code 4)."""

    exit_code = 4


class WireError(StillbeatError):
    """Bytes that are not the message they claim to be: the only error that decoders in `wire` raise."""

    exit_code = 3


LIKELY = 0.85
"""From this likeness on (`difflib`'s ratio) a single name is suggested."""

LONG_LIST = 8
"""More names than this are no answer: they fill a screen."""


def near_names(name: str, known: Iterable[str]) -> str:
    """Return a hint that suggests names near `name`, or lists what there is.

    Parameters
    ----------
    name : str
        What was asked for.
    known : iterable of str
        What exists.

    Returns
    -------
    str
        ``"did you mean open-d?"`` where one is likely, else a few that are near; where none is, what there is, of a
        long list the first; empty if nothing is known.
    """
    names = sorted(known)
    near = get_close_matches(name.lower(), names, n=3, cutoff=0.5)
    if near:
        if SequenceMatcher(None, near[0], name.lower()).ratio() >= LIKELY:
            near = near[:1]
        return f"did you mean {', '.join(near)}?"
    if len(names) > LONG_LIST:
        return f"there are {len(names)}, such as {', '.join(names[:LONG_LIST])}"
    return f"there are: {', '.join(names)}" if names else ""
