"""Choosing while it is played: chords come out pure, settled notes never move, and chords that return agree."""

from __future__ import annotations

import random
from fractions import Fraction

import numpy as np
import pytest
from harmony.scores import five_limit_table, piece
from harmony.test_pieces import palette_for

from bridge.harmony.choice.follow import score_of
from bridge.harmony.choice.on_the_spot import OnTheSpot
from bridge.harmony.choice.variants import Palette, palette_of
from bridge.harmony.notes import TimedNote, sorted_notes


def played(
    notes: list[TimedNote], palette: Palette, window_s: float = 0.04
) -> tuple[list[float], list[tuple[float, int]]]:
    """Play notes; return the offset of each as it ends up, and when which class was corrected."""
    live = OnTheSpot(palette, window_s)
    events = sorted(
        (time, starts, index)
        for index, note in enumerate(notes)
        for time, starts in ((note.start_s, 1), (note.end_s, 0))
    )
    offsets = [0.0] * len(notes)
    sounding: dict[int, list[int]] = {}
    corrected = []
    for time, starts, index in events:
        key = notes[index].key
        if not starts:
            live.note_off(time, key)
            sounding[key % 12].remove(index)
            continue
        choice = live.note_on(time, key, notes[index].part)
        sounding.setdefault(key % 12, []).append(index)
        offsets[index] = choice.variant.offset_cents
        for one in choice.corrections:
            corrected.append((time, one.pitch_class))
            for other in sounding[one.pitch_class]:
                offsets[other] = one.offset_cents
    return offsets, corrected


def spread(notes: list[TimedNote], seed: int, seconds: float = 0.03) -> list[TimedNote]:
    """Strike notes as hands do, not quite together."""
    rng = random.Random(seed)
    late = [rng.random() * seconds for _ in notes]
    return sorted_notes(
        TimedNote(note.start_s + off, max(note.end_s, note.start_s + off), note.key, note.velocity, note.part)
        for note, off in zip(notes, late, strict=True)
    )


@pytest.mark.parametrize("name", ["pump", "pump-x4", "fifths", "to-V-and-back", "minor", "drone", "guitar"])
@pytest.mark.parametrize("hands", [False, True])
def test_triads_come_out_pure_as_they_are_played(name: str, hands: bool) -> None:
    palette = palette_for(name)
    notes = spread(piece(name), 3) if hands else piece(name)
    offsets, _ = played(notes, palette)
    score = score_of(notes, palette)
    assert score.measure(np.array(offsets)).share >= 0.97


def test_a_chord_that_returns_sounds_as_it_did_the_first_time() -> None:
    palette = palette_for("pump-x4")
    notes = piece("pump-x4")
    offsets, _ = played(notes, palette)
    by_start = {
        start: {
            note.key: offset for note, offset in zip(notes, offsets, strict=True) if note.start_s == start
        }
        for start in (4.0, 12.0, 20.0, 28.0)
    }
    assert all(one == by_start[4.0] for one in by_start.values())


@pytest.mark.parametrize("seed", range(40))
def test_nothing_moves_once_it_has_settled(seed: int) -> None:
    rng = random.Random(seed)
    notes, now = [], 0.0
    for _ in range(60):
        now += rng.choice([0.0, 0.01, 0.03, 0.2, 0.5])
        notes.append(
            TimedNote(now, now + rng.choice([0.1, 0.6, 2.0]), rng.randint(52, 80), 80, rng.randint(1, 3))
        )
    notes = sorted_notes(notes)
    palette = palette_of(five_limit_table("D"))
    _, corrected = played(notes, palette)
    for time, pitch_class in corrected:
        # The class began, from silence, no longer ago than the window; above E3 four periods are shorter.
        begins = [
            note.start_s
            for note in notes
            if note.key % 12 == pitch_class
            and note.start_s <= time
            and not any(
                other is not note
                and other.key % 12 == pitch_class
                and other.start_s < note.start_s
                and other.end_s > note.start_s
                for other in notes
            )
        ]
        assert time - max(begins) <= 0.04 + 1e-9
        assert pitch_class not in palette.pinned
    assert not played(notes, palette, window_s=0.0)[1]


def test_notes_that_sound_together_in_octaves_agree() -> None:
    palette = palette_of(five_limit_table("C"))
    live = OnTheSpot(palette)
    for time, key in ((0.0, 50), (0.01, 65), (0.02, 69)):
        live.note_on(time, key)
    assert str(live.note_on(1.0, 62).variant) == "10/9"
    assert str(live.note_on(1.1, 74).variant) == "10/9"
    assert live.sounding() == (2, 5, 9)


def test_a_low_note_may_be_corrected_for_four_periods() -> None:
    # E1 sounds 41.2 times a second: four periods last 97 ms.
    palette = palette_of(five_limit_table("D"))
    low = OnTheSpot(palette)
    low.note_on(0.0, 28)
    choice = [low.note_on(0.09, 31), low.note_on(0.09, 35)][1]
    assert choice.variant.interval.ratio == Fraction(5, 3)
    assert str(palette.classes[4][low._index[4]]) == "10/9"
    late = OnTheSpot(palette)
    late.note_on(0.0, 28)
    corrections = [one for key in (31, 35) for one in late.note_on(0.11, key).corrections]
    assert 4 not in [one.pitch_class for one in corrections]


def test_another_palette_and_ends_of_unknown_notes() -> None:
    live = OnTheSpot(palette_of(five_limit_table("C")))
    live.note_off(0.0, 60)
    live.note_on(0.0, 62)
    live.use(palette_of(five_limit_table("C"), held=[2]))
    live.new_section()
    assert str(live.note_on(0.5, 74).variant) == "9/8"
