"""Files that are hard for a method that spreads notes over channels: full, wide, held, reset and turned into drums."""

from __future__ import annotations

import pytest
from support.bendcheck import Findings, check
from support.streams import Frequencies, Stream

from bridge.engine.bend.file import BendFileEngine, BendPlan, plan_bend
from bridge.engine.bend.options import BendOptions
from bridge.errors import MethodProblem, ValueProblem
from bridge.wire.profile import SynthProfile

JUST = Frequencies([0, 12, 4, 16, -14, -2, -10, 2, 14, -16, 18, -12])  # five-limit on C, to the nearest cent
UNEVEN = Frequencies(
    [(key * 37) % 83 - 41 for key in range(128)]
)  # no two neighbours alike, no octave repeats
EQUAL = Frequencies([0] * 12)


def on(key: int, channel: int = 1, velocity: int = 80) -> bytes:
    return bytes((0x8F + channel, key, velocity))


def off(key: int, channel: int = 1) -> bytes:
    return bytes((0x7F + channel, key, 64))


def cc(number: int, value: int, channel: int = 1) -> bytes:
    return bytes((0xAF + channel, number, value))


def wheel(value: int, channel: int = 1) -> bytes:
    return bytes((0xDF + channel, value & 127, value >> 7))


def rpn(lsb: int, msb_value: int, lsb_value: int = 0, channel: int = 1) -> list[bytes]:
    return [cc(101, 0, channel), cc(100, lsb, channel), cc(6, msb_value, channel), cc(38, lsb_value, channel)]


def stream(*timed: tuple[float, bytes | list[bytes]]) -> Stream:
    """A stream from times and messages."""
    return [(time_s, data) for time_s, some in timed for data in (some if isinstance(some, list) else [some])]


def plan_and_check(
    source: Stream,
    table: Frequencies = JUST,
    options: BendOptions | None = None,
    profile: SynthProfile | None = None,
) -> tuple[BendPlan, Findings]:
    plan = plan_bend(source, [], table, profile, options)
    found = check(source, [(anchor, data) for anchor, _, data in plan.outputs], table)
    assert found.problems == []
    assert found.worst_cents == pytest.approx(plan.report.worst_cents, abs=1e-6)
    assert len(found.off) == plan.report.notes - plan.report.exact
    return plan, found


def sent(plan: BendPlan) -> list[bytes]:
    return [data for _, _, data in plan.outputs]


def test_a_file_that_needs_no_spreading_keeps_its_channel_and_its_bytes() -> None:
    notes = [(1.0, on(60, 3)), (2.0, off(60, 3)), (2.0, on(60, 3)), (3.0, off(60, 3))]
    source = stream((0.0, bytes((0xC2, 24))), (0.0, cc(7, 90, 3)), *notes)
    plan, found = plan_and_check(source)
    assert found.channels == {2}
    kept = {id(data) for data in sent(plan)}
    assert all(id(data) in kept for _, data in source)


def test_a_chord_is_set_up_before_its_first_note() -> None:
    keys = (48, 52, 55, 58)
    source = stream(
        (0.0, bytes((0xC0, 5))), (1.0, [on(key) for key in keys]), (2.0, [off(key) for key in keys])
    )
    plan, found = plan_and_check(source)
    assert found.off == []
    messages = sent(plan)
    first = next(at for at, data in enumerate(messages) if data[0] & 0xF0 == 0x90)
    assert [data[0] & 0xF0 for data in messages[first : first + 4]] == [0x90] * 4


def test_a_chord_played_by_hand_is_set_up_before_its_first_note_too() -> None:
    keys = (48, 52, 55, 58)
    source = stream(
        *[(1.0 + at * 0.008, on(key)) for at, key in enumerate(keys)], *[(2.0, off(key)) for key in keys]
    )
    plan, _ = plan_and_check(source)
    messages = sent(plan)
    first = next(at for at, data in enumerate(messages) if data[0] & 0xF0 == 0x90)
    assert [data[0] & 0xF0 for data in messages[first : first + 4]] == [0x90] * 4


def test_a_decaying_note_is_not_bent_while_another_channel_is_free() -> None:
    source = stream(
        (0.0, on(60)), (1.0, off(60)), (1.1, on(64)), (2.0, off(64)), (2.1, on(60)), (3.0, off(60))
    )
    _, found = plan_and_check(source)
    first, second, third = (note.channel for note in found.notes)
    assert first != second
    assert third == first  # its set-up and bend fit still


def test_the_tail_yields_where_channels_are_short() -> None:
    source = stream((0.0, on(60)), (1.0, off(60)), (1.1, on(64)), (2.0, off(64)))
    _, found = plan_and_check(source, options=BendOptions(channels=(1,)))
    assert found.off == []
    assert found.channels == {0}


def test_octaves_of_a_note_share_a_channel() -> None:
    source = stream(
        (0.0, [on(key) for key in (40, 52, 64, 76)]), (1.0, [off(key) for key in (40, 52, 64, 76)])
    )
    _, found = plan_and_check(source)
    assert found.channels == {0}


def test_notes_on_all_sixteen_channels() -> None:
    keys = range(40, 56)
    source = stream(
        (0.0, [on(key, channel) for channel, key in enumerate(keys, 1)]),
        (1.0, [off(key, channel) for channel, key in enumerate(keys, 1)]),
    )
    plan, found = plan_and_check(source)
    assert plan.report.demand_max == 15
    assert found.off == []
    assert found.channels == set(range(16)) - {9}
    assert on(49, 10) in sent(plan)


def test_sixteen_channels_with_chords_of_two_lose_as_little_as_can_be() -> None:
    channels = [channel for channel in range(1, 17) if channel != 10]
    chord = [on(key, channel) for channel in channels for key in (36 + channel, 60 + 2 * channel)]
    source = stream((0.0, chord), (1.0, [bytes((data[0] - 16, data[1], 0)) for data in chord]))
    plan, found = plan_and_check(source)
    assert found.off
    assert len(found.notes) == 30
    for note in found.off:  # each channel keeps its louder, lower or tonic note: only one of two is off
        assert sum(other.source == note.source for other in found.off) == 1
    assert plan.report.bars(lambda anchor: 1)[0]["notes_off"] == len(found.off)


def test_forty_nine_notes_held_by_the_pedal() -> None:
    keys = list(range(36, 85))
    source = stream(
        (0.0, cc(64, 127)),
        *[(0.1 * at, [on(key)]) for at, key in enumerate(keys)],
        *[(0.1 * at + 0.05, [off(key)]) for at, key in enumerate(keys)],
        (9.0, cc(64, 0)),
    )
    source.sort(key=lambda event: event[0])
    plan, found = plan_and_check(source)
    assert len(found.notes) == 49
    assert plan.report.demand_max == 12
    assert found.off == []


def test_a_half_pressed_pedal_holds_as_well() -> None:
    source = stream(
        (0.0, cc(64, 30)), (0.1, on(60)), (0.2, off(60)), (0.3, on(64)), (0.4, off(64)), (0.5, cc(64, 0))
    )
    plan, found = plan_and_check(source)
    assert plan.report.demand_max == 2
    assert found.notes[0].channel != found.notes[1].channel
    # the second channel learns of the pedal before its note
    assert cc(64, 30, found.notes[1].channel + 1) in sent(plan)


def test_a_source_bend_range_of_24() -> None:
    source = stream(
        (0.0, rpn(0, 24)),
        (0.5, [on(64), on(67)]),
        (0.6, wheel(16383)),
        (0.7, wheel(0)),
        (0.8, wheel(8192 + 3000)),
        (1.0, [off(64), off(67)]),
    )
    plan, found = plan_and_check(source)
    # E is 14 cents flat and G 2 sharp: the last of 24 semitones lie beyond the range, which is the source's own
    assert plan.report.ranges_semitones == {1: 24}
    assert plan.report.clipped == 2
    assert found.worst_cents == pytest.approx(14.0, abs=0.01)
    assert any("cut short" in text for text in plan.report.notices)


def test_an_mpe_source_that_sends_only_the_configuration_bends_by_48() -> None:
    zone = [cc(101, 0), cc(100, 6), cc(6, 3), cc(101, 127), cc(100, 127)]
    source = stream((0.0, zone), (0.5, on(64, 2)), (0.6, wheel(8192 + 512, 2)), (1.0, off(64, 2)))
    plan, found = plan_and_check(source)
    assert plan.report.ranges_semitones == {2: 3}  # 300 cents, less 14
    assert found.off == []


@pytest.mark.parametrize("method", ["bend", "mpe"])
@pytest.mark.parametrize("manager", [1, 16])
def test_no_zone_of_the_source_comes_to_be_on_the_synth(method: str, manager: int) -> None:
    """A manager that is a drum kit passes as it is; if its zone came to be, the synth would bend all of it together."""
    zone = [cc(101, 0, manager), cc(100, 6, manager), cc(6, 5, manager), cc(38, 0, manager)]
    kit = [cc(0, 127, manager), bytes((0xBF + manager, 0))]
    own = 3 if manager == 1 else 14
    source = stream((0.0, [*zone, *kit]), (0.5, on(64, own)), (0.6, wheel(9000, own)), (1.0, off(64, own)))
    plan = plan_bend(source, [], JUST, None, None, method)
    assert set(kit) <= set(sent(plan))
    assert cc(6, 5, manager) not in sent(plan)
    assert cc(38, 0, manager) not in sent(plan)
    if method == "bend":
        plan_and_check(source)


def test_a_source_bend_range_of_24_that_is_little_used_needs_no_wide_range() -> None:
    source = stream((0.0, rpn(0, 24)), (0.5, on(64)), (0.6, wheel(8192 + 300)), (1.0, off(64)))
    plan, found = plan_and_check(source)
    assert plan.report.ranges_semitones == {1: 2}
    assert found.off == []


def test_full_scale_bends_take_the_next_range() -> None:
    source = stream((0.0, [on(64), on(62)]), (0.1, wheel(0)), (0.2, wheel(16383)), (0.3, [off(64), off(62)]))
    plan, found = plan_and_check(source)
    assert plan.report.ranges_semitones == {1: 3}
    assert found.off == []


def test_a_bend_between_notes_takes_no_range() -> None:
    source = stream(
        (0.0, on(64)), (0.5, off(64)), (2.0, wheel(0)), (2.1, wheel(8192)), (3.0, on(64)), (4.0, off(64))
    )
    assert plan_and_check(source)[0].report.ranges_semitones == {1: 2}


def test_each_part_has_the_range_that_it_needs() -> None:
    source = stream((0.0, [on(64), on(64, 2)]), (0.1, wheel(0, 2)), (0.2, [off(64), off(64, 2)]))
    assert plan_and_check(source)[0].report.ranges_semitones == {1: 2, 2: 3}


def test_fine_tuning_of_the_source_is_added() -> None:
    source = stream(
        (0.0, rpn(1, 67)), (0.5, [on(60), on(64)]), (0.6, rpn(1, 60, 10)), (1.0, [off(60), off(64)])
    )
    plan, found = plan_and_check(source)
    assert found.off == []
    # it is in the bends, and not passed on to be heard twice
    assert not any(data[0] & 0xF0 == 0xB0 and data[1] == 6 and data[2] in (67, 60) for data in sent(plan))


def test_other_parameters_reach_every_channel_whatever_comes_between() -> None:
    source = stream(
        (0.0, [cc(101, 0), cc(100, 5)]),
        (0.1, [on(60), on(64)]),
        (0.2, cc(6, 3)),
        (0.3, [on(67)]),
        (1.0, [off(60), off(64), off(67)]),
    )
    plan, _ = plan_and_check(source)
    assert sum(data[0] & 0xF0 == 0xB0 and data[1:] == bytes((6, 3)) for data in sent(plan)) >= 3


def test_a_fixed_range_cuts_the_bend_and_keeps_the_offset() -> None:
    fixed = SynthProfile("x", "X", "made up", ("bend",), bend_range_fixed_semitones=2)
    source = stream(
        (0.0, on(64)), (0.1, wheel(0)), (0.2, wheel(8192)), (0.3, off(64)), (2.0, on(64)), (3.0, off(64))
    )
    plan, found = plan_and_check(source, profile=fixed)
    assert plan.report.ranges_semitones == {1: 2}
    assert plan.report.clipped == 1
    assert [round(note.worst_cents, 1) for note in found.notes] == [14.0, 0.0]


def test_an_offset_beyond_the_range_is_refused() -> None:
    fixed = SynthProfile("x", "X", "made up", ("bend",), bend_range_fixed_semitones=2)
    far = Frequencies([250] * 12)
    source = stream((0.0, on(64)), (1.0, off(64)))
    with pytest.raises(MethodProblem, match=r"channel 1 .*\+250 cents.*±2 semitones.*--method note"):
        plan_bend(source, [], far, fixed)
    plan, found = plan_and_check(source, far)
    assert plan.report.ranges_semitones == {1: 3}
    assert found.off == []


def test_drums_stay_where_they_are() -> None:
    source = stream(
        (0.0, bytes((0xC9, 8))),
        (0.0, [cc(0, 120, 12), bytes((0xCB, 0))]),
        (0.1, [on(38, 10), on(40, 12), wheel(9000, 12), on(60, 1)]),
        (0.5, [off(38, 10), off(40, 12), off(60, 1)]),
    )
    plan, found = plan_and_check(source)
    messages = sent(plan)
    for _, data in source:
        if data[0] & 15 in (9, 11):
            assert any(each is data for each in messages)
    assert len(found.notes) == 1
    assert 10 not in plan.report.channels
    assert 12 not in plan.report.channels
    assert plan.report.channels_allowed == 14


def test_a_gs_rhythm_part_is_drums() -> None:
    part = bytes.fromhex("f04110421240 1b 15 02 0e f7".replace(" ", ""))
    assert sum(part[5:-1]) % 128 == 0
    source = stream((0.0, part), (0.1, on(38, 12)), (0.2, off(38, 12)))
    plan, found = plan_and_check(source)
    assert found.notes == []
    assert sent(plan) == [data for _, data in source]


def test_after_a_reset_everything_is_sent_again_before_the_next_note() -> None:
    reset = bytes.fromhex("f07e7f0901f7")
    source = stream(
        (0.0, cc(7, 90)),
        (0.1, on(64)),
        (0.5, off(64)),
        (1.0, reset),
        (1.05, on(64)),
        (1.5, off(64)),
    )
    plan, found = plan_and_check(source)
    assert found.off == []
    messages = sent(plan)
    after = messages[messages.index(reset) :]
    assert any(data[0] & 0xF0 == 0xE0 for data in after)
    assert sum(data[0] & 0xF0 == 0xB0 and data[1] == 6 for data in after) == 1


def test_reset_all_controllers_does_not_untune_a_note() -> None:
    chord = [on(60), on(64)]
    source = stream(
        (0.0, chord), (0.1, wheel(9000)), (0.2, cc(121, 0)), (0.3, wheel(8000)), (1.0, [off(60), off(64)])
    )
    assert plan_and_check(source)[1].off == []


def test_all_notes_off_reaches_every_channel() -> None:
    source = stream((0.0, [on(60), on(64)]), (0.5, cc(123, 0)), (0.6, [off(60), off(64)]))
    plan, found = plan_and_check(source)
    for note in found.notes:
        assert cc(123, 0, note.channel + 1) in sent(plan)


def test_a_note_silenced_early_still_gets_its_end_when_its_channel_is_taken() -> None:
    source = stream((0.0, on(60)), (0.1, cc(120, 0)), (2.0, on(60, 2)), (3.0, [off(60), off(60, 2)]))
    plan, found = plan_and_check(source, options=BendOptions(channels=(1,)))
    assert sum(data[0] & 0xF0 == 0x80 for data in sent(plan)) == 2
    assert found.off == []


def test_mono_mode_stays_on_one_channel_and_the_bend_follows_the_note() -> None:
    source = stream((0.0, cc(126, 1)), (0.1, on(60)), (0.5, on(64)), (0.9, off(64)), (1.2, off(60)))
    plan, found = plan_and_check(source)
    assert found.off == []
    assert len({note.channel for note in found.notes}) == 1
    bends = [data for data in sent(plan) if data[0] & 0xF0 == 0xE0]
    assert len(bends) == 3  # to the first note, to the second, and back


def test_what_a_newer_note_ended_in_mono_mode_is_not_off_when_poly_mode_is_back() -> None:
    """Poly mode ends everything by the standard; else only the newest note is left. None is out of tune."""
    notes = stream((0.1, on(60)), (0.5, on(64)))
    source = stream(
        (0.0, cc(126, 1)), *notes, (0.9, cc(127, 0)), (1.0, wheel(9000)), (1.2, [off(60), off(64)])
    )
    plan, found = plan_and_check(source, options=BendOptions(channels=(1,)))
    assert (len(found.notes), found.off, plan.report.exact) == (2, [], 2)
    # Its note-off is still to come, and until then its channel follows: mono mode again is kept.
    again = stream(
        (0.0, cc(126, 1)), *notes, (0.9, cc(127, 0)), (1.0, off(64)), (3.0, cc(126, 1)), (3.0, on(65))
    )
    plan_and_check([*again, *stream((4.0, [off(60), off(65)]))])


def test_a_channel_with_a_note_that_mono_mode_ended_is_not_free_until_its_note_off() -> None:
    mono, poly = cc(126, 1), cc(127, 0)
    source = stream(
        *((0.0, [on(66), mono]), (0.1, on(66)), (0.3, [on(58), off(66)]), (2.1, poly), (2.4, off(58))),
        *((3.0, on(62, 2)), (4.5, on(59, 2)), (9.0, mono), (9.3, on(63))),
        (10.0, [off(66), off(63), off(62, 2), off(59, 2)]),
    )
    plan_and_check(source, UNEVEN, BendOptions(channels=(1, 2, 4)))


def test_notes_struck_in_poly_mode_share_a_channel_whatever_came_before() -> None:
    source = stream(
        *((0.0, cc(126, 1)), (0.1, on(60)), (0.9, cc(127, 0)), (1.0, off(60)), (2.0, [on(60), on(64)])),
        (3.0, [off(60), off(64)]),
    )
    assert len(plan_and_check(source, options=BendOptions(channels=(1,)))[1].off) == 1


def test_an_overlapping_unison_stays_on_one_channel() -> None:
    source = stream((0.0, on(64)), (0.5, on(64)), (1.0, off(64)), (1.5, off(64)))
    assert len({note.channel for note in plan_and_check(source)[1].notes}) == 1


def test_local_control_passes_untouched() -> None:
    local = cc(122, 0)
    source = stream((0.0, local), (0.1, [on(60), on(64)]), (0.2, [off(60), off(64)]))
    assert sum(each is local for each in sent(plan_and_check(source)[0])) == 1


def test_channels_can_be_limited_and_ten_allowed() -> None:
    keys = (60, 61, 62, 63)
    source = stream((0.0, [on(key) for key in keys]), (1.0, [off(key) for key in keys]))
    plan, found = plan_and_check(source, options=BendOptions(channels=(9, 10, 11, 12)))
    assert found.channels == {8, 9, 10, 11}
    assert any("channel 10" in text for text in plan.report.notices)
    with_drums = stream((0.0, on(38, 10)), (0.1, off(38, 10)), *source)
    _, found = plan_and_check(with_drums, options=BendOptions(channels=(9, 10, 11, 12)))
    assert found.channels == {8, 10, 11}


@pytest.mark.parametrize(
    ("fields", "match"),
    [
        ({"channels": (0,)}, "channel 0 is out of range"),
        ({"channels": ()}, "no channel is allowed"),
        ({"parts": (17,)}, "part 17"),
        ({"parts": (1, 2, 3)}, "3 parts .* two zones"),
        ({"tail_s": -1.0}, "tail of -1 s"),
        ({"chord_s": float("nan")}, "chord of nan s"),
    ],
)
def test_options_out_of_range_are_named(fields: dict[str, object], match: str) -> None:
    with pytest.raises(ValueProblem, match=match):
        BendOptions(**fields)  # type: ignore[arg-type]


def test_no_channel_left_is_refused() -> None:
    source = stream((0.0, on(38, 10)), (1.0, off(38, 10)))
    with pytest.raises(MethodProblem, match="no channel is left"):
        plan_bend(source, [], JUST, None, BendOptions(channels=(10,)))


def test_a_note_that_nothing_ends_keeps_its_channel_to_the_end() -> None:
    source = stream((0.0, on(60)), (1.0, on(64)), (5.0, off(64)), (6.0, on(67)), (7.0, off(67)))
    assert plan_and_check(source)[1].off == []


def test_an_empty_file() -> None:
    plan = plan_bend([], [], JUST)
    assert list(plan.outputs) == []
    assert plan.report.to_json(lambda anchor: 1)["notes"] == 0
    assert plan.report.lines()[0] == "no pitched notes"


def test_meta_events_and_markers() -> None:
    tempo = b"\xff\x51\x07\xa1\x20"
    source: Stream = [(0.0, tempo), (0.0, on(60)), (0.5, b""), (1.0, off(60))]
    plan = plan_bend(source, [(2, EQUAL)], JUST)
    assert sent(plan)[0] is tempo
    assert b"" not in sent(plan)
    assert check(source, [(anchor, data) for anchor, _, data in plan.outputs], JUST, {2: EQUAL}).off == []


def test_notes_that_part_at_a_change_have_channels_of_their_own() -> None:
    apart = Frequencies([0] * 60 + [20] * 68)
    source: Stream = [(0.0, on(48)), (0.0, on(60)), (1.0, b""), (2.0, off(48)), (2.0, off(60))]
    plan = plan_bend(source, [(2, apart)], EQUAL)
    found = check(source, [(anchor, data) for anchor, _, data in plan.outputs], EQUAL, {2: apart})
    assert plan.report.demand_max == 2
    assert found.off == []


def test_the_engine_of_the_seam_gives_the_same() -> None:
    source = stream((0.0, [on(60), on(64)]), (1.0, [off(60), off(64)]))
    engine = BendFileEngine(None, "bend", JUST)
    assert list(engine.process(source, [])) == list(plan_bend(source, [], JUST).outputs)
    assert engine.plan is not None


def test_a_stray_note_off_ends_nothing() -> None:
    source = stream((0.0, off(60)), (0.1, on(60)), (0.2, off(60)), (0.3, off(60)), (0.4, off(60, 5)))
    plan, _ = plan_and_check(source)
    assert sum(data[0] & 0xF0 == 0x80 for data in sent(plan)) == 4


def test_channels_without_notes_pass_untouched() -> None:
    source = stream(
        (0.0, [cc(7, 3, 14), wheel(100, 14), *rpn(0, 12, 0, 14), bytes((0xCD, 4))]),
        (0.1, on(60)),
        (0.2, off(60)),
    )
    messages = sent(plan_and_check(source)[0])
    assert [data for data in messages if data[0] & 15 == 13] == [data for _, data in source[:7]]


def test_a_channel_that_a_silent_part_has_detuned_is_put_straight_before_it_is_used() -> None:
    source = stream((0.0, rpn(1, 60, 0, 2)), (0.1, [on(60), on(61)]), (1.0, [off(60), off(61)]))
    _, found = plan_and_check(source, options=BendOptions(channels=(1, 2)))
    assert found.channels == {0, 1}
    assert found.off == []


def test_notes_that_a_second_press_of_the_sostenuto_pedal_holds_are_counted() -> None:
    """Found where channels were crowded: the note sounded on and was bent, and the report did not know."""
    source = stream(
        (0.0, cc(66, 64)),
        (0.1, on(60)),
        (0.2, cc(66, 64)),  # pressed again, without having been let go
        (0.3, off(60)),
        (0.4, on(61)),
        (0.5, on(62)),
        (1.0, [off(61), off(62), cc(66, 0)]),
    )
    _, found = plan_and_check(source, UNEVEN, BendOptions(channels=(1,)))
    assert len(found.off) >= 2


def test_notes_that_end_together_do_not_count_as_bent_in_between() -> None:
    source = stream(
        (0.0, [cc(64, 127), on(60), on(61), on(62)]), (0.5, [off(60), off(61), off(62)]), (1.0, cc(64, 0))
    )
    plan, _ = plan_and_check(source, UNEVEN, BendOptions(channels=(1,)))
    assert not any(data[0] >> 4 == 0xE for anchor, _, data in plan.outputs if anchor == len(source) - 1)


GS_DRUMS = [
    bytes.fromhex("f041104212401115" + end) for end in ("0119f7", "001af7")
]  # channel 1: rhythm part, or none


def test_a_note_beside_an_older_drum_of_its_key_is_planned_to_its_own_end() -> None:
    """The first note-off is the drum's; until the second the note needs a channel, and three notes have two."""
    source = stream(
        *((0.1 * at, data) for at, data in enumerate((GS_DRUMS[0], on(64), GS_DRUMS[1], on(64), off(64)))),
        (1.0, on(65)),
        (2.0, on(60, 4)),
        (3.0, [off(64), off(65), off(60, 4)]),
    )
    plan, found = plan_and_check(source, UNEVEN, BendOptions(channels=(2, 3)))
    assert plan.report.notes == 3
    assert len(found.off) == 1  # one of the two that share


@pytest.mark.parametrize("silence", [bytes.fromhex("f07e7f0901f7"), cc(120, 0), cc(123, 0)])
def test_a_drum_that_was_silenced_needs_no_note_off(silence: bytes) -> None:
    """What comes then is the end of the note that was struck after it: otherwise that would hang."""
    source = stream(
        (0.0, [GS_DRUMS[0], on(64)]), (0.5, silence), (0.6, GS_DRUMS[1]), (1.0, on(64)), (2.0, off(64))
    )
    plan, _ = plan_and_check(source)
    struck = next(data for data in reversed(sent(plan)) if data[0] >> 4 == 9)
    assert sent(plan)[-1] == bytes((struck[0] & 0x8F, 64, 64))
