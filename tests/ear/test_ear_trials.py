"""Trials of the ear: what is asked, that it is there to be heard, and that nothing else gives it away.

Frequencies are worked out here from ratios and the reference named.
"""

from __future__ import annotations

import math
from collections import Counter
from itertools import pairwise

import numpy as np
import pytest

from bridge.ear.course import Course
from bridge.ear.sounds import Sound, find_sounds
from bridge.ear.trials import MOST_CENTS, SHIFT_CENTS, Exercise, Trial, Trials
from bridge.errors import ValueProblem
from bridge.jobs.choose import TableRequest, choose_table
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.tables import Table, build_table

D3 = 440.0 * 2 ** (-19 / 12)
"""D3 at A4 = 440: nineteen semitones below."""


@pytest.fixture(scope="module")
def table() -> Table:
    return build_table(choose_table(TableRequest(guitar="open-d", reference=f"D3={D3}")))


def sound(table: Table, words: str) -> Sound:
    return find_sounds(words.split(), table)[0]


def made(
    table: Table, words: str, exercise: Exercise, cents: float, count: int, seed: int = 1
) -> list[Trial]:
    trials = Trials(exercise, find_sounds(words.split(), table), count, np.random.default_rng(seed))
    return [trials.make(cents) for _ in range(count)]


def off_cents(of: Sound, hz: tuple[float, ...]) -> float:
    """How much wider than pure two notes are."""
    return hz_to_cents(hz[1], hz[0]) - hz_to_cents(of.hz[1], of.hz[0])


def test_one_beat_in_two_seconds_is_1_2_cents_on_a_third_and_2_0_on_a_fifth(table: Table) -> None:
    """Half a beat a second where partials 5 and 4 meet, at 5 · D3, and 3 and 2, at 3 · D3 (Helmholtz, ch. VIII)."""
    third, fifth = sound(table, "D3 F#3"), sound(table, "D3 A3")
    assert third.meeting_hz(1) == pytest.approx(5 * D3)
    assert third.cents_of_beats(0.5) == pytest.approx(1200 * math.log2(1 + 0.5 / (5 * D3)))
    assert f"{third.cents_of_beats(0.5):.1f}" == "1.2"
    assert fifth.cents_of_beats(0.5) == pytest.approx(1200 * math.log2(1 + 0.5 / (3 * D3)))
    assert f"{fifth.cents_of_beats(0.5):.1f}" == "2.0"
    assert third.beats_hz(third.cents_of_beats(0.5)) == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("words", "name", "register", "size"),
    [
        ("fifth", "fifth", "D3-A3", "3/2"),
        ("third", "third", "D3-F#3", "5/4"),
        ("D3 A3", "fifth", "D3-A3", "3/2"),
        ("unison", "unison", "D3-D3", "1/1"),
        ("octave", "octave", "D3-D4", "2/1"),
        ("minor sixth", "minor sixth", "D3-Bb3", "8/5"),
        ("1 b3", "minor third", "D3-F3", "6/5"),
        ("1 3 5", "1 3 5", "D3-F#3-A3", "4:5:6"),
        ("1 b2", "minor second", "D3-Eb3", "16/15"),
        ("1 2", "major second", "D3-E3", "9/8"),
        ("1 b7", "minor seventh", "D3-C4", "9/5"),
        ("1 7", "major seventh", "D3-C#4", "15/8"),
        ("ii", "ii (Em)", "E3-G3-B3", "10:12:15"),
        ("E3 B3", "fifth", "E3-B3", "3/2"),
    ],
)
def test_what_a_player_names_is_found_in_its_pure_form(
    table: Table, words: str, name: str, register: str, size: str
) -> None:
    """Also the fifth above the second degree, which the table itself has a comma narrow (40/27)."""
    found = sound(table, words)
    assert (found.name, found.register, found.size) == (name, register, size)
    assert found.hz[0] == pytest.approx(
        float(table.hz[table.spec.reference.key]) * (9 / 8 if register.startswith("E") else 1)
    )


def test_what_has_no_pure_form_is_refused(table: Table) -> None:
    with pytest.raises(ValueProblem, match="no pure form"):
        sound(table, "1 #4")
    with pytest.raises(ValueProblem, match="no pure form"):
        sound(table, "Daug")
    with pytest.raises(ValueProblem, match=r"no note, degree or interval.*fifth"):
        sound(table, "a fithh")
    with pytest.raises(ValueProblem, match="two that are compared"):
        sound(table, "I ii IV")
    with pytest.raises(ValueProblem, match="meets no other note in its first sixteen partials"):
        sound(table, "D3 Eb4")  # 32/15
    with pytest.raises(ValueProblem, match="out of reach"):
        sound(table, "D0 A0")


@pytest.mark.parametrize("words", ["fifth", "unison", "1 3 5", "ii", "I ii"])
@pytest.mark.parametrize("cents", [0.7, 9.0, 21.5, 50.0])
def test_one_of_two_is_pure_and_the_other_one_note_off(table: Table, words: str, cents: float) -> None:
    for trial in made(table, words, "still", cents, 40):
        pure, beating = trial.played if trial.answer == "first" else trial.played[::-1]
        sounds = find_sounds(words.split(), table)
        (here,) = [one for one in sounds if np.ptp(_off(one, pure.hz)) < 1e-6] if len(sounds) > 1 else sounds
        assert np.ptp(_off(here, pure.hz)) < 1e-6
        there = sounds[1 - sounds.index(here)] if len(sounds) > 1 else here
        off = _off(there, beating.hz)
        middle = float(np.median(off)) if len(off) > 2 else off[0]
        assert sorted(np.round(np.abs(off - middle), 6))[-1] == pytest.approx(cents)
        assert np.sum(np.abs(off - middle) > 1e-6) == 1


def _off(of: Sound, hz: tuple[float, ...]) -> np.ndarray:
    """How far each note lies from its unshifted place, in cents."""
    if len(of.hz) != len(hz):
        return np.array([0.0, 1e9])
    return np.array([hz_to_cents(a, b) for a, b in zip(hz, of.hz, strict=True)])


@pytest.mark.parametrize("exercise", ["still", "wide"])
def test_answers_and_the_note_that_is_off_are_balanced(table: Table, exercise: Exercise) -> None:
    trials = made(table, "fifth", exercise, 10.0, 50)
    assert sorted(Counter(trial.answer for trial in trials).values()) == [25, 25]
    # No run of answers tells the next: neither strictly alternating nor in blocks.
    changes = sum(a.answer != b.answer for a, b in pairwise(trials))
    assert 12 <= changes <= 38


def test_wide_and_narrow_are_what_they_say(table: Table) -> None:
    fifth = sound(table, "fifth")
    moved = Counter()
    for trial in made(table, "fifth", "wide", 12.0, 60):
        (played,) = trial.played
        assert off_cents(fifth, played.hz) == pytest.approx(12.0 if trial.answer == "wide" else -12.0)
        low = hz_to_cents(played.hz[0], fifth.hz[0])
        assert abs(low) <= 650.0 + 12.0
        moved[trial.answer, round(low % 100, 3)] += 1
    assert len(moved) > 50


def test_shifts_stay_within_a_quarter_tone(table: Table) -> None:
    fifth = sound(table, "fifth")
    shifts = [
        hz_to_cents(note, pure)
        for trial in made(table, "fifth", "still", 7.0, 300)
        for played in trial.played
        for note, pure in zip(played.hz, fifth.hz, strict=True)
    ]
    assert max(shifts) <= SHIFT_CENTS
    assert min(shifts) >= -SHIFT_CENTS
    assert max(shifts) > 40.0
    assert min(shifts) < -40.0


def _chance(hits: int, count: int) -> None:
    """Within 3.5 standard errors of one half: by luck alone outside once in 2,000."""
    assert abs(hits - count / 2) < 3.5 * math.sqrt(count) / 2, f"{hits} of {count}"


@pytest.mark.parametrize("cents", [3.0, 15.0, 30.0, 50.0])
@pytest.mark.parametrize("note", [0, 1])
def test_who_hears_one_note_alone_is_right_by_chance(table: Table, note: int, cents: float) -> None:
    """Even with a perfect memory for where that note should be: higher, or further off, in the first or the second."""
    home = sound(table, "fifth").hz[note]
    trials = made(table, "fifth", "still", cents, 1200, seed=4)
    for rule in (lambda at: at, abs, lambda at: abs(at - 20), lambda at: at % 10):
        hits = 0
        for trial in trials:
            first, second = (rule(hz_to_cents(played.hz[note], home)) for played in trial.played)
            hits += (first < second) == (trial.answer == "first")
        _chance(hits, len(trials))


def _wide(table: Table, cents: float, count: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Where both notes lie, in cents from their pure places, shape (count, 2); and which trials are wide."""
    home = np.array(sound(table, "fifth").hz)
    trials = made(table, "fifth", "wide", cents, count, seed)
    at = 1200 * np.log2(np.array([trial.played[0].hz for trial in trials]) / home)
    return at, np.array([trial.answer == "wide" for trial in trials])


WIDE_RANGE_CENTS = 13 * 100.0
"""Thirteen semitones of places, each with its quarter tones: evenly spread."""


@pytest.mark.parametrize("cents", [15.0, 40.0])
def test_one_note_tells_no_more_of_wide_or_narrow_than_it_must(table: Table, cents: float) -> None:
    """No rule for one note beats ½ + d / 2R, half the distance in total variation of two even spreads d apart.

    Three listeners: the best threshold for a note whose place is known; the best of all rules for twenty stretches of
    pitch, learnt from one half and tried on the other; and a straight line that is learnt trial by trial.
    """
    count = 24_000
    at, wide = _wide(table, cents, count, seed=4)
    most = 0.5 + cents / (2 * WIDE_RANGE_CENTS)
    error = 0.5 / math.sqrt(count)
    half = count // 2
    for note in (0, 1):
        pitch = at[:, note]
        hits = np.mean(((pitch > 0) == bool(note)) == wide)
        assert abs(hits - most) < 3.5 * error
        place = np.clip(((pitch + 700) / 70).astype(int), 0, 19)
        of_wide = np.bincount(place[:half], wide[:half], 20) / np.bincount(place[:half], minlength=20)
        assert np.mean((of_wide[place[half:]] > 0.5) == wide[half:]) < most + 3.5 * error * math.sqrt(2)
        slope = level = 0.0
        right = 0
        for x, was in zip(pitch / 400, wide, strict=True):
            guess = 1 / (1 + math.exp(-level - slope * x))
            right += (guess > 0.5) == was
            level += 0.02 * (was - guess)
            slope += 0.02 * (was - guess) * x
        assert right / count < most + 3.5 * error
        # Neither the note nor how far it lies from home is skewed: the same spread, moved by half of d each way.
        assert np.mean(pitch[wide]) - np.mean(pitch[~wide]) == pytest.approx(
            cents if note else -cents, abs=4 * 2 * WIDE_RANGE_CENTS / math.sqrt(12 * count)
        )
    # Who hears both notes, the interval, is always right.
    assert np.array_equal(at[:, 1] > at[:, 0], wide)


@pytest.mark.parametrize("note", [0, 1])
@pytest.mark.parametrize("exercise", ["still", "wide"])
def test_the_staircase_never_teaches_who_hears_one_note(table: Table, exercise: Exercise, note: int) -> None:
    """Whole runs, in which such a listener is driven to the largest mistunings: still chance, and no threshold."""
    fifth = sound(table, "fifth")
    right = count = fooled = 0
    for seed in range(16):
        course = Course(exercise, [fifth], seed=seed)
        while not course.over:
            places = [hz_to_cents(played.hz[note], fifth.hz[note]) for played in course.trial.played]
            if exercise == "still":
                marked = course.answer("first" if abs(places[0]) < abs(places[1]) else "second")
            else:
                marked = course.answer("wide" if (places[0] > 0) == bool(note) else "narrow")
            right += marked.right
            count += 1
        found = course.threshold()
        assert found is not None
        fooled += found.high_cents < MOST_CENTS
    assert fooled <= 4  # lucky strokes: an interval that is true in 90 of 100 cases
    assert abs(right / count - 0.5) < 0.07


def test_the_same_seed_gives_the_same_trials(table: Table) -> None:
    one, same, other = (made(table, "fifth", "still", 8.0, 10, seed) for seed in (3, 3, 4))
    assert one == same
    assert one != other


def test_a_course_asks_answers_and_ends(table: Table) -> None:
    course = Course("still", [sound(table, "fifth")], count=24, seed=2)
    with pytest.raises(ValueProblem, match="first or second"):
        course.answer("wide")
    waited = course.trial
    course.skip()
    assert course.trial != waited
    assert course.trial.cents == waited.cents
    for _ in range(60):
        course.skip()
        assert course.trial.answer in ("first", "second")
    while not course.over:
        assert course.trial is course.trial
        course.answer(course.trial.answer)
    found = course.threshold()
    assert found is not None
    assert found.trials == 24
    assert found.cents < 1.0  # always right: as low as it went
    assert course.answers[0].cents == 21.5


def test_a_chord_is_neither_wide_nor_narrow(table: Table) -> None:
    for words in ("ii", "unison", "1 3 5"):
        with pytest.raises(ValueProblem, match="wide or narrow"):
            Course("wide", find_sounds(words.split(), table))
