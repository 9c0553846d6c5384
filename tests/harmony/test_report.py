"""Rows, lines and summaries of a piece, and charts solved beforehand."""

from __future__ import annotations

import math

import pytest
from harmony.scores import five_limit_table, piece
from harmony.test_hearing import played
from harmony.test_pieces import followed

from bridge.errors import ValueProblem
from bridge.harmony.charts.chart import parse_chart
from bridge.harmony.charts.solved import chart_notes, follow_chart
from bridge.harmony.choice.follow import FollowOptions, Stretch, follow
from bridge.harmony.choice.variants import palette_of
from bridge.harmony.heard.hear import hear
from bridge.harmony.told.advice import advise
from bridge.harmony.told.report import ChordRow, chord_rows, sour_lines, summary
from bridge.harmony.why.reasons import explain

COMMA = 1200 * math.log2(81 / 80)


def test_ii_is_told_with_its_narrow_fifth_and_the_cure() -> None:
    notes = piece("pump")
    starts = [2.0 * bar for bar in range(5)]
    rows = chord_rows(followed("pump"), hear(notes, starts), starts)
    assert [(row.bar, row.beat, row.chord) for row in rows] == [
        (1, 1.0, "C"),
        (2, 1.0, "Am"),
        (3, 1.0, "Dm"),
        (4, 1.0, "G"),
        (5, 1.0, "C"),
    ]
    assert [bool(row.off) for row in rows] == [False, False, True, False, False]
    ii = rows[2]
    assert ii.cents_off == pytest.approx(-COMMA, abs=1e-6)
    assert ii.cure == "--at 3=,2=10/9 --at 4=,2=9/8"
    assert ii.sounds == ("D", "F", "A")
    assert sour_lines(rows) == (f"bar 3: Dm, its {ii.off} 21.5 cents narrow",)
    assert ii.off in ("fifth D-A", "minor third D-F")


def test_sour_chords_that_return_are_put_together() -> None:
    notes, starts = played("|: C | Dm :|x8")
    result = follow(notes, palette_of(five_limit_table("C")), FollowOptions(guard=False))
    lines = sour_lines(chord_rows(result, hear(notes, starts), starts))
    assert lines[0].startswith("bars 2, 4, 6, 8, 10, 12 and 2 more: Dm, its ")


def test_an_interval_beside_the_chord_is_not_called_its_own() -> None:
    # A long F sharp and E flat pass over a C chord: a diminished seventh, a diesis off, and none of the chord's notes.
    row = ChordRow(6, 1.0, "C", ("C", "E", "G", "F#", "Eb"), "major sixth F#-Eb", 41.06, 9.0, "", "")
    own = ChordRow(7, 1.0, "Dm", ("D", "F", "A"), "fifth D-A", -21.51, 2.0, "", "")
    assert sour_lines([row, own]) == (
        "bar 6: C, with a major sixth F#-Eb 41.1 cents wide",
        "bar 7: Dm, its fifth D-A 21.5 cents narrow",
    )


def test_rows_of_a_followed_piece_say_why() -> None:
    notes = piece("pump-tied")
    starts = [2.0 * bar for bar in range(5)]
    result = followed("pump-tied")
    rows = chord_rows(result, hear(notes, starts), starts, [4] * 5, explain(result, starts), as_followed=True)
    assert [row.bar for row in rows if row.off] == [4]
    assert "held from Dm into G" in rows[3].reason
    assert all(not row.cure for row in rows)


def test_the_beat_of_a_chord_follows_the_bar() -> None:
    notes, starts = played("| C G | Am |")
    result = follow(notes, palette_of(five_limit_table("C")), FollowOptions(guard=False))
    rows = chord_rows(result, hear(notes, starts), starts, [4, 4])
    assert [(row.bar, row.beat) for row in rows] == [(1, 1.0), (1, 3.0), (2, 1.0)]
    in_three = chord_rows(result, hear(notes, starts), starts, [6, 6])
    assert in_three[1].beat == 4.0


def test_a_summary_has_two_lines_at_most() -> None:
    notes, starts = played("| Db | Gb | Ab7 | Db | Db | Gb | Ab7 | Db |")
    table = five_limit_table("D")
    advice = advise(notes, table, starts, hear(notes, starts))
    result = follow(notes, palette_of(table, own_tonic="Db"))
    lines = summary(advice, result)
    assert len(lines) == 2
    assert "--tonic Db makes it" in lines[1]
    assert "--follow-harmony makes it" in lines[1]
    pure = piece("suspension")
    quiet = advise(pure, five_limit_table("C"), [0.0], hear(pure, [0.0]))
    assert summary(quiet, followed("suspension")) == (
        "100 % of the held thirds, fourths, fifths and sixths are pure",
    )


def test_a_chart_is_solved_and_the_same_chord_sounds_the_same_in_a_section() -> None:
    chart = parse_chart("[Verse] | C | Am | Dm | G7 | Dm7 | G | N.C. |\n[Chorus] | F | C/E | Dm | G |")
    solved = follow_chart(chart, palette_of(five_limit_table("C")))
    names = ["C", "Am", "Dm", "G7", "Dm7", "G", "N.C.", "F", "C/E", "Dm", "G"]
    assert [str(one.chord) for one in solved] == names
    minor = solved[2].variants
    assert {degree: str(variant) for degree, variant in minor.items()} == {2: "10/9", 5: "4/3", 9: "5/3"}
    assert str(solved[5].variants[2]) == "9/8"
    assert solved[6].variants == {}
    forms: dict[tuple[int, str], set[str]] = {}
    for one in solved:
        forms.setdefault((one.bar >= 8, str(one.chord)), set()).add(
            str(sorted(one.variants.items(), key=str))
        )
    assert all(len(each) == 1 for each in forms.values())


def test_a_chart_takes_the_bars_of_its_piece() -> None:
    chart = parse_chart("| C | G |")
    notes = chart_notes(chart, [0.5, 3.0])
    assert {(note.start_s, note.end_s) for note in notes} == {(0.5, 3.0), (3.0, 5.5)}
    with pytest.raises(ValueProblem, match="2 bars, the piece 1"):
        chart_notes(chart, [0.0])


def test_from_a_bar_on_another_palette_holds() -> None:
    # From bar 3 on the player has pinned the degree 2 where the table has it: ii must stay sour.
    table = five_limit_table("C")
    free, pinned = palette_of(table), palette_of(table, held=[2, 5, 9])
    notes = piece("pump-x4")
    result = follow(notes, [Stretch(0.0, free), Stretch(10.0, pinned)], FollowOptions(guard=False))
    for note, offset in zip(notes, result.offsets_cents, strict=True):
        if note.start_s >= 10.0:
            assert offset == 0.0
    assert any(
        offset for note, offset in zip(notes, result.offsets_cents, strict=True) if note.start_s < 10.0
    )
