"""Which pluck of a string counts, of several in one take.

The last clear one: a player who turns a peg plucks again. A pluck is not clear where it is much softer than the
string's loudest, was cut by the end of the take, or is not known well. Clear plucks that differ by more than a few
cents are no measurement, whatever their mean: then it must be asked which of them holds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bridge.sound.listening.heard import HeardNote

#: Clear plucks of one string differ by no more than this; else it is a question.
QUESTION_CENTS = 3.0
#: A pluck so much softer than the string's loudest is not clear: something moved the string as it rang.
SOFTER_DB = 15.0
#: A pluck that had to end sooner than this, because the take did, had no time to settle.
LEAST_CLEAR_S = 0.5
#: A pluck known no better than this is not clear.
CLEAR_SD_CENTS = 2.0


@dataclass(frozen=True)
class Settled:
    """What a take says of one string."""

    note: HeardNote  # the last clear pluck; the last of all where none is clear
    clear: tuple[HeardNote, ...]  # all clear plucks, in order of time
    passed_over: tuple[HeardNote, ...]  # the others, in order of time

    @property
    def spread_cents(self) -> float:
        """How far apart the clear plucks are."""
        hz = [note.hz for note in self.clear]
        return float(1200 * np.log2(max(hz) / min(hz))) if hz else 0.0

    @property
    def in_question(self) -> bool:
        """Whether the clear plucks differ too much to be one pitch."""
        return self.spread_cents > QUESTION_CENTS

    @property
    def sd_cents(self) -> float:
        """How well the pitch is known: no better than the clear plucks agree."""
        cents = [float(1200 * np.log2(note.hz / self.note.hz)) for note in self.clear]
        scatter = float(np.std(cents, ddof=1)) if len(cents) > 1 else 0.0
        return float(np.hypot(self.note.cents_sd, scatter))


def settle(plucks: Sequence[HeardNote]) -> Settled:
    """Find the pluck that counts of those of one string, at least one, in order of time."""
    loudest_db = max(note.level_db for note in plucks)
    clear = tuple(note for note in plucks if _is_clear(note, loudest_db))
    return Settled(
        clear[-1] if clear else plucks[-1], clear, tuple(note for note in plucks if note not in clear)
    )


def _is_clear(note: HeardNote, loudest_db: float) -> bool:
    had_time = not note.cut or note.end_s - note.start_s >= LEAST_CLEAR_S
    return had_time and note.level_db > loudest_db - SOFTER_DB and note.cents_sd <= CLEAR_SD_CENTS


def by_string(notes: Sequence[HeardNote]) -> dict[int, Settled]:
    """What a take says of each string, by number; notes without a string are passed over."""
    strings = sorted({note.string for note in notes if note.string is not None})
    return {number: settle([note for note in notes if note.string == number]) for number in strings}
