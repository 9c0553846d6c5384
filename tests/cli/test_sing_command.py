"""``stillbeat sing`` as it is typed: a recording told note by note, and everything that is refused, in one line."""

from __future__ import annotations

import csv
import os
from pathlib import Path

import numpy as np
import pytest
import soundfile
from support.voices import Sung, phrase

from bridge.cli import main

RATE = 22050
D3 = 146.5
TABLE = ("--guitar", "open-d", "--reference", f"D3={D3}")
NOWHERE = ("--mic", "no such microphone")


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Tonic, third eight cents high, fifth (ratios of a pure triad, 4:5:6)."""
    path = tmp_path_factory.mktemp("sung") / "song.wav"
    notes = [(D3, 0), (D3 * 5 / 4, 8), (D3 * 3 / 2, 0)]
    sung = [(Sung(hz * 2 ** (cents / 1200), breath_db=35.0), 0.8) for hz, cents in notes]
    soundfile.write(path, phrase(sung, RATE, np.random.default_rng(1)), RATE)
    return path


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def run(*words: str) -> None:
    with pytest.raises(SystemExit) as left:
        main(["sing", *words])
    assert left.value.code == 0


def refused(capsys: pytest.CaptureFixture[str], code: int, *words: str) -> str:
    with pytest.raises(SystemExit) as left:
        main(["sing", *words])
    told = capsys.readouterr().err
    assert left.value.code == code, told
    assert "Traceback" not in told
    return told


def test_a_recording_is_told_note_by_note(song: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(str(song), *TABLE, "--csv", "song.csv", "--picture", "song.svg")
    told = capsys.readouterr().out
    assert "wrote song.csv" in told
    assert "wrote song.svg" in told
    rows = list(csv.DictReader(Path("song.csv").read_text().splitlines()))
    assert [row["degree"] for row in rows] == ["1", "3", "5"]
    assert [float(row["cents_from_pure"]) for row in rows] == pytest.approx([0, 8, 0], abs=1.5)
    assert Path("song.svg").read_text().lstrip().startswith("<")
    run(str(song), *TABLE, "--csv", "song.csv", "--overwrite")
    assert "wrote song.csv" in capsys.readouterr().out


def test_no_file_and_a_file_of_text(capsys: pytest.CaptureFixture[str]) -> None:
    assert "nowhere.wav" in refused(capsys, 3, "nowhere.wav", *TABLE)
    Path("words.wav").write_text("la la la\n" * 100)
    assert "words.wav" in refused(capsys, 3, "words.wav", *TABLE)
    Path("folder").mkdir()
    assert "folder" in refused(capsys, 3, "folder", *TABLE)


def test_what_is_no_voice_is_refused_and_nothing_is_written(capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(2)
    t = np.arange(2 * RATE) / RATE
    # Three notes of a pure triad in equal temperament at once: no fundamental of them is a voice.
    chord = sum(np.cos(2 * np.pi * n * hz * t) / n for hz in (220.0, 277.18, 329.63) for n in range(1, 8))
    sounds = {
        "chord.wav": 0.1 * chord * np.exp(-t),
        "noise.wav": 0.1 * rng.standard_normal(t.size),
        "silence.wav": np.zeros(t.size),
    }
    for name, sound in sounds.items():
        soundfile.write(name, sound, RATE)
        told = refused(capsys, 3, name, *TABLE, "--csv", "out.csv", "--picture", "out.svg")
        assert "no single voice was heard" in told, name
    told = refused(capsys, 3, "silence.wav", *TABLE, "--drone", "1")
    assert "must not be named by --drone" in told
    assert sorted(os.listdir()) == sorted(sounds)


def test_the_recording_is_never_written_over(song: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = song.read_bytes()
    for option in ("--csv", "--picture"):
        refused(capsys, 3, str(song), *TABLE, option, str(song), "--overwrite")
    assert song.read_bytes() == before


def test_what_exists_is_replaced_only_when_asked(song: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for option, name in (("--csv", "mine.csv"), ("--picture", "mine.svg")):
        Path(name).write_text("mine")
        assert "--overwrite" in refused(capsys, 3, str(song), *TABLE, option, name)
        assert Path(name).read_text() == "mine"


def test_a_picture_is_svg(song: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("song.png", "song", "song.pdf"):
        assert ".svg" in refused(capsys, 2, str(song), *TABLE, "--picture", name)
    assert os.listdir() == []
    run(str(song), *TABLE, "--picture", "SONG.SVG")
    assert os.listdir() == ["SONG.SVG"]


@pytest.mark.parametrize("words", ["loud", "0", "D3,H9", "1;5", "1,5,x", ""])
def test_a_drone_that_makes_no_sense(song: Path, capsys: pytest.CaptureFixture[str], words: str) -> None:
    told = refused(capsys, 2, str(song), *TABLE, "--drone", words)
    assert told.strip()


def test_options_of_the_other_way_to_sing(song: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "--csv belongs to a FILE" in refused(capsys, 2, *TABLE, "--csv", "out.csv")
    assert "--picture belongs to a FILE" in refused(capsys, 2, *TABLE, "--picture", "out.svg")
    for option in (("--mic", "x"), ("--mic",), ("--card", "x"), ("--lines",)):
        assert "without a FILE" in refused(capsys, 2, str(song), *TABLE, *option)
    for option in (("--page",), ("--page-port", "8080"), ("--page-lan",)):
        assert "--picture" in refused(capsys, 2, str(song), *TABLE, *option)
    told = refused(capsys, 2, str(song), *TABLE, "--csv", "out.svg", "--picture", "out.svg")
    assert "the same file" in told
    assert os.listdir() == []


def test_without_the_microphone_it_says_what_to_do(capsys: pytest.CaptureFixture[str]) -> None:
    assert refused(capsys, 4, *TABLE, *NOWHERE).strip()
