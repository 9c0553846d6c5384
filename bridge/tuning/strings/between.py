"""From the tuning in which a guitar stands to the next one: capo, and as few strings turned as there can be.

Conventions
-----------
Strings are compared as they sound open, in Hz; one that is within `STAYS_CENTS` of what it shall be is left alone.
Those that come down go first, so that the neck is never loaded more than in the end. A string is *past its limit* where
it would carry more than in the tuning that the guitar is built for (by more than `advice.UP_CENTS`); where every string
would rise by the same semitones, a capo does it without a turn.

Sources
-------
Tension goes with the square of frequency (`bridge.tuning.strings.advice`). Down before up, and the capo off before a
string is turned: common practice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.strings.advice import UP_CENTS

STAYS_CENTS = 2.0
"""As far as electronics may lie off the guitar without a word."""

MOST_CAPO = 7
"""The highest fret at which a capo is offered in the place of turning."""


@dataclass(frozen=True)
class Turn:
    """A string that is turned."""

    string: int
    from_hz: float
    hz: float
    past_limit: bool  # whether it ends above what the guitar is built for

    @property
    def cents(self) -> float:
        """How far it is turned; negative is down."""
        return hz_to_cents(self.hz, self.from_hz)


@dataclass(frozen=True)
class Between:
    """What is done between two pieces, in order: capo off, strings down, strings up, capo on."""

    capo_off: int = 0  # fret that it leaves; 0: there is none to take off
    turns: tuple[Turn, ...] = ()
    capo_on: int = 0  # fret to which it goes; 0: none, or it stays where it is
    # Fret at which a capo makes all the notes from the strings as they stand; 0: none does.
    capo_instead: int = 0
    # Semitones by which the strings are left lower than asked for, because a capo at that fret makes up for it and no
    # string goes past its limit; `turns` and `capo_on` are so already.
    lowered: int = 0


def between_tunings(
    before_hz: Mapping[int, float],
    after_hz: Mapping[int, float],
    built_for_hz: Mapping[int, float],
    capo_before: int = 0,
    capo_after: int = 0,
) -> Between:
    """Say how a guitar comes from one tuning to another.

    Parameters
    ----------
    before_hz, after_hz : mapping of int to float
        Every open string by its number, without a capo.
    built_for_hz : mapping of int to float
        The open strings in the tuning that the guitar is built for; empty: it is always tuned like this.
    capo_before, capo_after : int
        Fret of the capo, 0 for none.
    """
    instead = _capo_instead(before_hz, after_hz) if not capo_after else 0
    if not instead and not capo_after and (lowered := _lowered(after_hz, built_for_hz)):
        lower_hz = {number: hz / 2 ** (lowered / 12) for number, hz in after_hz.items()}
        spared = between_tunings(before_hz, lower_hz, built_for_hz, capo_before, lowered)
        return replace(spared, lowered=lowered)
    turns = [
        Turn(number, before_hz[number], hz, _past(hz, built_for_hz.get(number)))
        for number, hz in after_hz.items()
        if abs(hz_to_cents(hz, before_hz[number])) > STAYS_CENTS
    ]
    turns.sort(key=lambda turn: (turn.cents > 0, -turn.string))
    moved = bool(turns)
    capo_moves = capo_before != capo_after
    return Between(
        capo_off=capo_before if capo_before and (moved or capo_moves) else 0,
        turns=tuple(turns),
        capo_on=capo_after if capo_after and (moved or capo_moves) else 0,
        capo_instead=instead if moved else 0,
    )


def _lowered(after_hz: Mapping[int, float], built_for_hz: Mapping[int, float]) -> int:
    """Return how many semitones lower no string is past its limit; 0 if none is as it is, or a capo cannot help."""

    def past(semitones: int) -> bool:
        factor = 2 ** (semitones / 12)
        return any(_past(hz / factor, built_for_hz.get(number)) for number, hz in after_hz.items())

    if not past(0):
        return 0
    return next((semitones for semitones in range(1, MOST_CAPO + 1) if not past(semitones)), 0)


def _past(hz: float, built_for_hz: float | None) -> bool:
    return built_for_hz is not None and hz_to_cents(hz, built_for_hz) > UP_CENTS


def _capo_instead(before_hz: Mapping[int, float], after_hz: Mapping[int, float]) -> int:
    """Return the fret whose capo gives what the strings would be turned to; 0 if none does."""
    cents = [hz_to_cents(hz, before_hz[number]) for number, hz in after_hz.items()]
    fret = round(sum(cents) / len(cents) / 100)
    fits = 1 <= fret <= MOST_CAPO and all(abs(one - 100 * fret) <= STAYS_CENTS for one in cents)
    return fret if fits else 0
