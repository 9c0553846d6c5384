"""Registered parameters: sequences written by hand from the standard, and the reader that follows them."""

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import ValueProblem
from bridge.wire import rpn


def controls(messages):
    """Messages as mido reads them: (channel 1–16, controller, value)."""
    read = [mido.Message.from_bytes(message) for message in messages]
    assert all(message.type == "control_change" for message in read)
    return [(message.channel + 1, message.control, message.value) for message in read]


def pairs(messages):
    """The same without the channel, which must be one."""
    read = controls(messages)
    assert len({channel for channel, _, _ in read}) == 1
    return [(control, value) for _, control, value in read]


NULL = [(101, 127), (100, 127)]


def follow(messages, reader=None):
    reader = reader or rpn.RpnReader()
    changes = [reader.feed_message(message) for message in messages]
    return [change for change in changes if change is not None]


# MIDI 1.0 Detailed Specification, registered parameter numbers: CC 101 MSB, CC 100 LSB, data entry CC 6 and CC 38.
@pytest.mark.parametrize(
    ("messages", "expected"),
    [
        (rpn.rpn(1, (0, 5), 1), [(101, 0), (100, 5), (6, 1)]),
        (rpn.rpn(1, (0, 5), 1, 64), [(101, 0), (100, 5), (6, 1), (38, 64)]),
        (rpn.rpn_null(1), NULL),
        (rpn.bend_range(1, 2), [(101, 0), (100, 0), (6, 2), (38, 0), *NULL]),
        (rpn.bend_range(1, 12, 50), [(101, 0), (100, 0), (6, 12), (38, 50), *NULL]),
        (rpn.bend_range(1, 2, null=False), [(101, 0), (100, 0), (6, 2), (38, 0)]),
        (rpn.select_tuning(1, 3, 5), [(101, 0), (100, 4), (6, 3), (101, 0), (100, 3), (6, 5), *NULL]),
        (rpn.select_tuning(1, 3, 5, bank_rpn=False), [(101, 0), (100, 3), (6, 5), *NULL]),
        (rpn.mpe_configuration(1, 8), [(101, 0), (100, 6), (6, 8), *NULL]),
        # −50 cents is 4096 = 20 00 in two times seven bits
        (
            rpn.fine_tuning(1, -50),
            [(101, 0), (100, 1), (6, 0x20), (38, 0), (6, 0x20), (38, 0), *NULL],
        ),
        # +10 cents: 8192 + 819.2, so 9011 = 46 33 in two times seven bits
        (
            rpn.fine_tuning(1, 10),
            [(101, 0), (100, 1), (6, 0x46), (38, 0x33), (6, 0x46), (38, 0x33), *NULL],
        ),
    ],
)
def test_sequences(messages, expected):
    assert pairs(messages) == expected


@given(st.integers(1, 16))
def test_sequences_stay_on_their_channel(channel):
    for messages in (
        rpn.rpn(channel, (0, 0), 2),
        rpn.rpn_null(channel),
        rpn.bend_range(channel, 2),
        rpn.fine_tuning(channel, 3),
        rpn.select_tuning(channel, 0, 0),
    ):
        assert {message_channel for message_channel, _, _ in controls(messages)} == {channel}


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: rpn.rpn(0, (0, 0), 2), "channel 0 is out of range.*1 to 16"),
        (lambda: rpn.rpn(1, (0, 128), 2), "controller value 128"),
        (lambda: rpn.rpn(1, (0, 0), -1), "controller value -1"),
        (lambda: rpn.rpn(1, (0, 0), 0, 128), "controller value 128"),
        (lambda: rpn.rpn_null(17), "channel 17"),
        (lambda: rpn.bend_range(1, 128), "bend range of 128.*0 to 127 semitones"),
        (lambda: rpn.bend_range(1, 2, 100), "cents 100 is out of range"),
        (lambda: rpn.bend_range(1, 0), "would switch the bends off"),
        (lambda: rpn.fine_tuning(1, 100), r"fine tuning of \+100 cents.*-100 to \+99\.987"),
        (lambda: rpn.fine_tuning(1, -100.1), "fine tuning of -100.1"),
        (lambda: rpn.fine_tuning(1, float("inf")), r"fine tuning of \+inf"),
        (lambda: rpn.fine_tuning_cents(16384), "fine tuning data 16384"),
        (lambda: rpn.select_tuning(1, 0, 200), "tuning program 200 is out of range"),
        (lambda: rpn.select_tuning(1, 128, 0), "tuning bank 128"),
        (lambda: rpn.mpe_configuration(2, 5), "channel 2 cannot manage"),
        (lambda: rpn.mpe_configuration(1, 16), "member channels 16"),
    ],
)
def test_out_of_range(make, message):
    with pytest.raises(ValueProblem, match=message):
        make()


def test_every_fine_tuning_there_and_back():
    for data in range(16384):
        cents = rpn.fine_tuning_cents(data)
        assert cents == (data - 8192) * 100 / 8192
        assert rpn.fine_tuning_data(cents) == (data, 0)


@given(st.floats(-100, 100 * 8191 / 8192))
def test_fine_tuning_is_read_back_within_half_a_step(cents):
    data, residual_cents = rpn.fine_tuning_data(cents)
    assert abs(residual_cents) <= 100 / 8192 / 2 + 1e-12
    last = follow(rpn.fine_tuning(4, cents))[-1]
    assert last == (4, rpn.FINE_TUNING, data, True)
    assert rpn.fine_tuning_cents(last.value) == pytest.approx(cents + residual_cents)


def receive_at_msb(pairs_sent):
    """A receiver that acts on the MSB only, with the LSB that it saw before (as FluidSynth 2.3.1 was measured)."""
    lsb, value = 0, None
    for control, entry in pairs_sent:
        if control == 38:
            lsb = entry
        elif control == 6:
            value = entry << 7 | lsb
    return value


def receive_by_the_book(pairs_sent):
    """A receiver that sets the LSB to zero when an MSB arrives (MIDI 1.0, "Control Change", 14-bit controllers)."""
    value = None
    for control, entry in pairs_sent:
        if control == 6:
            value = entry << 7
        elif control == 38:
            value = (value or 0) & 0x3F80 | entry
    return value


@given(st.integers(0, 16383))
def test_fine_tuning_ends_right_in_both_kinds_of_receiver(data):
    sent = pairs(rpn.fine_tuning(1, rpn.fine_tuning_cents(data)))
    assert receive_at_msb(sent) == data
    assert receive_by_the_book(sent) == data


@pytest.mark.parametrize(
    ("messages", "expected"),
    [
        (rpn.bend_range(3, 12, 50), (3, rpn.BEND_RANGE, 12 << 7 | 50, True)),
        (rpn.rpn(3, rpn.COARSE_TUNING, 69), (3, rpn.COARSE_TUNING, 69 << 7, True)),
        (rpn.select_tuning(3, 7, 9), (3, rpn.TUNING_PROGRAM, 9 << 7, True)),
        (rpn.mpe_configuration(16, 5), (16, rpn.MPE_CONFIGURATION, 5 << 7, True)),
        (rpn.rpn(3, rpn.MODULATION_DEPTH, 1, 2), (3, rpn.MODULATION_DEPTH, 130, True)),
    ],
)
def test_the_reader_follows_what_is_sent(messages, expected):
    assert follow(messages)[-1] == expected


def test_changes_tell_their_halves():
    change = follow(rpn.bend_range(3, 12, 50))[-1]
    assert (change.msb, change.lsb) == (12, 50)


def test_the_reader_remembers_each_channel_apart():
    reader = rpn.RpnReader()
    follow(rpn.bend_range(1, 12) + rpn.bend_range(2, 24) + rpn.select_tuning(1, 3, 4), reader)
    assert reader.value(1, rpn.BEND_RANGE) == 12 << 7
    assert reader.value(2, rpn.BEND_RANGE) == 24 << 7
    assert reader.value(1, rpn.TUNING_BANK) == 3 << 7
    assert reader.value(2, rpn.TUNING_BANK) is None
    reader.clear(1)
    assert reader.value(1, rpn.BEND_RANGE) is None
    assert reader.value(2, rpn.BEND_RANGE) == 24 << 7
    reader.clear()
    assert reader.value(2, rpn.BEND_RANGE) is None


def feed(reader, *entries, channel=1):
    return [reader.feed(channel, control, value) for control, value in entries]


def test_data_entry_after_null_or_with_nothing_selected_changes_nothing():
    reader = rpn.RpnReader()
    assert feed(reader, (6, 12), (38, 0), (96, 0), (97, 0)) == [None] * 4
    feed(reader, (101, 0), (100, 0), (6, 2), *NULL)
    assert feed(reader, (6, 12)) == [None]
    assert reader.value(1, rpn.BEND_RANGE) == 2 << 7
    assert reader.selected(1) is None


def test_parameters_may_be_selected_lsb_first():
    reader = rpn.RpnReader()
    assert feed(reader, (100, 1), (101, 0), (6, 70))[-1] == (1, rpn.FINE_TUNING, 70 << 7, True)


def test_half_a_selection_keeps_the_other_half():
    reader = rpn.RpnReader()
    feed(reader, (101, 0), (100, 0), (6, 2))
    assert feed(reader, (100, 1), (6, 64))[-1] == (1, rpn.FINE_TUNING, 64 << 7, True)


@pytest.mark.parametrize("order", [[(6, 70), (38, 5)], [(38, 5), (6, 70)], [(6, 70), (38, 5), (6, 70)]])
def test_either_order_of_data_entry(order):
    reader = rpn.RpnReader()
    assert feed(reader, (101, 0), (100, 1), *order)[-1].value == 70 << 7 | 5


def test_the_lsb_of_one_parameter_does_not_reach_the_next():
    reader = rpn.RpnReader()
    feed(reader, (101, 0), (100, 1), (6, 70), (38, 5))
    assert feed(reader, (101, 0), (100, 0), (6, 12))[-1] == (1, rpn.BEND_RANGE, 12 << 7, True)


def test_the_lsb_alone_is_a_fine_adjustment():
    reader = rpn.RpnReader()
    feed(reader, (101, 0), (100, 1), (6, 70), (38, 5), *NULL)
    assert feed(reader, (101, 0), (100, 1), (38, 9))[-1].value == 70 << 7 | 9


def test_nrpn_is_kept_apart():
    reader = rpn.RpnReader()
    feed(reader, (101, 0), (100, 0), (6, 2))
    assert feed(reader, (99, 0), (98, 0), (6, 99))[-1] == (1, (0, 0), 99 << 7, False)
    assert not reader.selected_is_registered(1)
    assert reader.value(1, rpn.BEND_RANGE) == 2 << 7
    assert reader.value(1, (0, 0), registered=False) == 99 << 7
    feed(reader, (100, 0))
    assert reader.selected_is_registered(1)
    assert reader.selected(1) == rpn.BEND_RANGE


def test_reset_all_controllers_deselects_and_keeps_the_values():
    """RP-015: parameter numbers become null; pitch-bend sensitivity, fine tuning and so on stay."""
    reader = rpn.RpnReader()
    feed(reader, (101, 0), (100, 0), (6, 12), (121, 0))
    assert reader.selected(1) is None
    assert feed(reader, (6, 2)) == [None]
    assert reader.value(1, rpn.BEND_RANGE) == 12 << 7


@pytest.mark.parametrize(
    ("number", "start", "control", "expected"),
    [
        (rpn.BEND_RANGE, [(6, 2), (38, 99)], 96, 3 << 7),
        (rpn.BEND_RANGE, [(6, 3)], 97, 2 << 7 | 99),
        (rpn.BEND_RANGE, [(6, 0)], 97, 0),
        (rpn.BEND_RANGE, [], 96, 2 << 7 | 1),
        (rpn.FINE_TUNING, [(6, 64), (38, 127)], 96, 65 << 7),
        (rpn.FINE_TUNING, [], 97, 8191),
        (rpn.FINE_TUNING, [(6, 127), (38, 127)], 96, 16383),
        (rpn.COARSE_TUNING, [], 97, 63 << 7),
        (rpn.TUNING_PROGRAM, [(6, 5)], 96, 6 << 7),
        (rpn.TUNING_BANK, [], 97, 0),
    ],
)
def test_increment_and_decrement(number, start, control, expected):
    """RP-018 (from memory): cents for the bend range, one step for fine tuning, whole numbers for the others."""
    reader = rpn.RpnReader()
    changes = feed(reader, (101, number[0]), (100, number[1]), *start, (control, 0))
    assert changes[-1] == (1, number, expected, True)


@given(st.lists(st.tuples(st.integers(1, 16), st.integers(0, 127), st.integers(0, 255))))
def test_any_controllers_do_no_harm(entries):
    reader = rpn.RpnReader()
    for channel, control, value in entries:
        change = reader.feed(channel, control, value)
        if change is not None:
            assert change.channel == channel
            assert 0 <= change.value <= 16383
            assert reader.value(channel, change.number, change.registered) == change.value


def test_other_messages_are_ignored():
    reader = rpn.RpnReader()
    for data in (b"\x90\x3c\x40", b"\xc0\x05", b"\xf8", b"", b"\xb0\x07\x64"):
        assert reader.feed_message(data) is None
