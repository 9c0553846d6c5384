"""Whole pieces: the sound of timed events, and the files it is written to (read back with soundfile)."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import soundfile
from support import measure

from bridge.errors import InputProblem, OutputProblem, ValueProblem
from bridge.sound.files.wav import CEILING, write_sound
from bridge.sound.generator.synth import Generator
from bridge.sound.render import LONGEST_TAIL_S, MOST_EFFORT, render_blocks, render_events, render_file

RATE = 16_000
PIECE: list[tuple[float, bytes]] = [
    (0.0, b"\xff\x51\x07\xa1\x20"),
    (0.0, b"\xc0\x13"),
    (0.5, b"\x90\x3e\x64"),
    (0.5, bytes.fromhex("F0 7F 7F 08 02 00 01 3E 3E 20 00 F7")),
    (3.0, b"\x80\x3e\x00"),
    (3.2, b"\xff\x2f"),
]


def test_a_piece_begins_on_time_sounds_its_pitch_and_ends_in_silence() -> None:
    sound = render_events(PIECE, RATE)
    assert not sound[: RATE // 2].any()
    assert sound[RATE // 2 + 2 : RATE // 2 + 200].any()
    hz = measure.tone_hz(sound[RATE * 3 // 4 : RATE * 11 // 4], RATE, 293.66)
    assert abs(measure.cents(hz, 440 * 2 ** ((62 + 0x20 / 128 - 69) / 12))) < 0.001
    assert 3.2 <= len(sound) / RATE < 5.0
    assert float(np.max(np.abs(sound[-RATE // 50 :]))) < 1e-4


def test_notes_that_nobody_ends_are_let_go_after_the_last_event() -> None:
    sound = render_events([(0.0, b"\xc0\x13\xb0\x40\x7f\x90\x3c\x64"), (1.0, b"\x80\x3c\x00")], RATE)
    assert len(sound) / RATE < 3.0
    # A key held down with no event after it: the last event is its own beginning.
    assert len(render_events([(0.0, b"\x90\x3c\x64")], RATE)) < LONGEST_TAIL_S * RATE


def test_an_empty_piece_is_no_sound() -> None:
    assert render_events([], RATE).shape == (0, 2)
    assert render_events([(1.5, b"\xff\x2f")], RATE).shape == (round(1.5 * RATE), 2)


def test_escapes_of_a_file_give_what_they_hold_and_split_system_exclusive_is_joined() -> None:
    events = [
        (0.0, bytes.fromhex("F0 7F 7F 08 02 00 01")),
        (0.1, bytes.fromhex("F7 3C 3E 00 00")),
        (0.2, bytes.fromhex("F7 F7")),
        (0.3, b"\xf7\x90\x3c\x64"),
        (2.6, b"\x80\x3c\x00"),
    ]
    sound = render_events([(0.0, b"\xc0\x13"), *events], RATE)
    hz = measure.tone_hz(sound[RATE // 2 : RATE * 5 // 2], RATE, 293.66)
    assert abs(measure.cents(hz, 440 * 2 ** ((62 - 69) / 12))) < 0.001


def test_loud_pieces_are_scaled_as_a_whole_and_quiet_ones_left_alone() -> None:
    loud = [(0.0, b"\xc0\x13\xb0\x07\x7f")]
    loud += [(0.2 * number, bytes((0x90, 36 + number, 127))) for number in range(40)]
    loud += [(9.0, b"\xb0\x7b\x00")]
    raw = np.concatenate(list(render_blocks(loud, RATE)))
    scaled = render_events(loud, RATE)
    assert float(np.max(np.abs(raw))) > 1.0
    assert float(np.max(np.abs(scaled))) == pytest.approx(CEILING, rel=1e-6)
    assert scaled == pytest.approx(raw * (CEILING / np.max(np.abs(raw))), abs=1e-6)
    assert np.array_equal(render_events(PIECE, RATE), np.concatenate(list(render_blocks(PIECE, RATE))))


def test_progress_is_told_in_seconds_and_rises() -> None:
    told: list[float] = []
    sound = render_events(PIECE, RATE, progress=told.append)
    assert told == sorted(told)
    assert told[-1] == pytest.approx(len(sound) / RATE)


@pytest.mark.parametrize("time_s", [-0.1, float("nan"), float("inf"), 1e6])
def test_impossible_times_are_refused(time_s: float) -> None:
    with pytest.raises(ValueProblem, match="cannot be rendered"):
        render_events([(time_s, b"\x90\x3c\x64")], RATE)


@pytest.mark.parametrize(
    ("name", "encoding", "subtype", "within"),
    [
        ("a.wav", "pcm24", "PCM_24", 1.3e-7),
        ("a.wav", "pcm16", "PCM_16", 5e-5),
        ("a.WAV", "float", "FLOAT", 0.0),
        ("a.flac", "pcm24", "PCM_24", 1.3e-7),
        ("a.flac", "pcm16", "PCM_16", 5e-5),
    ],
)
def test_files_hold_the_sound_and_are_the_same_on_every_run(
    tmp_path: Path, name: str, encoding: str, subtype: str, within: float
) -> None:
    path = tmp_path / name
    report = render_file(path, PIECE, RATE, encoding=encoding)
    expected = render_events(PIECE, RATE)
    with soundfile.SoundFile(path) as file:
        assert (file.samplerate, file.channels, file.subtype) == (RATE, 2, subtype)
        assert float(np.max(np.abs(file.read() - expected))) <= within
    assert report.frames == len(expected)
    assert report.gain == 1.0
    first = path.read_bytes()
    render_file(path, PIECE, RATE, encoding=encoding, overwrite=True)
    assert path.read_bytes() == first
    assert os.listdir(tmp_path) == [name]


def test_flac_is_written_in_blocks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An hour at once would take more than a gigabyte."""
    sizes: list[int] = []
    write = soundfile.SoundFile.write
    monkeypatch.setattr(
        soundfile.SoundFile, "write", lambda file, block: sizes.append(len(block)) or write(file, block)
    )
    quiet = np.full((10_000, 2), 0.25, dtype=np.float32)
    write_sound(tmp_path / "a.flac", (quiet for _ in range(30)), 44_100)
    assert sum(sizes) == 300_000
    assert max(sizes) <= 65_536


def test_files_are_scaled_below_full_scale_as_a_whole(tmp_path: Path) -> None:
    sound = (3.0 * np.sin(np.arange(9001) / 9)).astype(np.float32)[:, None]
    report = write_sound(tmp_path / "a.wav", [sound[:4000], sound[4000:]], RATE)
    read, _ = soundfile.read(tmp_path / "a.wav", always_2d=True)
    assert read == pytest.approx(sound * (CEILING / np.max(np.abs(sound))), abs=2e-7)
    assert report.peak == pytest.approx(3.0, abs=1e-3)
    assert report.gain == pytest.approx(CEILING / 3.0, rel=1e-3)
    # An odd number of bytes is filled up, as RIFF wants.
    assert (tmp_path / "a.wav").stat().st_size % 2 == 0


def test_nothing_is_left_when_rendering_fails(tmp_path: Path) -> None:
    with pytest.raises(ValueProblem, match="cannot be rendered"):
        render_file(tmp_path / "a.wav", [*PIECE, (-1.0, b"\x80\x3e\x00")], RATE)
    assert os.listdir(tmp_path) == []


def test_existing_files_stay_and_are_noticed_before_the_work(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(b"mine")

    def never() -> object:
        raise AssertionError("the sound was rendered in vain")
        yield

    with pytest.raises(OutputProblem, match=r"a\.wav"):
        write_sound(path, never(), RATE)  # type: ignore[arg-type]
    assert path.read_bytes() == b"mine"


def test_folders_that_are_not_there_and_names_of_other_kinds_are_refused(tmp_path: Path) -> None:
    with pytest.raises(OutputProblem, match="no folder"):
        render_file(tmp_path / "nowhere" / "a.wav", PIECE, RATE)
    with pytest.raises(ValueProblem, match=r"sound is written as \.wav or \.flac"):
        render_file(tmp_path / "a.mp3", PIECE, RATE)
    with pytest.raises(ValueProblem, match="did you mean pcm24, pcm16"):
        render_file(tmp_path / "a.wav", PIECE, RATE, encoding="pcm32")
    with pytest.raises(ValueProblem, match="whole numbers only"):
        render_file(tmp_path / "a.flac", PIECE, RATE, encoding="float")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_disk_is_an_output_problem() -> None:
    with pytest.raises(OutputProblem, match="/dev/full"):
        render_file("/dev/full", PIECE, RATE)


def test_what_asks_for_much_sound_is_refused_and_a_held_chord_of_an_hour_is_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def effort(messages: bytes, moments: int, step_s: float) -> float:
        generator = Generator(44_100)
        generator.feed(b"\xc0\x13" + messages)
        for number in range(1, moments):
            generator.feed(messages, round(number * step_s * 44_100))
        generator.block(44_100)
        begun = generator.effort if moments == 1 else 0
        if moments == 1:  # what a second costs once they have begun
            generator.block(44_100)
        return generator.effort - begun

    chord = bytes.fromhex("90 32 64 90 39 64 90 3E 64 90 42 64")
    assert 0.9 * MOST_EFFORT < 3600 * effort(chord, 1, 0.0) < MOST_EFFORT
    # Five such hours at once; and strokes so close that each costs more than the sound between them.
    assert (
        3600 * effort(bytes(byte for key in range(30, 50) for byte in (0x90, key, 64)), 1, 0.0) > MOST_EFFORT
    )
    assert 200 * effort(b"\x99\x26\x64", 1000, 0.001) > MOST_EFFORT
    with pytest.raises(InputProblem, match=r"more sound in the piece than in 0\.001 h of four held notes"):
        list(render_blocks([(0.0, chord), (60.0, chord)], most_effort=0.001 * MOST_EFFORT))
    monkeypatch.setattr("bridge.sound.render.MOST_EFFORT", 1.0)
    for hours, hint in ((1.0, "--hours 24 renders"), (24.0, "render it in parts")):
        with pytest.raises(InputProblem, match=hint):
            list(render_blocks([(0.0, chord)], most_effort=hours))
