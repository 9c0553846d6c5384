"""What a listener reports: notes, refusals, and the JSON that scripts rely on.

Conventions: times in seconds from the first sample; `hz` is the first partial as it sounds, ``f0 * sqrt(1 + B)``,
which is what a drone beats against.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.tuning.notes import hz_to_key, key_to_hz, note_name

#: A string is named if its expected pitch is at most so far away.
STRING_CENTS = 250.0


@dataclass(frozen=True)
class HeardNote:
    """One note as heard."""

    start_s: float
    end_s: float
    # Settled pitch of the first partial as it sounds, and its standard deviation in cents.
    hz: float
    cents_sd: float
    # Nearest MIDI key (in the table, where one is given) and its name.
    key: int
    note: str
    cents_from_equal: float  # from that key in equal temperament at A4 = 440
    string: int | None  # number of the string, where strings were given and one fits
    cents_from_table: float | None  # from that key in the table, where one is given
    stiffness: float  # the law's B; 0 for sung notes
    attack_hz: float  # mean pitch over the first 80 ms
    level_db: float = 0.0  # level of its partials at the pluck; full scale is 0
    cut: bool = False  # whether it still sounded when the take ended


@dataclass(frozen=True)
class Refusal:
    """A stretch that was not measured, and why, as a sentence for the player."""

    start_s: float
    end_s: float
    reason: str


@dataclass(frozen=True)
class Heard:
    """A take: its notes and what was refused, each in order of time."""

    notes: tuple[HeardNote, ...]
    refusals: tuple[Refusal, ...]


@dataclass(frozen=True, eq=False)
class Surroundings:
    """What notes are named by and compared with."""

    # The guitar's strings with the pitch expected of each; empty without a guitar.
    strings: tuple[tuple[int, float], ...] = ()
    table_hz: NDArray[np.float64] | None = None  # shape (128,)
    tonic: str = "C"  # spells the notes' names

    def note(
        self,
        start_s: float,
        end_s: float,
        hz: float,
        cents_sd: float,
        stiffness: float,
        attack_hz: float,
        level_db: float = 0.0,
        cut: bool = False,
    ) -> HeardNote:
        """The note that was measured, named and compared."""
        if self.table_hz is None:
            key = round(float(hz_to_key(hz)))
        else:
            key = int(np.argmin(np.abs(np.log(self.table_hz / hz))))
        key = min(max(key, 0), 127)
        from_table = None if self.table_hz is None else float(1200 * np.log2(hz / self.table_hz[key]))
        return HeardNote(
            start_s=float(start_s),
            end_s=float(end_s),
            hz=float(hz),
            cents_sd=float(cents_sd),
            key=key,
            note=note_name(key, self.tonic),
            cents_from_equal=float(1200 * np.log2(hz / key_to_hz(key))),
            string=name_string(hz, self.strings) if self.strings else None,
            cents_from_table=from_table,
            stiffness=float(stiffness),
            attack_hz=float(attack_hz),
            level_db=float(level_db),
            cut=cut,
        )


def name_string(hz: float, strings: Sequence[tuple[int, float]]) -> int | None:
    """The string whose expected pitch is nearest to `hz`, or None where none is within `STRING_CENTS`."""
    distance, number = min((abs(1200 * np.log2(hz / expected)), number) for number, expected in strings)
    return number if distance <= STRING_CENTS else None


def heard_to_json(notes: Sequence[HeardNote]) -> dict[str, object]:
    """The notes as ``stillbeat listen --json`` prints them (schema 1)."""
    return {
        "schema": 1,
        "notes": [
            {
                "start_s": round(n.start_s, 4),
                "end_s": round(n.end_s, 4),
                "hz": n.hz,
                "cents_sd": n.cents_sd,
                "note": n.note,
                "string": n.string,
                "cents_from_table": n.cents_from_table,
                "stiffness": n.stiffness,
                "attack_hz": n.attack_hz,
            }
            for n in notes
        ],
    }
