"""Sound files in: formats, channels, and what is said of files that are none."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from support.corpus import guitar_notes
from support.plucks import Pluck

from bridge.errors import InputProblem
from bridge.sound.files.audiofile import read_take


@pytest.mark.parametrize(("suffix", "subtype"), [(".wav", "PCM_16"), (".wav", "FLOAT"), (".flac", "PCM_24")])
def test_what_was_written_is_read(tmp_path: Path, suffix: str, subtype: str) -> None:
    sound = np.random.default_rng(1).uniform(-0.5, 0.5, (200_000, 2))
    path = tmp_path / f"take{suffix}"
    soundfile.write(path, sound, 48000, subtype=subtype)
    take, rate = read_take(path)
    assert rate == 48000
    assert take.sound.shape == (200_000,)
    mean = sound.mean(axis=1)
    np.testing.assert_allclose(take.sound, mean - mean.mean(), atol=2**-15)


@pytest.mark.fetched
@pytest.mark.fetched
def test_mp3_is_read_as_the_library_reads_it_whole() -> None:
    path = next(p for p in guitar_notes() if p.name == "A2.mp3")
    take, rate = read_take(path)
    samples, expected_rate = soundfile.read(path, always_2d=True)
    assert rate == expected_rate == 44100
    mean = samples.mean(axis=1)
    np.testing.assert_allclose(np.diff(take.sound), np.diff(mean), atol=1e-6)


def test_missing_folder_text_and_empty(tmp_path: Path) -> None:
    with pytest.raises(InputProblem, match=r"gone\.wav: there is no such file"):
        read_take(tmp_path / "gone.wav")
    with pytest.raises(InputProblem, match="is a folder"):
        read_take(tmp_path)
    text = tmp_path / "take.wav"
    text.write_text("this is no sound")
    with pytest.raises(InputProblem, match=r"take\.wav cannot be read as sound.*WAV, FLAC, MP3"):
        read_take(text)
    nothing = tmp_path / "nothing.wav"
    nothing.touch()
    with pytest.raises(InputProblem, match=r"nothing\.wav is empty"):
        read_take(nothing)
    empty = tmp_path / "empty.wav"
    soundfile.write(empty, np.zeros((0, 1)), 44100)
    with pytest.raises(InputProblem, match="holds no sound"):
        read_take(empty)


@pytest.mark.parametrize(
    ("rate", "channels", "seconds", "words"),
    [
        (8000, 1, 601, "lasts 10 minutes; of a take at most 10 minutes"),
        (192_000, 1, 151, "lasts 2.52 minutes; of 1 channels at 192000 samples a second at most 2.5 minutes"),
        (8000, 100, 160, "of 100 channels at 8000 samples a second at most 2.5 minutes"),
    ],
)
def test_too_long_a_take_is_refused_with_the_limit(
    tmp_path: Path, rate: int, channels: int, seconds: int, words: str
) -> None:
    path = tmp_path / "long.wav"
    with soundfile.SoundFile(path, "w", rate, channels, "PCM_U8") as file:
        for _ in range(seconds):
            file.write(np.zeros((rate, channels), dtype=np.int16))
    with pytest.raises(InputProblem, match=rf"long\.wav: .*{words}"):
        read_take(path)


def test_a_head_that_promises_less_than_there_is_does_not_hide_the_rest(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, np.full(1000, 0.5), 8000)
    content = bytearray(path.read_bytes())
    content[40:44] = (0x7FFFFFF0).to_bytes(
        4, "little"
    )  # the data chunk's length (RIFF, Multimedia Programming 1991)
    path.write_bytes(content)
    assert read_take(path)[0].sound.size == 1000


def test_devices_and_pipes_are_no_takes(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.wav"
    os.mkfifo(pipe)
    for path in ("/dev/zero", "/dev/null", pipe):
        with pytest.raises(InputProblem, match="is a device or a pipe, not a sound file"):
            read_take(path)


def test_values_far_beyond_full_scale_are_refused_and_whole_numbers_taken(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, np.array([0.0, 1e300, -1e300, 0.0] * 500), 44100, subtype="DOUBLE")
    with pytest.raises(InputProblem, match=r"holds values of 1e\+300, where 1 is full scale"):
        read_take(path)
    wave = np.sin(np.arange(4410) / 20)
    soundfile.write(path, 32767 * wave, 44100, subtype="DOUBLE")
    np.testing.assert_allclose(np.diff(read_take(path)[0].sound), np.diff(wave), atol=1e-4)


@pytest.mark.parametrize("rate", [1, 8, 3999, 192_001])
def test_a_sample_rate_that_no_take_has_is_refused(tmp_path: Path, rate: int) -> None:
    path = tmp_path / "take.wav"
    soundfile.write(path, np.zeros(100), rate)
    with pytest.raises(InputProblem, match=rf"{rate} samples a second; 4000 to 192000 are listened to"):
        read_take(path)


# --- memory

_LIMIT_MB = 300
_CHILD = """
import resource, sys
import numpy, soundfile
from bridge.jobs.hearing import hear_take
from bridge.sound.files.audiofile import read_take
from bridge.errors import InputProblem
import bridge.sound.listening.listen
def most_kb():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
before = most_kb()
try:
    print(len(hear_take(*read_take(sys.argv[1])).notes))
except InputProblem as problem:
    print(problem.message)
print((most_kb() - before) / 1024)
"""


def growth_mb(path: Path) -> tuple[str, float]:
    """What is said of a take, and by how much a process of its own grew while it listened."""
    done = subprocess.run(
        [sys.executable, "-c", _CHILD, str(path)], capture_output=True, text=True, timeout=250, check=True
    )
    said, grew = done.stdout.splitlines()
    return said, float(grew)


def write_long(path: Path, rate: int, channels: int, frames: int, subtype: str) -> None:
    """A pluck, then a silent room, up to `frames`, in every channel."""
    sound = np.zeros((frames, channels), dtype=np.int16)
    sound[1000 : 1000 + 2 * rate] = np.round(
        15000 * Pluck(146.8, 5e-5, 0.4).samples(2.0, rate)[:, None] / 2.5
    ).astype(np.int16)
    soundfile.write(path, sound, rate, subtype=subtype)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="Windows counts memory in another way")
def test_a_small_file_of_many_channels_costs_little(tmp_path: Path) -> None:
    path = tmp_path / "take.flac"
    write_long(path, 44100, 8, 3_000_000, "PCM_16")
    assert path.stat().st_size < 1_000_000
    said, grew = growth_mb(path)
    assert said == "1"
    assert grew < 60  # 192 MB as numbers


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="Windows counts memory in another way")
@pytest.mark.parametrize(
    ("rate", "channels", "frames"),
    [(48000, 4, 28_800_000), (48000, 1, 28_800_000), (44100, 8, 15_000_000), (192_000, 1, 28_800_000)],
)
def test_the_largest_takes_allowed_stay_within_300_mb(
    tmp_path: Path, rate: int, channels: int, frames: int
) -> None:
    path = tmp_path / "take.flac"
    with soundfile.SoundFile(path, "w", rate, channels, "PCM_16") as file:
        for first in range(0, frames, 1_200_000):
            block = np.zeros((1_200_000, channels), dtype=np.int16)
            if not first:
                block[1000 : 1000 + rate] = np.round(
                    6000 * Pluck(146.8, 5e-5, 0.4).samples(1.0, rate)[:, None]
                ).astype(np.int16)
            file.write(block[: frames - first])
    said, grew = growth_mb(path)
    assert said == "1"
    assert grew < _LIMIT_MB


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="Windows counts memory in another way")
def test_ten_minutes_without_a_note_stay_within_300_mb(tmp_path: Path) -> None:
    path = tmp_path / "hiss.wav"
    rng = np.random.default_rng(1)
    with soundfile.SoundFile(path, "w", 48000, 1, "PCM_16") as file:
        for second in range(600):
            file.write((0.01 + 0.0005 * second) * rng.standard_normal(48000))
    said, grew = growth_mb(path)
    assert "no note stands out" in said
    assert grew < _LIMIT_MB


def test_a_damaged_file_is_named(tmp_path: Path) -> None:
    sound = np.zeros(1000)
    sound[5] = np.nan
    path = tmp_path / "take.wav"
    soundfile.write(path, sound, 44100, subtype="FLOAT")
    with pytest.raises(
        InputProblem, match=r"take\.wav: the sound holds values that are no numbers \(is the file damaged"
    ):
        read_take(path)
