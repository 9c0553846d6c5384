"""The tone generator's receiver: which notes sound, at what frequency, and what it answers; no sound is made here.

Expected frequencies follow from the formulas of the MIDI 1.0 Detailed Specification, written out in the test.
"""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.sound.generator.channels import Note
from bridge.sound.generator.receiver import Receiver


def hz_of(semitones: float) -> float:
    return 440.0 * 2.0 ** ((semitones - 69.0) / 12.0)


def rpn(channel: int, lsb: int, *data: tuple[int, int]) -> bytes:
    status = 0xB0 | channel - 1
    return bytes((status, 101, 0, status, 100, lsb)) + b"".join(bytes((status, *pair)) for pair in data)


def on(key: int, channel: int = 1) -> bytes:
    return bytes((0x90 | channel - 1, key, 90))


def off(key: int, channel: int = 1) -> bytes:
    return bytes((0x80 | channel - 1, key, 0))


def cc(number: int, value: int, channel: int = 1) -> bytes:
    return bytes((0xB0 | channel - 1, number, value))


def keys(receiver: Receiver, channel: int | None = None) -> list[int]:
    return sorted(note.key for note in receiver.sounding(channel))


def note_tuning(key: int, semitone: int, *, program: int = 0, device: int = 0x7F) -> bytes:
    return bytes((0xF0, 0x7F, device, 8, 2, program, 1, key, semitone, 0, 0, 0xF7))


class Log:
    """A player that writes down what it is told."""

    def __init__(self) -> None:
        self.calls: list[tuple[str, Any]] = []

    def start(self, note: Note) -> None:
        self.calls.append(("start", note.key))

    def release(self, note: Note) -> None:
        self.calls.append(("release", note.key))

    def silence(self, channel: int) -> None:
        self.calls.append(("silence", channel))

    def retune(self, note: Note) -> None:
        self.calls.append(("retune", note.key))

    def change_gain(self, channel: int) -> None:
        self.calls.append(("gain", channel))


# -- notes and pedals -------------------------------------------------------------------------------------------


def test_note_on_with_velocity_0_is_a_note_off_and_running_status_is_understood() -> None:
    receiver = Receiver()
    receiver.feed(bytes((0x90, 60, 90, 64, 90, 67, 90)))
    assert keys(receiver) == [60, 64, 67]
    receiver.feed(bytes((0x90, 60, 0, 67, 0)))
    assert keys(receiver) == [64]


def test_messages_may_come_in_pieces_with_clock_bytes_between() -> None:
    receiver = Receiver()
    for byte in b"\x90\xf8\x3c\xf8\x5a" + note_tuning(60, 61)[:7] + b"\xf8" + note_tuning(60, 61)[7:]:
        receiver.feed(bytes((byte,)))
    assert receiver.hz(1, 60) == pytest.approx(hz_of(61))


def test_sustain_holds_until_it_is_raised() -> None:
    receiver = Receiver()
    receiver.feed(on(60) + cc(64, 64) + off(60) + on(62))
    assert keys(receiver) == [60, 62]
    receiver.feed(cc(64, 63))
    assert keys(receiver) == [62]


def test_sostenuto_holds_only_what_was_down() -> None:
    receiver = Receiver()
    receiver.feed(on(60) + cc(66, 127) + on(62) + off(60) + off(62))
    assert keys(receiver) == [60]
    receiver.feed(cc(66, 127))  # a second message does not catch more
    receiver.feed(on(65) + off(65))
    assert keys(receiver) == [60]
    receiver.feed(cc(66, 0))
    assert keys(receiver) == []


def test_a_key_struck_again_lets_go_of_the_note_before() -> None:
    log = Log()
    receiver = Receiver(log)
    receiver.feed(on(60) + cc(64, 127) + off(60) + on(60) + on(60))
    assert keys(receiver) == [60]
    assert [call for call in log.calls if call[0] != "gain"] == [
        ("start", 60),
        ("release", 60),
        ("start", 60),
        ("release", 60),
        ("start", 60),
    ]


@pytest.mark.parametrize("number", [123, 124, 125, 126, 127])
def test_all_notes_off_respects_the_pedal(number: int) -> None:
    receiver = Receiver()
    receiver.feed(on(60) + on(64) + cc(number, 0))
    assert keys(receiver) == []
    receiver.feed(cc(64, 127) + on(60) + cc(number, 0))
    assert keys(receiver) == [60]
    receiver.feed(cc(64, 0))
    assert keys(receiver) == []


def test_all_sound_off_does_not_wait_for_the_pedal() -> None:
    log = Log()
    receiver = Receiver(log)
    receiver.feed(cc(64, 127, 5) + on(60, 5) + on(62, 6) + cc(120, 0, 5))
    assert keys(receiver, 5) == []
    assert keys(receiver, 6) == [62]
    assert ("silence", 5) in log.calls


def test_reset_all_controllers_keeps_volume_pan_program_and_parameters() -> None:
    # Source: RP-015, "Response to Reset All Controllers".
    receiver = Receiver()
    receiver.feed(bytes((0xC0, 24)) + cc(7, 55) + cc(10, 12) + cc(11, 33) + rpn(1, 0, (6, 7)))
    receiver.feed(cc(64, 127) + on(60) + off(60) + bytes((0xE0, 0, 96)))
    receiver.feed(cc(121, 0))
    channel = receiver.channels[1]
    assert (channel.program, channel.volume, channel.pan) == (24, 55, 12)
    assert channel.bend_range_semitones == 7
    assert (channel.expression, channel.bend, channel.sustain) == (127, 8192, False)
    assert keys(receiver) == []
    receiver.feed(cc(6, 3))  # the parameter is no longer selected
    assert channel.bend_range_semitones == 7


def test_volume_and_expression_follow_general_midi() -> None:
    # Source: General MIDI 2 (RP-024): gain in dB = 40 log10(value / 127).
    receiver = Receiver()
    receiver.feed(cc(7, 100) + cc(11, 64))
    wanted = 40 * math.log10(100 / 127) + 40 * math.log10(64 / 127)
    assert 20 * math.log10(receiver.channels[1].gain) == pytest.approx(wanted)


# -- tunings ----------------------------------------------------------------------------------------------------


def test_program_0_of_bank_0_is_followed_without_being_selected_and_others_are_not() -> None:
    receiver = Receiver()
    receiver.feed(note_tuning(60, 61) + note_tuning(62, 64, program=1))
    assert receiver.hz(1, 60) == pytest.approx(hz_of(61))
    assert receiver.hz(1, 62) == pytest.approx(hz_of(62))
    receiver.feed(rpn(2, 3, (6, 1)))
    assert receiver.hz(2, 62) == pytest.approx(hz_of(64))
    assert receiver.hz(1, 62) == pytest.approx(hz_of(62))


def test_the_bank_counts_when_the_program_is_chosen() -> None:
    receiver = Receiver()
    receiver.feed(bytes((0xF0, 0x7F, 0x7F, 8, 7, 4, 0, 1, 60, 66, 0, 0, 0xF7)))
    receiver.feed(rpn(1, 3, (6, 0)) + rpn(1, 4, (6, 4)))
    assert receiver.hz(1, 60) == pytest.approx(hz_of(60))  # the bank alone changes nothing
    receiver.feed(rpn(1, 3, (6, 0)))
    assert receiver.hz(1, 60) == pytest.approx(hz_of(66))


def test_choosing_a_program_moves_sounding_notes() -> None:
    receiver = Receiver()
    receiver.feed(note_tuning(60, 61, program=5) + on(60))
    receiver.feed(rpn(1, 3, (6, 5)))
    assert receiver.sounding()[0].hz == pytest.approx(hz_of(61))


def test_a_real_time_change_moves_only_the_keys_it_names() -> None:
    receiver = Receiver()
    receiver.feed(on(60) + on(64))
    receiver.feed(bytes((0xF0, 0x7E, 0x7F, 8, 7, 0, 0, 1, 60, 50, 0, 0, 0xF7)))  # for later notes
    receiver.feed(note_tuning(64, 65))
    assert [note.hz for note in receiver.sounding()] == pytest.approx([hz_of(60), hz_of(65)])
    assert receiver.hz(1, 60) == pytest.approx(hz_of(50))


def test_no_change_data_leaves_the_key_alone() -> None:
    receiver = Receiver()
    receiver.feed(note_tuning(60, 61))
    receiver.feed(bytes((0xF0, 0x7F, 0x7F, 8, 2, 0, 2, 60, 0x7F, 0x7F, 0x7F, 61, 63, 0, 0, 0xF7)))
    assert receiver.hz(1, 60) == pytest.approx(hz_of(61))
    assert receiver.hz(1, 61) == pytest.approx(hz_of(63))


def test_scale_octave_tuning_reaches_the_channels_in_its_mask_only() -> None:
    # Source: CA-021: ff bits 0-1 channels 15-16, gg channels 8-14, hh channels 1-7.
    receiver = Receiver()
    receiver.feed(bytes((0xF0, 0x7F, 0x7F, 8, 8, 0b10, 0b1000001, 0b0000001, *(64 + 50,) * 12, 0xF7)))
    moved = [number for number in range(1, 17) if receiver.hz(number, 60) > 1.01 * hz_of(60)]
    assert moved == [1, 8, 14, 16]
    receiver.feed(rpn(8, 3, (6, 0)))  # a tuning program takes over again
    assert receiver.hz(8, 60) == pytest.approx(hz_of(60))


def test_device_ids() -> None:
    receiver = Receiver(device_id=5)
    receiver.feed(note_tuning(60, 61, device=4))
    assert receiver.hz(1, 60) == pytest.approx(hz_of(60))
    receiver.feed(note_tuning(60, 61, device=5) + note_tuning(62, 63, device=0x7F))
    assert receiver.hz(1, 60) == pytest.approx(hz_of(61))
    assert receiver.hz(1, 62) == pytest.approx(hz_of(63))
    anyone = Receiver()
    anyone.feed(note_tuning(60, 61, device=4))
    assert anyone.hz(1, 60) == pytest.approx(hz_of(61))


@pytest.mark.parametrize("bank", [None, 0, 9])
def test_dump_requests_are_answered_with_what_was_stored(bank: int | None) -> None:
    receiver = Receiver(device_id=3)
    where = bytes((bank or 0, 6))
    receiver.feed(b"\xf0\x7f\x03\x08\x07" + where + bytes((1, 60, 61, 0x12, 0x34, 0xF7)))
    request = bytes((0, 6)) if bank is None else bytes((3, bank, 6))
    receiver.feed(b"\xf0\x7e\x03\x08" + request + b"\xf7")
    (reply,) = receiver.replies()
    assert receiver.replies() == []
    head = bytes((1, 6)) if bank is None else bytes((4, bank, 6))
    assert reply.startswith(b"\xf0\x7e\x03\x08" + head)
    at = 4 + len(head) + 16
    data = [tuple(reply[at + 3 * key : at + 3 * key + 3]) for key in range(128)]
    assert data[60] == (61, 0x12, 0x34)
    assert all(data[key] == (key, 0, 0) for key in range(128) if key != 60)
    check = 0
    for byte in reply[1:-2]:
        check ^= byte
    assert reply[-2:] == bytes((check, 0xF7))


def test_no_answer_to_a_request_for_another_device() -> None:
    receiver = Receiver(device_id=3)
    receiver.feed(b"\xf0\x7e\x04\x08\x00\x00\xf7")
    assert receiver.replies() == []


RESETS = {
    "gm": "F0 7E 7F 09 01 F7",
    "gm2": "F0 7E 7F 09 03 F7",
    "gs": "F0 41 10 42 12 40 00 7F 00 41 F7",
    "xg": "F0 43 10 4C 00 00 7E 00 F7",
    "system": "FF",
}


@pytest.mark.parametrize("message", RESETS.values(), ids=RESETS.keys())
def test_resets_bring_back_equal_temperament_and_end_all_notes(message: str) -> None:
    receiver = Receiver()
    receiver.feed(note_tuning(60, 61) + rpn(3, 1, (6, 70)) + rpn(4, 2, (6, 70)) + rpn(5, 0, (6, 12)))
    receiver.feed(rpn(1, 6, (6, 3)) + bytes((0xE6, 0, 96)) + rpn(16, 3, (6, 8)) + cc(7, 20, 9))
    receiver.feed(
        b"\xf0\x7f\x7f\x04\x03\x00\x50\xf7\xf0\x7f\x7f\x04\x04\x00\x45\xf7\xf0\x7f\x7f\x04\x01\x00\x20\xf7"
    )
    receiver.feed(bytes((0xF0, 0x7F, 0x7F, 8, 8, 0, 0, 2, *(64 + 50,) * 12, 0xF7)) + on(60) + on(60, 2))
    receiver.feed(bytes.fromhex(message))
    assert receiver.sounding() == []
    for number in range(1, 17):
        for key in (0, 60, 127):
            assert receiver.hz(number, key) == pytest.approx(hz_of(key), rel=1e-12)
        assert receiver.channels[number].volume == 100
        assert receiver.channels[number].bend_range_semitones == 2
    assert receiver.master_gain == 1.0
    receiver.feed(bytes((0xE0, 0, 96)))
    assert receiver.hz(2, 60) == pytest.approx(hz_of(60))  # no zone is left


# -- MPE --------------------------------------------------------------------------------------------------------


def test_mpe_zones_have_their_ranges_and_only_channels_1_and_16_make_them() -> None:
    receiver = Receiver()
    receiver.feed(rpn(5, 6, (6, 3)))
    assert receiver.channels[6].bend_range_semitones == 2
    receiver.feed(rpn(1, 6, (6, 4)) + rpn(16, 6, (6, 2)))
    ranges = [receiver.channels[number].bend_range_semitones for number in range(1, 17)]
    assert ranges == [2, 48, 48, 48, 48, 2, 2, 2, 2, 2, 2, 2, 2, 48, 48, 2]


def test_a_channel_that_leaves_the_zone_is_an_ordinary_one_again() -> None:
    receiver = Receiver()
    receiver.feed(rpn(1, 6, (6, 4)) + on(60, 2) + on(60, 5) + bytes((0xE4, 0, 96)))
    receiver.feed(rpn(1, 6, (6, 3)))
    assert keys(receiver, 2) == [60]
    assert keys(receiver, 5) == []
    assert receiver.channels[5].bend_range_semitones == 2
    assert receiver.hz(5, 60) == pytest.approx(hz_of(60))
    receiver.feed(rpn(1, 6, (6, 0)))
    assert receiver.channels[2].bend_range_semitones == 2


def test_the_manager_speaks_for_its_members() -> None:
    receiver = Receiver()
    receiver.feed(rpn(1, 6, (6, 3)) + bytes((0xC0, 41)) + cc(7, 80) + on(60, 3) + cc(64, 127) + off(60, 3))
    assert keys(receiver, 3) == [60]
    assert {receiver.channels[number].program for number in (1, 2, 3, 4)} == {41}
    assert receiver.channels[4].volume == 80
    assert receiver.channels[5].volume == 100
    receiver.feed(cc(64, 0))
    assert keys(receiver, 3) == []


def test_the_managers_bend_range_is_its_own() -> None:
    receiver = Receiver()
    receiver.feed(rpn(1, 6, (6, 3)) + rpn(1, 0, (6, 12)) + bytes((0xE0, 0, 96)))
    assert receiver.hz(2, 60) == pytest.approx(hz_of(66))
    assert receiver.channels[2].bend_range_semitones == 48


# -- drums ------------------------------------------------------------------------------------------------------


def test_drums_have_no_pitch_to_move() -> None:
    log = Log()
    receiver = Receiver(log)
    receiver.feed(on(36, 10) + note_tuning(36, 40) + bytes((0xE9, 0, 96)) + off(36, 10))
    assert [call for call in log.calls if call[0] != "gain"] == [("start", 36)]


def test_a_zone_of_fifteen_members_takes_channel_10_from_the_drums() -> None:
    receiver = Receiver()
    assert receiver.is_drums(10)
    receiver.feed(rpn(1, 6, (6, 15)))
    assert not receiver.is_drums(10)


def test_other_channels_become_drums_by_bank_and_by_gs_message() -> None:
    receiver = Receiver()
    receiver.feed(cc(0, 120, 3) + bytes((0xC2, 0)))
    receiver.feed(bytes.fromhex("F0 41 10 42 12 40 1B 15 02 0E F7"))
    drums = [number for number in range(1, 17) if receiver.is_drums(number)]
    assert drums == [3, 10, 12]


# -- hostile bytes ----------------------------------------------------------------------------------------------

_CHUNKS = st.one_of(
    st.binary(max_size=30),
    st.builds(
        lambda head, body: b"\xf0" + head + body + b"\xf7",
        st.sampled_from(
            [b"\x7f\x7f\x08", b"\x7e\x7f\x08", b"\x7f\x7f\x04", b"\x41\x10\x42", b"\x7e\x7f\x09"]
        ),
        st.binary(max_size=420),
    ),
    st.builds(
        lambda channel, lsb, value: rpn(channel, lsb, (6, value), (38, value)),
        st.integers(1, 16),
        st.integers(0, 7),
        st.integers(0, 127),
    ),
    st.builds(
        lambda status, a, b: bytes((status, a, b)),
        st.integers(0x80, 0xEF),
        st.integers(0, 127),
        st.integers(0, 127),
    ),
)


@settings(max_examples=150, deadline=None)
@given(st.lists(_CHUNKS, max_size=40))
def test_no_bytes_make_it_raise_and_a_reset_brings_it_to_rest(chunks: list[bytes]) -> None:
    receiver = Receiver()
    for chunk in chunks:
        receiver.feed(chunk)
    for note in receiver.sounding():
        assert math.isfinite(note.hz)
        assert note.hz > 0
    receiver.feed(b"\xf7" + bytes.fromhex(RESETS["gm"]))
    assert receiver.sounding() == []
    assert [receiver.hz(1, key) for key in range(128)] == pytest.approx([hz_of(key) for key in range(128)])


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=200).filter(lambda data: not data or data[0] < 0xF8))
def test_malformed_system_exclusive_changes_nothing(body: bytes) -> None:
    # Every byte below 80, so that no other message hides in it; not one of the tuning messages by accident.
    data = bytes(byte & 0x7F for byte in body)
    receiver = Receiver()
    receiver.feed(on(60) + b"\xf0\x7f\x7f\x08\x02\x00\x05" + data[:14] + b"\xf7")
    receiver.feed(b"\xf0\x7e\x7f\x08\x01\x00" + data + b"\xf7")
    receiver.feed(b"\xf0\x7f\x7f\x08\x09" + data[:26] + b"\xf7")
    receiver.feed(b"\xf0\x7f\x7f\x04\x03" + data[:1] + b"\xf7")
    assert [receiver.hz(1, key) for key in range(128)] == pytest.approx([hz_of(key) for key in range(128)])
    assert keys(receiver) == [60]
