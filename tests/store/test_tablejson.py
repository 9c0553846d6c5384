"""Tables as JSON and CSV: the contract that scripts rely on."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from fractions import Fraction

import pytest

from bridge.store.descriptions import load_table
from bridge.store.tablejson import table_to_csv, table_to_json
from bridge.tuning.notes import key_to_hz, parse_note
from bridge.tuning.ratios import parse_ratio
from bridge.tuning.reference import Reference
from bridge.tuning.spec import literal_spec
from bridge.tuning.tables import build_table

SPEC = replace(load_table("open-d"), reference=Reference(50, 146.5))


def test_the_form_of_open_d():
    form = json.loads(json.dumps(table_to_json(build_table(SPEC)), allow_nan=False))
    assert list(form) == ["schema", "home", "tonic", "fret", "reference", "keys", "strings"]
    assert (form["schema"], form["home"], form["tonic"], form["fret"]) == (1, "D", "D", 0)
    assert form["reference"] == {"note": "D3", "hz": 146.5}
    assert len(form["keys"]) == 128
    assert form["keys"][54] == {
        "key": 54,
        "note": "F#3",
        "hz": 183.125,
        "degree": "3",
        "ratio": "5/4",
        "ratio_to_reference": "5/4",
        "ratio_above_tonic": "5/4",
        "cents_from_equal": pytest.approx(-17.61, abs=0.005),
    }
    assert form["keys"][50]["ratio"] == "1/1"
    assert [string["string"] for string in form["strings"]] == [6, 5, 4, 3, 2, 1]
    assert [string["ratio"] for string in form["strings"]] == ["1/2", "3/4", "1/1", "5/4", "3/2", "2/1"]
    assert form["strings"][0] == {
        "string": 6,
        "note": "D2",
        "hz": 73.25,
        "ratio": "1/2",
        "ratio_to_reference": "1/2",
        "cents_from_equal": pytest.approx(-3.923, abs=0.0006),
        "cents_from_table": 0.0,
    }


def test_the_tonic_as_it_sounds_and_the_reference_of_the_open_strings():
    form = table_to_json(build_table(replace(SPEC, fret=5)))
    assert (form["home"], form["tonic"], form["fret"]) == ("D", "G", 5)
    assert form["reference"] == {"note": "D3", "hz": 146.5}
    assert form["keys"][55]["ratio"] == "1/1"
    assert form["strings"][2]["note"] == "G3"


def test_a_slide_is_told():
    assert table_to_json(build_table(replace(SPEC, slide=Fraction(4, 3))))["slide"] == "4/3"


def test_without_guitar_and_without_ratios():
    form = table_to_json(build_table(literal_spec("dump", [key_to_hz(key) for key in range(128)])))
    assert "strings" not in form
    assert form["keys"][60] == {
        "key": 60, "note": "C4", "hz": key_to_hz(60), "degree": None, "ratio": None, "ratio_to_reference": None,
        "ratio_above_tonic": None, "cents_from_equal": 0.0,
    }  # fmt: skip


def test_csv_reads_back_bit_for_bit():
    table = build_table(replace(SPEC, fret=3, tonic="A"))
    rows = list(csv.DictReader(io.StringIO(table_to_csv(table))))
    assert [int(row["key"]) for row in rows] == list(range(128))
    assert [float(row["hz"]) for row in rows] == list(table.hz)
    assert [parse_note(row["note"]) for row in rows] == list(range(128))
    assert [row["degree"] for row in rows] == list(table.degrees)
    assert [parse_ratio(row["ratio_to_reference"]) for row in rows] == list(table.ratios)
    # Above A at fret 3, which is C: E is its pure third, G its fifth, in every octave (Ellis's duodene).
    above = {row["note"]: row["ratio_above_tonic"] for row in rows}
    assert (above["C4"], above["E4"], above["G4"], above["B4"]) == ("1/1", "5/4", "3/2", "15/8")
    assert float(rows[53]["cents_from_equal"]) == pytest.approx(table.cents_from_equal[53], abs=1e-6)
    bare = table_to_csv(build_table(literal_spec("dump", [key_to_hz(key) for key in range(128)])))
    assert bare.splitlines()[61] == f"60,C4,{key_to_hz(60)!r},,,,0.000000"
