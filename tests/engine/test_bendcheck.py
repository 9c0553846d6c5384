"""The second reading of retuned streams notices what it is there to notice."""

from __future__ import annotations

import pytest
from support.bendcheck import check
from support.streams import Frequencies, Stream

TABLE = Frequencies([0, 12, 4, 16, -14, -2, -10, 2, 14, -16, 18, -12])

# An E, 14 cents flat: at ±2 semitones 14 / 200 * 8192 = 573.4 steps below the centre.
BEND = 8192 - 573
SOURCE: Stream = [(0.0, bytes((0xB0, 7, 90))), (0.0, bytes((0x90, 64, 80))), (1.0, bytes((0x80, 64, 0)))]
GOOD = [
    (0, bytes((0xB3, 7, 90))),
    (1, bytes((0xE3, BEND & 127, BEND >> 7))),
    (1, bytes((0x93, 64, 80))),
    (2, bytes((0x83, 64, 0))),
]


def test_a_good_answer_is_found_good() -> None:
    found = check(SOURCE, GOOD, TABLE)
    assert found.problems == []
    assert found.off == []
    assert found.worst_cents == pytest.approx(abs(-573 * 200 / 8192 + 14))
    assert [note.channel for note in found.notes] == [3]


def without(*places: int) -> list[tuple[int, bytes]]:
    return [each for at, each in enumerate(GOOD) if at not in places]


@pytest.mark.parametrize(
    ("answer", "problem"),
    [
        (without(0), "controllers of key 64"),
        (without(2), "struck 0 times"),
        (without(3), "ended on"),
        ([*GOOD[:3], (2, bytes((0x84, 64, 0)))], "ended on"),
        ([*GOOD[:3], (2, bytes((0x90, 64, 9))), GOOD[3]], "a note was added"),
        ([*GOOD[:2], (1, bytes((0x93, 65, 80))), GOOD[3]], "a note was added"),
        ([(0, bytes((0xC3, 9))), *GOOD], "program 9"),
        ([(0, bytes((0xD3, 9))), *GOOD], "pressure 9"),
    ],
)
def test_faults_are_named(answer: list[tuple[int, bytes]], problem: str) -> None:
    assert any(problem in each for each in check(SOURCE, answer, TABLE).problems)


@pytest.mark.parametrize(
    ("answer", "cents"),
    [
        (without(1), 14.0),
        ([(0, bytes((0xB3, 101, 0))), (0, bytes((0xB3, 100, 0))), (0, bytes((0xB3, 6, 4))), *GOOD], 14.0),
        ([*GOOD[:3], (2, bytes((0xE3, 0, 64))), GOOD[3]], 0.0),  # after its end a bend does not matter
    ],
)
def test_pitches_that_are_off_are_measured(answer: list[tuple[int, bytes]], cents: float) -> None:
    assert check(SOURCE, answer, TABLE).worst_cents == pytest.approx(cents, abs=0.03)


def test_a_bend_in_the_middle_of_a_held_note_counts() -> None:
    source: Stream = [*SOURCE[:2], (0.5, b"\xfe"), SOURCE[2]]
    answer = [*GOOD[:3], (2, b"\xfe"), (2, bytes((0xE3, 0, 64))), (3, GOOD[3][1])]
    assert check(source, answer, TABLE).worst_cents == pytest.approx(14.0)


def test_in_mono_mode_a_note_ends_the_one_before_it_on_its_channel() -> None:
    mono, poly = bytes((0xB3, 126, 1)), bytes((0xB3, 127, 0))
    notes = [bytes((0x93, key, 80)) for key in (60, 64)]
    ends = [bytes((0x83, key, 64)) for key in (60, 64)]
    sharing = [mono, notes[0], notes[1], poly, *ends]
    bent = -573 * 200 / 8192
    table = Frequencies([0, 0, 0, 0, round(bent), 0, 0, 0, 0, 0, 0, 0])

    def heard(source: list[bytes]) -> list[float]:
        answer = [(at, data) for at, data in enumerate(source)]
        bend = bytes((0xE3, (8192 - 573) & 127, (8192 - 573) >> 7))
        answer.insert(
            next(at for at, (_, data) in enumerate(answer) if data is notes[1]),
            (source.index(notes[1]), bend),
        )
        return [note.worst_cents for note in check([(0.0, data) for data in source], answer, table).notes]

    assert heard(sharing) == pytest.approx([0.0, 0.0], abs=0.02)
    assert heard([data for data in sharing if data is not mono]) == pytest.approx([14.0, 0.0], abs=0.02)
