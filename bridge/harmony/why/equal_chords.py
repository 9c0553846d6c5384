"""Augmented triads and diminished sevenths kept equal: chords that no choice makes pure.

Conventions
-----------
With pure intervals one of their thirds or sixths carries a diesis of 41 cents. Equal temperament spreads that: each
third of an augmented chord is 13.7, of a diminished one 15.6 cents off. Some players prefer it; so it is theirs to
choose. Equal means equal steps from the tonic as the table has it. Only notes that sound in such a chord and nothing
else move; what is held by a string, or sounds on into another chord, stays.

Sources
-------
Sizes: 400 − 386.3 and 315.6 − 300 cents; the diesis 128/125 is 41.1 cents.
"""

from __future__ import annotations

from dataclasses import replace

from bridge.harmony.choice.follow import Following, sounding_together
from bridge.harmony.choice.variants import Variant
from bridge.tuning.scales import Interval

_EQUAL_CHORDS = tuple(
    frozenset((root + step) % 12 for step in steps)
    for steps in ((0, 4, 8), (0, 3, 6, 9))
    for root in range(4)
)


def keep_equal(following: Following) -> Following:
    """Return the piece with its augmented triads and diminished sevenths in equal temperament."""
    score = following.score
    together = sounding_together(score)
    variants = list(following.variants)
    for number, (segment, palette) in enumerate(zip(score.segments, score.palettes, strict=True)):
        chord = frozenset({segment.pitch_class, *(one.pitch_class for one in together.get(number, ()))})
        if chord not in _EQUAL_CHORDS or segment.pitch_class in palette.pinned:
            continue
        degree = (segment.pitch_class - palette.tonic_class) % 12
        offset = palette.base_cents[palette.tonic_class] - palette.base_cents[segment.pitch_class]
        variants[number] = Variant(Interval.of_cents(100.0 * degree), offset)
    if variants == list(following.variants):
        return following
    offsets = score.offsets(variants)
    return replace(
        following,
        variants=tuple(variants),
        offsets_cents=offsets,
        followed=True,
        why="some chords kept equal",
        after=score.measure(offsets),
    )
