"""What following asks of channels: never more than the fixed table, and where they are short, fewer tails to keep.

By bends every offset of a part takes a channel, and a note that rings on keeps its own for half a second. A class that
is struck again at another pitch while it rings takes one channel more.
"""

from __future__ import annotations

import random

import pytest
from harmony.scores import five_limit_table

from bridge.harmony.choice.follow import Following, FollowOptions, follow
from bridge.harmony.choice.variants import palette_of
from bridge.harmony.notes import TimedNote, sorted_notes

PALETTE = palette_of(five_limit_table("C"), pinned="tonic")
TAIL_S = 0.5
TRIADS = (
    (0, 4, 7),
    (2, 5, 9),
    (4, 7, 11),
    (5, 9, 0),
    (7, 11, 2),
    (9, 0, 4),
    (2, 6, 9),
    (4, 8, 11),
)


def clip(seed: int, parts: int = 1) -> list[TimedNote]:
    """Some chords in close succession; the parts share each chord, and hold it as long as they like."""
    chance = random.Random(seed)
    notes: list[TimedNote] = []
    start_s = 0.0
    for _ in range(chance.randint(4, 8)):
        length_s = chance.choice((0.2, 0.4, 1.0, 2.0))
        for one in chance.choice(TRIADS):
            for part in range(parts):
                held_s = length_s * (1.0 if parts == 1 else chance.choice((0.5, 1.0, 1.5)))
                key = 48 + one + 12 * chance.randint(0, 2)
                notes.append(TimedNote(start_s, start_s + held_s, key, 80, part))
        start_s += length_s + chance.choice((0.0, 0.0, 0.2, 0.6, 0.8))
    return sorted_notes(notes)


def followed(notes: list[TimedNote], crowded: bool = False) -> Following:
    spans = ((0.0, 1000.0),) if crowded else ()
    return follow(notes, PALETTE, FollowOptions(slop_s=0.0, guard=False, crowded_s=spans))


def demand(found: Following, as_table: bool = False) -> int:
    """Most pairs of part and offset from equal temperament that sound at once."""
    base = found.score.base_cents()
    cents = base if as_table else base + found.offsets_cents
    most = 0
    for at in found.notes:
        pairs = {
            (note.part, round(float(own), 4))
            for note, own in zip(found.notes, cents, strict=True)
            if note.start_s <= at.start_s < note.end_s
        }
        most = max(most, len(pairs))
    return most


def rings(found: Following) -> int:
    """Strokes at another pitch while the last one of the class still rings."""
    count = 0
    last: dict[int, tuple[float, float]] = {}
    for segment, variant in zip(found.segments, found.variants, strict=True):
        before = last.get(segment.pitch_class)
        if before is not None and segment.start_s - before[0] < TAIL_S:
            count += abs(variant.offset_cents - before[1]) > 0.05
        last[segment.pitch_class] = segment.end_s, variant.offset_cents
    return count


@pytest.mark.parametrize("parts", [1, 2, 3])
def test_the_allocator_is_asked_for_no_more_than_before(parts: int) -> None:
    moved = 0
    for seed in range(60):
        found = followed(clip(seed, parts))
        assert demand(found) <= demand(found, as_table=True)
        moved += any(variant.offset_cents for variant in found.variants)
    assert moved > 20, "it did follow"


def test_where_channels_are_short_the_comma_that_costs_none_is_preferred() -> None:
    plain = short = 0
    shares = [0.0, 0.0]
    for seed in range(200):
        notes = clip(seed)
        free, crowded = followed(notes), followed(notes, crowded=True)
        assert rings(crowded) <= rings(free)
        plain, short = plain + rings(free), short + rings(crowded)
        shares = [shares[0] + free.after.share, shares[1] + crowded.after.share]
    assert short < plain
    assert shares[1] >= shares[0] - 200 * 0.001, (
        "and chords are as pure as before: a tenth of a point in the mean"
    )
