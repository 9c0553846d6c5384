"""A MIDI file in real time: count-in, loop and tempo, by a clock that the test moves."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.errors import InputProblem, ValueProblem
from bridge.live.backing import Backing, load_backing, parse_bars
from bridge.live.track import BackingPlayer
from bridge.store.smf import MidiFile, write_midi

QUARTER = 480
BAR = 4 * QUARTER


def write(path: Path, events: list[tuple[int, bytes]], division: int = QUARTER) -> Path:
    """A file of one track at 120 quarters a minute (a bar of 4/4 lasts 2 s)."""
    end = max((tick for tick, _ in events), default=0)
    write_midi(
        path, MidiFile(format=0, division=division, tracks=[[*events, (end, b"\xff\x2f")]]), overwrite=True
    )
    return path


def song(path: Path, bars: int = 4) -> Path:
    """A note on every beat, one key for each bar; a program at the start and a controller in bar 2."""
    events: list[tuple[int, bytes]] = [(0, b"\xc0\x05"), (BAR + 10, b"\xb0\x07\x50")]
    for bar in range(bars):
        for beat in range(4):
            tick = bar * BAR + beat * QUARTER
            events += [(tick, bytes((0x90, 60 + bar, 100))), (tick + 240, bytes((0x80, 60 + bar, 0)))]
    events.append((bars * BAR, b"\xb0\x40\x00"))
    return write(path, sorted(events, key=lambda event: event[0]))


def play(player: BackingPlayer, until_s: float, step_s: float = 0.01) -> list[tuple[float, bytes]]:
    """Turn the clock; return what came, with the time at which it was due."""
    found = []
    now_s = 0.0
    while now_s <= until_s:
        due = player.due(now_s)
        assert all(now_s - step_s - 1e-9 <= due_s <= now_s + 1e-9 for due_s, _ in due)
        found += due
        now_s += step_s
    return found


def ons(found: list[tuple[float, bytes]], channel: int = 1) -> list[tuple[float, int]]:
    return [(round(at_s, 3), data[1]) for at_s, data in found if data[0] == 0x90 | channel - 1 and data[2]]


def test_everything_comes_at_its_time_and_the_track_ends(tmp_path: Path) -> None:
    player = BackingPlayer(load_backing(song(tmp_path / "song.mid")), 0.0)
    found = play(player, 9.0)
    assert ons(found) == [(bar * 2 + beat / 2, 60 + bar) for bar in range(4) for beat in range(4)]
    assert found[0] == (0.0, b"\xc0\x05")
    assert player.ended
    assert player.next_s is None
    assert player.release() == []


def test_another_tempo(tmp_path: Path) -> None:
    player = BackingPlayer(load_backing(song(tmp_path / "song.mid"), tempo=0.5), 0.0)
    found = ons(play(player, 17.0))
    assert found[4] == (4.0, 61)
    assert found[-1] == (15.0, 63)
    assert player.backing.bar_at(player.position_s(4.01)) == 2


def test_the_count_in_is_in_the_metre_and_tempo_of_the_first_bar(tmp_path: Path) -> None:
    waltz = [
        (0, b"\xff\x58\x03\x02\x18\x08"),
        (0, b"\xff\x51\x0f\x42\x40"),
        *[(t, d) for t, d in ((0, b"\x90\x3c\x40"), (QUARTER, b"\x80\x3c\x00"))],
    ]
    track = load_backing(write(tmp_path / "waltz.mid", waltz), count_in_bars=2)
    found = play(BackingPlayer(track, 0.0), 8.0)
    clicks = ons(found, channel=10)
    assert clicks == [(float(beat), 76 if beat % 3 == 0 else 77) for beat in range(6)], (
        "a quarter lasts a second"
    )
    assert ons(found) == [(6.0, 60)]
    ends = [data for _, data in found if data[0] == 0x89]
    assert len(ends) == 6


def test_a_loop_of_bars_lets_go_and_begins_with_the_sounds_that_hold_there(tmp_path: Path) -> None:
    events = [
        (0, b"\xc0\x05"),
        (0, b"\xb0\x07\x50"),
        (0, b"\xb0\x65\x00"),
        (0, b"\xb0\x64\x00"),
        (0, b"\xb0\x06\x0c"),
        (0, b"\x90\x3c\x40"),
        (BAR // 2, b"\x80\x3c\x00"),
        (BAR, b"\x90\x40\x40"),
        (BAR, b"\xb0\x40\x7f"),
        (2 * BAR - 10, b"\xb0\x07\x10"),
        (3 * BAR, b"\x80\x40\x00"),
        (3 * BAR, b"\xb0\x40\x00"),
        (3 * BAR, b"\xb0\x01\x01"),
    ]
    track = load_backing(write(tmp_path / "loop.mid", events), loop=(2, 2))
    player = BackingPlayer(track, 0.0)
    found = play(player, 4.5)
    assert ons(found) == [(0.0, 64), (2.0, 64), (4.0, 64)]
    first = [data for at_s, data in found if at_s == 0.0]
    assert first[0] == b"\xc0\x05"
    assert b"\xb0\x07\x50" in first
    at = first.index(b"\xb0\x06\x0c")
    assert first[at - 2 : at] == [b"\xb0\x65\x00", b"\xb0\x64\x00"], (
        "the bend range is chosen before it is set"
    )
    assert first[-2:] == [b"\x90\x40\x40", b"\xb0\x40\x7f"]
    turn = [data for at_s, data in found if at_s == 2.0]
    assert turn[:2] == [b"\x80\x40\x40", b"\xb0\x40\x00"], "the note and the pedal are let go"
    assert b"\xb0\x07\x50" in turn, "the volume is what bar 2 begins with"
    assert not player.ended
    assert player.release() == [b"\x80\x40\x40", b"\xb0\x40\x00"]


def test_a_loop_to_the_end_of_the_piece(tmp_path: Path) -> None:
    track = load_backing(song(tmp_path / "song.mid"), loop=(3, 4), tempo=2.0)
    found = ons(play(BackingPlayer(track, 0.0), 4.9))
    assert [key for _, key in found] == [62] * 4 + [63] * 4 + [62] * 4 + [63] * 4 + [62] * 4
    assert found[8][0] == 2.0


def test_it_goes_on_where_it_was_interrupted(tmp_path: Path) -> None:
    track = load_backing(song(tmp_path / "song.mid"), count_in_bars=2)
    player = BackingPlayer(track, 100.0, position_s=3.0)
    assert player.next_s == 100.0
    due = player.due(100.0)
    assert [data for _, data in due] == [b"\xc0\x05", b"\xb0\x07\x50", b"\x90\x3d\x64"]


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"loop": (9, 9)}, "no bar 9: the piece has bars 1 to 4"),
        ({"loop": (2, 9)}, "no bar 9"),
        ({"tempo": 0.1}, "0.25 to 4"),
        ({"count_in_bars": 9}, "0 to 8"),
    ],
)
def test_what_cannot_be_played(tmp_path: Path, options: dict[str, object], says: str) -> None:
    with pytest.raises(ValueProblem, match=says):
        load_backing(song(tmp_path / "song.mid"), **options)  # type: ignore[arg-type]


def test_files_without_music_or_bars(tmp_path: Path) -> None:
    with pytest.raises(InputProblem, match=r"empty\.mid plays nothing"):
        load_backing(write(tmp_path / "empty.mid", [(0, b"\xff\x03name")]))
    smpte = write(tmp_path / "smpte.mid", [(0, b"\x90\x3c\x40"), (1000, b"\x80\x3c\x00")], division=0xE728)
    assert load_backing(smpte).bars_s == ()
    assert Backing("x", (), 0.0).bar_at(1.0) is None
    with pytest.raises(ValueProblem, match="SMPTE"):
        load_backing(smpte, loop=(1, 1))
    with pytest.raises(InputProblem, match=r"missing\.mid"):
        load_backing(tmp_path / "missing.mid")


@pytest.mark.parametrize(("text", "bars"), [("5-8", (5, 8)), (" 5 - 8 ", (5, 8)), ("3", (3, 3))])
def test_bars_are_read(text: str, bars: tuple[int, int]) -> None:
    assert parse_bars(text) == bars


@pytest.mark.parametrize("text", ["", "x", "8-5", "0-2", "1-", "-3"])
def test_other_bars_are_refused(text: str) -> None:
    with pytest.raises(ValueProblem, match=r"5-8|bars count from 1"):
        parse_bars(text)
