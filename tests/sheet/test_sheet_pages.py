"""One page a piece, what is looked up once at the end, and the sheet of singer and violin: against theory and paper.

A comma is 81/80: 21.51 cents (Ellis). The evening of the examples is what a user builds first.
"""

from __future__ import annotations

import subprocess
from functools import cache
from pathlib import Path

import pytest
from support.needs import program
from support.sheets import SESSION, open_d, seen, spec, strings

from bridge.errors import InputProblem, ValueProblem
from bridge.jobs.session.manifest import Manifest
from bridge.jobs.session.paper.pages import Sheets
from bridge.jobs.session.paper.retuning import retunings
from bridge.jobs.session.paper.text import start_here
from bridge.jobs.session.plan import plan_session
from bridge.jobs.session.takes import open_session
from bridge.jobs.table_sheet import capo_check
from bridge.sheet.content.compared import change_words, stretch_words
from bridge.sheet.content.sheets import PAGE, VOICES
from bridge.sheet.content.table import neck_figure
from bridge.sheet.content.voices import back_words, violin_words
from bridge.sheet.html import sheet_html
from bridge.sheet.paper import sheet_pdf
from bridge.sheet.records import PieceSheet, SessionInfo, Stretch, TableSheet
from bridge.sheet.shapes import Disc, Text
from bridge.store.session.drift import with_reference
from bridge.store.session.reading import session_from_toml
from bridge.tuning.tables import Table, build_table

EVENING = Path(__file__).resolve().parents[2] / "examples/evening/evening.toml"


def table(**asked: object) -> Table:
    return build_table(spec(**{"guitar": "open-d", "reference": "D3=146.5", **asked}))


def lowered(**more: object) -> PieceSheet:
    """A piece whose second degree comes down under its E minor."""
    tables = (
        TableSheet(table(), chords=("D", "Em", "A")),
        TableSheet(table(degrees=("2=10/9",)), chords=("Em",)),
    )
    stretches = (
        Stretch("start", programs=(3,)),
        Stretch("bar 5", 1, "2=10/9", programs=(4,)),
        Stretch("bar 7", 0, "tonic D", programs=(3,)),
    )
    made = {"tables": tables, "stretches": stretches, "program_synths": ("organ",)}
    return open_d(**{**made, **more})


@cache
def evening() -> tuple[tuple[PieceSheet, ...], SessionInfo]:
    plan = plan_session(open_session(EVENING))
    sheets = Sheets(plan, Manifest())
    return tuple(sheets.piece(one) for one in plan.pieces), sheets.info


def pages(data: bytes) -> int:
    said = subprocess.run([program("pdfinfo"), "-"], input=data, capture_output=True, check=True, timeout=60)
    line = next(line for line in said.stdout.decode().splitlines() if line.startswith("Pages:"))
    return int(line.split()[1])


# -- what changes where


def test_a_change_says_which_notes_move_and_how_far() -> None:
    piece = lowered()
    assert [stretch_words(piece, number) for number in range(3)] == [
        "D: Five-limit",
        "E 21.5 cents lower",
        "as at the start: E 21.5 cents higher",
    ]
    # From D to G in the same scale: E from 9/8 to 5/3 of G, which is 10/9 of D; A from 3/2 stays 9/8 of G;
    # C from 9/5 of D to 4/3 of G, which is 16/9 of D; G# from 45/32 of D to 16/15 of G, 64/45: 19.55 cents up.
    assert change_words(table(), table(tonic="G")) == "Ab 19.6 cents higher; C, E 21.5 cents lower"
    assert change_words(table(), table()) == ""


def test_the_page_marks_what_moves_and_repeats_nothing() -> None:
    page = seen(sheet_html([lowered()], None, PAGE))
    rows = page.table("F#")
    assert [row[0] for row in rows] == ["", "start", "bar 5"]
    moved = {note: cell for note, cell in zip(page.tables[1][0], rows[2], strict=True) if cell}
    # 10/9 of D3 = 146.5 Hz against equal E3: 182.40 - 3.91 - 200 (derived).
    assert moved == {"": "bar 5", "E": "-21.5"}
    changes = page.table("what changes")
    assert [row[-1] for row in changes] == ["3", "4", "3"]
    sour = page.table("what cures it")
    assert sour == [["Em (ii)", "start, bar 7", "sour", "E 21.5 cents lower (2=10/9); then V is off"]]
    for absent in ("Tuning", "Beats to listen for", "What to load", "ratio"):
        assert absent not in page.text


def test_the_dominants_seventh_is_left_to_fall() -> None:
    piece = PieceSheet("x", (TableSheet(table(), chords=("D", "A7")),))
    (row,) = seen(sheet_html([piece], None, PAGE)).table("what cures it")
    assert row == ["A7 (V7)", "rough", "leave G as it is: it falls to F#"]


def test_a_piece_that_is_in_tune_says_so() -> None:
    piece = PieceSheet("x", (TableSheet(table(), chords=("D", "G", "A")),))
    assert "All its chords are in tune: D, G, A." in seen(sheet_html([piece], None, PAGE)).text


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_every_piece_of_the_evening_has_one_page(paper: str) -> None:
    pieces, info = evening()
    for piece in pieces:
        assert pages(sheet_pdf([piece], None, paper, PAGE)) == 1, piece.title
    assert pages(sheet_pdf(pieces, info, paper, VOICES)) == 2
    # A page each, the cover, and ten tables, four necks, tuning and loading close together on the rest.
    assert pages(sheet_pdf(pieces, info, paper)) <= len(pieces) + 1 + 7


def test_the_appendix_has_every_table_once() -> None:
    pieces, info = evening()
    text = seen(sheet_html(pieces, info)).text
    tables = {repr(sheet.table.spec) for piece in pieces for sheet in piece.tables}
    assert text.count("degree note above tonic") == len(tables)
    # What is tuned by ear begins where the cover has ended: no string's figures stand twice.
    assert text.count("down 2 semitones D2 -3.9") == 1
    # Under bar 6 of Low Water only E moves: its row stands out, and no neck is drawn for it.
    assert "Neck, D: Five-limit, 2 = 10/9" not in text
    assert "Neck, G: Five-limit (Kettle Hymn: bar 10)" in text
    assert text.count("leave it out, or bend up from the fret before it") == 1
    html = sheet_html(pieces, info)
    assert '<tr class="strong"><td class="word" data-head="degree">2</td>' in html
    assert text.count("Tuning by ear") == 1
    assert text.count("Low Water: start, bar 8, bar 12; Kettle Hymn: start, bar 18") == 1


@pytest.mark.parametrize("count", [1, 2])
def test_the_cover_says_which_pages_are_for_the_stand(count: int) -> None:
    pieces = [open_d(number=number + 1) for number in range(count)]
    done = subprocess.run(
        [program("pdftotext"), "-", "-"],
        input=sheet_pdf(pieces, SESSION),
        capture_output=True,
        check=True,
        timeout=60,
    )
    found = done.stdout.decode().split("\f")
    last = next(number for number, page in enumerate(found) if page.startswith("To look up"))
    rest = "this page and those of the pieces. The rest, “To look up”, is the appendix."
    assert f"For the stand print pages 1 to {last}: {rest}" in " ".join(found[0].split())
    text = seen(sheet_html(pieces, SESSION)).text
    assert f"For the stand print {rest}" in text
    assert "#" not in text.split("The pieces, in order")[0]


def test_the_cover_has_the_order_and_the_way_from_piece_to_piece() -> None:
    pieces, info = evening()
    page = seen(sheet_html(pieces, info))
    order = page.table("tuning")
    assert [row[2:5] for row in order][4:] == [["Open D", "2", "E"], ["Open D", "none", "G"]]
    assert page.table("what to do to the guitar") == [
        ["5", "Two Frets Up", "capo on at fret 2"],
        ["6", "Lantern Waltz", "capo off (fret 2)"],
    ]
    assert "--overwrite --reference D3-9c" in page.text


# -- retuning


def session(*pieces: str, top: str = 'guitar = "open-d"\nreference = "D3=146.5"') -> str:
    return f'schema = 1\ntitle = "x"\n{top}\n' + "".join(
        f'[[pieces]]\ntitle = "{number}"\n{piece}\n' for number, piece in enumerate(pieces)
    )


def test_retuning_is_told_from_where_the_guitar_stands(tmp_path: Path) -> None:
    text = session(
        "", 'guitar = "dadgad"', 'capo = 2\nguitar = "dadgad"', 'guitar = "open-d"', 'guitar = "violin"'
    )
    found = retunings(plan_session(session_from_toml(text, tmp_path)))
    assert found[1].words == ()
    # D A D G A D has its third string at 4/3 of D3: 498.04 - 3.91 against 500 (derived).
    assert found[2].words == ("string 3 up 1 semitone to G3 -5.9",)
    assert found[3].words == ("capo on at fret 2",)
    assert found[4].words == ("capo off (fret 2)", "string 3 down 1 semitone to F#3 -17.6")
    assert found[5].words == ("take the other instrument, tuned to Violin",)


def test_a_string_is_never_sent_past_its_limit(tmp_path: Path) -> None:
    """Open A is open G and a capo at fret 2: no string ends above standard tuning."""
    text = session('guitar = "standard"\nreference = "A2=110"', 'guitar = "open-a"\nreference = "A2=110"')
    found = retunings(plan_session(session_from_toml(text, tmp_path)))
    assert found[2].capo_instead == 2
    assert found[2].words[-1] == "capo on at fret 2, so that no string goes above what it is built for"
    assert not any(" up " in word for word in found[2].words)
    # It is tuned by ear as what it is without the capo: D G D G B D, two semitones below E A E A C# E.
    plan = plan_session(session_from_toml(text, tmp_path))
    strings = Sheets(plan, Manifest()).piece(plan.pieces[1]).strings
    assert strings is not None
    assert strings.plan.guitar.title == "Open A, for a capo at fret 2"
    notes = {change.string: change.note for change in strings.plan.changes}
    assert [notes[number] for number in (6, 5, 4, 3, 2, 1)] == ["D2", "G2", "D3", "G3", "B3", "D4"]
    assert max(strings.tension.values()) < 1.01
    assert found[2].cautions == found[1].cautions == ()


def test_a_capo_spares_the_strings_where_it_makes_the_same_notes(tmp_path: Path) -> None:
    text = session("", 'guitar = "open-e"\nreference = "E2=82.2195"', "")
    found = retunings(plan_session(session_from_toml(text, tmp_path)))
    assert found[2].words == ("capo on at fret 2: it makes Open E of the strings as they are",)
    assert found[2].cautions == ()
    assert found[3].words == ("capo off (fret 2)",)


def test_a_capo_that_went_on_by_itself_stands_on_page_and_cover(tmp_path: Path) -> None:
    open_e = 'guitar = "open-e"\nreference = "E2=82.2195"'
    plan = plan_session(session_from_toml(session("", open_e, open_e, 'guitar = "dadgad"'), tmp_path))
    sheets = Sheets(plan, Manifest())
    pieces = [sheets.piece(one) for one in plan.pieces]
    assert [piece.retune for piece in pieces[2:3]] == [()]  # it stays on
    capo = "capo at fret 2 (frets count from it)"
    for form in (PAGE, VOICES):
        text = seen(sheet_html(pieces, sheets.info, form)).text
        assert (text.count(capo), text.count("no capo")) == (2, 2)
    order = seen(sheet_html(pieces, sheets.info)).table("capo")
    assert [row[3] for row in order] == ["none", "2", "2", "none"]
    # In the appendix nobody is told to turn strings up to open E, and its neck begins at the capo, where its dots are
    # the neck's own: the third fret of the wood is the first from the capo.
    whole = sheet_html(pieces, sheets.info)
    assert "Tuning by ear: Open E" not in whole
    assert "capo at fret 2</text>" in whole
    assert sheets.piece(plan.pieces[1]).strings is None
    neck = neck_figure(pieces[1].tables[0].table, 2)
    assert neck is not None
    numbers = {one.text: one.x for one in neck.picture.shapes if isinstance(one, Text) and one.text.isdigit()}
    dots = [one.x for one in neck.picture.shapes if isinstance(one, Disc) and one.radius == 0.8]
    assert [numbers["1"], numbers["3"], numbers["5"]] == pytest.approx(dots[:3])
    # START-HERE.txt says the same, and what is done to the guitar.
    said = " ".join(start_here(plan, Manifest()).split())
    assert said.count("with a capo at fret 2 from which frets count") == 2
    assert "before it: capo on at fret 2: it makes Open E of the strings as they are" in said
    assert "before it: capo off (fret 2); string 3 up 1 semitone to G3" in said
    # E2 = 82.2195 Hz is 3.94 cents below equal 82.4069 Hz, and so is E4, two pure octaves above.
    checked = "string 6 E2 -3.9 and string 1 E4 -3.9"
    assert [checked in " ".join(piece.cautions) for piece in pieces] == [False, True, True, False]


def test_with_a_capo_two_strings_are_checked() -> None:
    # Strings 4 and 1 of open D at fret 2: D3 = 146.5 Hz and its octave, 3.9 cents below equal, E3 and E4 with the capo.
    said = capo_check(spec(guitar="open-d", reference="D3=146.5", fret=2))
    assert "string 4 E3 -3.9 and string 1 E4 -3.9" in said
    assert "unevenly" in said


# -- singer and violin


def test_a_violin_hears_which_open_string_disagrees() -> None:
    violin = {"G3": 146.5 * 4 / 3, "D4": 293.0, "A4": 439.5, "E5": 439.5 * 1.5}
    info = SessionInfo(**{**vars(SESSION), "violin_hz": violin})
    page = seen(sheet_html([lowered(), open_d(title="Home", number=2)], info, VOICES))
    # E5 is 9/8 of D, three fifths up from G: the 10/9 of bar 5 lies a comma below.
    assert (
        "bar 5: E is 21.5 cents too high. Stop the note on the string below. The others agree." in page.text
    )
    assert "Open strings: G D A E all agree." in page.text
    # A semitone higher by a capo no string agrees, and there are no others.
    moved = violin_words(PieceSheet("x", (TableSheet(table(fret=1)),)), violin)
    assert "others" not in moved
    assert "Then from bar 7 as at the start." in page.text
    (ear,) = (row for row in page.tables[0] if row[0] == "ear")
    # Against a piano whose tonic is ours: a pure third 14 low, a pure fifth 2 high (386.31 and 701.96 cents).
    assert (ear[1], ear[5], ear[8]) == ("0", "-14", "+2")


def test_a_singer_is_told_when_the_notes_are_again_as_they_were() -> None:
    """By `examples/evening/evening.toml`: piece 1 lowers E in bars 6 and 11, piece 4 goes to G in bars 5 and 10."""
    pieces, _ = evening()
    assert back_words(pieces[0]) == (
        "Then from bar 8 as at the start, from bar 11 as from bar 6, from bar 12 as at the start."
    )
    assert back_words(pieces[3]) == (
        "Then from bar 7 as at the start, from bar 10 as from bar 5, from bar 11 as at the start."
    )
    assert back_words(pieces[2]) == ""


def test_the_violin_of_an_evening_is_tuned_from_its_first_piece() -> None:
    _, info = evening()
    assert info.violin_hz["A4"] == pytest.approx(146.5 * 3)
    assert info.violin_hz["E5"] == pytest.approx(146.5 * 4.5)
    assert info.violin_hz["G3"] == pytest.approx(146.5 * 4 / 3)


# -- a string that has drifted


def test_the_reference_of_a_session_text_is_replaced_and_nothing_else() -> None:
    text = session("", top='reference = "D3=146.5"  # tuner\nreference_how = "by ear"\nguitar = "open-d"')
    changed = with_reference(text, "D3-9c", "x.toml")
    assert 'reference = "D3-9c"\n' in changed
    assert "reference_how" not in changed
    assert "tuner" not in changed
    assert with_reference(session("", top='guitar = "open-d"'), "D3-9c", "x").startswith(
        'reference = "D3-9c"\n'
    )
    inside = session("", top='notes = """\nreference = "no"\n"""\nreference = "D3=146.5"')
    assert 'reference = "no"' in with_reference(inside, "D3-9c", "x")
    heard = with_reference(session("", top='guitar = "open-d"\nreference_from = "d.wav"'), "D3-9c", "x")
    assert "d.wav" not in heard


def test_what_cannot_be_replaced_is_refused() -> None:
    with pytest.raises(InputProblem, match=r"as_tuned.*record them again"):
        with_reference(session("", top='guitar = "open-d"\nas_tuned = "all.wav"'), "D3-9c", "x.toml")
    with pytest.raises(ValueProblem, match="lacks its unit"):
        with_reference(session(""), "D3-9", "x.toml")


def test_strings_that_all_turn_alike_are_told_in_one_word(tmp_path: Path) -> None:
    """G3 is 4/3 of open D's D3 and 6/5 of open E's E3.

    With G3 as a tuner has it D3 lies 500 - 498.04 = 1.96 cents above the tuner's, E3 300 - 315.64 = 15.64 below; a capo
    at fret 2 raises by 200 cents: all strings go down by 17.6.
    """
    text = session("", 'guitar = "open-e"', top='guitar = "open-d"\nreference = "G3=195.998"')
    found = retunings(plan_session(session_from_toml(text, tmp_path)))
    assert found[2].words == (
        "all strings alike, string 6 down 18 cents to D2 -15.6",
        "capo on at fret 2, so that no string goes above what it is built for",
    )


def test_what_holds_for_all_tunings_is_told_once_and_a_neck_without_safe_frets_is_drawn(
    tmp_path: Path,
) -> None:
    text = session("", 'guitar = "dadgad"', 'guitar = "standard"\ntonic = "A"')
    plan = plan_session(session_from_toml(text, tmp_path))
    sheets = Sheets(plan, Manifest())
    pieces = [sheets.piece(one) for one in plan.pieces]
    page = seen(sheet_html(pieces, sheets.info))
    assert page.text.count("Tuning by ear:") == 3
    assert page.text.count("Always come from below") == 1
    assert page.text.count("Touch a string lightly") == 1
    assert page.text.count("Go round again, in this order") == 3
    last = seen(sheet_html(pieces[2:], None, PAGE))
    assert "At no fret do all strings agree" in last.text
    assert last.pictures == 1


def test_the_strings_are_told_open_for_every_piece() -> None:
    pieces, _ = evening()
    assert pieces[4].strings == pieces[0].strings
    assert strings(spec(guitar="open-d", reference="D3=146.5", fret=2)) != pieces[0].strings
