"""The 71 real MIDI files: read as a separate plain reading finds them, written back to the byte."""

from __future__ import annotations

import io
from pathlib import Path

import mido
import pytest
from support import corpus, independent

from bridge.errors import InputProblem
from bridge.store.playing import sequences
from bridge.store.smf import MidiFile, midi_bytes, parse_midi, read_midi, rebuild
from bridge.store.timeline import BarMap, TempoMap, key_signatures

pytestmark = pytest.mark.fetched


@pytest.fixture(params=corpus.MIDI_PACKAGES, ids=lambda package: package.name)
def real_files(request: pytest.FixtureRequest) -> list[Path]:
    return corpus.midi_files(request.param)


def test_there_are_71() -> None:
    files = corpus.real_midi_files()
    assert len(files) == len(set(files)) == 71
    assert all(path.read_bytes()[:4] == b"MThd" for path in files)


def test_events_are_those_of_a_separate_reading(real_files: list[Path]) -> None:
    for path in real_files:
        mf, reading = read_midi(path), independent.read(path)
        assert (mf.format, mf.division) == (reading.format, reading.division), path.name
        theirs = [[(tick, data) for tick, _, data in track] for track in reading.tracks]
        assert mf.tracks == theirs, path.name


def test_written_back_to_the_byte(real_files: list[Path]) -> None:
    for path in real_files:
        assert midi_bytes(read_midi(path)) == path.read_bytes(), path.name


def test_survives_other_ways_of_writing(real_files: list[Path]) -> None:
    """Without what is known of the file's own way of writing, every event is still there."""
    for path in real_files:
        mf = read_midi(path)
        plain = midi_bytes(MidiFile(mf.format, mf.division, mf.tracks))
        assert independent.read_bytes(plain).tracks == independent.read(path).tracks, path.name


def test_mido_finds_the_same_messages_in_what_is_written(real_files: list[Path]) -> None:
    for path in real_files:
        written = mido.MidiFile(file=io.BytesIO(midi_bytes(read_midi(path))), clip=True)
        original = mido.MidiFile(path, clip=True)
        assert written.tracks == original.tracks, path.name


def test_playing_order_and_times_are_those_of_a_separate_reading(real_files: list[Path]) -> None:
    for path in real_files:
        mf, reading = read_midi(path), independent.read(path)
        [playing] = sequences(mf)
        order = independent.playing_order(reading)
        assert [(tick, data) for tick, data in playing.events] == [(tick, data) for tick, _, _, data in order]
        assert list(playing.tracks) == [track for _, track, _, _ in order]
        times_s = [time_s for time_s, _ in playing]
        assert times_s == pytest.approx(independent.seconds_of(reading), abs=1e-9, rel=1e-12), path.name


def test_weaving_back_what_was_not_touched_gives_the_file(real_files: list[Path]) -> None:
    for path in real_files:
        mf = read_midi(path)
        [playing] = sequences(mf)
        woven = playing.weave((anchor, None, data) for anchor, (_, data) in enumerate(playing))
        assert midi_bytes(rebuild(mf, [woven[number] for number in playing.numbers])) == path.read_bytes()


def test_time_runs_both_ways(real_files: list[Path]) -> None:
    for path in real_files:
        mf = read_midi(path)
        tempo, bars = TempoMap(mf), BarMap(mf)
        last = max((event[0] for track in mf.tracks for event in track), default=0)
        for tick in {0, last // 3, last // 2, last}:
            assert tempo.tick(tempo.seconds(tick)) == pytest.approx(tick, abs=1e-6)
            bar, beat = bars.bar_beat(tick)
            if bar <= bars.bars:
                assert bars.tick(bar, beat) == tick
        for signature in key_signatures(mf):
            assert -7 <= signature.sharps <= 7


def test_a_file_cut_anywhere_is_refused_or_whole(real_files: list[Path]) -> None:
    """Cuts in steps through each file never raise anything but a clear refusal."""
    refusals: list[str] = []
    for path in real_files:
        data = path.read_bytes()
        whole = parse_midi(data).tracks
        for length in range(10, len(data), max(len(data) // 12, 1)):
            try:
                cut = parse_midi(data[:length]).tracks
            except InputProblem as problem:
                refusals.append(problem.message)
            else:
                assert cut == whole[: len(cut)], path.name
    assert refusals
    assert all("is cut off" in refusal for refusal in refusals)
