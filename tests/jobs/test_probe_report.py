"""What an examination leaves: names, files, the table that a musician reads, JSON."""

from __future__ import annotations

import datetime
import json
from pathlib import Path

import pytest
from support.probed import RenderedSynth
from support.synths import render_timidity

from bridge.engine.probe.course import Findings, examination
from bridge.engine.probe.messages import Place
from bridge.engine.probe.verdicts import Finding
from bridge.errors import OutputProblem, ValueProblem
from bridge.jobs.probe import (
    ProbeReport,
    make_report,
    name_from_port,
    report_facts,
    report_json,
    report_rows,
    where_to_write,
    write_profile,
)
from bridge.live.probe.examine import follow
from bridge.store.profiles import list_profiles, load_profile

DAY = datetime.date(2024, 2, 29)


@pytest.mark.parametrize(
    ("port", "name"),
    [
        ("Keys 61:Keys 61 MIDI 1 28:0", "keys-61"),
        ("synth:midi_00", "synth"),
        ("  Ünï (2) : out", "n-2"),
        ("???", "synth"),
        ("x" * 200, "x" * 64),
    ],
)
def test_a_name_is_made_of_the_port(port: str, name: str) -> None:
    assert name_from_port(port) == name


@pytest.mark.parametrize("name", ["", "Stage", "a b", "../up", "-a", "a" * 65])
def test_names_that_cannot_be_typed_are_refused(name: str, tmp_path: Path) -> None:
    with pytest.raises(ValueProblem, match="cannot be the name of a synth"):
        where_to_write("synth", name, tmp_path / "x.toml", False)


def test_output_is_refused_early(tmp_path: Path) -> None:
    with pytest.raises(ValueProblem, match=r"must end in \.toml"):
        where_to_write("synth", None, tmp_path / "x.txt", False)
    (tmp_path / "x.toml").write_text("kept")
    with pytest.raises(OutputProblem, match=r"x\.toml"):
        where_to_write("synth", None, tmp_path / "x.toml", False)
    assert where_to_write("synth", None, tmp_path / "x.toml", True) == ("x", tmp_path / "x.toml")
    with pytest.raises(OutputProblem, match="there is no folder"):
        where_to_write("synth", None, tmp_path / "no" / "x.toml", False)


@pytest.fixture(scope="module")
def report(sine_font: Path) -> ProbeReport:
    """TiMidity++, examined."""
    found = follow(
        examination(Place(), tuple(range(1, 17))),
        RenderedSynth(render_timidity, sine_font).hold,
        lambda _label, _done: None,
    )
    return make_report(found, "heard-synth", "TiMidity:port 0", "line in", DAY)


def test_the_table_speaks_plainly(report: ProbeReport) -> None:
    rows = {row[0]: row for row in report_rows(report.found)}
    assert rows["single notes"][1:] == ("7F 08 02", "-60.0", "-60.0", "-60.0", "moves sounding notes")
    assert rows["whole table"][1:] == ("7E 08 01", "-60.0", "0.0", "-60.0", "only new notes")
    assert rows["octave table, fine"][-1] == "ignored"
    assert rows["messages for device 5"][-1] == "obeyed"
    facts = " ".join(report_facts(report.found))
    assert "The widest bend range that it obeys is 24 semitones; wider ones are taken for that." in facts
    assert "Heard on channels 1-16." in facts


def test_unknown_is_said_with_its_reason() -> None:
    found = Findings(rows={"note": Finding("note", "single notes", "7F 08 02", "unknown", remark="not sure")})
    assert report_rows(found)[0][-1] == "unknown (not sure)"


def test_json_for_scripts(report: ProbeReport, tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    out = json.loads(json.dumps(report_json(report, "TiMidity:port 0", "line in", path), allow_nan=False))
    assert out["schema"] == 1
    assert out["method"] == "note"
    assert out["profile"] == str(path)
    assert out["bend_range"] == {
        "found_semitones": pytest.approx(2.0, abs=0.01),
        "widest_semitones": 24,
        "clamped": True,
    }
    first = out["rows"][0]
    assert set(first) == {
        *("name", "label", "message", "verdict", "asked_cents", "sounding_cents", "later_cents", "remark")
    }
    assert (first["name"], first["verdict"]) == ("note-unselected", "now")


def test_the_file_is_found_by_its_name_alone(report: ProbeReport) -> None:
    name, path = where_to_write("TiMidity:port 0", "heard-synth", None, False)
    write_profile(report, path, False)
    try:
        assert "heard-synth" in list_profiles()
        profile = load_profile(name)
        assert profile == report.profile
        assert "2024-02-29" in profile.source
        assert "line in" in profile.source
        with pytest.raises(OutputProblem, match="already"):
            where_to_write("TiMidity:port 0", "heard-synth", None, False)
        write_profile(report, path, True)
    finally:
        path.unlink()
