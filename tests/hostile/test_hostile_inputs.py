"""Hostile inputs through every reader: a StillbeatError or nothing. The long one is `campaign.py`.

Those that the long one found have a test of their own below.
"""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path

import pytest
from support import hostile

from bridge.errors import StillbeatError
from bridge.harmony import measure
from bridge.harmony.charts.chart import parse_chart
from bridge.harmony.heard import chords
from bridge.harmony.notes import TimedNote
from bridge.jobs.channel_list import parse_channels
from bridge.jobs.harmony.charts import chart_from
from bridge.jobs.harmony.notes import read_music
from bridge.store.descriptions import load_guitar
from bridge.store.playing import sequences
from bridge.store.smf import parse_midi
from bridge.tuning.changes import parse_at

pytestmark = pytest.mark.slow

MOST_S = (
    20.0  # the limit is 5; here the machine may be busy, and what costs the square of its size takes minutes
)
NAMES = [door.name for door in hostile.doors(Path())]


@pytest.mark.parametrize("name", NAMES)
def test_whatever_comes_in_is_read_or_refused(name: str, tmp_path: Path) -> None:
    door = next(door for door in hostile.doors(tmp_path) if door.name == name)
    count = 60 if door.weight >= 10 else 12
    done = hostile.run(door, range(count), MOST_S)
    assert not done.faults, "\n".join(done.faults[:5])
    assert done.inputs == count
    assert done.grown_mb < 300


def large(name: str, seed: int, tmp_path: Path) -> hostile.Outcome:
    door = next(door for door in hostile.doors(tmp_path) if door.name == name)
    return hostile.run(door, range(seed, seed + 1), MOST_S, "large")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "seed"),
    [
        ("retune bend", 20034),  # a pedal that is never lifted, under 42,000 bends
        ("retune bend", 20025),  # keys that are never let go, and bend ranges
        ("retune auto", 20054),  # 68,000 resets
        ("retune command", 20009),
    ],
)
def test_large_files_that_took_long(name: str, seed: int, tmp_path: Path) -> None:
    done = large(name, seed, tmp_path)
    assert not done.faults, "\n".join(done.faults)


@pytest.mark.parametrize("method", ["bend", "note"])
@pytest.mark.parametrize(
    ("tracks", "strokes"), [(30_000, 1), (1, 300_000)], ids=["30,000 tracks", "300,000 strokes of one key"]
)
def test_what_once_took_a_minute(method: str, tracks: int, strokes: int, tmp_path: Path) -> None:
    track = b"\0\x90\x40\x40" + b"\0\x40\x40" * (strokes - 1) + b"\x60\x40\0" + b"\0\xff\x2f\0"
    data = b"MThd" + struct.pack(">IHHH", 6, 1, tracks, 480)
    data += (b"MTrk" + struct.pack(">I", len(track)) + track) * tracks
    assert 500_000 < len(data) < 1_000_000
    door = next(door for door in hostile.doors(tmp_path) if door.name == f"retune {method}")
    done = hostile.run(replace(door, name="whole", make=lambda _: data, large_one_in=0), range(2, 3), MOST_S)
    assert hostile.made(replace(door, name="whole", make=lambda _: data, large_one_in=0), 2) == data
    assert not done.faults, "\n".join(done.faults)
    assert done.read == 1
    assert done.grown_mb < 300


def test_a_bar_like_the_one_before_is_heard_and_measured_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A chord held over thousands of bars is one chord; what it costs does not grow with the bars."""
    heard: list[int] = []
    measured: list[int] = []
    best, purity = chords._best, measure._purity
    monkeypatch.setattr(chords, "_best", lambda *given: heard.append(1) or best(*given))
    monkeypatch.setattr(measure, "_purity", lambda *given: measured.append(1) or purity(*given))
    bars = [2.0 * bar for bar in range(5000)]
    notes = [TimedNote(1.0, 9001.0, key, 80, 0, False) for key in (50, 57, 66)]
    found = chords.hear_chords(notes, bars, "D")
    assert [str(one) for one in found[:4500]] == ["D"] * 4500  # it sounds from 1 s to 9001 s: bars 1 to 4501
    assert [one.bar for one in found[:4500]] == list(range(1, 4501))
    assert found[2000].start_s == 4000.0
    hz = [440.0 * 2 ** ((note.key - 69) / 12) for note in notes]
    told = measure.measure(notes, hz, bars).bars
    # D, A and F# in equal temperament: a fifth 2 cents off and a third and a sixth 14 and 16 cents off, all bar long.
    assert {round(one.purity.seconds, 6) for one in told[1:4500]} == {6.0}
    assert {round(one.purity.share, 6) for one in told[1:4500]} == {round(told[1].purity.share, 6)}
    assert len(heard) < 30
    assert len(measured) < 30


@pytest.mark.parametrize("text", ["x" * 3000, "DADF#AD" * 60])
def test_names_longer_than_any_file_are_unknown(text: str, tmp_path: Path) -> None:
    with pytest.raises(StillbeatError, match="unknown guitar"):
        load_guitar(text)
    chart = chart_from("D " + "Em7 " * 200)
    assert len(chart.bars) == 1


def test_the_pieces_of_a_file_share_its_bars() -> None:
    """200 pieces of 10,000 bars each would be two million bars."""
    note = b"\x00\x90\x40\x40" + hostile.number(96 * 4 * 300) + b"\x80\x40\x00\x00\xff\x2f\x00"
    for pieces, bars in ((1, 300), (30, 300), (40, 0)):  # 10,000 bars for all: 333 and 250 for each
        head = b"MThd" + struct.pack(">IHHH", 6, 2, pieces, 96)
        midi = parse_midi(head + (b"MTrk" + struct.pack(">I", len(note)) + note) * pieces)
        playing = sequences(midi)[0]
        found = len(read_music(midi, playing, 0).bar_starts_s)
        assert bars <= found <= bars + (1 if bars else 0), pieces


def test_a_repeat_of_thousands_of_digits_is_out_of_range() -> None:
    for digits in (3, 10, 5000):
        with pytest.raises(StillbeatError, match=r"a repeat of .*1 to 99"):
            parse_chart("|: D | G :|x" + "9" * digits)


def test_a_channel_of_thousands_of_digits_is_out_of_range() -> None:
    for text in ("9" * 5000, "1-" + "9" * 5000, "17", "1-17"):
        with pytest.raises(StillbeatError, match="out of range"):
            parse_channels(text)


@pytest.mark.parametrize("text", ["²=A", "²2=7/4", "2=²=3/2", "2=" + "9" * 5000 + "=3/2", "2=٣=5/4"])
def test_digits_that_are_no_numbers_are_no_degrees(text: str) -> None:
    with pytest.raises(StillbeatError):
        parse_at(text)
