"""Musical time: tempo, bars and key signatures, against arithmetic done by hand and against mido."""

from __future__ import annotations

from fractions import Fraction

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import ValueProblem
from bridge.store.smf import Event, MidiFile
from bridge.store.timeline import BarMap, KeySignature, TempoMap, key_signatures

NOTE = b"\x90\x3c\x40"
END = b"\xff\x2f"


def tempo(microseconds: int) -> bytes:
    return b"\xff\x51" + microseconds.to_bytes(3, "big")


def signature(beats: int, power: int) -> bytes:
    return bytes((0xFF, 0x58, beats, power, 24, 8))


def key(sharps: int, mode: int) -> bytes:
    return bytes((0xFF, 0x59, sharps % 256, mode))


def piece(*events: Event, end: int = 96 * 64, division: int = 96) -> MidiFile:
    return MidiFile(1, division, [[*events, (end, END)]])


# ---- tempo ---------------------------------------------------------------------------------------------


def test_without_a_tempo_there_are_120_quarters_a_minute() -> None:
    time = TempoMap(piece())
    assert time.seconds(96) == 0.5
    assert time.tick(0.5) == 96


def test_tempo_changes_add_up() -> None:
    # 60 a minute for two quarters, 240 for four, then 30: 2 s + 1 s + 2 s a quarter.
    time = TempoMap(piece((0, tempo(1_000_000)), (192, tempo(250_000)), (576, tempo(2_000_000))))
    assert [time.seconds(tick) for tick in (0, 96, 192, 288, 576, 672)] == [0, 1, 2, 2.25, 3, 5]
    assert [time.tick(seconds) for seconds in (0, 1, 2, 2.25, 3, 5)] == [0, 96, 192, 288, 576, 672]


def test_tempo_counts_from_whatever_track_and_the_last_of_a_tick_wins() -> None:
    mf = MidiFile(
        1, 96, [[(96, tempo(1_000_000)), (192, END)], [(0, tempo(250_000)), (96, tempo(2_000_000))]]
    )
    assert TempoMap(mf).seconds(192) == 0.25 + 2.0
    within = MidiFile(1, 96, [[(0, tempo(250_000)), (0, tempo(1_000_000))]])
    assert TempoMap(within).seconds(96) == 1.0


def test_a_tempo_of_nothing_or_of_wrong_length_is_passed_over() -> None:
    time = TempoMap(piece((0, b"\xff\x51\x00\x00\x00"), (0, b"\xff\x51"), (0, b"\xff\x51\x0f")))
    assert time.seconds(96) == 0.5


@pytest.mark.parametrize(
    ("division", "tick", "seconds"),
    # The specification's own example: 25 frames of 40 subframes make milliseconds.
    [(0xE728, 1000, 1.0), (0xE850, 24 * 80, 1.0), (0xE204, 30 * 4, 1.0), (0xE350, 30 * 80, 1.001)],
)
def test_smpte_time_ignores_tempo(division: int, tick: int, seconds: float) -> None:
    time = TempoMap(piece((0, tempo(1_000_000)), division=division))
    assert time.seconds(tick) == pytest.approx(seconds, rel=1e-15)
    assert time.tick(seconds) == pytest.approx(tick, rel=1e-12)


_changes = st.lists(st.tuples(st.integers(0, 5000), st.integers(1, 0xFFFFFF)), max_size=50)


@given(_changes, st.integers(1, 0x7FFF), st.lists(st.integers(0, 200_000), min_size=1, max_size=20))
def test_time_agrees_with_mido_and_runs_both_ways(
    changes: list[tuple[int, int]], division: int, ticks: list[int]
) -> None:
    at, events = 0, []
    for step, microseconds in changes:
        at += step
        events.append((at, tempo(microseconds)))
    time = TempoMap(piece(*events, division=division))
    for tick in ticks:
        expected_s, last, current = 0.0, 0, 500_000
        for at, data in events:
            if at > tick:
                break
            expected_s += mido.tick2second(at - last, division, current)
            last, current = at, int.from_bytes(data[2:], "big")
        expected_s += mido.tick2second(tick - last, division, current)
        assert time.seconds(tick) == pytest.approx(expected_s, rel=1e-9, abs=1e-12)
        assert time.tick(time.seconds(tick)) == pytest.approx(tick, rel=1e-9, abs=1e-3)


@given(_changes, st.lists(st.integers(0, 300), max_size=60))
def test_times_in_a_row_are_those_one_by_one(changes: list[tuple[int, int]], steps: list[int]) -> None:
    at, events = 0, []
    for step, microseconds in changes:
        at += step
        events.append((at, tempo(microseconds)))
    time = TempoMap(piece(*events))
    tick, notes = 0, []
    for step in steps:
        tick += step
        notes.append((tick, NOTE))
    assert list(time.times(notes)) == [(time.seconds(tick), NOTE) for tick, _ in notes]


def test_a_format_2_track_has_its_own_time() -> None:
    mf = MidiFile(2, 96, [[(0, tempo(1_000_000)), (96, END)], [(96, END)]], name="medley.mid")
    assert TempoMap(mf, 0).seconds(96) == 1.0
    assert TempoMap(mf, 1).seconds(96) == 0.5
    for reading in (TempoMap, BarMap, key_signatures):
        with pytest.raises(ValueProblem, match=r"medley\.mid is of format 2.*choose one of its 2 tracks"):
            reading(mf)


# ---- bars ----------------------------------------------------------------------------------------------


def test_without_a_signature_bars_are_of_four_quarters() -> None:
    bars = BarMap(piece())
    assert [bars.tick(1), bars.tick(2), bars.tick(2, 3), bars.tick(2, 3.5)] == [0, 384, 576, 624]
    assert bars.bar_beat(624) == (2, Fraction(7, 2))
    assert bars.bars == 16


@pytest.mark.parametrize(
    ("beats", "power", "bar_ticks", "beat_ticks"),
    [(3, 2, 288, 96), (6, 3, 288, 48), (2, 1, 384, 192), (7, 3, 336, 48), (4, 0, 1536, 384), (5, 4, 120, 24)],
)
def test_beats_are_in_the_unit_of_the_signature(
    beats: int, power: int, bar_ticks: int, beat_ticks: int
) -> None:
    bars = BarMap(piece((0, signature(beats, power))))
    assert bars.tick(3) == 2 * bar_ticks
    assert bars.tick(1, 2) == beat_ticks
    assert bars.bar_beat(bar_ticks + beat_ticks) == (2, 2)
    with pytest.raises(ValueProblem, match=rf"no beat {beats + 1} in bar 1.*from 1 to {beats}\)"):
        bars.tick(1, beats + 1)


def test_a_pickup_is_bar_1() -> None:
    # One quarter of pickup written as a bar of 1/4, then 4/4.
    bars = BarMap(piece((0, signature(1, 2)), (96, signature(4, 2))))
    assert [bars.tick(1), bars.tick(2), bars.tick(3)] == [0, 96, 480]
    assert bars.bar_beat(95) == (1, 1 + Fraction(95, 96))


def test_a_signature_inside_a_bar_begins_a_new_one() -> None:
    bars = BarMap(piece((384 + 192, signature(3, 2))))
    assert [bars.tick(2), bars.tick(3), bars.tick(4)] == [384, 576, 864]
    assert bars.tick(2, 2) == 480
    with pytest.raises(
        ValueProblem, match=r"no beat 3 in bar 2: a new time signature cuts it short \(bar 3 begins"
    ):
        bars.tick(2, 3)


def test_changes_of_signature_on_the_bar_line_leave_no_bar_out() -> None:
    bars = BarMap(piece((0, signature(3, 2)), (576, signature(2, 2)), (960, signature(6, 3))))
    assert [bars.tick(bar) for bar in range(1, 8)] == [0, 288, 576, 768, 960, 1248, 1536]
    assert [str(one) for one in bars.signatures] == ["3/4", "2/4", "6/8"]


def test_the_first_track_has_the_say_on_signatures() -> None:
    mf = MidiFile(1, 96, [[(0, signature(3, 2)), (960, END)], [(0, signature(4, 2)), (960, END)]])
    assert BarMap(mf).tick(2) == 288


def test_signatures_that_make_no_bar_are_passed_over() -> None:
    bars = BarMap(piece((0, signature(0, 2)), (0, b"\xff\x58\x03"), (0, signature(3, 200))))
    assert bars.tick(2) == 384


def test_bars_that_are_no_whole_number_of_ticks_are_rounded_but_do_not_drift() -> None:
    bars = BarMap(piece((0, signature(1, 5)), division=30, end=30_000))  # a bar of 3.75 ticks
    assert [bars.tick(bar) for bar in (1, 2, 3, 4, 5, 401)] == [0, 4, 8, 11, 15, 1500]


@pytest.mark.parametrize("bar", [0, -1, 17, 400])
def test_bars_that_do_not_exist(bar: int) -> None:
    with pytest.raises(ValueProblem, match=rf"no bar {bar}: the piece has bars 1 to 16 \(bars count from 1"):
        BarMap(piece()).tick(bar)


@pytest.mark.parametrize("beat", [0, 0.5, -1, 5, 5.5])
def test_beats_that_do_not_exist(beat: float) -> None:
    with pytest.raises(
        ValueProblem, match=r"no beat .* in bar 2, which is in 4/4 \(beats count from 1 to 4\)"
    ):
        BarMap(piece()).tick(2, beat)


def test_smpte_time_has_no_bars() -> None:
    with pytest.raises(ValueProblem, match=r"song\.mid counts in SMPTE time.*no bars"):
        BarMap(MidiFile(0, 0xE728, [[(0, END)]], name="song.mid"))


@given(
    st.lists(st.tuples(st.integers(0, 2000), st.integers(1, 13), st.integers(0, 5)), max_size=8),
    st.lists(st.integers(0, 20_000), max_size=20),
    st.sampled_from((24, 96, 480, 960)),
)
def test_bars_and_beats_run_both_ways(
    changes: list[tuple[int, int, int]], ticks: list[int], division: int
) -> None:
    at, events = 0, []
    for step, beats, power in changes:
        at += step
        events.append((at, signature(beats, power)))
    bars = BarMap(piece(*events, end=100_000, division=division))
    numbers = [bars.bar_beat(tick)[0] for tick in sorted(ticks)]
    assert numbers == sorted(numbers)
    for tick in ticks:
        bar, beat = bars.bar_beat(tick)
        assert beat >= 1
        assert bars.tick(bar, beat) == tick


# ---- key signatures ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sharps", "mode", "name"),
    [
        *((0, 1, "A minor"), (1, 0, "G major"), (-3, 0, "Eb major"), (-3, 1, "C minor"), (7, 0, "C# major")),
        *((-7, 0, "Cb major"), (6, 1, "D# minor"), (-7, 1, "Ab minor"), (2, 1, "B minor")),
    ],
)
def test_tonics(sharps: int, mode: int, name: str) -> None:
    [found] = key_signatures(piece((0, key(sharps, mode))))
    assert (str(found), found.tick, found.sharps, found.doubted) == (name, 0, sharps, "")


def test_mode_255_is_doubted() -> None:
    [found] = key_signatures(piece((96, key(-1, 255))))
    assert found == KeySignature(96, -1, None, "the file does not say whether it is major or minor")
    assert found.tonic == "F"


def test_a_lone_c_major_is_doubted_but_not_among_others() -> None:
    [lone] = key_signatures(piece((0, key(0, 0))))
    assert "when no key was chosen" in lone.doubted
    first, second = key_signatures(piece((0, key(0, 0)), (384, key(3, 0))))
    assert (first.doubted, second.doubted) == ("", "")
    assert second.tonic == "A"


def test_more_than_seven_sharps_are_doubted_but_have_a_tonic() -> None:
    sharp, flat = key_signatures(piece((0, key(8, 0)), (96, key(-8, 0))))
    assert (sharp.tonic, flat.tonic) == ("Ab", "E")  # G# and Fb major, as they are usually written
    assert sharp.doubted == "8 sharps are more than seven"
    assert flat.doubted == "8 flats are more than seven"


def test_tracks_that_agree_count_once_and_those_that_do_not_are_doubted() -> None:
    agree = MidiFile(1, 96, [[(0, key(2, 0))], [(0, key(2, 0))]])
    assert key_signatures(agree) == [KeySignature(0, 2, "major")]
    differ = MidiFile(1, 96, [[(0, key(2, 0))], [(0, key(2, 1))]])
    [found] = key_signatures(differ)
    assert (found.tonic, found.doubted) == ("D", "another track says B minor at the same place")


def test_a_file_without_signatures_has_none() -> None:
    assert key_signatures(piece((0, b"\xff\x59"))) == []
