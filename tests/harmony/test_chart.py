"""The grammar of charts, against common practice of lead sheets."""

from __future__ import annotations

from fractions import Fraction

import pytest
from harmony.scores import five_limit_table
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import ValueProblem
from bridge.harmony.charts.chart import parse_chart
from bridge.harmony.charts.solved import follow_chart
from bridge.harmony.choice.variants import palette_of
from bridge.tuning.chords.names import parse_chord_name
from bridge.tuning.notes import parse_pitch_class


def bars(text: str) -> list[str]:
    return [str(bar) for bar in parse_chart(text).bars]


@pytest.mark.parametrize(
    ("text", "played"),
    [
        ("| G | Em | Am D7 |", ["G", "Em", "Am D7"]),
        ("G | Em | Am D7", ["G", "Em", "Am D7"]),
        ("| G | % | Am D7 | % |", ["G", "G", "Am D7", "Am D7"]),
        ("| Am % D7 D7 |", ["Am Am D7 D7"]),
        ("|: G | D :|", ["G", "D", "G", "D"]),
        ("|: G | D :|x3 | Em |", ["G", "D"] * 3 + ["Em"]),
        ("| C |: G | D :|: Em | A :| C ||", ["C", "G", "D", "G", "D", "Em", "A", "Em", "A", "C"]),
        ("| G | D :| Em |", ["G", "D", "G", "D", "Em"]),
        ("| N.C. | NC | C |", ["N.C.", "N.C.", "C"]),
        ("| G # open\n| D |  # F# in the bass\n| D/F# |", ["G", "D", "D/F#"]),
        ("G\nEm Am\nD", ["G", "Em Am", "D"]),
        ("| F♯m | B♭maj7 |", ["F#m", "Bbmaj7"]),
    ],
)
def test_bars_as_played(text: str, played: list[str]) -> None:
    assert bars(text) == played


def test_chords_share_a_bar() -> None:
    chords = parse_chart("| Am D7 G |").bars[0].chords
    assert [(one.start, one.length) for one in chords] == [
        (Fraction(step, 3), Fraction(1, 3)) for step in range(3)
    ]


def test_sections_have_names_and_bars() -> None:
    chart = parse_chart("[Verse 1] | G | Em |\nChorus: |: C | D :|\n[Verse 1]\n| G |")
    assert chart.sections == (("Verse 1", 1, 2), ("Chorus", 3, 6), ("Verse 1", 7, 7))
    assert parse_chart(str(chart)) == chart


@pytest.mark.parametrize(
    ("name", "notes"),
    [
        ("D5", "D A"),
        ("Dadd9", "D F# A E"),
        ("Dsus", "D G A"),
        ("Dsus2", "D E A"),
        ("C9", "C E G Bb D"),
        ("C6", "C E G A"),
        ("Am6", "A C E F#"),
        ("A6/9", "A C# E F# B"),
        ("Fmaj7", "F A C E"),
        ("Bdim", "B D F"),
        ("Baug", "B D# G"),  # F double sharp is written G
        ("D/F#", "D F# A"),
        ("D/E", "E D F# A"),
        ("Cmin7", "C Eb G Bb"),
    ],
)
def test_notes_of_a_chord(name: str, notes: str) -> None:
    assert parse_chord_name(name).notes == tuple(notes.split())


def test_a_chord_moves_with_its_tonic() -> None:
    assert str(parse_chord_name("D/F#").moved(3, "F")) == "F/A"
    assert str(parse_chord_name("Em7").moved(-2, "C")) == "Dm7"


@given(st.text(alphabet="ABCDG#bm7/%|:[]x3 N.C\n(sus)adim-", max_size=60))
def test_any_text_is_a_chart_or_is_told_why_not(text: str) -> None:
    try:
        chart = parse_chart(text)
    except ValueProblem:
        return
    assert parse_chart(str(chart)).bars == chart.bars


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("| G | X |", r"line 1: 'X' is no chord"),
        ("| G |\n| Gfoo |", r"line 2: 'Gfoo' is no chord"),
        ("| H |", "German H is B"),
        ("| G/X |", "bass 'X'"),
        ("|: G | D |", "not closed"),
        ("|: G |: D :|", "inside another"),
        ("| % |", "before any bar"),
        ("", "no bar"),
        ("|: G :|x100", "1 to 99"),
        ("|: :|", "holds no bar"),
        ("| G |x3", "without a repeat"),
        ("|: " + "G | " * 200 + ":|x99", "too long"),
    ],
)
def test_what_is_no_chart_is_told(text: str, match: str) -> None:
    with pytest.raises(ValueProblem, match=match):
        parse_chart(text)


@pytest.mark.parametrize(
    ("text", "chord", "ratios"),
    [
        # A turnaround leads back: its V is that of the tonic to come, 3/2, 15/8, 9/8, and ii stays pure on 10/9.
        ("| C | Am | Dm | G |", "G", {"G": "3/2", "B": "15/8", "D": "9/8"}),
        ("| C | Am | Dm | G |", "Dm", {"D": "10/9", "F": "4/3", "A": "5/3"}),
    ],
)
def test_the_end_of_a_chart_leads_back(text: str, chord: str, ratios: dict[str, str]) -> None:
    solved = follow_chart(parse_chart(text), palette_of(five_limit_table("C"), pinned="tonic"))
    (one,) = [one for one in solved if str(one.chord) == chord]
    assert {note: str(one.variants[parse_pitch_class(note)]) for note in ratios} == ratios
    assert len(solved) == 4
