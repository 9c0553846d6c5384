"""The bend engine as it is played: against the plan, across table changes, through hostile bytes, and back to rest."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from support.bendcheck import Findings, Receiver, check
from support.streams import Frequencies, Stream, notes_only, streams, tables

from bridge.engine.bend.file import plan_bend
from bridge.engine.bend.live import BendEngine, SoundingNote
from bridge.engine.bend.options import BendOptions
from bridge.errors import MethodProblem, ValueProblem
from bridge.wire.profile import SynthProfile

QUIET = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
JUST = Frequencies([0, 12, 4, 16, -14, -2, -10, 2, 14, -16, 18, -12])
MODES = st.sampled_from(("now", "next", "glide"))
NO_MESSAGES = (b"", b"\x90", b"\x90\x40", b"\x90\x40\x80", b"\x40\x40", b"\xc0\x01\x02", b"\xf0\x7e")
EQUAL = Frequencies([0] * 12)
SHARP = Frequencies([30] * 12)


def on(key: int, channel: int = 1, velocity: int = 80) -> bytes:
    return bytes((0x8F + channel, key, velocity))


def off(key: int, channel: int = 1) -> bytes:
    return bytes((0x7F + channel, key, 64))


def play(engine: BendEngine, stream: Stream) -> list[tuple[int, bytes]]:
    """Feed a stream; return what came out, each message with the index of what it answers."""
    out = [(0, message) for _, message in engine.start(0.0)]
    for anchor, (time_s, data) in enumerate(stream):
        while engine.next_wake_s is not None and engine.next_wake_s <= time_s:
            out += [(anchor, message) for _, message in engine.wake(engine.next_wake_s)]
        out += [(anchor, message) for _, message in engine.feed(data, time_s)]
    return out


def bends_of(out: list[tuple[int, bytes]]) -> dict[int, int]:
    """The last bend of each channel, 0 to 15."""
    return {data[0] & 15: data[1] | data[2] << 7 for _, data in out if data[0] & 0xF0 == 0xE0}


def cents(value: int, semitones: int = 3) -> float:
    return (value - 8192) * semitones * 100 / 8192


def played(
    stream: Stream, table: Frequencies, options: BendOptions | None = None
) -> tuple[BendEngine, Findings]:
    engine = BendEngine(None, table, options)
    found = check(stream, play(engine, stream), table)
    assert found.problems == []
    return engine, found


@QUIET
@given(streams(), tables())
def test_played_is_as_exact_as_planned_where_channels_suffice(stream: Stream, table: Frequencies) -> None:
    engine, found = played(stream, table)
    report = plan_bend(stream, [], table).report
    assert len(found.notes) == report.notes
    if report.demand_max <= 15:
        assert engine.crowded == 0
        if not report.clipped and not engine.clipped:
            assert found.off == []


@QUIET
@given(notes_only(channels=(0, 1)), tables(repeating=False), st.integers(2, 6))
def test_played_loses_no_note_where_channels_are_short(
    stream: Stream, table: Frequencies, count: int
) -> None:
    assume(any(data[0] & 0xF0 == 0x90 for _, data in stream))
    options = BendOptions(channels=tuple(range(1, count + 1)))
    engine = BendEngine(None, table, options)
    found = check(stream, play(engine, stream), table)
    report = plan_bend(stream, [], table, None, options).report
    assert len(found.notes) == report.notes
    assert not any(
        "hangs" in problem or "struck" in problem or "ended" in problem for problem in found.problems
    )
    assert engine.at_rest
    if report.demand_max <= count:
        assert found.off == []


@QUIET
@given(streams(most=80, resets=True), st.lists(st.tuples(st.integers(0, 80), tables(), MODES), max_size=5))
def test_every_note_that_goes_out_is_ended_on_its_channel(
    stream: Stream, changes: list[tuple[int, Frequencies, str]]
) -> None:
    engine = BendEngine(None, JUST)
    out: list[bytes] = [message for _, message in engine.start(0.0)]
    for at, (time_s, data) in enumerate(stream):
        for place, table, mode in changes:
            if place == at:
                out += [message for _, message in engine.change(table, time_s, mode, 0.3)]  # type: ignore[arg-type]
        if engine.next_wake_s is not None and engine.next_wake_s <= time_s:
            out += [message for _, message in engine.wake(time_s)]
        out += [message for _, message in engine.feed(data, time_s)]
    out += [message for _, message in engine.stop(99.0)]
    assert engine.at_rest
    assert engine.sounding() == []
    balance: Counter[tuple[int, int]] = Counter()
    receiver = Receiver()
    for data in out:
        receiver.feed(data)
        if data[0] & 0xF0 == 0x90 and data[2]:
            balance[data[0] & 15, data[1]] += 1
        elif data[0] & 0xE0 == 0x80:
            balance[data[0] & 15, data[1]] -= 1
    assert not [where for where, count in balance.items() if count > 0]
    for channel in receiver.channels:
        assert channel.cc.get(64, 0) == channel.cc.get(66, 0) == channel.cc.get(69, 0) == 0
    assert all(channel.bend == 8192 for number, channel in enumerate(receiver.channels) if number != 9)


@QUIET
@given(st.lists(st.binary(max_size=5), max_size=40))
def test_no_bytes_make_it_raise(chunks: list[bytes]) -> None:
    engine = BendEngine(None, JUST)
    for chunk in chunks:
        for due_s, message in engine.feed(chunk, 1.0):
            assert due_s == 1.0
            assert message[0] >= 0x80
    engine.stop(2.0)
    assert engine.at_rest


@pytest.mark.parametrize("data", NO_MESSAGES)
def test_what_is_no_message_changes_nothing(data: bytes) -> None:
    assert BendEngine(None, JUST).feed(data, 0.0) == []


def test_now_moves_sounding_notes() -> None:
    engine = BendEngine(None, EQUAL)
    engine.feed(on(60), 0.0)
    moved = engine.change(SHARP, 1.0, "now")
    assert [data[0] & 0xF0 for _, data in moved] == [0xE0]
    assert cents(moved[0][1][1] | moved[0][1][2] << 7) == pytest.approx(30.0, abs=0.0123)
    assert engine.sounding() == [SoundingNote(1, 60, 1, pytest.approx(30.0))]


def test_next_leaves_sounding_notes_and_tunes_those_that_follow() -> None:
    engine = BendEngine(None, EQUAL)
    engine.feed(on(60), 0.0)
    assert engine.change(SHARP, 1.0, "next") == []
    engine.feed(on(60 + 12), 1.1)
    old, new = engine.sounding()
    assert (old.cents, new.cents) == (pytest.approx(0.0), pytest.approx(30.0))
    assert old.out_channel != new.out_channel
    assert engine.feed(off(60), 1.2) == [(1.2, off(60))]


def test_glide_moves_in_a_straight_line_and_ends() -> None:
    engine = BendEngine(None, EQUAL)
    engine.feed(on(60), 0.0)
    assert engine.change(SHARP, 1.0, "glide", 2.0) == []
    track: list[tuple[float, float]] = []
    while engine.next_wake_s is not None:
        now_s = engine.next_wake_s
        for due_s, data in engine.wake(now_s):
            assert due_s == now_s
            track.append((now_s, cents(data[1] | data[2] << 7)))
    for now_s, at_cents in track:
        assert at_cents == pytest.approx(min(30.0, 15.0 * (now_s - 1.0)), abs=0.02)
    assert track[-1][1] == pytest.approx(30.0, abs=0.0123)
    assert all(after[0] - before[0] <= 0.0101 for before, after in pairwise(track))


def test_a_note_struck_during_a_glide_is_on_the_new_table_at_once() -> None:
    engine = BendEngine(None, EQUAL)
    engine.feed(on(60), 0.0)
    engine.change(SHARP, 1.0, "glide", 2.0)
    engine.wake(1.5)
    engine.feed(on(64), 1.5)
    gliding, struck = engine.sounding()
    assert gliding.cents == pytest.approx(7.5)
    assert struck.cents == pytest.approx(30.0)
    assert gliding.out_channel != struck.out_channel


def test_notes_that_a_change_drives_apart_share_by_loudness() -> None:
    apart = Frequencies([0] * 60 + [20] * 68)
    for loud, wanted in ((60, 20.0), (48, 0.0)):
        engine = BendEngine(None, EQUAL, BendOptions())
        engine.feed(on(36), 0.0)  # a bass that is neither of the two, at an octave of its own
        for key in (48, 60):
            engine.feed(on(key, velocity=120 if key == loud else 30), 0.0)
        engine.change(apart, 1.0, "now")
        # the bass is kept pure: it lies where the lower note lies
        assert {note.cents for note in engine.sounding()} == {0.0}, wanted


def test_changes_that_only_shift_the_pitch_bend_what_sounds() -> None:
    # trimming the reference by half a cent
    engine = BendEngine(None, JUST)
    for key in (60, 64, 67):
        engine.feed(on(key), 0.0)
    trimmed = Frequencies([0] * 12)
    trimmed[:] = [hz * 2 ** (0.5 / 1200) for hz in JUST]
    moved = engine.change(trimmed, 1.0, "now")
    assert len(moved) == 3
    assert all(data[0] & 0xF0 == 0xE0 for _, data in moved)


@pytest.mark.parametrize(
    ("mode", "glide_s", "match"),
    [("soon", 1.0, "'soon'"), ("glide", -1.0, "-1 s"), ("glide", float("nan"), "nan")],
)
def test_changes_out_of_range_are_named(mode: str, glide_s: float, match: str) -> None:
    with pytest.raises(ValueProblem, match=match):
        BendEngine(None, JUST).change(JUST, 0.0, mode, glide_s)  # type: ignore[arg-type]


def test_the_range_holds_table_and_wheel_before_the_first_note() -> None:
    engine = BendEngine(None, JUST)
    out = [data for _, data in engine.start(0.0)]
    ranges = [data[2] for data in out if data[0] & 0xF0 == 0xB0 and data[1] == 6]
    assert ranges == [3] * 15  # the wheel reaches 200 cents, the farthest offset is 18
    assert not any(data[0] & 15 == 9 for data in out)
    engine.feed(on(64), 0.1)
    bent = [data for _, data in engine.feed(bytes((0xE0, 0, 0)), 0.2)]
    assert [data[0] & 0xF0 for data in bent] == [0xE0]
    assert cents(bent[0][1] | bent[0][2] << 7) == pytest.approx(-214.0, abs=0.02)
    assert len(engine.feed(bytes((0xE0, 0, 32)), 0.3)) == 1


def test_leaving_puts_the_synth_back() -> None:
    engine = BendEngine(None, JUST)
    out = play(
        engine,
        [
            (0.0, on(60)),
            (0.0, on(64)),
            (0.1, bytes((0xB0, 64, 127))),
            (0.2, bytes((0xE0, 0, 90))),
            (0.3, on(38, 10)),
        ],
    )
    out += [(0, data) for _, data in engine.stop(1.0)]
    receiver = Receiver()
    for _, data in out:
        receiver.feed(data)
    assert off(38, 10) in [data for _, data in out]
    assert all(channel.bend == 8192 and channel.cc.get(64, 0) == 0 for channel in receiver.channels)
    assert all(channel.range_cents == 200.0 for channel in receiver.channels)
    assert engine.stop(2.0) == []


def test_playing_goes_on_after_leaving() -> None:
    engine = BendEngine(None, JUST)
    engine.feed(on(64), 0.0)
    engine.stop(1.0)
    out = [(0, data) for _, data in engine.feed(on(64), 2.0)]
    assert out[-1][1][0] & 0xF0 == 0x90
    assert cents(bends_of(out)[out[-1][1][0] & 15]) == pytest.approx(-14.0, abs=0.02)


def test_drums_pass_untouched() -> None:
    engine = BendEngine(None, JUST)
    for data in (on(38, 10), bytes((0xE9, 1, 2)), bytes((0xB9, 7, 3)), off(38, 10)):
        (answer,) = engine.feed(data, 0.0)
        assert answer[1] is data


def test_a_channel_turned_into_drums_while_its_number_is_taken() -> None:
    engine = BendEngine(None, JUST, BendOptions(channels=(1, 2)))
    engine.feed(on(60), 0.0)
    taken = engine.feed(on(64), 0.0)[-1][1][0] & 15
    assert taken == 1
    out = engine.feed(bytes((0xB1, 0, 120)), 0.1) + engine.feed(bytes((0xC1, 0)), 0.1)
    assert bytes((0xC1, 0)) in [data for _, data in out]
    assert engine.feed(on(38, 2), 0.2) == [(0.2, on(38, 2))]
    assert engine.feed(off(64), 0.3) == [(0.3, bytes((0x81, 64, 64)))]
    assert engine.feed(off(38, 2), 0.3) == [(0.3, off(38, 2))]


def test_a_system_reset_is_followed_by_the_tuning() -> None:
    engine = BendEngine(None, JUST)
    engine.start(0.0)
    assert engine.feed(b"\xff", 1.0) == [(1.0, b"\xff")]
    out = [(0, data) for _, data in engine.feed(on(64), 2.0)]
    assert sum(data[0] & 0xF0 == 0xB0 and data[1] == 6 for _, data in out) == 1
    assert cents(next(iter(bends_of(out).values()))) == pytest.approx(-14.0, abs=0.02)


def test_clock_passes() -> None:
    assert BendEngine(None, JUST).feed(b"\xf8", 1.0) == [(1.0, b"\xf8")]


def test_memory_stays_bounded_over_many_tables() -> None:
    engine = BendEngine(None, JUST)
    engine.feed(on(60), 0.0)
    for step in range(300):
        engine.change([hz * (1 + step * 1e-5) for hz in JUST], float(step))
    assert len(engine._offsets._known) < 600


def test_an_mpe_zone_is_played() -> None:
    engine = BendEngine(None, JUST, None, "mpe")
    stream: Stream = [
        (0.0, on(60, 3)),
        (0.1, on(64, 3)),
        (0.2, bytes((0xB2, 64, 127))),
        (0.3, off(60, 3)),
        (0.4, off(64, 3)),
        (0.5, bytes((0xB2, 64, 0))),
    ]
    out = play(engine, stream)
    receiver = Receiver()
    for _, data in out:
        receiver.feed(data)
    assert receiver.zones == {0: 8}
    struck = [data[0] & 15 for _, data in out if data[0] & 0xF0 == 0x90]
    assert len(set(struck)) == 2
    assert set(struck) <= set(range(1, 9))
    assert cents(bends_of(out)[struck[1]]) == pytest.approx(-14.0, abs=0.02)
    assert 0 not in bends_of(out[1:]) or bends_of(out)[0] == 8192
    ending = [data for _, data in engine.stop(1.0)]
    for data in ending:
        receiver.feed(data)
    assert receiver.zones == {0: 0}


def test_an_mpe_zone_comes_back_after_a_reset() -> None:
    engine = BendEngine(None, JUST, BendOptions(parts=(1,)), "mpe")
    engine.start(0.0)
    engine.feed(bytes.fromhex("f07e7f0901f7"), 1.0)
    assert engine.next_wake_s == pytest.approx(1.1)
    again = engine.wake(1.1)
    assert (1.1, bytes((0xB0, 6, 8))) in again
    assert engine.next_wake_s is None


def test_a_synth_with_few_channels() -> None:
    few = SynthProfile("x", "X", "made up", ("bend",), channels=(3, 4))
    engine = BendEngine(few, JUST)
    out = [data for key in (60, 64, 67) for _, data in engine.feed(on(key), 0.0)]
    assert {data[0] & 15 for data in out} == {2, 3}
    assert engine.crowded == 1


def test_a_table_out_of_reach_is_refused() -> None:
    fixed = SynthProfile("x", "X", "made up", ("bend",), bend_range_fixed_semitones=2)
    with pytest.raises(MethodProblem, match=r"A0 lies \+250 cents .* ±2 semitones"):
        BendEngine(fixed, Frequencies([250] * 12))
    engine = BendEngine(fixed, JUST)
    with pytest.raises(MethodProblem, match="-300 cents"):
        engine.check(Frequencies([-300] * 12))
    with pytest.raises(MethodProblem, match="250 cents"):
        engine.change(Frequencies([250] * 12), 1.0)
    engine.feed(on(64), 2.0)  # nothing has changed
    assert engine.sounding()[0].cents == pytest.approx(-14.0)


def test_a_guest_of_an_mpe_zone_that_becomes_drums_still_ends_its_note() -> None:
    engine = BendEngine(None, EQUAL, method="mpe")
    engine.start(0.0)
    engine.feed(bytes((0x91, 60, 100)), 1.0)
    engine.feed(bytes.fromhex("f0411042124012150118f7"), 1.1)  # GS: part 2 is a rhythm part
    sent = [data for _, data in engine.feed(bytes((0x81, 60, 0)), 1.2)]
    assert sent == [bytes((0x81, 60, 0))]
    assert engine.at_rest
    engine.feed(bytes((0x91, 36, 100)), 1.3)
    assert not engine.at_rest
    assert [data for _, data in engine.feed(bytes((0x81, 36, 0)), 1.4)] == [bytes((0x81, 36, 0))]
    assert engine.at_rest


GS_DRUMS = [bytes.fromhex("f0411042124011150119f7"), bytes.fromhex("f041104212401115001af7")]
"""GS: part 1 becomes a rhythm part, and a normal one again."""


def test_the_part_of_an_mpe_zone_that_was_drums_for_a_while_is_a_zone_again() -> None:
    engine = BendEngine(None, JUST, BendOptions(parts=(1,)), "mpe")
    engine.start(0.0)
    engine.feed(GS_DRUMS[0], 1.0)
    assert [data for _, data in engine.feed(on(36), 1.1)] == [on(36)], "a drum passes"
    volume = bytes((0xB0, 7, 90))
    assert volume in [data for _, data in engine.feed(volume, 1.2)], "the manager is heard still"
    assert not any(data[0] == 0xE0 for _, data in engine.feed(bytes((0xE0, 0, 0x50)), 1.3)), (
        "it is never bent"
    )
    engine.feed(GS_DRUMS[1], 1.4)
    assert [data for _, data in engine.feed(off(36), 1.5)] == [off(36)], "the drum ends where it began"
    assert engine.at_rest
    engine.feed(bytes.fromhex("f07e7f0901f7"), 2.0)
    assert (2.2, bytes((0xB0, 6, 8))) in engine.wake(2.2), "after a reset the zone is set up"
    assert [data[0] & 15 for _, data in engine.feed(on(64), 3.0) if data[0] & 0xF0 == 0x90] == [1]


def test_no_note_of_an_mpe_zone_is_played_where_a_member_has_become_drums() -> None:
    engine = BendEngine(None, JUST, BendOptions(parts=(1,)), "mpe")
    engine.start(0.0)
    engine.feed(bytes.fromhex("f0411042124012150118f7"), 1.0)  # GS: part 2 is a rhythm part
    struck = [
        data for key in range(40, 60) for _, data in engine.feed(on(key), 2.0) if data[0] & 0xF0 == 0x90
    ]
    assert {data[0] & 15 for data in struck} == {2, 3, 4, 5, 6, 7, 8}


def test_a_note_that_was_silenced_before_its_channel_became_drums_ends_where_it_began() -> None:
    engine = BendEngine(None, JUST, BendOptions(channels=(2, 3)))
    engine.start(0.0)
    assert [data for _, data in engine.feed(on(64), 1.0)][-1] == bytes((0x91, 64, 80))
    engine.feed(bytes((0xB0, 120, 0)), 1.1)
    engine.feed(GS_DRUMS[0], 1.2)
    assert [data for _, data in engine.feed(off(64), 1.3)] == [bytes((0x81, 64, 64))]
    assert engine.at_rest


def test_leaving_centres_the_wheel_of_drums_and_of_members_that_a_reset_may_have_left() -> None:
    engine = BendEngine(None, JUST)
    engine.start(0.0)
    engine.feed(GS_DRUMS[0], 1.0)
    assert [data for _, data in engine.feed(bytes((0xE0, 0, 0x30)), 1.1)] == [bytes((0xE0, 0, 0x30))]
    assert bytes((0xE0, 0, 0x40)) in [data for _, data in engine.stop(2.0)]
    engine.start(3.0)
    engine.feed(GS_DRUMS[1], 3.1)
    engine.feed(bytes((0xE0, 0, 0x30)), 3.2)
    assert bytes((0xE0, 0, 0x40)) in [data for _, data in engine.stop(4.0)]
    zone = BendEngine(None, JUST, None, "mpe")
    zone.start(0.0)
    zone.feed(on(64), 1.0)
    zone.feed(off(64), 1.1)
    zone.feed(bytes((0xB0, 121, 0)), 1.2)  # receivers may reset the manager alone
    assert bytes((0xE1, 0, 0x40)) in [data for _, data in zone.stop(2.0)]


@pytest.mark.parametrize("drum_first", [True, False])
def test_of_a_drum_and_a_note_on_one_key_the_older_ends_first(drum_first: bool) -> None:
    engine = BendEngine(None, JUST, BendOptions(channels=(2, 3)))
    engine.start(0.0)
    engine.feed(GS_DRUMS[0 if drum_first else 1], 1.0)
    engine.feed(on(64), 1.1)
    engine.feed(GS_DRUMS[1 if drum_first else 0], 1.2)
    engine.feed(on(64), 1.3)
    ends = [data for time_s in (1.4, 1.5) for _, data in engine.feed(off(64), time_s)]
    drum, note = off(64), bytes((0x81, 64, 64))
    assert ends == ([drum, note] if drum_first else [note, drum])
    assert engine.at_rest
