"""Guitars: the shipped files, the description's contract, and what it refuses."""

from __future__ import annotations

import tomllib
from copy import deepcopy
from fractions import Fraction
from pathlib import Path

import pytest

from bridge.errors import InputProblem, TuningProblem, ValueProblem
from bridge.tuning.guitars import Guitar, GuitarString, Unison, guitar_from_mapping, guitar_to_mapping

FOLDER = Path(__file__).parents[2] / "tables" / "guitars"
FILES = sorted(FOLDER.glob("*.toml"))
COMMA_CENTS = 21.506  # 81/80, Ellis, appendix XX to Helmholtz


def load(name: str) -> Guitar:
    return guitar_from_mapping(tomllib.loads((FOLDER / f"{name}.toml").read_text()), name)


def ratios(name: str) -> list[Fraction | None]:
    """Ratios of the strings, last to first."""
    return [interval.ratio for interval in load(name).intervals.values()]


def test_the_named_tunings_are_shipped():
    asked = (
        "open-d open-g open-c open-e open-a open-d-minor dadgad drop-d ukulele banjo-open-g standard "
        "standard-comma-e-a standard-comma-a-d standard-comma-d-g standard-comma-g-b standard-comma-b-e "
        "standard-comma-e-e"
    )
    assert set(asked.split()) <= {file.stem for file in FILES}


def test_the_guide_names_every_file():
    guide = (FOLDER.parent / "README.md").read_text()
    assert [file.stem for file in FILES if f"`{file.stem}`" not in guide] == []


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_every_file(file):
    data = tomllib.loads(file.read_text())
    guitar = guitar_from_mapping(data, file.name)
    assert guitar.name == file.stem
    assert guitar.source
    assert guitar.intervals[guitar.reference_string].ratio == 1
    assert guitar_from_mapping(guitar_to_mapping(guitar), "again") == guitar
    assert [string["note"] for string in data["strings"]] == [
        string["note"] for string in guitar_to_mapping(guitar)["strings"]
    ], "spelled by the tonic"
    if guitar.tuned_from:
        start = load(guitar.tuned_from)
        assert len(start.strings) == len(guitar.strings)
        for string in guitar.strings:
            assert abs(string.key - start.key_of(string.number)) <= 5
            assert string.starts_at_fret == start.string(string.number).starts_at_fret


# What musicians call these tunings, low to high, and the small whole numbers they ring in (derived).
@pytest.mark.parametrize(
    ("name", "notes", "numbers"),
    [
        ("open-d", "D2 A2 D3 F#3 A3 D4", (2, 3, 4, 5, 6, 8)),
        ("open-e", "E2 B2 E3 G#3 B3 E4", (2, 3, 4, 5, 6, 8)),
        ("open-g", "D2 G2 D3 G3 B3 D4", (3, 4, 6, 8, 10, 12)),
        ("open-a", "E2 A2 E3 A3 C#4 E4", (3, 4, 6, 8, 10, 12)),
        ("open-c", "C2 G2 C3 G3 C4 E4", (2, 3, 4, 6, 8, 10)),
        ("open-d-minor", "D2 A2 D3 F3 A3 D4", (10, 15, 20, 24, 30, 40)),
        ("cgdgcd", "C2 G2 D3 G3 C4 D4", (4, 6, 9, 12, 16, 18)),
        ("eadeae", "E2 A2 D3 E3 A3 E4", (9, 12, 16, 18, 24, 36)),
        ("open-e-minor", "E2 B2 E3 G3 B3 E4", (10, 15, 20, 24, 30, 40)),
        ("slack-key-d-wahine", "D2 A2 D3 F#3 A3 C#4", (4, 6, 8, 10, 12, 15)),
        ("octave-mandolin", "G2 D3 A3 E4", (8, 12, 18, 27)),
        ("dulcimer-dad", "D3 A3 D4", (2, 3, 4)),
        ("dulcimer-daa", "D3 A3 A3", (2, 3, 3)),
        (
            "twelve-string-open-d",
            "D2 D3 A2 A3 D3 D4 F#3 F#4 A3 A3 D4 D4",
            (2, 4, 3, 6, 4, 8, 5, 10, 6, 6, 8, 8),
        ),
        ("open-g-minor", "D2 G2 D3 G3 Bb3 D4", (15, 20, 30, 40, 48, 60)),
        ("dadgad", "D2 A2 D3 G3 A3 D4", (6, 9, 12, 16, 18, 24)),
        ("drop-d", "D2 A2 D3 G3 B3 E4", (6, 9, 12, 16, 20, 27)),
        ("double-drop-d", "D2 A2 D3 G3 B3 D4", (6, 9, 12, 16, 20, 24)),
        ("open-c6", "C2 A2 C3 G3 C4 E4", (6, 10, 12, 18, 24, 30)),
        ("banjo-open-g", "G4 D3 G3 B3 D4", (8, 3, 4, 5, 6)),
        ("banjo-double-c", "G4 C3 G3 C4 D4", (12, 4, 6, 8, 9)),
        ("banjo-g-modal", "G4 D3 G3 C4 D4", (24, 9, 12, 16, 18)),
        ("ukulele", "G4 C4 E4 A4", (18, 12, 15, 20)),
        ("ukulele-low-g", "G3 C4 E4 A4", (9, 12, 15, 20)),
        ("ukulele-baritone", "D3 G3 B3 E4", (9, 12, 15, 20)),
        ("baritone-open-a", "A1 E2 A2 C#3 E3 A3", (2, 3, 4, 5, 6, 8)),
        ("bass-drop-d", "D1 A1 D2 G2", (6, 9, 12, 16)),
        ("bass-pure-fourths", "E1 A1 D2 G2", (27, 36, 48, 64)),
        ("double-bass", "E1 A1 D2 G2", (27, 36, 48, 64)),
        ("violin", "G3 D4 A4 E5", (8, 12, 18, 27)),
        ("mandolin", "G3 D4 A4 E5", (8, 12, 18, 27)),
        ("viola", "C3 G3 D4 A4", (8, 12, 18, 27)),
        ("cello", "C2 G2 D3 A3", (8, 12, 18, 27)),
        ("octave-mandolin-gdad", "G2 D3 A3 D4", (4, 6, 9, 12)),
        ("lap-steel-open-d", "D2 A2 D3 F#3 A3 D4", (2, 3, 4, 5, 6, 8)),
        ("lap-steel-open-e", "E2 B2 E3 G#3 B3 E4", (2, 3, 4, 5, 6, 8)),
        ("lap-steel-open-a", "A2 C#3 E3 A3 C#4 E4", (4, 5, 6, 8, 10, 12)),
        ("lap-steel-c6", "C3 E3 G3 A3 C4 E4", (12, 15, 18, 20, 24, 30)),
        ("resonator-open-g", "G2 B2 D3 G3 B3 D4", (4, 5, 6, 8, 10, 12)),
    ],
)
def test_notes_and_whole_numbers(name, notes, numbers):
    guitar = load(name)
    assert [guitar.note_of(string.number) for string in guitar.strings] == notes.split()
    reference = numbers[len(numbers) - guitar.reference_string]
    assert ratios(name) == [Fraction(number, reference) for number in numbers]


def test_open_d_exactly():
    assert ratios("open-d") == [
        Fraction(1, 2),
        Fraction(3, 4),
        Fraction(1),
        Fraction(5, 4),
        Fraction(3, 2),
        Fraction(2),
    ]
    guitar = load("open-d")
    assert guitar.hz(146.5)[3] == 183.125
    assert guitar.hz(146.5)[6] == 73.25


@pytest.mark.parametrize("name", ["standard", "bass", "baritone"])
def test_equal_tempered_strings(name):
    guitar = load(name)
    for number, interval in guitar.intervals.items():
        assert interval.cents == pytest.approx(100 * (guitar.key_of(number) - guitar.reference_key))
        assert guitar.cents_from_equal(number) == 0


# (low string, high string): the intervals that a player hears between neighbours, and between the outer two.
PAIRS = {
    "e-a": ((6, 5), Fraction(4, 3)),
    "a-d": ((5, 4), Fraction(4, 3)),
    "d-g": ((4, 3), Fraction(4, 3)),
    "g-b": ((3, 2), Fraction(5, 4)),
    "b-e": ((2, 1), Fraction(4, 3)),
    "e-e": ((6, 1), Fraction(4)),
}


@pytest.mark.parametrize("where", PAIRS)
def test_the_comma_lies_where_the_name_says(where):
    intervals = load(f"standard-comma-{where}").intervals
    for pair, ((low, high), pure) in PAIRS.items():
        off = intervals[high].ratio / intervals[low].ratio / pure
        if pair == where:
            assert off == (Fraction(80, 81) if pair == "e-e" else Fraction(81, 80))
        else:
            assert off == 1


def test_a_banjo_says_where_its_fifth_string_starts():
    banjo = load("banjo-open-g")
    assert banjo.string(5).starts_at_fret == 5
    assert {banjo.string(number).starts_at_fret for number in (4, 3, 2, 1)} == {0}


def test_caution_wherever_a_string_goes_up():
    """From the written notes alone: a file whose strings rise above its start must warn and ask for an expert."""
    rising = set()
    for file in FILES:
        guitar = load(file.stem)
        if not guitar.tuned_from:
            continue
        start = load(guitar.tuned_from)
        if any(string.key > start.key_of(string.number) for string in guitar.strings):
            rising.add(guitar.name)
            assert "up" in guitar.caution
            assert "luthier" in guitar.caution
            assert "maker" in guitar.caution
    assert {"open-e", "open-a", "open-c"} <= rising
    assert "open-d" not in rising


def test_bridge_never_stands_alone():
    for file in FILES:
        assert "bridge" not in file.read_text().lower()


# -- refusals


DESCRIPTION = guitar_to_mapping(load("open-d"))


def changed(**entries):
    data = deepcopy(DESCRIPTION)
    data.update(entries)
    return data


def without(key):
    data = deepcopy(DESCRIPTION)
    del data[key]
    return data


@pytest.mark.parametrize(
    "key", ["schema", "name", "title", "source", "units", "tonic", "reference_string", "strings"]
)
def test_missing_entries_are_named(key):
    with pytest.raises(InputProblem, match=f"^mine.toml: entry '{key}' is missing"):
        guitar_from_mapping(without(key), "mine.toml")


@pytest.mark.parametrize(
    ("entries", "message"),
    [
        ({"schema": 2}, "mine: schema 2 .*reads schema 1"),
        ({"schema": True}, "mine: schema = True .*whole number"),
        ({"tunic": "D"}, "mine: unknown entry 'tunic'.*did you mean tonic"),
        ({"tonic": "H"}, "mine: .*H.*German H is B"),
        ({"tonic": 2}, "mine: tonic = 2 .*text between quotes"),
        ({"title": " "}, "mine: title = ' '"),
        ({"reference_string": "4"}, "mine: reference_string = '4' .*whole number"),
        ({"scale_length_mm": "65cm"}, "mine: scale_length_mm = '65cm' .*number"),
        ({"scale_length_mm": float("nan")}, "mine: scale_length_mm = nan"),
        ({"scale_length_mm": 0}, "mine: scale length 0 mm"),
        ({"frets": -1}, "mine: -1 frets .*0 .*to 24"),
        ({"strings": "D A D"}, "mine: strings = 'D A D' .*list"),
        ({"strings": ["D2"]}, "mine: strings, entry 1: 'D2' is not a set of entries"),
        ({"strings": [{"number": 1}]}, "mine: strings, entry 1: entry 'note' is missing"),
        ({"strings": [{"number": 1, "note": "X2"}]}, "mine: strings, entry 1: 'X2'"),
        ({"strings": [{"number": 0, "note": "D2"}]}, "mine: strings, entry 1: string number 0"),
        (
            {"strings": [{"number": 1, "note": "D2", "fret": 5}]},
            "mine: strings, entry 1: unknown entry 'fret'",
        ),
        (
            {"strings": [{"number": 1, "note": "D2", "tempered": "2"}]},
            "mine: strings, entry 1: tempered = '2' .*equal",
        ),
        (
            {"strings": [{"number": 1, "note": "D2", "tempered": "70c"}]},
            "mine: strings, entry 1: string 1 tempered by 70 cents",
        ),
        ({"unisons": ["4 at 1/2"]}, "mine: unisons, entry 1: '4 at 1/2' is not a unison"),
        ({"unisons": [4]}, "mine: unisons, entry 1: 4 is not a text"),
        ({"unisons": ["4 open = 4 open"]}, "mine: unisons, entry 1: unison of string 4 with itself"),
    ],
)
def test_malformed_entries_are_named(entries, message):
    with pytest.raises(InputProblem, match=message):
        guitar_from_mapping(changed(**entries), "mine")


def test_not_even_a_mapping():
    with pytest.raises(InputProblem, match="not a set of entries"):
        guitar_from_mapping(["open-d"], "mine")


@pytest.mark.parametrize(
    ("entries", "message"),
    [
        ({"reference_string": 7}, "^mine: reference string 7 .*strings 1 to 6"),
        ({"strings": []}, "^mine: strings numbered none"),
        ({"unisons": DESCRIPTION["unisons"][1:]}, "^mine: nothing ties string 6 to"),
        ({"unisons": [*DESCRIPTION["unisons"], "9 open = 4 open"]}, "^mine: unison .* names string 9"),
        # string 5 touched at 1/3 instead of 1/4: 3/3 is a unison with D3, a fourth above A2 (500 cents)
        (
            {"unisons": [u.replace("5 at 1/4", "5 at 1/3") for u in DESCRIPTION["unisons"]]},
            r"^mine: string 5 comes out \+500\.0 cents from its written note A2.*touched where",
        ),
        # string 6 as high as string 4: an octave out
        (
            {"unisons": ["6 open = 4 open", *DESCRIPTION["unisons"][1:]]},
            r"^mine: string 6 comes out \+1200\.0 cents from its written note D2.*octave",
        ),
    ],
)
def test_no_tuning(entries, message):
    with pytest.raises(TuningProblem, match=message):
        guitar_from_mapping(changed(**entries), "mine")


def test_strings_numbered_wrongly():
    strings = deepcopy(DESCRIPTION["strings"])
    strings[0]["number"] = 5
    with pytest.raises(TuningProblem, match=r"^mine: strings numbered 5, 5, 4, 3, 2, 1"):
        guitar_from_mapping(changed(strings=strings), "mine")


def test_contradiction_in_a_file_is_sized_in_cents():
    unisons = [*DESCRIPTION["unisons"], "5 at 1/4 = 3 at 1/3"]
    with pytest.raises(
        TuningProblem, match=r"^mine: the unisons contradict .* round strings .* miss by 386\.3 cents"
    ):
        guitar_from_mapping(changed(unisons=unisons), "mine")


def test_fifty_cents_are_the_limit():
    """The eleventh harmonic lies 48.7 cents below a tritone, and 51.3 above a fourth (11/8 = 551.318 cents)."""
    as_tritone = Guitar(
        "x", "X", "D", 2, (GuitarString(2, 50), GuitarString(1, 56)), (Unison(1, 8, 2, 11),), "derived"
    )
    assert as_tritone.cents_from_equal(1) == pytest.approx(-48.682, abs=1e-3)
    with pytest.raises(TuningProblem, match=r"string 1 comes out \+51\.3 cents from its written note G3"):
        Guitar(
            "x", "X", "D", 2, (GuitarString(2, 50), GuitarString(1, 55)), (Unison(1, 8, 2, 11),), "derived"
        )


def test_the_tonic_is_kept_in_ascii():
    assert guitar_from_mapping(changed(tonic="d"), "mine").tonic == "D"
    assert guitar_from_mapping(changed(tonic="B♭"), "mine").tonic == "Bb"


def test_unknown_string_is_refused():
    with pytest.raises(ValueProblem, match=r"string 7 of Open D .*1 to 6"):
        load("open-d").key_of(7)
    with pytest.raises(ValueProblem, match="string 0"):
        load("open-d").key_of(0)
