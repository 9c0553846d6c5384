"""Whatever the hash seed, the locale, the time zone and the number of processes: the same files and words."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TRACK = ROOT / "examples/evening/tracks/low-water.mid"
PLACES = (
    {"PYTHONHASHSEED": "0", "LC_ALL": "C", "TZ": "UTC"},
    {"PYTHONHASHSEED": "77", "LC_ALL": "C.UTF-8", "TZ": "Asia/Tokyo"},
    {"PYTHONHASHSEED": "4242", "LC_ALL": "tr_TR.UTF-8", "LANG": "de_DE.UTF-8", "TZ": "America/St_Johns"},
)
TUNED = ("--guitar", "open-d", "--reference", "D3=146.5")
COMMANDS = (
    ("retune", "song.mid", "-o", "bend.mid", "--method", "bend", "--report-json", "bend.json", *TUNED),
    ("retune", "song.mid", "-o", "note.mid", "--method", "note", "--follow-harmony", "--report", *TUNED),
    ("chart", "song.mid", "--json", *TUNED),
    ("render", "song.mid", "-o", "sound.wav"),
    ("session", "build", "small.toml", "-o", "bundle", "--zip"),
)
SESSION = """schema = 1
title = "Small"
guitar = "open-d"
pages = false
[drone]
notes = ["1", "5"]
seconds = 2
[[synths]]
name = "keys"
title = "Keys"
profile = "bend-only"
[[synths]]
name = "organ"
title = "Organ"
profile = "fluidsynth"
[[pieces]]
title = "Song"
track = "song.mid"
[[pieces]]
title = "Other"
tonic = "G"
track = "song.mid"
"""


def results(folder: Path, environment: dict[str, str], jobs: int) -> dict[str, bytes]:
    """Everything that the commands write and say."""
    folder.mkdir()
    shutil.copy(TRACK, folder / "song.mid")
    (folder / "small.toml").write_text(SESSION)
    said = {}
    for command in COMMANDS:
        words = [*command, "--jobs", str(jobs)] if command[0] == "session" else [*command]
        done = subprocess.run(
            [sys.executable, "-c", "from bridge.cli import main; main()", *words],
            cwd=folder,
            env={**os.environ, "PYTHONUTF8": "1", **environment},
            capture_output=True,
            timeout=120,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        said[" ".join(command)] = done.stdout
    files = {str(path.relative_to(folder)): path for path in folder.rglob("*") if path.is_file()}
    return said | {name: path.read_bytes() for name, path in files.items()}


@pytest.mark.slow
def test_everything_written_and_said_is_the_same_everywhere(tmp_path: Path) -> None:
    first = results(tmp_path / "0", PLACES[0], 1)
    assert len(first) > 40
    for number, environment in enumerate(PLACES[1:], 1):
        again = results(tmp_path / str(number), environment, number + 1)
        assert sorted(again) == sorted(first)
        assert [name for name in first if again[name] != first[name]] == []
