"""MPE zones: channels and configuration from the specification, two zones, a receiver's view.

Source: *MIDI Polyphonic Expression*, version 1.0 (The MIDI Association, 2018).
"""

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import ValueProblem
from bridge.wire import mpe, rpn
from bridge.wire.mpe import MpeReceiver, Zone


def test_default_zones():
    assert Zone.lower().channels == (1, 2, 3, 4, 5, 6, 7, 8, 9)
    assert Zone.upper().channels == (16, 15, 14, 13, 12, 11)


@pytest.mark.parametrize("members", range(1, 16))
def test_member_channels_count_from_the_manager(members):
    assert Zone.lower(members).member_channels == tuple(range(2, 17))[:members]
    assert Zone.upper(members).member_channels == tuple(range(15, 0, -1))[:members]


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Zone(2, 5), "channel 2 cannot manage.*1 .lower zone. or 16"),
        (lambda: Zone(1, 0), "cannot have 0 member channels.*1 to 15"),
        (lambda: Zone.upper(16), "cannot have 16 member channels"),
        (lambda: Zone.lower().messages(97), "member bend range of 97 semitones.*1 to 96"),
        (lambda: Zone.lower().messages(0), "member bend range of 0"),
        (lambda: Zone.lower().messages(48, 100), "manager bend range of 100"),
    ],
)
def test_impossible_zones(make, message):
    with pytest.raises(ValueProblem, match=message):
        make()


def test_set_up_by_hand():
    """RPN 00 06 on the manager, then RPN 00 00 on the manager (±2) and on both members (±48), each with its null."""
    head = "B0 65 00 B0 64 06 B0 06 02 B0 65 7F B0 64 7F"
    manager = "B0 65 00 B0 64 00 B0 06 02 B0 26 00 B0 65 7F B0 64 7F"
    first = "B1 65 00 B1 64 00 B1 06 30 B1 26 00 B1 65 7F B1 64 7F"
    second = first.replace("B1", "B2")
    assert b"".join(Zone.lower(2).messages()) == bytes.fromhex(head + manager + first + second)


@pytest.mark.parametrize(
    ("zone", "expected"),
    [
        (Zone.lower(8), {channel: (48 if channel > 1 else 2) << 7 for channel in range(1, 10)}),
        (Zone.upper(5), {channel: (48 if channel < 16 else 2) << 7 for channel in range(11, 17)}),
    ],
)
def test_set_up_as_a_reader_sees_it(zone, expected):
    reader = rpn.RpnReader()
    for message in zone.messages():
        assert mido.Message.from_bytes(message).type == "control_change"
        reader.feed_message(message)
    for channel in range(1, 17):
        assert reader.value(channel, rpn.BEND_RANGE) == expected.get(channel)
        members = zone.members << 7 if channel == zone.manager else None
        assert reader.value(channel, rpn.MPE_CONFIGURATION) == members
        assert reader.selected(channel) is None


def test_a_narrower_range_is_for_the_members_only():
    reader = rpn.RpnReader()
    for message in Zone.upper(3).messages(2):
        reader.feed_message(message)
    assert [reader.value(channel, rpn.BEND_RANGE) for channel in (16, 15, 14, 13)] == [2 << 7] * 4


def receive(*configurations):
    receiver = MpeReceiver()
    for channel, members in configurations:
        receiver.configure(channel, members)
    return receiver


@pytest.mark.parametrize(
    ("configurations", "zones"),
    [
        ([], ()),
        ([(1, 8)], (Zone.lower(8),)),
        ([(16, 5), (1, 8)], (Zone.lower(8), Zone.upper(5))),
        ([(1, 8), (1, 0)], ()),
        ([(1, 8), (16, 10)], (Zone.lower(4), Zone.upper(10))),  # the older zone shrinks
        ([(16, 10), (1, 13)], (Zone.lower(13), Zone.upper(1))),
        ([(16, 10), (1, 14)], (Zone.lower(14),)),  # and ends when it has no member left
        ([(1, 3), (16, 15)], (Zone.upper(15),)),
        ([(2, 5), (1, 16), (1, 127)], ()),  # not a manager, not a number of members
        ([(16, 0)], ()),
    ],
)
def test_a_receivers_zones(configurations, zones):
    assert receive(*configurations).zones == zones


@given(st.lists(st.tuples(st.integers(0, 17), st.integers(-1, 127)), max_size=8))
def test_a_receivers_zones_never_overlap(configurations):
    receiver = receive(*configurations)
    taken = [channel for zone in receiver.zones for channel in zone.channels]
    assert len(taken) == len(set(taken))
    for channel in range(1, 17):
        zone = receiver.zone_of(channel)
        manager = receiver.manager_of(channel)
        assert (zone is None) == all(channel not in each.channels for each in receiver.zones)
        assert manager == (zone.manager if zone and channel in zone.member_channels else None)
    receiver.clear()
    assert receiver.zones == ()


def test_what_is_sent_is_what_a_receiver_makes_of_it():
    zones = (Zone.lower(), Zone.upper())
    reader, receiver = rpn.RpnReader(), MpeReceiver()

    def send(messages):
        for message in messages:
            change = reader.feed_message(message)
            if change is not None and change.number == rpn.MPE_CONFIGURATION:
                receiver.configure(change.channel, change.msb)

    for zone in zones:
        send(zone.messages())
    assert receiver.zones == zones
    for zone in zones:
        send(zone.end_messages())
    assert receiver.zones == ()


def test_ranges_that_a_configuration_implies():
    assert (mpe.MEMBER_RANGE_SEMITONES, mpe.MANAGER_RANGE_SEMITONES) == (48, 2)
