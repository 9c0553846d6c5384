"""What is kept of practising, and a teacher's lists: read strictly, and nothing broken stops anything."""

from __future__ import annotations

import csv
import io
import json
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from bridge.errors import InputProblem
from bridge.store.practice.lists import MOST_ITEMS, Item, read_list
from bridge.store.practice.records import (
    Given,
    Kept,
    Record,
    SungNote,
    Tuned,
    load_records,
    records_csv,
    records_dir,
    same_kind,
    save_record,
)

RECORD = Record(
    when="2026-05-04T18:30:00",
    exercise="still",
    sound="fifth",
    notes="D3-A3",
    size="3/2",
    timbre="steady",
    seconds=2.0,
    through="sound card",
    seed=7,
    answers=(Given(21.5, "first", "first"), Given(21.5, "second", "first")),
    threshold=Kept(4.0, 2.5, 6.25, 1.018),
)


def test_a_record_comes_back_as_it_was(tmp_path: Path) -> None:
    tuned = replace(RECORD, exercise="tune", answers=(), threshold=None, rounds=(Tuned(-9.5, 0.4),))
    sung = replace(
        RECORD, exercise="sing", answers=(), threshold=None, sung=(SungNote("fifth", "A3", -6.0, 8.0),)
    )
    for one in (RECORD, tuned, sung):
        save_record(one, tmp_path)
    records, broken = load_records(tmp_path)
    assert broken == []
    assert sorted(records, key=lambda one: one.exercise) == [sung, RECORD, tuned]


def test_two_of_the_same_second_are_both_kept(tmp_path: Path) -> None:
    paths = [save_record(RECORD, tmp_path) for _ in range(3)]
    assert [path.name for path in paths] == [
        "2026-05-04T18-30-00-still.json",
        "2026-05-04T18-30-00-still-2.json",
        "2026-05-04T18-30-00-still-3.json",
    ]
    assert len(load_records(tmp_path)[0]) == 3


@pytest.mark.skipif(sys.platform == "win32", reason="XDG")
def test_they_lie_in_the_users_data_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The XDG base directory specification: data belongs under XDG_DATA_HOME."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert records_dir() == tmp_path / "stillbeat" / "practice"
    assert load_records() == ([], [])
    assert save_record(RECORD).parent == records_dir()


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "null",
        '{"schema": 2}',
        '{"schema": 1, "when": 5}',
        "\xff\xfe",
        "[" * 100_000,
        json.dumps({"schema": 1, "when": "2026-05-04T18:30:00", "exercise": "x" * 300}),
    ],
)
def test_a_broken_one_stops_nothing(tmp_path: Path, text: str) -> None:
    save_record(RECORD, tmp_path)
    (tmp_path / "2026-05-03T10-00-00-wide.json").write_text(text, encoding="latin-1")
    (tmp_path / "notes.txt").write_text("mine")
    records, broken = load_records(tmp_path)
    assert records == [RECORD]
    assert broken == ["2026-05-03T10-00-00-wide.json"]


@pytest.mark.parametrize(
    "name", ["when", "seconds", "seed", "answers", "threshold", "rounds", "sung", "notes"]
)
@pytest.mark.parametrize("value", [None, True, -1, 1e400, "x", [1], [[]], {}, {"cents": "many"}])
def test_no_value_of_another_kind_gets_in(tmp_path: Path, name: str, value: object) -> None:
    path = save_record(RECORD, tmp_path)
    data = json.loads(path.read_text())
    data[name] = value
    path.write_text(json.dumps(data))
    records, broken = load_records(tmp_path)
    assert len(records) + len(broken) == 1
    if records and name in ("answers", "rounds", "sung"):
        pytest.fail(f"{name} = {value!r} was read")


def test_thresholds_are_compared_with_their_like_alone() -> None:
    earlier = replace(RECORD, when="2026-05-01T09:00:00")
    others = [
        replace(earlier, exercise="wide"),
        replace(earlier, notes="G3-D4"),
        replace(earlier, timbre="plucked"),
        replace(earlier, seconds=1.0),
        replace(earlier, through="synth"),
        replace(earlier, size="5/4"),
        replace(earlier, threshold=None),
        replace(RECORD, when="2026-06-01T09:00:00"),
    ]
    assert same_kind(RECORD, [*others, earlier]) == [earlier]


def test_csv_has_a_row_for_each_answer_and_the_threshold() -> None:
    sung = replace(
        RECORD, exercise="sing", answers=(), threshold=None, sung=(SungNote("fifth", "A3", -6.0, 8.0),)
    )
    tuned = replace(RECORD, exercise="tune", answers=(), threshold=None, rounds=(Tuned(-9.5, 0.4),))
    rows = list(csv.DictReader(io.StringIO(records_csv([RECORD, sung, tuned]).decode())))
    assert [row["row"] for row in rows] == ["trial", "trial", "threshold", "sung", "round"]
    assert [row["right"] for row in rows[:2]] == ["1", "0"]
    assert (rows[2]["cents"], rows[2]["low_cents"], rows[2]["high_cents"], rows[2]["beats_hz"]) == (
        "4.000",
        "2.500",
        "6.250",
        "1.018",
    )
    assert (rows[3]["asked"], rows[3]["cents"], rows[3]["steadiness_cents"]) == ("fifth A3", "-6.00", "8.0")
    assert (rows[4]["asked"], rows[4]["cents"]) == ("-9.500", "0.400")
    assert {row["notes"] for row in rows} == {"D3-A3"}


LIST = """
schema = 1
title = "Third week: thirds"
guitar = "open-d"
reference = "D3=146.5"

[[exercise]]
what = "still"
notes = "third"
trials = 30
timbre = "plucked"

[[exercise]]
what = "sing"
notes = "unison, octave, fifth"
"""


def test_a_teachers_list_is_read(tmp_path: Path) -> None:
    found = read_list(_written(tmp_path, LIST))
    assert found.title == "Third week: thirds"
    assert found.table == {"guitar": "open-d", "reference": "D3=146.5"}
    assert found.items == (
        Item("still", "third", 30, None, "plucked"),
        Item("sing", "unison, octave, fifth", None, None, None),
    )


def _written(folder: Path, text: str) -> Path:
    path = folder / "week.toml"
    path.write_text(text)
    return path


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("what = ", "whta = "), r"week\.toml, line \d+: entry 'what' is missing"),
        (('"still"', '"stil"'), r"line 8: what: there is no exercise 'stil' \(did you mean still\?\)"),
        (('"plucked"', '"bowed"'), r"line 11: timbre: there is no timbre 'bowed'"),
        (("trials = 30", "trials = 3000"), r"line 10: trials = 3000 \(a whole number from 1 to 200"),
        (("trials = 30", "trails = 30"), r"line 10: unknown entry 'trails' \(did you mean trials\?\)"),
        (("guitar = ", "guitare = "), r"line 4: unknown entry 'guitare' \(did you mean guitar\?\)"),
        (("schema = 1", "schema = 9"), r"line 2: schema = 9"),
        (('title = "Third', "title = 3 #"), r"line 3: title = 3 is not a text"),
        ((LIST, ""), "schema"),
        ((LIST, "schema = 1"), "no exercise"),
        (("\n[[exercise]]", "\n[exercise]", 1), r"line"),
        ((LIST, "schema = 1" + '\n[[exercise]]\nwhat = "sing"' * (MOST_ITEMS + 1)), "has up to 20"),
    ],
)
def test_a_slip_of_the_pen_is_named_with_its_line(tmp_path: Path, change: tuple, says: str) -> None:
    with pytest.raises(InputProblem, match=says):
        read_list(_written(tmp_path, LIST.replace(*change)))
