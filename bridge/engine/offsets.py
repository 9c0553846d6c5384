"""What pitch a note is to have, and what bend range reaches it.

Offsets are cents that a channel must be bent by so that a key sounds at its frequency in the table: the distance
from equal temperament at A4 = 440 Hz, less what the synth adds by itself (the measured stretch of a sampled
instrument), plus half a step where it rounds pitches down, divided by the share of a bend that the synth lets sound.
What the source's own bend wheel and fine tuning add comes on top and is not divided: it sounds on this synth as it
would have without us.

The output range is the smallest whole number of semitones, 2 or more, that covers the targets that sound. A range
covers a target if a value on the wire lies within half a step of it. Where it cannot, the source's bend is cut
short, never the offset.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from bridge.engine.remembered import ByKey
from bridge.wire.bend import CENTRE, MAX_VALUE
from bridge.wire.profile import SynthProfile

LEAST_RANGE_SEMITONES = 2
DEFAULT_RANGE_CENTS = 200.0
"""The bend range of a channel that never set one."""
DEFAULT_MOST_SEMITONES = 12
DEFAULT_RANGE_CENTS = 200.0
"""The bend range of a channel that was never told one."""
WIDE_RANGE_SEMITONES = 24
_SAME_CENTS = 1e-6
_MOST_KNOWN = 400
_A4_HZ, _A4_KEY = 440.0, 69


class Offsets:
    """Turns tables into offsets, so that offsets which are the same but for rounding are the same float.

    An octave-repeating table computed in floating point differs between octaves in its last bits; notes that
    differ by no more than that must be able to share a channel. Offsets within a millionth of a cent of an
    earlier one take that one's value. Stretch and bend scale are the profile's.
    """

    def __init__(self, profile: SynthProfile | None = None) -> None:
        self._scale = profile.bend_scale if profile is not None else 1.0
        self._lift = profile.lift_cents if profile is not None else 0.0
        self._stretch = profile.key_stretch_cents if profile is not None else None
        self._known: dict[int, float] = {}
        self._tables: ByKey[float] = ByKey(self._offset)

    def of(self, hz: Sequence[float]) -> tuple[float, ...]:
        """Return the offsets of 128 keys, in cents of bend, for their frequencies in hertz."""
        return self._tables.of(hz)

    def _offset(self, key: int, hz: float) -> float:
        cents = 1200.0 * math.log2(hz / _A4_HZ) - 100.0 * (key - _A4_KEY)
        cents += self._lift if abs(cents) > _SAME_CENTS else 0.0
        if self._stretch is not None:
            cents -= self._stretch[key]
        return self._same(cents / self._scale)

    def sounding_cents(self, key: int, offset: float) -> float:
        """Return how far from equal a key sounds if it is bent by `offset`: the way back from `of`."""
        lift = self._lift if abs(offset) > _SAME_CENTS else 0.0
        return offset * self._scale - lift + (self._stretch[key] if self._stretch is not None else 0.0)

    def forget(self, keep: Sequence[float]) -> None:
        """Drop all values known so far but those in `keep`, where they are many, so that memory stays bounded."""
        if len(self._known) <= _MOST_KNOWN:
            return
        self._known = {}
        self._tables.forget()
        for value in keep:
            self._same(value)

    def _same(self, cents: float) -> float:
        slot = math.floor(cents / _SAME_CENTS)
        for near in (slot, slot - 1, slot + 1):
            known = self._known.get(near)
            if known is not None and abs(known - cents) <= _SAME_CENTS:
                return known
        self._known[slot] = cents
        return cents


def covers(range_semitones: int, low_cents: float, high_cents: float) -> bool:
    """Tell whether every target from `low_cents` to `high_cents` has a value within half a step of it."""
    per_cent = CENTRE / (100.0 * range_semitones)
    return low_cents * per_cent >= -CENTRE - 0.5 and high_cents * per_cent <= MAX_VALUE - CENTRE + 0.5


def smallest_range(low_cents: float, high_cents: float, most_semitones: int) -> int:
    """Return the smallest whole range that covers the targets, at least 2 and at most `most_semitones`."""
    low = min(LEAST_RANGE_SEMITONES, most_semitones)
    for semitones in range(low, most_semitones):
        if covers(semitones, low_cents, high_cents):
            return semitones
    return most_semitones


def most_range(profile: SynthProfile | None, own_range_cents: float, mpe: bool = False) -> int:
    """Return the widest range in semitones to use for a source channel, or for a member of an MPE zone.

    The profile's widest range decides; without one it is 12, or the range that the source sets itself if that
    is wider.
    """
    if profile is None:
        return max(DEFAULT_MOST_SEMITONES, math.ceil(own_range_cents / 100.0))
    if mpe:
        return profile.mpe_range_fixed_semitones or min(profile.bend_range_max_semitones, 96)
    return profile.bend_range_semitones


def fixed_range(profile: SynthProfile | None, mpe: bool = False) -> int | None:
    """Return the bend range that cannot be set, or None."""
    if profile is None:
        return None
    return profile.mpe_range_fixed_semitones if mpe else profile.bend_range_fixed_semitones


def own_bend_cents(value: int, range_cents: float) -> float:
    """Return what a bend of the source means, in cents, at the source's own range."""
    return (value - CENTRE) * range_cents / CENTRE
