"""What a person sees when something is wrong: one line, the right exit code, and nothing half written."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.cli import main
from bridge.jobs.demo_music import TICKS_PER_QUARTER, demo_tracks
from bridge.store.smf import MidiFile, midi_bytes

SONG = midi_bytes(MidiFile(format=1, division=TICKS_PER_QUARTER, tracks=demo_tracks()))


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in an empty folder with a song, and check nothing else appears in it."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "song.mid").write_bytes(SONG)
    return tmp_path


def fails(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str]:
    """Run a command that must fail; return exit code and its one line."""
    with pytest.raises(SystemExit) as left:
        main(arguments)
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("stillbeat: ")
    assert err.count("\n") == 1, err
    assert "Traceback" not in err
    return int(str(left.value.code)), err


RETUNE = ("retune", "song.mid", "-o", "out.mid")

CASES = [
    (2, ("tabel",), "did you mean table"),
    (2, ("table", "--guitar", "open-d", "--capo", "two"), "'two' is no number that fits here"),
    (2, ("help",), "for help write: stillbeat -h"),
    (2, ("help", "table"), "for help write: stillbeat table -h"),
    (2, ("tables", "guitrs"), "did you mean guitars?"),
    (2, ("drone", "1", "--guitar", "open-d", "--voice", "tenr"), "did you mean tenor?"),
    (2, ("retune", "song.mid", "--guitar", "open-d"), "Say where to write: -o NAME"),
    (2, ("table", "--tonic", "D", "--degree", "7b=7/4"), "did you mean b7?"),
    (2, ("table",), "say --tonic D, or --guitar open-d"),
    (2, ("table", "--tonic", "H"), "German H is B, German B is Bb"),
    (2, ("table", "--guitar", "open-d", "--reference", "D3=14650"), "did you mean 146.5"),
    (2, ("table", "--tonic", "D", "--degree", "3=0/1"), "ratio '0/1'"),
    (2, ("table", "--tonic", "D", "--degree", "3=3//2"), "did you mean 3/2"),
    (2, ("table", "--tonic", "D", "--slide", "0/1"), "ratio '0/1'"),
    (2, ("table", "--tonic", "D", "--fret", "40"), "0<=x<=24"),
    (2, ("table", "--tonic", "D", "--pin", "F#3"), "F#3=183.1"),
    (2, ("table", "--tonic", "D", "--pin", "F#3=0.001"), "1 to 25000 Hz"),
    (2, ("table", "--tonic", "D", "--scale", "fve-limit"), "did you mean five-limit"),
    (2, ("table", "--guitar", "open-x"), "open-"),
    (2, ("table", "--tonic", "D", "--scal", "five-limit"), "--scale"),
    (2, ("table", "--tonic", "D", "--json", "--csv"), "choose one of"),
    (2, ("export", "open-d", "-o", "out", "--program", "200"), "0<=x<=127"),
    (2, ("export", "open-d", "-o", "out", "--name", "a/b"), "cannot name files"),
    (2, ("export", "open-d"), "--output"),
    (3, ("retune", "missing.mid", "-o", "out.mid", "--guitar", "open-d"), "missing.mid"),
    (3, ("retune", "empty.mid", "-o", "out.mid", "--guitar", "open-d"), "empty"),
    (3, ("retune", "note.txt", "-o", "out.mid", "--guitar", "open-d"), "is not a MIDI file"),
    (3, ("retune", "cut.mid", "-o", "out.mid", "--guitar", "open-d"), "cut"),
    (
        3,
        ("retune", "song.mid", "-o", "song.mid", "--guitar", "open-d", "--overwrite"),
        "input files are never changed",
    ),
    (3, ("retune", "song.mid", "-o", "there.mid", "--guitar", "open-d"), "--overwrite"),
    (3, ("retune", "song.mid", "-o", "no/such/out.mid", "--guitar", "open-d"), "make the folder first"),
    (2, (*RETUNE, "--guitar", "open-d", "--at", "99=A"), "bars 1 to 15"),
    (2, (*RETUNE, "--guitar", "open-d", "--at", "5=H"), "German H is B"),
    (2, (*RETUNE, "--guitar", "open-d", "--at", "5"), "17=A"),
    (2, (*RETUNE, "--guitar", "open-d", "--method", "octave", "--pin", "F#3=183.9"), "--method note"),
    (2, (*RETUNE, "--guitar", "open-d", "--method", "dump", "--synth", "fluidsynth"), "does not obey"),
    (2, (*RETUNE, "--guitar", "open-d", "--synth", "fluidsinth"), "did you mean fluidsynth"),
    (3, (*RETUNE, "--table", "broken.table.toml"), "broken.table.toml"),
    (3, ("read", "note.txt"), "note.txt"),
    (3, ("read", "song.mid"), "no tuning message"),
    (3, ("render", "missing.mid", "-o", "out.wav"), "missing.mid"),
    (2, ("render", "song.mid", "-o", "out.ogg"), ".wav or .flac"),
    (2, ("beats", "D3", "X9", "--guitar", "open-d"), "X9"),
]


@pytest.mark.parametrize(("code", "arguments", "says"), CASES, ids=[" ".join(case[1])[:60] for case in CASES])
def test_bad_input(
    code: int, arguments: tuple[str, ...], says: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "empty.mid").touch()
    (folder / "note.txt").write_text("not music")
    (folder / "cut.mid").write_bytes(SONG[:-40])
    (folder / "there.mid").write_bytes(b"something dear")
    (folder / "broken.table.toml").write_text('schema = 1\nname = "x\n')
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    got, line = fails(capsys, *arguments)
    assert says in line
    assert got == code
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before
    assert sorted(path.name for path in folder.iterdir()) == sorted(path.name for path in before)


def test_broken_toml_is_named_with_its_line(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "mine.table.toml").write_text('schema = 1\nname = "mine"\nreference = \n')
    _, line = fails(capsys, "table", "mine.table.toml")
    assert "mine.table.toml" in line
    assert "line 3" in line


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="only where the system has /dev/full")
def test_a_full_disk_is_one_line(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, line = fails(capsys, "retune", "song.mid", "-o", "/dev/full", "--guitar", "open-d", "--overwrite")
    assert code == 3
    assert "/dev/full" in line


def test_an_unwritable_folder_is_one_line(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "file").touch()
    code, line = fails(capsys, "export", "open-d", "-o", "file/tables")
    assert code == 3
    assert "file" in line


def test_debug_shows_the_traceback(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["table", "--tonic", "H", "--debug"])
    err = capsys.readouterr().err
    assert "Traceback" in err
    assert err.rstrip().splitlines()[-1].startswith("stillbeat: 'H' is not a note")


def test_a_reader_that_goes_away_is_no_error() -> None:
    run = subprocess.run(
        f"{sys.executable} -c 'from bridge.cli import main; main()' table --guitar open-d --json | head -1",
        shell=True,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert run.stderr == ""
    assert run.stdout.strip() == "{"


@pytest.mark.parametrize("command", [(), ("table",), ("session",), ("session", "new")])
def test_help_by_its_short_name(capsys: pytest.CaptureFixture[str], command: tuple[str, ...]) -> None:
    said = []
    for name in ("-h", "--help"):
        with pytest.raises(SystemExit) as left:
            main([*command, name])
        assert left.value.code == 0
        said.append(capsys.readouterr().out)
    assert said[0] == said[1]
    assert said[0].startswith("Usage: ")


@pytest.mark.parametrize(
    ("arguments", "answer"),
    [
        (("table", "--guitar", "opn-d"), "(did you mean open-d?)"),
        (("table", "--gitar", "open-d"), "table: No such option '--gitar'. Did you mean '--guitar'?"),
        (("session", "biuld"), "session: No such command 'biuld'. Did you mean 'build'?"),
    ],
)
def test_one_slip_gets_the_likely_one(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], answer: str
) -> None:
    _, err = fails(capsys, *arguments)
    assert answer in err


def test_a_long_list_is_no_answer(capsys: pytest.CaptureFixture[str]) -> None:
    _, err = fails(capsys, "table", "--guitar", "zzzz")
    assert len(err) < 300
    assert "`stillbeat tables guitars` lists them" in err
