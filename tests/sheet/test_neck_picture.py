"""The fretboard as a picture: everything lies on it, nothing over anything else, and it says what the figures say."""

from __future__ import annotations

import itertools
from xml.etree import ElementTree

import pytest
from support.sheets import neck, spec

from bridge.jobs.choose import TableRequest, choose_table
from bridge.jobs.frets import find_chords, neck_of, study_frets
from bridge.sheet.content.table import PAGE_MM, table_blocks
from bridge.sheet.document import Figure
from bridge.sheet.neck import neck_picture
from bridge.sheet.records import TableSheet
from bridge.sheet.shapes import BLACK, WHITE, Box, Disc, Line, Picture, Text, picture_svg
from bridge.tuning.tables import build_table

GUITARS = ("open-d", "open-e", "banjo-open-g", "bass", "ukulele", "mandolin", "standard-comma-g-b")


def marks(picture: Picture) -> list[Disc]:
    """The discs that stand for notes: those that tell something when pointed at."""
    return [shape for shape in picture.shapes if isinstance(shape, Disc) and shape.note]


@pytest.mark.parametrize("fret", [0, 2, 7])
@pytest.mark.parametrize("guitar", GUITARS)
def test_nothing_is_cut_and_no_marks_overlap(guitar: str, fret: int) -> None:
    picture = neck(guitar, fret)
    for shape in picture.shapes:
        if isinstance(shape, Disc):
            assert shape.radius < shape.x < picture.width_mm - shape.radius
            assert shape.radius < shape.y < picture.height_mm - shape.radius
        elif isinstance(shape, Box):
            assert shape.x >= 0
            assert shape.x + shape.width <= picture.width_mm
        elif isinstance(shape, Text):  # how wide it is, is measured in a browser (test_sheet_screens)
            assert 0 <= shape.x <= picture.width_mm, shape
            assert 0.7 * shape.size < shape.y < picture.height_mm, shape
    for one, other in itertools.combinations(marks(picture), 2):
        apart = ((one.x - other.x) ** 2 + (one.y - other.y) ** 2) ** 0.5
        assert apart >= one.radius + other.radius


@pytest.mark.parametrize("fret", range(13))
def test_notes_on_a_sheet_are_large_enough_and_lie_inside_their_marks(fret: int) -> None:
    table = build_table(spec(guitar="open-d", fret=fret))
    picture = next(
        block.picture
        for block in table_blocks(TableSheet(table))
        if isinstance(block, Figure) and block.picture.width_mm == PAGE_MM
    )
    names = [one for one in picture.shapes if isinstance(one, Text) and one.bold and one.text[0] in "ABCDEFG"]
    assert len(names) == len(marks(picture)) >= 6 * 8
    assert min(one.size for one in names) * 72 / 25.4 >= 14.0
    assert min(one.size for one in picture.shapes if isinstance(one, Text)) * 72 / 25.4 >= 9.0


def test_frets_lie_where_they_lie_on_a_neck() -> None:
    """Fret n lies at L (1 - 2^(-n/12)): the twelfth at half the string, and so on (derived)."""
    picture = neck("open-d", last_fret=12)
    wires = sorted({shape.x1 for shape in picture.shapes if isinstance(shape, Line) and shape.x1 == shape.x2})
    assert len(wires) == 13  # the nut and twelve frets
    nut, twelfth = wires[0], wires[-1]
    for fret, x in enumerate(wires):
        assert x == pytest.approx(nut + (twelfth - nut) * 2 * (1 - 2 ** (-fret / 12)), abs=1e-6)


def test_black_is_near_the_table() -> None:
    """In open D the open strings are the table's; the tempered third at fret 4 is 13.7 cents wide (derived)."""
    picture = neck("open-d")
    for mark in marks(picture):
        cents = float(mark.note.split(" cents")[0].rsplit(" ", 1)[1])
        assert (mark.fill == BLACK) == (abs(cents) <= 5.0), mark.note
        assert mark.dash == (0.9 if abs(cents) > 17.0 else 0.0)
    fourth = next(mark for mark in marks(picture) if mark.note.startswith("string 4, fret 4:"))
    assert fourth.fill == WHITE
    assert "+13.7 cents" in fourth.note
    assert "5.8" in fourth.note  # D3 to F#3, 4 : 5, in equal temperament at A4 = 440 Hz: 5.827 beats a second
    assert sum("open" in mark.note for mark in marks(picture)) == 6


def test_a_chord_alone() -> None:
    spec = choose_table(TableRequest(guitar="open-d"))
    study = study_frets(spec, 12)
    (chord,) = find_chords(study.table, ["V"])
    picture = neck_of(study, chord)
    named = {mark.note.split("table's ")[1].split(" ")[0].rstrip("0123456789") for mark in marks(picture)}
    assert named == {"A", "C#", "E"}
    assert any(isinstance(shape, Text) and "chord A (V): A C# E" in shape.text for shape in picture.shapes)


def test_svg_is_sound_colourless_and_the_same_every_time() -> None:
    text = picture_svg(neck("open-d"))
    root = ElementTree.fromstring(text.encode())
    assert root.attrib["width"] == "280mm"
    assert root.attrib["viewBox"].startswith("0 0 280 ")
    for element in root.iter():
        for name in ("fill", "stroke"):
            shade = element.attrib.get(name, "none")
            assert shade in ("none", "#fff") or shade[1:3] == shade[3:5] == shade[5:7]
    assert text == picture_svg(neck("open-d"))
    assert "NaN" not in text


def test_words_with_signs_are_escaped() -> None:
    picture = Picture("a < b & c", 10, 10, (Text(1, 1, "x < y & z"), Disc(5, 5, 1, note="1 < 2")))
    root = ElementTree.fromstring(picture_svg(picture, alone=False))
    assert " ".join(root.itertext()).split() == [
        "a",
        "<",
        "b",
        "&",
        "c",
        "x",
        "<",
        "y",
        "&",
        "z",
        "1",
        "<",
        "2",
    ]
    assert "width" not in root.attrib  # as wide as the page allows


def test_frets_beyond_the_last_are_left_out() -> None:
    study = study_frets(choose_table(TableRequest(guitar="open-d")))
    picture = neck_picture(study.cells, scale_length_mm=650, last_fret=5)
    assert len(marks(picture)) == 6 * 6
    assert picture.title == "fretboard"
