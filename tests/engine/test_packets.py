"""SysEx in packets, escapes, channels turned into drums, mode messages: what real files hold and the standard allows.

Sources: *Standard MIDI Files 1.0* (RP-001), "SysEx Events"; MIDI 1.0 Detailed Specification, "Channel Mode Messages";
General MIDI 1 (system on); the GS rhythm part message by its own checksum rule.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.bendcheck import check
from support.streams import Frequencies, Stream

from bridge.engine.bend.file import plan_bend
from bridge.engine.bend.options import BendOptions
from bridge.engine.mts.file import MtsFileEngine
from bridge.engine.protocols import Output
from bridge.wire.packets import Packets, understood
from bridge.wire.profile import MTS_METHODS, STANDARD, SynthProfile

JUST = Frequencies([0, 12, 4, 16, -14, -2, -10, 2, 14, -16, 18, -12])
FULL = replace(STANDARD, sounding=frozenset(("note", "octave")))
GM_ON = bytes.fromhex("f07e7f0901f7")
IN_PACKETS = [bytes.fromhex("f07e7f09"), bytes.fromhex("f701f7")]
ESCAPED = [b"\xf7" + GM_ON]


def gs_rhythm(channel: int, mode: int) -> bytes:
    """Make a part a rhythm part (or not): 40 1p 15, with the checksum that makes the sum a multiple of 128."""
    block = 0 if channel == 10 else channel if channel < 10 else channel - 1
    body = bytes((0x40, 0x10 | block, 0x15, mode))
    return b"\xf0\x41\x10\x42\x12" + body + bytes((-sum(body) & 0x7F, 0xF7))


def chord(at_s: float, *channels: int, keys: tuple[int, ...] = (60, 64, 67)) -> Stream:
    on = [(at_s, bytes((0x8F + channel, key, 80))) for channel in channels for key in keys]
    return [*on, *((at_s + 0.5, bytes((data[0] - 16, data[1], 64))) for _, data in on)]


def by(method: str, stream: Stream, profile: SynthProfile = FULL) -> list[Output]:
    if method in MTS_METHODS:
        return list(MtsFileEngine(profile, method, JUST).process(stream, []))
    return list(plan_bend(stream, [], JUST, None, None, method).outputs)


ALL = (*MTS_METHODS, "bend", "mpe")


@given(st.lists(st.binary(max_size=9), max_size=8))
def test_no_packets_can_make_it_raise_and_nothing_is_lost(payloads: list[bytes]) -> None:
    packets = Packets()
    for number, payload in enumerate(payloads):
        data = (b"\xf0" if number % 3 == 0 else b"\xf7") + payload
        told, _ = packets.feed(data)
        if told != [data]:  # an escape whose messages stand on their own: the same bytes reach the cable
            cable = b"".join(one[1:] if one[0] == 0xF7 else one for one in told)
            assert len(cable) >= len(payload)
            assert set(payload) <= set(cable)


def test_packets_are_understood_where_they_end() -> None:
    stream = [(0.0, IN_PACKETS[0]), (0.1, b"\x90\x3c\x40"), (0.2, IN_PACKETS[1]), (0.3, ESCAPED[0])]
    assert list(understood(stream)) == [(1, 0.1, b"\x90\x3c\x40"), (2, 0.2, GM_ON), (3, 0.3, GM_ON)]
    running = b"\xf7\x90\x3c\x40\x40\x40"
    assert [data for _, _, data in understood([(0.0, running)])] == [b"\x90\x3c\x40", b"\x90\x40\x40"]


@pytest.mark.parametrize("method", ALL)
@pytest.mark.parametrize("reset", [[GM_ON], IN_PACKETS, ESCAPED], ids=["whole", "in packets", "escaped"])
def test_a_reset_is_heard_however_it_is_sent(method: str, reset: list[bytes]) -> None:
    stream = [*chord(0.0, 1), *((2.0, data) for data in reset), *chord(4.0, 1)]
    after = [data for anchor, _, data in by(method, stream) if anchor >= 6 + len(reset) - 1]
    assert after[0] is reset[-1]
    if method in MTS_METHODS:
        assert any(data[0] == 0xF0 and data[3] == 8 for data in after[1:]), "the tuning is sent again"
    else:
        assert any(data[0] & 0xF0 == 0xE0 for data in after), "the bends are sent again"


@pytest.mark.parametrize("method", ALL)
def test_an_empty_sysex_event_passes(method: str) -> None:
    stream = [(0.0, b"\xf0"), (0.0, b"\xf7"), *chord(0.5, 1)]
    passed = [data for _, _, data in by(method, stream)]
    assert b"\xf0" in passed
    assert b"\xf7" in passed


def test_notes_in_an_escape_are_tuned_and_counted() -> None:
    escape = b"\xf7\x90\x3c\x50\x90\x40\x50"
    stream: Stream = [(0.5, escape), (1.0, b"\x80\x3c\x40"), (1.0, b"\x80\x40\x40")]
    plain: Stream = [(0.5, b"\x90\x3c\x50"), (0.5, b"\x90\x40\x50"), *stream[1:]]
    plan, same = plan_bend(stream, [], JUST), plan_bend(plain, [], JUST)
    assert plan.report.notes == plan.report.exact == 2
    assert [data for _, _, data in plan.outputs] == [data for _, _, data in same.outputs]
    engine = MtsFileEngine(FULL, "note", JUST)
    told = [data for _, _, data in engine.process(stream, [])]
    assert told.index(b"\x90\x3c\x50") > next(at for at, data in enumerate(told) if data[0] == 0xF0)
    assert sum(sum(struck.values()) for _, struck in engine.played) == 2


# ---- channels turned into drums


@pytest.mark.parametrize(
    "turn",
    [[gs_rhythm(3, 1)], [bytes((0xB2, 0, 127)), bytes((0xC2, 0))], [bytes((0xB2, 0, 120)), bytes((0xC2, 0))]],
    ids=["GS", "XG", "GM2"],
)
@pytest.mark.parametrize("at_s", [0.0, 1.0])
def test_a_channel_turned_into_drums_is_left_alone_whether_drums_are_played_or_not(
    turn: list[bytes], at_s: float
) -> None:
    keys = tuple(range(60, 72))
    stream = sorted(
        [*((at_s, data) for data in turn), *chord(0.5, 1, 2, keys=keys), *chord(1.5, 1, 2, keys=keys)],
        key=lambda event: event[0],
    )
    plan = plan_bend(stream, [], JUST)
    found = check(stream, [(anchor, data) for anchor, _, data in plan.outputs], JUST)
    assert found.problems == []
    assert 2 not in found.channels  # channel 3, counted from 0
    assert plan.report.channels_allowed == 14


def test_by_octave_the_tuning_is_put_aside_where_a_channel_turns_into_drums() -> None:
    drums, pitched = [bytes((0xB1, 0, 120)), bytes((0xC1, 0))], [bytes((0xB1, 0, 0)), bytes((0xC1, 5))]
    hit = [(2.0, b"\x91\x24\x50"), (2.2, b"\x81\x24\x40")]
    stream = [*chord(0.5, 1, 2), *((1.5, data) for data in drums), *hit, *((3.0, data) for data in pitched)]
    stream += chord(3.5, 1, 2)
    engine = MtsFileEngine(FULL, "octave", JUST)
    tables = [(at, data) for at, _, data in engine.process(stream, []) if data[0] == 0xF0]
    # F0 7F dev 08 09 ff gg hh, then twelve offsets of two bytes: channels 1 and 2 are bits 0 and 1 of hh (CA-021)
    assert [data[7] for _, data in tables] == [0b11, 0b10, 0b10]
    assert tables[1][1][8:-1] == bytes((0x40, 0)) * 12
    assert tables[2][1][8:-1] == tables[0][1][8:-1]
    assert [stream[at][0] for at, _ in tables[1:]] == [1.5, 3.0]
    assert any("put aside" in text for text in engine.notices)


def test_by_octave_with_one_table_for_all_channels_it_is_said_that_drums_are_tuned() -> None:
    stream = [*chord(0.5, 2), (1.5, bytes((0xB1, 0, 120))), (1.5, bytes((0xC1, 0))), *chord(2.0, 2)]
    engine = MtsFileEngine(replace(FULL, octave_shared=True), "octave", JUST)
    assert sum(data[0] == 0xF0 for _, _, data in engine.process(stream, [])) == 1
    assert any("drums are tuned too" in text for text in engine.notices)


# ---- mode messages


@pytest.mark.parametrize("mode", [124, 125, 126, 127])
def test_note_offs_follow_the_strokes_whatever_mode_messages_say(mode: int) -> None:
    """One receiver lets all notes go at a mode message (by the standard), another keeps them: neither hears a cut."""
    first, second, other = bytes((0x90, 60, 80)), bytes((0x90, 60, 81)), bytes((0x90, 61, 82))
    stream: Stream = [
        *((0.5, data) for data in (first, other)),
        (1.0, bytes((0xB0, mode, 1 if mode == 126 else 0))),
        (
            1.1,
            b"",
        ),  # here the table changes, so the second stroke needs another channel than the first one has
        (1.1, second),
        (2.0, bytes((0x80, 60, 1))),
        (3.0, bytes((0x80, 60, 2))),
        (3.0, bytes((0x80, 61, 3))),
    ]
    later = Frequencies([cents + key for key, cents in enumerate(JUST.cents)])
    later[60] *= 2 ** (30 / 1200)
    plan = plan_bend(stream, [(3, later)], JUST, None, BendOptions(channels=(1, 2, 3, 4)))
    began: dict[int, list[int]] = {}
    for _, _, data in plan.outputs:
        if data[0] >> 4 == 9:
            began.setdefault(data[1], []).append(data[0] & 15)
        elif data[0] >> 4 == 8:
            assert data[0] & 15 == began[data[1]].pop(0), data.hex(" ")
    assert not any(began.values())
    assert plan.report.demand_max >= 2  # the kept notes still have channels of their own
