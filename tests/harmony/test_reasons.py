"""What a player is told: each reason in a piece that has it, and what would cure a bar."""

from __future__ import annotations

import pytest
from harmony.scores import FIVE_LIMIT, PIECES, five_limit_table, piece
from harmony.test_pieces import followed, palette_for
from harmony.test_variants import guitar_table

from bridge.harmony.choice.follow import FollowOptions, follow, score_of
from bridge.harmony.choice.variants import palette_of
from bridge.harmony.heard.hear import hear
from bridge.harmony.measure import fixed_hz, measure
from bridge.harmony.notes import TimedNote, sorted_notes
from bridge.harmony.told.advice import advise, cures
from bridge.harmony.why.forms import fret_of, has_pure_form, reaches
from bridge.harmony.why.reasons import explain, moved_notes

BAR_S = 2.0


def bars_of(notes: list[TimedNote]) -> list[float]:
    return [BAR_S * bar for bar in range(int(max(note.end_s for note in notes) / BAR_S))]


def chord(*keys: int, start: float = 0.0, end: float = 2.0, part: int = 1) -> list[TimedNote]:
    return sorted_notes(TimedNote(start, end, key, 80, part) for key in keys)


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("pump", {}),
        ("pump-tied", {4: ("held note", "D is held from Dm into G")}),
        ("cadence", {4: ("dominant", "G7: D-F beats")}),
        (
            "augmented",
            {2: ("no pure form", "Caug: this chord has no pure form"), 4: ("no pure form", "13.7 cents")},
        ),
        ("diminished", {2: ("no pure form", "15.6 cents"), 4: ("no pure form", "F#dim7")}),
        ("guitar", {}),
        ("ii-held-V", {}),
    ],
)
def test_the_reason_in_each_bar(name: str, told: dict[int, tuple[str, str]]) -> None:
    found = explain(followed(name), bars_of(piece(name)))
    assert {bar.bar for bar in found} == set(told)
    for bar in found:
        kind, words = told[bar.bar]
        assert [reason.kind for reason in bar.reasons] == [kind]
        assert words in bar.reasons[0].text


def test_open_d_and_a_under_ii_no_choice_is_pure_and_the_fret_is_told() -> None:
    palette = palette_of(guitar_table("open-d"))
    notes = sorted_notes([*chord(50, 57, part=2), *chord(64, 67, 71)])
    found = explain(follow(notes, palette, FollowOptions(guard=False)), [0.0])
    assert [reason.kind for reason in found[0].reasons] == ["no pure form"]
    frets = {str(one): fret_of(palette, 4, one.offset_cents) for one in palette.classes[4]}
    # An equal-tempered second fret above D: 200 cents, against 203.91 and 182.40.
    assert frets["9/8"][2] == pytest.approx(200 - 203.910, abs=0.01)
    assert frets["10/9"][2] == pytest.approx(200 - 182.404, abs=0.01)
    assert {fret for _, fret, _ in frets.values()} == {2}


def test_a_string_that_stands_in_the_way_is_named() -> None:
    # DADGAD holds A at 3/2 and G at 4/3. Am7 (10:12:15:18) wants its G at 27/20 over that A, or its A at 40/27.
    palette = palette_of(guitar_table("dadgad"))
    found = explain(follow(chord(45, 60, 64, 67), palette, FollowOptions(guard=False)), [0.0])
    reason = found[0].reasons[0]
    assert (reason.kind, reason.chord) == ("held string", "Am7")
    assert set(reason.notes) == {"A", "G"}
    assert reason.strings == (5, 3, 2)
    assert "your fifth and third and second strings hold" in reason.text


def test_without_moves_a_repeated_note_is_kept_steady_for_the_melody() -> None:
    # D struck again at once in the same part, from ii into V, where few moves are allowed: the comma beats.
    notes = sorted_notes(
        [note for step in range(8) for note in chord(62, 65, 69, start=step * 0.25, end=step * 0.25 + 0.25)]
        + [
            note
            for step in range(8, 9)
            for note in chord(62, 67, 71, start=step * 0.25, end=step * 0.25 + 0.25)
        ]
    )
    palette = palette_of(five_limit_table("C"), held=[7, 11, 5, 9])
    result = follow(notes, palette, FollowOptions(moves="few", guard=False))
    found = explain(result, [0.0, 2.0])
    assert [reason.kind for bar in found for reason in bar.reasons] == ["melody"]
    assert "kept steady for the melody" in found[0].reasons[0].text


def test_which_chords_have_a_pure_form() -> None:
    assert has_pure_form({0, 4, 7})
    assert has_pure_form({0, 4, 7, 11})
    assert has_pure_form({2, 5, 9})
    assert not has_pure_form({0, 4, 8})
    assert not has_pure_form({0, 3, 6, 9})
    # C E G A D: five fifths in a row and a third across them, the comma itself.
    assert not has_pure_form({0, 7, 2, 9, 4})
    assert has_pure_form({0, 3, 7, 10}, natural_sevenths=True)
    palette = palette_of(five_limit_table("C"))
    assert reaches(palette, {2, 5, 9})
    assert not reaches(palette.pin_home([2]).pin_home([5]).pin_home([9]), {2, 5, 9})


def test_moved_notes_are_listed_with_their_cents() -> None:
    moved = moved_notes(followed("pump"))
    assert [(one.note, round(one.cents, 1), one.start_s) for one in moved] == [("D4", 21.5, 6.0)]


def test_a_cure_for_a_bar_is_ready_to_paste_and_ends_with_it() -> None:
    result = followed("pump")
    starts = bars_of(piece("pump"))
    assert cures(result, starts) == {3: "--at 3=,2=10/9 --at 4=,2=9/8"}


def test_of_equally_bad_intervals_the_fifth_is_named_first() -> None:
    # On C, 2 is 9/8 and 6 is 5/3: D-A is 40/27 and D-F 32/27, each a comma narrow; the third is nearer the bass.
    score = score_of(chord(50, 53, 57), palette_of(five_limit_table("C")))
    found = measure(score.notes, score.hz(0.0), [0.0])
    for worst in (found.worst, found.bars[0].worst):
        assert worst is not None
        assert {score.notes[worst.lower].key, score.notes[worst.upper].key} == {50, 57}
        assert worst.cents == pytest.approx(-21.506, abs=1e-3)  # 1200 log2(80/81)


def test_a_table_on_another_tonic_is_advised_where_it_is_purer() -> None:
    notes = sorted_notes(
        note
        for bar, keys in enumerate(((49, 65, 68), (54, 66, 70), (56, 68, 72), (49, 65, 68)))
        for note in chord(*keys, start=bar * 2.0, end=bar * 2.0 + 2.0)
    )
    starts = bars_of(notes)
    heard = hear(notes, starts)
    advice = advise(notes, five_limit_table("D"), starts, heard)
    assert heard.tonic is not None
    assert heard.tonic.name == "Db"
    assert advice.tonic == "Db"
    assert advice.tonic_share == pytest.approx(1.0)
    assert advice.share < 0.7


def test_no_tonic_is_advised_that_is_none_of_the_piece() -> None:
    # C, Dm, F, G7, C: on F all is pure but G (D is 5/3 above F, 10/9 above C); the piece is in C and never rests on F.
    bars = ((48, 64, 67), (50, 65, 69), (53, 69, 72), (50, 65, 69), (55, 71, 74), (48, 64, 67))
    notes = sorted_notes(
        note
        for bar, keys in enumerate((*bars, *bars))
        for note in chord(*keys, start=bar * 2.0, end=bar * 2.0 + 2.0)
    )
    starts = bars_of(notes)
    shares = {
        tonic: measure(notes, fixed_hz(notes, five_limit_table(tonic).hz)).share for tonic in ("C", "F", "Gb")
    }
    assert shares["F"] > shares["C"] + 0.05 > shares["Gb"] + 0.1
    assert advise(notes, five_limit_table("Gb"), starts, hear(notes, starts)).tonic == "C"


def test_a_change_at_a_bar_is_advised_ready_to_paste() -> None:
    def bars(root: int, first: int) -> list[TimedNote]:
        cycle = ((0, 4, 7), (5, 9, 12), (7, 11, 14), (0, 4, 7))
        return [
            note
            for bar in range(8)
            for note in chord(
                *(root + step for step in cycle[bar % 4]),
                root - 12,
                start=(first + bar) * 2.0,
                end=(first + bar) * 2.0 + 2,
            )
        ]

    notes = sorted_notes(bars(60, 0) + bars(66, 8) + bars(60, 16))
    starts = bars_of(notes)
    advice = advise(notes, five_limit_table("C", FIVE_LIMIT), starts, hear(notes, starts))
    assert [str(change) for change in advice.changes] == ["9=F#", "17=C"]
    assert advice.changes_share > advice.share


def test_nobody_is_advised_by_an_unsure_tonic() -> None:
    notes = piece("to-V-and-back")
    starts = bars_of(notes)
    advice = advise(notes, five_limit_table("Gb"), starts, hear(notes, starts))
    assert advice.tonic == ""
    assert advice.changes == ()


def test_a_pure_piece_needs_no_reason() -> None:
    for name in PIECES:
        result = follow(piece(name), palette_for(name))
        if result.after.share == 1.0:
            assert explain(result, bars_of(piece(name))) == ()
