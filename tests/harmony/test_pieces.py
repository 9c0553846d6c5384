"""Pieces with known answers: what must come out when their harmony is followed.

The pieces are our own, and the answers follow from the ratios: with D at 10/9 the triad D F A is 10:12:15, with D at
9/8 the triad G B D is 4:5:6; shares count thirds, fourths, fifths and sixths by the time they sound. The measure under
test is held against plain arithmetic on the notes below (`share_by_hand`).
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from harmony.scores import PIECES, five_limit_table, piece

from bridge.harmony.choice.follow import Following, FollowOptions, follow
from bridge.harmony.choice.variants import Palette, palette_of
from bridge.harmony.measure import fixed_hz, measure
from bridge.harmony.notes import TimedNote, sorted_notes
from bridge.harmony.why.equal_chords import keep_equal
from bridge.tuning.notes import parse_pitch_class, pitch_class_name

CONSONANT = {3: "6/5", 4: "5/4", 5: "4/3", 7: "3/2", 8: "8/5", 9: "5/3"}


def palette_for(name: str, natural_sevenths: bool = False) -> Palette:
    tonic, pinned = PIECES[name]["tonic"], PIECES[name]["pinned"]
    assert isinstance(tonic, str)
    assert isinstance(pinned, list)
    return palette_of(
        five_limit_table(tonic),
        pinned="nothing",
        held=[parse_pitch_class(note) for note in pinned],
        natural_sevenths=natural_sevenths,
    )


def followed(name: str, **options: object) -> Following:
    return follow(piece(name), palette_for(name), FollowOptions(**options))  # type: ignore[arg-type]


def chosen(result: Following) -> dict[tuple[float, str], str]:
    """Return what was chosen, by start and note."""
    return {
        (segment.start_s, pitch_class_name(segment.pitch_class)): str(variant)
        for segment, variant in zip(result.segments, result.variants, strict=True)
    }


def share_by_hand(notes: list[TimedNote], cents: list[float]) -> float:
    """Return the share of pure thirds, fourths, fifths and sixths, from the definition alone."""
    pure = total = 0.0
    for index, one in enumerate(notes):
        for other_index in range(index):
            other = notes[other_index]
            low, high = (index, other_index) if one.key < other.key else (other_index, index)
            together = min(one.end_s, other.end_s) - max(one.start_s, other.start_s)
            folded = (notes[high].key - notes[low].key) % 12
            if together < 0.05 or folded not in CONSONANT:
                continue
            size = (cents[high] - cents[low]) % 1200
            total += together
            pure += together * (abs(size - 1200 * math.log2(Fraction(CONSONANT[folded]))) <= 1)
    return pure / total


def sounding_cents(result: Following, tonic: str) -> list[float]:
    fixed = five_limit_table(tonic).hz
    return [
        1200 * math.log2(fixed[note.key] / 440) + offset
        for note, offset in zip(result.notes, result.offsets_cents, strict=True)
    ]


@pytest.mark.parametrize(
    ("name", "fixed", "after"),
    [
        ("pump", 84, 100),
        ("pump-x4", None, 100),
        ("pump-tied", None, 88),
        ("fifths", None, 100),
        ("to-V-and-back", None, 100),
        ("minor", None, 100),
        ("drone", None, 100),
        ("guitar", None, 100),
        ("chromatic", None, 100),
        ("augmented", 86, 86),
        ("diminished", 81, 81),
        ("suspension", 100, 100),
        ("ii-held-V", None, 100),
    ],
)
def test_the_share_that_must_come_out(name: str, fixed: float | None, after: float) -> None:
    result = followed(name)
    tonic = str(PIECES[name]["tonic"])
    share = 100 * share_by_hand(list(result.notes), sounding_cents(result, tonic))
    assert round(share) == after
    assert 100 * result.after.share == pytest.approx(share, abs=1e-6)
    if fixed is not None:
        table_share = share_by_hand(
            list(result.notes),
            [1200 * math.log2(five_limit_table(tonic).hz[note.key]) for note in result.notes],
        )
        assert round(100 * table_share) == fixed
        assert result.before.share == pytest.approx(table_share, abs=1e-9)
    assert result.after.drift_cents == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("name", sorted(PIECES))
def test_nothing_that_sounds_moves_and_pins_hold(name: str) -> None:
    result = followed(name, guard=False)
    pins = {parse_pitch_class(note) for note in PIECES[name]["pinned"]}  # type: ignore[attr-defined]
    for index, one in enumerate(result.notes):
        if one.key % 12 in pins:
            assert result.offsets_cents[index] == 0.0
        for other_index in range(index):
            other = result.notes[other_index]
            if one.key % 12 == other.key % 12 and min(one.end_s, other.end_s) - one.start_s > 0.05:
                assert result.offsets_cents[index] == result.offsets_cents[other_index]


def test_ii_stands_on_ten_ninths_in_every_round_and_every_round_is_the_same() -> None:
    choice = chosen(followed("pump-x4"))
    for start in (4.0, 12.0, 20.0, 28.0):
        assert choice[start, "D"] == "10/9"
        assert choice[start + 2, "D"] == "9/8"
    rounds = [
        {(start - first, note): word for (start, note), word in choice.items() if first <= start < first + 8}
        for first in (2.0, 10.0, 18.0, 26.0)
    ]
    assert all(one == rounds[0] for one in rounds)


def test_four_stays_a_pure_fourth_from_iv_into_the_dominant_seventh() -> None:
    result = followed("cadence", guard=False)
    assert chosen(result)[6.0, "F"] == "4/3"
    triads = [note for note in result.notes if note.start_s != 6.0]
    hz = [440 * 2 ** (cents / 1200) for cents in sounding_cents(result, "C")]
    kept = [value for value, note in zip(hz, result.notes, strict=True) if note.start_s != 6.0]
    assert measure(triads, kept).share == 1.0
    # Without the rule the seventh would be raised, which the rule is there to prevent.
    assert chosen(followed("cadence", guard=False, rule_on_4=False))[6.0, "F"] == "27/20"


def test_the_dominant_seventh_before_iv_does_not_raise_iv() -> None:
    choice = chosen(followed("blues", guard=False))
    assert choice[8.0, "F"] == choice[10.0, "F"] == choice[4.0, "F"] == "4/3"


def test_ii_whose_root_is_held_into_v_is_raised_whole() -> None:
    choice = chosen(followed("ii-held-V"))
    assert (choice[2.0, "D"], choice[2.0, "F"], choice[2.0, "A"]) == ("9/8", "27/20", "27/16")


def test_augmented_has_two_pure_thirds_and_the_diesis_on_the_third() -> None:
    result = followed("augmented")
    diesis = 1200 * math.log2(128 / 125)
    assert result.after.purity.worst_cents == pytest.approx(diesis, abs=0.01)


def test_natural_sevenths_in_the_blues() -> None:
    result = follow(piece("blues"), palette_for("blues", natural_sevenths=True))
    choice = chosen(result)
    assert choice[0.0, "Bb"] == "7/4"
    assert choice[4.0, "Eb"] == "7/6"
    assert result.followed
    assert result.after.natural > result.before.natural


def test_a_pure_piece_and_a_small_gain_leave_every_note_alone() -> None:
    for name, why in (
        ("suspension", "nothing to gain"),
        ("cadence", "gains too little"),
        ("diminished", "gains too little"),
    ):
        result = followed(name)
        assert not result.followed
        assert result.why == why
        assert not result.offsets_cents.any()


def test_sparse_two_part_writing_gets_few_moves_by_itself() -> None:
    lines = [
        TimedNote(step * 0.5, step * 0.5 + 0.5, key, 80, part)
        for part, keys in ((1, (60, 62, 64, 65, 67, 69)), (2, (48, 50, 52, 53, 55, 57)))
        for step, key in enumerate(keys)
    ]
    assert follow(sorted_notes(lines), palette_of(five_limit_table("C"))).moves == "few"
    assert followed("pump").moves == "some"


def test_open_strings_ringing_under_ii_are_never_pure() -> None:
    # D and A ring; E G B above: with E at 10/9 the fifth A-E is sour, with 9/8 both E-G and E-B are.
    notes = sorted_notes(
        TimedNote(0, 4, key, 80, part) for key, part in ((50, 2), (57, 2), (64, 1), (67, 1), (71, 1))
    )
    palette = palette_of(five_limit_table("D"), pinned="nothing", held=[2, 9])
    result = follow(notes, palette, FollowOptions(guard=False))
    assert result.after.share < 1.0


def test_the_measure_tells_what_is_sour_what_beats_and_what_moved() -> None:
    notes = sorted_notes(
        [TimedNote(0, 2, 50, 80, 1), TimedNote(0, 2, 57, 80, 1), TimedNote(2.5, 4, 50, 80, 1)]
    )
    hz = np.array([146.0, 146.0 * 40 / 27, 147.0])
    found = measure(notes, hz, [0.0, 2.0])
    assert found.purity.sour == 1.0
    assert found.worst is not None
    assert found.worst.cents == pytest.approx(-1200 * math.log2(81 / 80), abs=1e-6)
    # The third partial of the lower note against the second of the upper.
    assert found.worst.beats_hz == pytest.approx(abs(3 * 146.0 - 2 * 146.0 * 40 / 27), rel=1e-9)
    assert found.moved == pytest.approx(100 / 3)
    assert [bar.purity.share for bar in found.bars] == [0.0, 1.0]
    assert found.drift_cents == 0.0  # no C sounds
    assert measure(notes, hz, tonic_class=2).drift_cents == pytest.approx(1200 * math.log2(147 / 146))


def test_short_and_bent_notes_make_no_chord() -> None:
    table = five_limit_table("C")
    notes = sorted_notes(
        [TimedNote(0, 2, 60), TimedNote(0, 0.05, 64), TimedNote(0, 2, 67, bent=True), TimedNote(0.5, 1, 62)]
    )
    found = measure(notes, fixed_hz(notes, table.hz))
    assert found.purity.seconds == 0.0
    assert found.others.seconds == pytest.approx(0.5)


@pytest.mark.parametrize(("name", "third_off"), [("augmented", 400 - 386.314), ("diminished", 315.641 - 300)])
def test_chords_without_a_pure_form_may_be_kept_equal(name: str, third_off: float) -> None:
    plain = followed(name)
    equal = keep_equal(plain)
    diesis = 1200 * math.log2(128 / 125)
    assert plain.after.purity.worst_cents == pytest.approx(diesis, abs=0.01)
    assert equal.after.purity.worst_cents == pytest.approx(third_off, abs=0.01)
    assert equal.after.purity.rms_cents < plain.after.purity.rms_cents
    # Pure chords stay pure, and the tonic stays where it is.
    moved = {
        segment.start_s
        for segment, variant in zip(equal.segments, equal.variants, strict=True)
        if variant.offset_cents
    }
    assert moved == {2.0, 6.0}
    assert keep_equal(followed("pump")).why == "followed"
