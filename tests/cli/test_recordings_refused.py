"""A recording is no backing track: wherever a track can be named, it is refused with the reason and what to do.

The recordings are written by libsndfile, whose encoders are those of the formats themselves (LAME, libvorbis, libFLAC).
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import soundfile

from bridge.cli import main

TABLE = ("--guitar", "open-d", "--reference", "D3=146.5")


def recording(path: Path) -> Path:
    soundfile.write(path, 0.1 * np.sin(np.arange(22050) * 0.05), 44100)
    return path


@pytest.mark.parametrize("name", ["song.mp3", "song.ogg"])
@pytest.mark.parametrize(
    "args",
    [
        ("retune", "{song}", "-o", "out.mid", *TABLE),
        ("chart", "{song}", *TABLE),
        ("play", "{song}", "--out", "nowhere", *TABLE),
        ("play", "--track", "{song}", "--out", "nowhere", *TABLE),
        ("session", "new", "evening.toml", "--guitar", "open-d", "--track", "{song}"),
    ],
    ids=["retune", "chart", "play", "play along", "session new"],
)
def test_a_recording_is_refused_at_every_door(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    args: tuple[str, ...],
    name: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    recording(tmp_path / name)
    with pytest.raises(SystemExit) as left:
        main([arg.format(song=name) for arg in args])
    told = capsys.readouterr().err
    assert left.value.code == 3
    assert f"{name} is a recording ({'MP3' if name.endswith('mp3') else 'Ogg'})" in told, told
    assert "get the piece as a MIDI file" in told
    assert os.listdir(tmp_path) == [name], "nothing was written"


def test_a_session_that_names_a_recording_says_so_with_its_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    recording(tmp_path / "song.mp3")
    head = 'schema = 1\ntitle = "x"\nguitar = "open-d"\n'
    (tmp_path / "evening.toml").write_text(head + '[[pieces]]\ntitle = "a"\ntrack = "song.mp3"\n')
    with pytest.raises(SystemExit):
        main(["session", "check", "evening.toml"])
    assert "line 4: song.mp3 is a recording (MP3)" in capsys.readouterr().err
