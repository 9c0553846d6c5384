"""``stillbeat retune`` by bends: what is chosen, what is refused, what is reported."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from support import independent

from bridge.cli import main
from bridge.errors import ValueProblem
from bridge.jobs.channel_list import parse_channels
from bridge.jobs.demo_music import TICKS_PER_QUARTER, demo_tracks
from bridge.store.smf import MidiFile, midi_bytes


def run(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> str:
    """Run a command; return what it printed (its one line on stderr where it must fail)."""
    with pytest.raises(SystemExit) as left:
        main(arguments)
    out, err = capsys.readouterr()
    assert left.value.code == code, err
    return err if code else out


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    song = midi_bytes(MidiFile(format=1, division=TICKS_PER_QUARTER, tracks=demo_tracks()))
    (tmp_path / "song.mid").write_bytes(song)
    return tmp_path


def crowd(parts: int, keys: tuple[int, ...] = (60,)) -> bytes:
    """A file in which `parts` channels (10 left out) sound at once, each with the same keys."""
    channels = [channel for channel in range(16) if channel != 9][:parts]
    track = [(0, bytes((0x90 | channel, key, 80))) for channel in channels for key in keys]
    track += [(960, bytes((0x80 | channel, key, 0))) for channel in channels for key in keys]
    return midi_bytes(MidiFile(format=0, division=480, tracks=[[*track, (960, b"\xff\x2f")]]))


def used_channels(path: str) -> set[int]:
    """Channels (1-16) on which a file plays notes."""
    return {
        (data[0] & 15) + 1
        for track in independent.read(path).tracks
        for _, kind, data in track
        if kind == "note_on"
    }


SONG = ("retune", "song.mid", "-o", "out.mid", "--guitar", "open-g")


def test_without_a_synth_bends_are_taken_and_said_why(capsys: pytest.CaptureFixture[str]) -> None:
    out = run(capsys, *SONG)
    assert "method bend (every synth obeys it" in out
    assert "all 125 notes are as the table has them" in out


def test_a_file_that_does_not_fit_goes_by_note(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    (folder / "crowd.mid").write_bytes(crowd(4, (60, 64, 67, 70)))
    out = run(capsys, "retune", "crowd.mid", "-o", "o.mid", "--tonic", "C", "--channels", "1-4")
    assert (
        "method note (by pitch bend every note as the table has it would take 16 channels, but 4 are allowed"
        in out
    )


def test_fewer_channels_than_parts_are_refused_with_the_smallest_number(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    (folder / "crowd.mid").write_bytes(crowd(5))
    line = run(
        capsys,
        "retune",
        "crowd.mid",
        "-o",
        "o.mid",
        "--tonic",
        "C",
        "--method",
        "bend",
        "--channels",
        "1-3",
        code=2,
    )
    assert "at least 5" in line
    assert not (folder / "o.mid").exists()


def test_channels_limit_what_is_used(capsys: pytest.CaptureFixture[str]) -> None:
    run(capsys, *SONG, "--method", "bend", "--channels", "3-8,12")
    assert used_channels("out.mid") - {10} <= {3, 4, 5, 6, 7, 8, 12}


def test_report_as_words_and_as_json(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    out = run(capsys, *SONG, "--method", "bend", "--report", "--report-json", "report.json")
    assert "channels: 6 needed at most, 15 allowed" in out
    report = json.loads((folder / "report.json").read_text())
    assert {"schema", "notes", "exact", "worst_cents", "mean_cents", "demand_max", "bars"} <= set(report)
    assert (report["schema"], report["notes"], report["exact"], report["bars"]) == (1, 125, 125, [])
    assert report["worst_cents"] <= 100 / 8192 + 1e-9  # half a bend step at two semitones
    line = run(capsys, *SONG[:3], "again.mid", *SONG[4:], "--report-json", "report.json", code=3)
    assert "report.json" in line
    assert not (folder / "again.mid").exists()


def test_notes_that_give_way_are_told_by_bar(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    (folder / "crowd.mid").write_bytes(crowd(4, (60, 64, 67, 70)))
    arguments = (
        "retune",
        "crowd.mid",
        "-o",
        "o.mid",
        "--tonic",
        "C",
        "--method",
        "bend",
        "--channels",
        "1-4",
    )
    out = run(capsys, *arguments, "--report-json", "r.json")
    report = json.loads((folder / "r.json").read_text())
    assert report["exact"] < report["notes"] == 16
    assert report["bars"] == [
        {"bar": 1, "notes_off": 16 - report["exact"], "worst_cents": report["worst_cents"]}
    ]
    assert "in bars 1" in out


def test_mpe_refuses_three_parts_and_plays_those_chosen(capsys: pytest.CaptureFixture[str]) -> None:
    line = run(capsys, *SONG, "--method", "mpe", code=2)
    assert "--part" in line
    assert "--method bend" in line
    run(capsys, *SONG, "--method", "mpe", "--part", "1", "--part", "3")
    # Members of the lower zone are channels 2 upward, of the upper 15 downward; managers 1 and 16 play no notes.
    assert used_channels("out.mid") - {10} <= set(range(2, 16))


@pytest.mark.parametrize("method", ["bend", "note"])
def test_plain_switches_off_what_hides_beats(
    method: str, capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    track = [
        (0, b"\xb0\x01\x40"),
        (0, b"\xb0\x5d\x50"),
        (0, b"\x90\x3c\x50"),
        (960, b"\x80\x3c\x00"),
        (960, b"\xff\x2f"),
    ]
    (folder / "wavy.mid").write_bytes(midi_bytes(MidiFile(format=0, division=480, tracks=[track])))
    run(capsys, "retune", "wavy.mid", "-o", "o.mid", "--tonic", "C", "--method", method, "--plain")
    values = {
        data[1:]
        for track in independent.read("o.mid").tracks
        for _, kind, data in track
        if kind == "control_change" and data[1] in (1, 93, 94)
    }
    assert values == {bytes((controller, 0)) for controller in (1, 93, 94)}


def test_sounds_that_hide_beats_are_named(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    track = [(0, b"\xc0\x03"), (0, b"\x90\x3c\x50"), (960, b"\x80\x3c\x00"), (960, b"\xff\x2f")]
    (folder / "tonk.mid").write_bytes(midi_bytes(MidiFile(format=0, division=480, tracks=[track])))
    for method in ("bend", "note"):
        with pytest.raises(SystemExit):
            main(["retune", "tonk.mid", "-o", f"{method}.mid", "--tonic", "C", "--method", method])
        assert "Honky-tonk Piano hides beats" in capsys.readouterr().err


def test_lists_of_channels() -> None:
    assert parse_channels("1-3, 5,16") == (1, 2, 3, 5, 16)
    for text, says in (
        ("0-3", "out of range"),
        ("5-2", "2-5"),
        ("x", "no channel"),
        ("1-", "no channel"),
        ("", "no"),
    ):
        with pytest.raises(ValueProblem, match=says):
            parse_channels(text)
