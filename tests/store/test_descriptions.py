"""Descriptions as files: shipped and own ones, tables that read back bit for bit, and errors with file and line."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import platformdirs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.described import table_from_toml

from bridge.errors import InputProblem, StillbeatError, TuningProblem, ValueProblem
from bridge.store import finding
from bridge.store.descriptions import (
    guitar_table,
    list_guitars,
    list_scales,
    list_tables,
    load_guitar,
    load_scale,
    load_table,
    save_table,
    tables_dir,
    user_dir,
)
from bridge.tuning.guitars import Guitar, GuitarString
from bridge.tuning.notes import key_to_hz
from bridge.tuning.reference import Reference
from bridge.tuning.scales import DEGREES, Interval, Scale
from bridge.tuning.spec import TableSpec, literal_spec
from bridge.tuning.tables import build_table, equal_table

FIVE_LIMIT = (tables_dir() / "scales" / "five-limit.toml").read_text(encoding="utf-8")


@pytest.fixture
def own(tmp_path, monkeypatch) -> Path:
    """The user's own configuration folder, on any system."""
    monkeypatch.setattr(platformdirs, "user_config_dir", lambda *_, **__: str(tmp_path / "own"))
    for kind in ("scales", "guitars", "tables"):
        (tmp_path / "own" / kind).mkdir(parents=True)
    return tmp_path / "own"


def put(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def same(one: TableSpec, other: TableSpec) -> None:
    """Assert that two descriptions make the same table, bit for bit."""
    first, second = build_table(one), build_table(other)
    assert np.array_equal(first.hz, second.hz)
    assert first.ratios == second.ratios
    assert first.degrees == second.degrees
    assert first.strings == second.strings
    assert (first.home, first.tonic, first.fret, first.slide) == (
        second.home,
        second.tonic,
        second.fret,
        second.slide,
    )
    assert first.reference == second.reference
    assert np.array_equal(equal_table(one).hz, equal_table(other).hz)


# --- finding ---------------------------------------------------------------------------------------------------


def test_the_checkout_is_read_in_place():
    assert tables_dir() == Path(finding.__file__).parents[2] / "tables"


def test_a_wheel_carries_the_folder_inside_the_package(tmp_path, monkeypatch):
    (tmp_path / "bridge" / "tables" / "scales").mkdir(parents=True)
    monkeypatch.setattr(finding.bridge, "__file__", str(tmp_path / "bridge" / "__init__.py"))
    assert tables_dir() == tmp_path / "bridge" / "tables"
    (tmp_path / "bridge" / "tables" / "scales").rmdir()
    with pytest.raises(InputProblem, match="install stillbeat again"):
        tables_dir()


def test_own_descriptions_win(own):
    assert user_dir() == own
    mine = FIVE_LIMIT.replace('title = "Five-limit"', 'title = "Mine"').replace('b7 = "9/5"', 'b7 = "7/4"')
    put(own / "scales" / "five-limit.toml", mine)
    put(own / "scales" / "mine.toml", mine.replace('name = "five-limit"', 'name = "mine"'))
    assert load_scale("five-limit").title == "Mine"
    assert load_scale("five-limit").degrees[10].ratio == Fraction(7, 4)
    assert load_scale("mine").name == "mine"
    assert list_scales().count("five-limit") == 1
    assert "mine" in list_scales()
    put(own / "tables" / "show.table.toml", 'schema = 1\nguitar = "open-g"\n')
    assert list_tables() == ["show"]
    assert load_table("show").name == "show"
    assert load_table("show").home == "G"


def test_a_path_may_stand_for_a_name(tmp_path):
    path = put(tmp_path / "other-name.toml", FIVE_LIMIT)
    assert load_scale(str(path)).name == "five-limit"
    table = put(tmp_path / "x.table.toml", "schema = 1\n")
    assert load_table(str(table)).name == "x"


@pytest.mark.parametrize("name", list_guitars())
def test_every_guitar_is_a_table_too(name):
    spec = load_table(name)
    assert spec.guitar == load_guitar(name)
    assert spec.scale == load_scale("five-limit")
    key = spec.guitar.key_of(spec.guitar.reference_string)
    assert spec.reference == Reference(key, key_to_hz(key))
    table = build_table(spec)
    string = next(one for one in table.strings if one.number == spec.guitar.reference_string)
    assert string.hz == pytest.approx(key_to_hz(key), rel=1e-15)
    assert len(table.strings) == len(spec.guitar.strings)


def test_open_d_comes_out_exactly():
    strings = build_table(load_table("open-d")).strings
    assert [string.ratio for string in strings] == [
        Fraction(1, 2), Fraction(3, 4), Fraction(1), Fraction(5, 4), Fraction(3, 2), Fraction(2),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("load", "name", "match"),
    [
        (load_scale, "five-limt", r"unknown scale 'five-limt' \(did you mean five-limit"),
        (load_scale, "", "unknown scale ''"),
        (load_scale, "../scales/five-limit", "no such file"),
        (load_guitar, "opn-d", "did you mean open-d"),
        (load_table, "opn-d", "unknown table 'opn-d' .*did you mean open-d"),
        (load_table, "five-limit", "five-limit is a scale"),
        (load_scale, "no/such.toml", r"no/such.toml: no such file \(check the name"),
        (load_table, "nothing.table.toml", "nothing.table.toml: no such file"),
    ],
)
def test_names_that_are_not_there(load, name, match):
    with pytest.raises(StillbeatError, match=match):
        load(name)


def test_an_unknown_name_is_a_matter_of_usage():
    with pytest.raises(ValueProblem) as caught:
        load_scale("nope")
    assert caught.value.exit_code == 2
    with pytest.raises(InputProblem) as caught_file:
        load_scale("nope.toml")
    assert caught_file.value.exit_code == 3


# --- errors in files ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "match"),
    [
        (
            'b3 = "6/5"',
            'b3 = "6/5',
            r"scale.toml, line \d+: .*illegal character.* \(texts, notes and ratios stand in q",
        ),
        (
            'b3 = "6/5"',
            "b3 = 6/5",
            r"line \d+: .*: '6/5' \(texts, notes and ratios stand in quotes, like \"5/4\"\)",
        ),
        ('b3 = "6/5"', 'b3 = "6//5"', r"line \d+: b3: '6//5' is not a ratio \(two division signs"),
        ('b3 = "6/5"', 'b3 = "0/5"', r"line \d+: b3: ratio '0/5' contains a zero"),
        (
            'b3 = "6/5"',
            'b3 = "7/4"',
            r"degree b3=7/4 lies at 968.8 cents \(allowed are 200 to 400 cents; .* the b7\)",
        ),
        ('b3 = "6/5"', "b3 = 1.2", r"line \d+: b3 = 1.2 is not a text"),
        ('b3 = "6/5"', "", "degree b3 is missing"),
        ('b3 = "6/5"', 'b3 = "6/5"\n"#2" = "6/5"', "degree b3 is given twice"),
        ('b3 = "6/5"', 'b8 = "6/5"', "'b8' is not a degree"),
        ('"#4"', "#4", r"degree #4 is missing \(write \"#4\" in quotes, a bare # begins a comment"),
        ('1 = "1/1"', '1 = "9/8"', "degree 1 is the tonic itself"),
        ("schema = 1", "schema = 2", r"line 1: schema = 2 \(this version reads schema 1\)"),
        ("schema = 1", "schema = true", "schema = True"),
        ("schema = 1\n", "", "entry 'schema' is missing"),
        ("source =", "sauce =", r"entry 'source' is missing"),
        ("source =", "soruce =", r"entry 'source' is missing \(is 'soruce' meant\?\)"),
        ("title =", 'colour = "red"\ntitle =', r"line \d+: unknown entry 'colour'"),
        ("description =", 'descripton = "x"\ndescription =', "did you mean description"),
        ("[degrees]", "[degree]", "entry 'degrees' is missing"),
        ("[degrees]", "[degrees", r"line \d+: .*every entry reads name = value"),
        ('title = "Five-limit"', 'title = ""', "title = '' is not a text"),
    ],
)
def test_a_broken_scale_names_file_and_line(tmp_path, old, new, match):
    assert old in FIVE_LIMIT
    path = put(tmp_path / "scale.toml", FIVE_LIMIT.replace(old, new, 1))
    with pytest.raises(InputProblem, match=match) as caught:
        load_scale(str(path))
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_the_line_is_the_right_one(tmp_path):
    text = FIVE_LIMIT.replace('6 = "5/3"', '6 = "5/x"')
    wanted = text.splitlines().index('6 = "5/x"') + 1
    with pytest.raises(InputProblem, match=f"scale.toml, line {wanted}: 6: '5/x' is not a ratio"):
        load_scale(str(put(tmp_path / "scale.toml", text)))


def test_a_file_is_called_as_it_is_named(own):
    put(own / "scales" / "mine.toml", FIVE_LIMIT)
    with pytest.raises(
        InputProblem, match=r"line 2: name = .five-limit. but the file is called mine.toml \(write name ="
    ):
        load_scale("mine")


def test_files_that_cannot_be_read(tmp_path):
    with pytest.raises(InputProblem, match="is a folder, not a description"):
        load_scale(f"{tmp_path}/")
    (tmp_path / "latin.toml").write_bytes('schema = 1\ntitle = "Gehör"'.encode("latin-1"))
    with pytest.raises(InputProblem, match=r"latin.toml, line 2: not UTF-8 text"):
        load_scale(str(tmp_path / "latin.toml"))
    (tmp_path / "empty.toml").write_bytes(b"")
    with pytest.raises(InputProblem, match=r"empty.toml: entry 'schema' is missing"):
        load_scale(str(tmp_path / "empty.toml"))
    (tmp_path / "big.toml").write_bytes(b"# " + b"x" * 1_000_001)
    with pytest.raises(InputProblem, match="larger than 1 MB"):
        load_scale(str(tmp_path / "big.toml"))
    (tmp_path / "deep.toml").write_bytes(b"x = " + b"[" * 100_000)
    with pytest.raises(InputProblem, match=r"deep.toml"):
        load_scale(str(tmp_path / "deep.toml"))
    (tmp_path / "bytes.toml").write_bytes(b"MThd\x00\x00\x00\x06")
    with pytest.raises(InputProblem, match=r"bytes.toml, line 1"):
        load_scale(str(tmp_path / "bytes.toml"))


def test_a_byte_order_mark_and_foreign_line_ends_do_no_harm(tmp_path):
    path = tmp_path / "five-limit.toml"
    path.write_bytes(b"\xef\xbb\xbf" + FIVE_LIMIT.replace("\n", "\r\n").encode())
    assert load_scale(str(path)) == load_scale("five-limit")


def test_a_broken_guitar_names_its_line(tmp_path):
    text = (tables_dir() / "guitars" / "open-d.toml").read_text(encoding="utf-8")
    broken = put(tmp_path / "g.toml", text.replace('tonic = "D"', 'tonic = "H"'))
    with pytest.raises(InputProblem, match=r"g.toml.*German H is B"):
        load_guitar(str(broken))
    broken = put(tmp_path / "g.toml", text.replace("reference_string = 4", 'reference_string = "four"'))
    wanted = text.splitlines().index("reference_string = 4") + 1
    with pytest.raises(InputProblem, match=f"g.toml, line {wanted}: reference_string = 'four'"):
        load_guitar(str(broken))
    with pytest.raises(TuningProblem, match=r"g.toml"):
        load_guitar(str(put(tmp_path / "g.toml", text.replace('  "6 at 1/2 = 4 open",\n', ""))))


# --- tables ------------------------------------------------------------------------------------------------------


def test_a_short_table_is_filled_in():
    spec = table_from_toml('schema = 1\nguitar = "open-d"\nreference = "D3=146.5"\n', "short")
    same(spec, replace(load_table("open-d"), reference=Reference(50, 146.5)))
    assert spec.name == "short"
    bare = table_from_toml("schema = 1\n")
    assert (bare.home, bare.tonic, bare.reference.key) == ("C", "C", 60)
    assert table_from_toml('schema = 1\ntonic = "A"\n').home == "A"
    away = table_from_toml('schema = 1\nguitar = "open-d"\ntonic = "A"\n')
    assert (away.home, away.tonic) == ("D", "A")
    assert table_from_toml('schema = 1\nscale = "equal"\n').scale == load_scale("equal")


def test_every_entry_of_a_table():
    text = """
schema = 1
name = "all"
units = "Hz"
home = "D"
tonic = "A"
fret = 3
slide = "9/8"
open_strings_win = true
guitar = "open-d"
scale = "seven-limit"
[reference]
note = "D3"
hz = 146.5
[home_degrees]
b7 = "9/5"
[degrees]
2 = "10/9"
3 = "390.5c"
[keys]
"F#3" = 183.1
60 = 262
"""
    spec = table_from_toml(text)
    assert spec == TableSpec(
        name="all",
        scale=load_scale("seven-limit"),
        home="D",
        tonic="A",
        reference=Reference(50, 146.5),
        guitar=load_guitar("open-d"),
        fret=3,
        slide=Fraction(9, 8),
        open_strings_win=True,
        degree_changes=((2, Interval.parse("10/9")), (4, Interval.of_cents(390.5))),
        home_degree_changes=((10, Interval.parse("9/5")),),
        key_overrides=((54, 183.1), (60, 262.0)),
    )
    same(table_from_toml(save_table(spec)), spec)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("fret = 25", r"t, line 2: fret = 25 \(a whole number from 0 to 24"),
        ('fret = "5"', "fret = '5'"),
        ("fret = true", "fret = True"),
        ('slide = "3/4"', "line 2: slide 3/4 is out of range"),
        ('slide = "4//3"', "line 2: slide: '4//3' is not a ratio"),
        ('tonic = "H"', "line 2: tonic: 'H' is not a note .German H is B"),
        ('home = "D3"', "a note without octave"),
        ("tonic = 5", "tonic = 5 is not a text"),
        ('scale = "five"', "line 2: scale: unknown scale 'five' .did you mean five-limit"),
        ('guitar = "opn-d"', "guitar: unknown guitar 'opn-d'"),
        ("guitar = 3", "guitar = 3 is not a section"),
        ('reference = "D3=14650"', r"line 2: reference: .*did you mean 146.5"),
        ('[reference]\nnote = "D3"\nhz = 14650', r"line 4: reference D3 = 14650 Hz is out of range"),
        ('[reference]\nnote = "D3"\nhz = "146.5"', r"line 4: hz = '146.5' \(a number from 1 to 25000"),
        ('[reference]\nnote = "D"\nhz = 146.5', r"line 3: note: note 'D' lacks its octave"),
        ('[reference]\nnote = "D3"', "entry 'hz' is missing"),
        ('[reference]\nnote = "D3"\nhz = 146.5\ncents = 3', "line 5: unknown entry 'cents'"),
        ("open_strings_win = 1", "true or false, without quotes"),
        ("open_strings_win = true", "open strings cannot win without a guitar"),
        ('[degrees]\n1 = "9/8"', "line 3: 1: degree 1 cannot be 9/8"),
        ('[degrees]\n1 = "1/1"', "line 3: degree 1 cannot be replaced"),
        ('[degrees]\nb7 = "5/4"', "looks like the 3"),
        ("degrees = 3", "degrees = 3 is not a section"),
        ('[keys]\n"F#3" = "183.1"', "line 3: F#3 = '183.1'"),
        ('[keys]\n"F#3" = nan', "line 3: F#3 = nan"),
        ("[keys]\n54 = 0.0", "line 3: 54 = 0.0"),
        ('[keys]\n54 = 183.0\n"F#3" = 183.1', "line 4: key F#3 is given twice"),
        ("[keys]\n128 = 183.0", "'128' is not a note"),
        ("[keys]\nH3 = 183.0", "line 3: 'H3' is not a note"),
        ("frett = 3", "line 2: unknown entry 'frett' .did you mean fret"),
        ('[scale]\nname = "x"', "entry 'degrees' is missing"),
        ("name = 3", "name = 3 is not a text"),
    ],
)
def test_tables_that_are_refused(text, match):
    with pytest.raises(InputProblem, match=match) as caught:
        table_from_toml(f"schema = 1\n{text}\n", "t")
    assert str(caught.value).startswith("t")


def test_a_literal_table_reads_back():
    spec = literal_spec("from a synth", [key_to_hz(key) * 2 ** (key / 99999) for key in range(128)], "G")
    text = save_table(spec)
    assert "[scale]" not in text
    again = table_from_toml(text)
    assert again == spec
    same(again, spec)
    raised = replace(spec, fret=2, slide=Fraction(4, 3))
    same(table_from_toml(save_table(raised)), raised)


def test_a_table_file_stands_on_its_own(own):
    spec = replace(load_table("open-g"), tonic="D", fret=2)
    put(own / "tables" / "show.table.toml", save_table(spec))
    # Shipped files may change; what was exported does not.
    put(own / "scales" / "five-limit.toml", FIVE_LIMIT.replace('b7 = "9/5"', 'b7 = "7/4"'))
    same(load_table("show"), spec)


@given(st.floats(-50, 50))
def test_a_tempered_string_reads_back_bit_for_bit(cents):
    strings = (GuitarString(2, 50), GuitarString(1, 57, tempered_cents=cents))
    guitar = Guitar("two", "Two strings", "D", 2, strings, (), "derived", tuned_from="")
    spec = guitar_table(guitar)
    same(
        table_from_toml(save_table(replace(spec, open_strings_win=True))),
        replace(spec, open_strings_win=True),
    )


def test_a_guitar_with_a_scale_of_ones_choice():
    spec = guitar_table(load_guitar("open-d"), load_scale("overtone"))
    assert build_table(spec).ratios[55] == Fraction(21, 16)


@st.composite
def odd_scales(draw) -> Scale:
    """Scales of ratios and cents of every length of digits, with texts that need care in TOML."""
    degrees = [Interval.of_ratio(1)]
    for index in range(1, 12):
        off_cents = draw(st.floats(-99.9, 99.9))
        if draw(st.booleans()):
            degrees.append(Interval.of_cents(100.0 * index + off_cents))
        else:
            size = 2 ** ((100.0 * index + off_cents) / 1200)
            ratio = Fraction(size).limit_denominator(draw(st.integers(50, 10**6)))
            degrees.append(
                Interval.of_ratio(ratio) if abs(ratio - size) < 1e-6 else Interval.of_cents(100.0 * index)
            )
    text = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=30).filter(str.strip)
    return Scale(draw(text), draw(text), tuple(degrees), "source " + " ".join(draw(text).split()))


@settings(max_examples=50)
@given(
    odd_scales(),
    st.sampled_from(["open-d", "banjo-open-g", "standard-comma-g-b", "ukulele", None]),
    st.sampled_from(["D", "F#", "Bb"]),
    st.integers(0, 24),
    st.sampled_from(["1/1", "7/4", "4/3"]),
    st.booleans(),
    st.floats(-500, 500),
    st.lists(st.sampled_from(["b7=7/4", "2=10/9", "3=386.123456789c", "#4=7/5"]), max_size=3, unique=True),
    st.dictionaries(st.integers(0, 127), st.floats(1, 25000), max_size=4),
)
def test_any_table_reads_back_bit_for_bit(
    scale, guitar, tonic, fret, slide, win, off_cents, changes, overrides
):
    changed = tuple(
        (DEGREES.index(name), Interval.parse(value)) for name, value in (c.split("=") for c in changes)
    )
    spec = TableSpec(
        name='a "name" \\ with # and = in it',
        scale=scale,
        home="D",
        tonic=tonic,
        reference=Reference(50, key_to_hz(50) * 2 ** (off_cents / 1200)),
        guitar=load_guitar(guitar) if guitar else None,
        fret=fret,
        slide=Fraction(slide),
        open_strings_win=win and guitar is not None,
        degree_changes=tuple(sorted(changed[:1], key=lambda change: change[0])),
        home_degree_changes=tuple(sorted(changed[1:], key=lambda change: change[0])),
        key_overrides=tuple(sorted(overrides.items())),
    )
    again = table_from_toml(save_table(spec))
    same(again, spec)
    assert again.name == spec.name
    assert again.scale.degrees == scale.degrees
    assert save_table(again) == save_table(again)


@settings(max_examples=200)
@given(st.text(max_size=200))
def test_any_text_is_a_table_or_an_input_problem(text):
    try:
        build_table(table_from_toml("schema = 1\n" + text, "t"))
    except InputProblem as refused:
        message = refused.message
    else:
        message = "made a table"
    assert "\n" not in message


@pytest.mark.parametrize(
    ("said", "name"),
    [("just", "five-limit"), ("Pythagorean", "three-limit"), ("meantone", "quarter-comma-meantone")],
)
def test_scales_by_the_names_that_musicians_use(said: str, name: str) -> None:
    assert load_scale(said) == load_scale(name)
