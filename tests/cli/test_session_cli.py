"""``stillbeat session``: what a person types, sees, and is told when something is wrong."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from support import evening, takes

from bridge.cli import main
from bridge.jobs.session.check import check_session


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copytree(evening.FOLDER, tmp_path / "evening")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """Run a command that must succeed; return what it printed."""
    with pytest.raises(SystemExit) as left:
        main(["session", *arguments])
    out, err = capsys.readouterr()
    assert left.value.code == 0, err
    return out


def fails(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str]:
    """Run a command that must fail; return its code and the one line that it says."""
    with pytest.raises(SystemExit) as left:
        main(["session", *arguments])
    err = capsys.readouterr().err
    assert err.count("\n") == 1, err
    assert err.startswith("stillbeat: ")
    assert isinstance(left.value.code, int)
    return left.value.code, err


@pytest.mark.slow
def test_an_evening_from_the_first_file_to_the_last_check(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    track = "evening/tracks/low-water.mid"
    out = run(
        capsys,
        "new",
        "mine.toml",
        "--guitar",
        "open-d",
        "--reference",
        "D3-3.9c",
        "--synth",
        "gm2",
        "--track",
        track,
    )
    assert "wrote mine.toml" in out
    out = run(capsys, "check", "mine.toml")
    assert "Low water" in out
    assert "16 bars" in out
    assert "nothing wrong was found" in out
    out = run(capsys, "build", "mine.toml", "-o", "out", "--zip", "--jobs", "1")
    assert "files for 1 piece" in out
    assert "out.zip" in out
    assert "read out/START-HERE.txt first" in out
    assert (folder / "out.zip").stat().st_size > 100_000
    out = run(capsys, "verify", "out")
    assert "read back, every one as the session's tables have it" in out
    assert "track: within 0.0" in out
    out = run(capsys, "verify", "out", "--all")
    assert "synths/gm2/01-low-water.track.mid" in out
    (folder / "mine.toml").write_text((folder / "mine.toml").read_text().replace("# capo = 2", "capo = 2"))
    out = run(capsys, "build", "mine.toml", "-o", "out", "--overwrite", "--jobs", "1")
    assert "1 of 7 parts had not changed" in out
    text = (folder / "out/START-HERE.txt").read_text()
    assert "in E, played in D with a capo at fret 2" in text


def test_check_shows_the_evening(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = run(capsys, "check", "evening/evening.toml")
    assert "reference D3 = 146.5 Hz" in out
    for line in (
        "Kettle Hymn",
        "from bar 10",
        "organ 4, rack 3",
        "E, capo 2",
        "home-keyboard: .* entered by hand",
    ):
        assert re.search(line, out)
    assert sorted(path.name for path in folder.iterdir()) == ["evening"]


HEAD = 'schema = 1\ntitle = "x"\nguitar = "open-d"\n'
SYNTH = '[[synths]]\nname = "s"\nprofile = "fluidsynth"\n'
PIECE = '[[pieces]]\ntitle = "a"\n'
OTHER = '[[pieces]]\ntitle = "b"\n'

CASES = [
    (HEAD + PIECE + 'track = "gone.mid"\n', r"x.toml, line 6: track = 'gone.mid': there is no such file"),
    (
        HEAD + PIECE + 'track = "../evening/tracks/low-water.mid"\n',
        "line 6: .* outside the folder of the session",
    ),
    (
        HEAD + PIECE + 'track = "song.mid"\n[[pieces.sections]]\nbar = 17\n',
        "line 8: song.mid: there is no bar 17",
    ),
    (HEAD + SYNTH + PIECE + "program = 3\n" + OTHER + "program = 3\n", "line 10: 'b' takes tuning program 3"),
    (
        HEAD + SYNTH + 'programs = "1"\n' + PIECE + OTHER,
        "line 4: the session has 2 tables for synth s, but only 1",
    ),
    (
        HEAD + SYNTH.replace("fluidsynth", "fluid"),
        "line 6: profile: unknown synth 'fluid' .did you mean fluidsynth",
    ),
    (HEAD + PIECE + 'synths = ["t"]\n', "line 6: unknown synth 't'"),
    (HEAD + PIECE + 'track = "cut.mid"\n', "line 4: cut.mid is cut off"),
    (HEAD + PIECE + 'track = "x.toml"\n', "line 4: x.toml is not a MIDI file"),
    (HEAD + PIECE + 'tonic = "H"\n', "line 6: tonic: 'H' is not a note .German H is B"),
    (HEAD, "x.toml.*: the session has no piece"),
    ("schema = 1\ntitle = \n", "x.toml, line 2: invalid value"),
]


@pytest.mark.parametrize(("text", "says"), CASES, ids=[case[1][:40] for case in CASES])
@pytest.mark.parametrize("command", ["check", "build"])
def test_bad_sessions(
    text: str, says: str, command: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = folder / "home"
    home.mkdir()
    song = (folder / "evening/tracks/low-water.mid").read_bytes()
    (home / "song.mid").write_bytes(song)
    (home / "cut.mid").write_bytes(song[:-40])
    (home / "x.toml").write_text(text)
    code, line = fails(capsys, command, "home/x.toml", *(("-o", "out") if command == "build" else ()))
    assert code == 3
    assert re.search(says, line), line
    assert sorted(path.name for path in folder.iterdir()) == ["evening", "home"]
    assert sorted(path.name for path in home.iterdir()) == ["cut.mid", "song.mid", "x.toml"]


@pytest.mark.parametrize(
    ("code", "arguments", "says"),
    [
        (3, ("check", "gone.toml"), "gone.toml: no such file"),
        (3, ("verify", "evening"), "holds no manifest.json"),
        (3, ("verify", "gone"), "there is no folder gone"),
        (2, ("build", "evening/evening.toml"), "--output"),
        (2, ("build", "evening/evening.toml", "-o", "out", "--jobs", "0"), "1<=x<=256"),
        (3, ("build", "evening/evening.toml", "-o", "evening"), "holds the session file itself"),
        (3, ("build", "evening/evening.toml", "-o", "no/such"), "make the folder first"),
        (3, ("new", "evening/evening.toml"), "--overwrite"),
        (2, ("new", "x.toml", "--guitar", "open-q"), "open-"),
        (2, ("bild",), "build"),
    ],
)
def test_bad_commands(
    code: int, arguments: tuple[str, ...], says: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    got, line = fails(capsys, *arguments)
    assert (got, says in line) == (code, True), line
    assert sorted(path.name for path in folder.iterdir()) == ["evening"]


def test_verify_fails_with_one_line_and_a_table(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "evening/evening.toml").write_text(HEAD + "[trims]\nrange_cents = 0\n" + SYNTH + PIECE)
    run(capsys, "build", "evening/evening.toml", "-o", "out")
    (folder / "out/synths/s/01-a.syx").write_bytes(b"\xf0\xf7")
    with pytest.raises(SystemExit) as left:
        main(["session", "verify", "out"])
    out, err = capsys.readouterr()
    assert left.value.code == 3
    assert "synths/s/01-a.syx" in out
    assert err.count("\n") == 1
    assert "out: 1 file of " in err


def test_the_help_needs_no_numpy() -> None:
    code = (
        "import sys\nfrom bridge.cli import main\n"
        "try:\n    main(['session', '--help'])\nexcept SystemExit:\n    pass\n"
        "assert 'numpy' not in sys.modules and 'rich' not in sys.modules\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert "Prepare an evening" in done.stdout
    assert "overwrites" not in done.stdout


def test_a_new_session_hears_its_reference(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    heard_hz = 146.5 * 2 ** (3.0 / 1200)
    takes.write(folder / "string.wav", takes.take([takes.open_d(heard_hz)[4]]))
    run(capsys, "new", "mine.toml", "--guitar", "open-d", "--reference-from", "string.wav")
    assert 'reference_from = "string.wav"' in (folder / "mine.toml").read_text()
    reference = check_session(folder / "mine.toml").plan.session.reference
    assert reference is not None
    assert reference.key == 50
    assert reference.hz == pytest.approx(heard_hz, rel=1e-5)
    code, said = fails(capsys, "new", "other.toml", "--guitar", "open-d", "--reference-from", "no.wav")
    assert code == 3
    assert "no.wav" in said
    assert not (folder / "other.toml").exists()
