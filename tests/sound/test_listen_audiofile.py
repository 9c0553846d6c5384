"""Sound files in: formats, channels, and what is said of files that are none."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from support.corpus import guitar_notes

from bridge.errors import InputProblem
from bridge.sound.files.audiofile import read_audio


@pytest.mark.parametrize(("suffix", "subtype"), [(".wav", "PCM_16"), (".wav", "FLOAT"), (".flac", "PCM_24")])
def test_what_was_written_is_read(tmp_path: Path, suffix: str, subtype: str) -> None:
    rng = np.random.default_rng(1)
    sound = rng.uniform(-0.5, 0.5, (2000, 2))
    path = tmp_path / f"take{suffix}"
    soundfile.write(path, sound, 48000, subtype=subtype)
    samples, rate = read_audio(path)
    assert rate == 48000
    assert samples.shape == (2000, 2)
    assert samples.dtype == np.float64
    np.testing.assert_allclose(samples, sound, atol=2**-15)


@pytest.mark.fetched
def test_mp3_is_read() -> None:
    samples, rate = read_audio(next(p for p in guitar_notes() if p.name == "A2.mp3"))
    assert rate == 44100
    assert 5 * rate < samples.shape[0] < 30 * rate


def test_missing_folder_text_and_empty(tmp_path: Path) -> None:
    with pytest.raises(InputProblem, match=r"gone\.wav: there is no such file"):
        read_audio(tmp_path / "gone.wav")
    with pytest.raises(InputProblem, match="is a folder"):
        read_audio(tmp_path)
    text = tmp_path / "take.wav"
    text.write_text("this is no sound")
    with pytest.raises(InputProblem, match=r"take\.wav cannot be read as sound.*WAV, FLAC, MP3"):
        read_audio(text)
    nothing = tmp_path / "nothing.wav"
    nothing.touch()
    with pytest.raises(InputProblem, match=r"nothing\.wav is empty"):
        read_audio(nothing)
    empty = tmp_path / "empty.wav"
    soundfile.write(empty, np.zeros((0, 1)), 44100)
    with pytest.raises(InputProblem, match="holds no sound"):
        read_audio(empty)


def test_half_an_hour_is_enough(tmp_path: Path) -> None:
    path = tmp_path / "long.wav"
    soundfile.write(path, np.zeros(8000 * 1900, dtype=np.int16), 8000)
    with pytest.raises(InputProblem, match="lasts 32 minutes; at most 30"):
        read_audio(path)


def test_a_damaged_file_is_named(tmp_path: Path) -> None:
    sound = np.zeros(1000)
    sound[5] = np.nan
    path = tmp_path / "take.wav"
    soundfile.write(path, sound, 44100, subtype="FLOAT")
    with pytest.raises(
        InputProblem, match=r"take\.wav holds values that are no numbers \(is the file damaged"
    ):
        read_audio(path)
