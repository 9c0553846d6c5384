"""Where tuning messages go in a file: heard through a synth on paper that obeys the standard."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.obedient import ObedientSynth

from bridge.engine.mts.file import MtsFileEngine, find_parts
from bridge.engine.mts.tuner import Tuner
from bridge.engine.rhythm import RhythmTracker
from bridge.errors import MethodProblem
from bridge.wire.profile import SynthProfile

GM_RESET = bytes.fromhex("f07e7f0901f7")
PLAIN = SynthProfile(
    name="plain", title="A synth that follows the standard", source="test", methods=("note", "octave", "dump")
)
Event = tuple[float, bytes]


def just_on(tonic: int, reference_cents: float = 0.0) -> list[float]:
    """A five-limit table on a pitch class, shifted by some cents (ratios: A. J. Ellis, appendix XX to Helmholtz)."""
    ratios = (1, 16 / 15, 9 / 8, 6 / 5, 5 / 4, 4 / 3, 45 / 32, 3 / 2, 8 / 5, 5 / 3, 9 / 5, 15 / 8)
    table = []
    for key in range(128):
        octave, degree = divmod(key - tonic, 12)
        base = 440.0 * 2 ** ((tonic + 12 * octave - 69) / 12)
        table.append(base * ratios[degree] * 2 ** (reference_cents / 1200))
    return table


def on(channel: int, key: int, velocity: int = 80) -> bytes:
    return bytes((0x90 | channel - 1, key, velocity))


def off(channel: int, key: int) -> bytes:
    return bytes((0x80 | channel - 1, key, 0))


def cc(channel: int, number: int, value: int) -> bytes:
    return bytes((0xB0 | channel - 1, number, value))


def run(
    events: Sequence[Event],
    hz: Sequence[float],
    method: str = "note",
    changes: Sequence[tuple[int, list[float]]] = (),
    profile: SynthProfile = PLAIN,
) -> list[Event]:
    """Return the retuned stream as (time, data) in playing order."""
    outputs = list(MtsFileEngine(profile, method, hz).process(events, changes))
    times = [events[anchor][0] if at_s is None else at_s for anchor, at_s, _ in outputs]
    assert times == sorted(times)
    return [(time, data) for time, (_, _, data) in zip(times, outputs, strict=True)]


def heard(stream: Sequence[Event]) -> list[tuple[float, int, int, float]]:
    """Return (time, channel, key, semitones) at every note-on."""
    synth = ObedientSynth()
    notes = []
    for time, data in stream:
        if not data or data[0] == 0xFF:
            continue
        if data[0] & 0xF0 == 0x90 and data[2]:
            notes.append((time, (data[0] & 15) + 1, data[1], synth.pitch(data[0] & 15, data[1])))
        synth.feed(data)
    return notes


def off_cents(semitones: float, hz: float) -> float:
    return 100 * (semitones - 69) - 1200 * math.log2(hz / 440)


HALF_STEP = {"note": 0.0031, "dump": 0.0031, "octave": 0.0062}


@pytest.mark.parametrize("method", ["note", "octave", "dump"])
def test_every_pitched_note_sounds_the_table_and_drums_do_not(method: str) -> None:
    hz = just_on(2, -7.0)
    events = [(0.0, b"\xff\x03name"), (0.0, b"\xc0\x05")]
    events += [(0.1 * index, on(1 + index % 16, 40 + index)) for index in range(48)]
    for _, channel, key, semitones in heard(run(events, hz, method)):
        wanted = 440.0 * 2 ** ((key - 69) / 12) if channel == 10 else hz[key]
        assert abs(off_cents(semitones, wanted)) <= HALF_STEP[method]


def test_own_events_pass_in_order_as_the_same_objects() -> None:
    events = [(0.0, on(1, 60)), (0.5, cc(1, 7, 90)), (0.5, off(1, 60)), (1.0, b"\xff\x2f")]
    outputs = [data for _, _, data in MtsFileEngine(PLAIN, "note", just_on(0)).process(events, [])]
    own = [data for data in outputs if any(data is event for _, event in events)]
    assert [id(data) for data in own] == [id(data) for _, data in events]


@pytest.mark.parametrize(("gap_s", "due_s"), [(0.5, 0.1), (0.05, 0.05), (0.0, 0.0)])
def test_after_a_reset_the_tuning_is_sent_again_in_time(gap_s: float, due_s: float) -> None:
    hz = just_on(2)
    events = [
        (0.0, on(1, 62)),
        (0.9, off(1, 62)),
        (1.0, GM_RESET),
        (1.0 + gap_s, on(1, 66)),
        (3.0, off(1, 66)),
    ]
    stream = run(events, hz)
    again = [
        time
        for time, data in stream[stream.index((1.0, GM_RESET)) :]
        if data[:5] == bytes.fromhex("f07f7f0802")
    ]
    assert again
    assert again[0] == pytest.approx(1.0 + due_s)
    assert abs(off_cents(heard(stream)[-1][3], hz[66])) <= 0.0031


def test_a_reset_before_the_first_note_makes_one_set_up_not_two() -> None:
    events = [(0.0, b"\xff\x03x"), (0.0, GM_RESET), (1.0, on(1, 60)), (2.0, off(1, 60))]
    stream = run(events, just_on(0))
    sent = [time for time, data in stream if data[:5] == bytes.fromhex("f07f7f0802")]
    assert sent == [0.1, 0.1]  # 128 keys take two messages of at most 127


def test_a_parameter_entry_of_the_file_goes_on_after_an_insertion() -> None:
    # The file selects its bend range, then changes table while that is selected, then enters the value.
    a, b = just_on(2), just_on(7)
    events = [
        (0.0, cc(1, 101, 0)), (0.0, cc(1, 100, 0)), (0.5, on(1, 60)), (0.9, b""), (1.0, cc(1, 6, 12)),
        (1.0, bytes((0xE0, 0, 96))), (1.1, on(1, 62)),
    ]  # fmt: skip
    stream = run(events, a, changes=[(3, b)])
    last = heard(stream)[-1]
    bent = ((96 << 7) - 8192) / 8192 * 12  # semitones at a range of 12
    assert abs(off_cents(last[3] - bent, b[62])) <= 0.0031


def test_a_change_sends_only_what_changed() -> None:
    a = just_on(2)
    b = list(a)
    b[64] *= 80 / 81
    events = [(0.0, on(1, 64)), (1.0, b""), (1.0, on(1, 76)), (2.0, off(1, 64))]
    stream = run(events, a, changes=[(1, b)])
    late = [data for time, data in stream if time == 1.0 and data[0] == 0xF0]
    assert [len(data) for data in late] == [12]  # F0 7F dd 08 02 tt 01, key and three bytes, F7


def test_dump_changes_few_keys_by_single_notes_where_the_synth_obeys_them() -> None:
    a = just_on(2)
    b = list(a)
    b[64] *= 80 / 81
    tuner = Tuner(PLAIN, "dump", [1])
    assert [len(m) for m in tuner.messages(a)] == [408]
    assert [len(m) for m in tuner.messages(b)] == [12]
    only_dump = Tuner(replace(PLAIN, methods=("dump",)), "dump", [1])
    only_dump.messages(a)
    assert [len(m) for m in only_dump.messages(b)] == [408]
    assert only_dump.messages(b) == []


def test_whole_cents_with_fine_tuning_adds_to_the_files_own() -> None:
    profile = replace(PLAIN, methods=("octave",), octave_form=1, fine_tuning="rpn")
    hz = just_on(2, -30.4)
    own = [cc(1, 101, 0), cc(1, 100, 1), cc(1, 6, 64 + 3), cc(1, 38, 0)]  # +3/64 of a semitone
    events = [(0.0, on(1, 62)), *((0.5, data) for data in own), (1.0, on(1, 66)), (1.0, on(2, 66))]
    notes = heard(run(events, hz, "octave", profile=profile))
    own_cents = 3 / 64 * 100
    for (_, channel, key, semitones), added in zip(notes, (0.0, own_cents, 0.0), strict=True):
        assert channel in (1, 2)
        assert abs(off_cents(semitones, hz[key]) - added) <= 0.5 + 0.0062


def test_paced_sysex_is_spread_but_never_delays_a_note() -> None:
    profile = replace(PLAIN, keys_per_message=32, sysex_gap_s=0.05)
    events = [(0.0, b"\xc0\x05"), (0.12, on(1, 60)), (1.0, off(1, 60))]
    stream = run(events, just_on(2), profile=profile)
    sent = [time for time, data in stream if data[0] == 0xF0]
    assert sent == pytest.approx([0.0, 0.05, 0.1, 0.12])
    assert abs(off_cents(heard(stream)[0][3], just_on(2)[60])) <= 0.0031


def test_a_channel_that_turns_into_drums_puts_the_tuning_aside() -> None:
    hz = just_on(2)
    kit = [cc(3, 0, 120), b"\xc2\x00"]
    melodic = [cc(3, 0, 121), b"\xc2\x05"]
    events = [
        (0.0, on(3, 66)), *((1.0, data) for data in kit), (1.0, on(3, 66)),
        *((2.0, data) for data in melodic), (2.0, on(3, 66)),
    ]  # fmt: skip
    first, drums, again = heard(run(events, hz))
    assert abs(off_cents(first[3], hz[66])) <= 0.0031
    assert drums[3] == 66.0
    assert abs(off_cents(again[3], hz[66])) <= 0.0031


def test_parts_and_drum_channels() -> None:
    parts = find_parts([(0.0, on(1, 60)), (0.0, on(10, 36)), (0.0, on(2, 60, 0))])
    assert parts.pitched == {1}
    assert parts.drums == {10}
    tracker = RhythmTracker()
    for data in (cc(5, 0, 127), b"\xc4\x00"):
        tracker.feed(data)
    assert tracker.drum_channels == {5, 10}
    tracker.feed(GM_RESET)
    assert tracker.drum_channels == {10}
    # GS: part of channel 11 (block A) to drum map 1; the checksum makes address, data and sum a multiple of 128.
    tracker.feed(
        bytes.fromhex("f041104212401a15010ff7".replace("0ff7", f"{-(0x40 + 0x1A + 0x15 + 1) % 128:02x}f7"))
    )
    assert tracker.is_drums(11)


def test_a_synth_that_does_not_listen_on_a_channel_is_named() -> None:
    profile = replace(PLAIN, channels=(1, 2, 3, 4, 11))
    with pytest.raises(MethodProblem, match=r"channel 7 plays pitched notes.*1-4, 11"):
        MtsFileEngine(profile, "note", just_on(0)).process([(0.0, on(7, 60))], [])


_messages = st.one_of(
    st.builds(on, st.integers(1, 16), st.integers(0, 127), st.integers(0, 127)),
    st.builds(off, st.integers(1, 16), st.integers(0, 127)),
    st.builds(cc, st.integers(1, 16), st.sampled_from([1, 7, 64, 101, 100]), st.integers(0, 127)),
    st.just(GM_RESET),
    st.just(b""),
)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from([0.0, 0.02, 0.3]), _messages), max_size=40),
    st.sampled_from(["note", "dump"]),
)
def test_whatever_the_file_does_every_note_starts_on_the_table_that_holds(
    steps: list[tuple[float, bytes]], method: str
) -> None:
    events: list[Event] = []
    time = 0.0
    for step, data in steps:
        time += step
        events.append((time, data))
    tables = [just_on(2, -7.0), just_on(9), just_on(4, 30.0)]
    markers = [index for index, (_, data) in enumerate(events) if not data]
    changes = [(anchor, tables[1 + number % 2]) for number, anchor in enumerate(markers)]
    stream = run(events, tables[0], method, changes)
    assert [d for _, d in stream if d[0] & 0xF0 in (0x80, 0x90)] == [
        d for _, d in events if d and d[0] & 0xF0 in (0x80, 0x90)
    ]
    wanted, holds = [], tables[0]
    at = dict(changes)
    for index, (_, data) in enumerate(events):
        holds = at.get(index, holds)
        if data and data[0] & 0xF0 == 0x90 and data[2]:
            wanted.append(holds)
    for (_, channel, key, semitones), hz in zip(heard(stream), wanted, strict=True):
        if channel != 10 and 8.18 < hz[key] < 13289:
            assert abs(off_cents(semitones, hz[key])) <= 0.0031
