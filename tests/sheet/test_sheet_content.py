"""What stands on a sheet, against figures from physics and published tables."""

from __future__ import annotations

import math

import pytest
from support.sheets import SESSION, odd, open_d, seen, spec, strings

from bridge.errors import ValueProblem
from bridge.sheet.content.table import written_notes
from bridge.sheet.html import sheet_html
from bridge.sheet.keyboard import repeats
from bridge.sheet.records import PanelFigures, PieceSheet, SessionInfo, Stretch, TableSheet
from bridge.tuning.tables import build_table

D3 = 146.5
# Ellis's duodene in cents (Helmholtz, On the Sensations of Tone, 2nd English ed., appendix XX): 1 16/15 9/8 6/5 5/4
# 4/3 45/32 3/2 8/5 5/3 9/5 15/8.
DUODENE = {
    "1": (1, 1),
    "b2": (16, 15),
    "2": (9, 8),
    "b3": (6, 5),
    "3": (5, 4),
    "4": (4, 3),
    "#4": (45, 32),
    "5": (3, 2),
    "b6": (8, 5),
    "6": (5, 3),
    "b7": (9, 5),
    "7": (15, 8),
}
SEMITONES = dict(zip(DUODENE, range(12), strict=True))


def cents_from_equal(degree: str) -> float:
    """Distance of a degree above D3 = 146.5 Hz from equal temperament at A4 = 440 Hz."""
    over, under = DUODENE[degree]
    equal = 440 * 2 ** ((50 + SEMITONES[degree] - 69) / 12)
    return 1200 * math.log2(D3 * over / under / equal)


def test_an_octave_as_figures() -> None:
    rows = seen(sheet_html([open_d()])).table("above tonic")
    assert [row[0] for row in rows] == list(DUODENE)
    for degree, note, ratio, cents, hz in rows:
        over, under = DUODENE[degree]
        assert ratio == f"{over}/{under}"
        assert float(cents) == pytest.approx(cents_from_equal(degree), abs=0.051)
        assert float(hz) == pytest.approx(D3 * over / under, abs=0.0051)
        assert (
            note
            == ["D3", "Eb3", "E3", "F3", "F#3", "G3", "G#3", "A3", "Bb3", "B3", "C4", "C#4"][
                SEMITONES[degree]
            ]
        )


def test_ratios_are_above_the_tonic_wherever_it_stands() -> None:
    of = spec(guitar="open-d", tonic="A")
    rows = seen(sheet_html([PieceSheet("x", (TableSheet(build_table(of)),))])).table("above tonic")
    assert [row[2] for row in rows] == [f"{over}/{under}" for over, under in DUODENE.values()]
    # A is taken from home: a pure fifth above D3, two octaves' worth of D below: 146.832 * 3/2 / 2 (derived).
    assert rows[0][1] == "A2"
    assert float(rows[0][4]) == pytest.approx(440 * 2 ** (-19 / 12) * 3 / 4, abs=0.0051)


def test_what_is_entered_by_hand_and_the_error_left() -> None:
    page = seen(sheet_html([open_d()]))
    (entered, left) = page.table("A4 = 439.0 Hz")
    assert entered == ["enter", "+18", "-12", "0", "+12", "+4", "+16", "-14", "-2", "-10", "+2", "+14", "-16"]
    order = ("b7", "7", "1", "b2", "2", "b3", "3", "4", "#4", "5", "b6", "6")  # C to B, in D
    master = 1200 * math.log2(439 / 440)
    for degree, figure, error in zip(order, entered[1:], left[1:], strict=True):
        assert float(error) == pytest.approx(int(figure) + master - cents_from_equal(degree), abs=0.051)
    assert "worst note is 0.4 cents off" in page.text


def test_without_a_panel_nothing_is_said_of_one() -> None:
    page = seen(sheet_html([open_d(tables=(TableSheet(build_table(spec(guitar="open-d"))),))]))
    assert "panel" not in page.text
    noted = TableSheet(build_table(spec(guitar="open-d")), panel_note="No twelve figures say this.")
    assert "No twelve figures say this." in seen(sheet_html([open_d(tables=(noted,))])).text


@pytest.mark.parametrize(
    ("tonic", "instrument", "reads"),
    [
        # A Bb clarinet reads a whole tone above the sound, an Eb alto saxophone a major sixth, a horn in F a fifth.
        ("D", "Bb", "E F F# G G# A A# B C C# D D#"),
        ("D", "Eb", "B C C# D D# E F F# G G# A A#"),
        ("D", "F", "A Bb B C C# D D# E F F# G G#"),
        ("Bb", "Bb", "C Db D Eb E F F# G Ab A Bb B"),
    ],
)
def test_notes_as_players_read_them(tonic: str, instrument: str, reads: str) -> None:
    assert written_notes(build_table(spec(tonic=tonic)), instrument) == tuple(reads.split())


def test_players_who_ask_are_answered_and_others_not_bothered() -> None:
    page = seen(sheet_html([open_d()]))
    rows = next(table for table in page.tables if any(row[0] == "Bb reads" for row in table))
    assert [row[0] for row in rows[1:]] == ["sounds", "Bb reads", "Eb reads", "F reads", "cents"]
    assert rows[2][1] == "E"
    assert rows[1][1:4] == ["D", "Eb", "E"]
    assert float(rows[5][5]) == pytest.approx(cents_from_equal("3"), abs=0.051)
    assert "reads" not in seen(sheet_html([open_d(transposing=())])).text
    assert "string 4 sounds D3 and is written D4" in page.text


def test_beats_to_listen_for() -> None:
    rows = {row[0]: row[1:] for row in seen(sheet_html([open_d()])).table("fifth")}
    assert rows["D (I)"][:2] == ["pure", "0"]
    # D3 to F#3, 5 : 4, in equal temperament through D3 = 146.5 Hz: 5.827 * 146.5 / 146.832 beats a second (derived).
    assert float(rows["D (I)"][2]) == pytest.approx(5.814, abs=0.051)
    # Em in a five-limit scale has a fifth of 40/27: 3 * E - 2 * B beats at 2 * E * (3/2 - 40/27) = E / 27 (derived).
    assert rows["Em (ii)"][0] == "sour"
    assert float(rows["Em (ii)"][3]) == pytest.approx(D3 * 9 / 8 / 27, abs=0.051)


def test_chords_that_are_named() -> None:
    sheet = TableSheet(build_table(spec(guitar="open-d")), chords=("A7", "bVII"))
    page = seen(sheet_html([open_d(tables=(sheet,))]))
    assert [row[0] for row in page.table("seventh")] == ["A7 (V7)", "C (bVII)"]
    avoid = {row[0]: row[1:] for row in page.table("with")}
    # Fret 11 of the D strings is an equal C#: 1100 against 15/8's 1088.27 cents; fret 10 lies 88.27 below that.
    low, high = avoid["A7 (V7)"]
    assert "fret 11 on 1, 4, 6 (C# +12: fret 10, up 88)" in high
    # The third string is 5/4 (386.31 cents): its fret 1 lies at 486.31 against 4/3's 498.04.
    assert "fret 1 on 3 (G -12)" in low


def test_a_chord_over_another_bass_is_shown_with_it() -> None:
    sheet = TableSheet(build_table(spec(guitar="open-d")), chords=("D", "D/F#", "G/A"))
    page = seen(sheet_html([open_d(tables=(sheet,))]))
    wanted = ["D (I)", "D/F# (I)", "G/A (IV)"]
    assert [row[0] for row in page.table("with")] == wanted


def test_frets_to_avoid() -> None:
    page = seen(sheet_html([open_d()]))
    # Equal 500 and 700 cents lie 2 cents from 4/3 and 3/2 on every string, which are D, A or F# themselves.
    assert "Safe on every string: open, 5, 7, 12." in page.text
    assert page.pictures == 2
    assert seen(sheet_html([PieceSheet("x", (TableSheet(build_table(spec(tonic="D"))),))])).pictures == 1


def test_tuning_order_with_nodes() -> None:
    page = seen(sheet_html([open_d()]))
    steps = page.table("touched at")
    # Unisons of open D from its fourth string (common practice); 1/5 lies 4 mm behind fret 4 at 650 mm (derived).
    assert [row[1:5] for row in steps] == [
        ["6 D2", "1/2: fret 12", "4 D3", "open"],
        ["1 D4", "open", "4 D3", "1/2: fret 12"],
        ["5 A2", "1/4: fret 5, 1 mm towards the nut", "4 D3", "1/3: fret 7"],
        ["2 A3", "1/2: fret 12", "4 D3", "1/3: fret 7"],
        [
            *("3 F#3", "1/4: fret 5, 1 mm towards the nut", "4 D3"),
            "1/5: fret 4, 4 mm towards the nut; or 2/5: fret 9, 4 mm towards the nut",
        ],
    ]
    assert [row[6] for row in steps] == [
        "still too",
        "still too",
        "one in 2.0 s",
        "one in 2.0 s",
        "5.8 a second",
    ]
    near = {row[0]: row[1:] for row in page.table("tension")}
    assert near["3"] == ["G3", "F#3", "down 1 semitone", "F#3 -17.6", "183.12", "87 %"]


def test_stretches_share_tables() -> None:
    of = spec(guitar="open-d", reference="D3=146.5")
    lowered = spec(guitar="open-d", reference="D3=146.5", degrees=("2=10/9",))
    piece = open_d(
        tables=(TableSheet(build_table(of)), TableSheet(build_table(lowered))),
        stretches=(
            Stretch("start"),
            Stretch("bar 6", 1, "2=10/9", "E minor"),
            Stretch("bar 8", 0, "tonic D"),
        ),
    )
    page = seen(sheet_html([piece]))
    assert page.table("what changes") == [
        ["start", "", "A", "D: Five-limit"],
        ["bar 6", "E minor", "B", "2=10/9"],
        ["bar 8", "", "A", "tonic D"],
    ]
    assert "from start, bar 8" in page.text
    assert "D: Five-limit, 2 = 10/9" in page.text


def test_a_session_has_a_page_before_its_pieces() -> None:
    one = open_d()
    capo = spec(guitar="open-d", reference="D3=146.5", fret=2)
    other = PieceSheet("Two Frets Up", (TableSheet(build_table(capo)),), number=2, strings=strings(capo))
    info = SessionInfo(**{**vars(SESSION), "strings": one.strings})
    page = seen(sheet_html([one, other], info))
    assert page.table("tuning") == [
        ["1", "Low Water", "Open D", "none", "D", "E", ""],
        ["2", "Two Frets Up", "Open D", "2", "E", "F#", ""],
    ]
    # What is only looked up stands once, at the end; here the capo asks for an order of its own.
    assert page.text.count("Tuning by ear: Open D") == 2
    assert "Reference with the capo at fret 2 on" in page.text
    for said in ("Everybody starts quiet.", "load everything", "Save first.", "Take breaks.", "then load"):
        assert said in page.text


def test_what_is_held_by_itself_is_said() -> None:
    page = seen(sheet_html(odd()))
    assert "octaves of this table are not alike" in page.text
    assert "Held by themselves: Gb3 = 183.10 Hz." in page.text  # as F#3 is spelled in Bb
    assert "No twelve figures say this." in page.text
    assert not repeats(build_table(spec(tonic="Bb", pins=("F#3=183.1",))))
    assert repeats(build_table(spec(guitar="open-g", fret=3)))


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: PanelFigures(440.0, (0,) * 11), "twelve"),
        (lambda: PieceSheet("x", ()), "no table"),
        (lambda: open_d(stretches=(Stretch("start"), Stretch("bar 2", 1))), "bar 2: table 1"),
        (lambda: open_d(transposing=("B",)), "Bb"),
        (lambda: SessionInfo("x", transposing=("G",)), "'G'"),
    ],
)
def test_records_refuse_what_no_sheet_can_show(make: object, says: str) -> None:
    with pytest.raises(ValueProblem, match=says):
        make()  # type: ignore[operator]
