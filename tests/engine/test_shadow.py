"""What a channel has been told, and what brings another one there."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st
from support.bendcheck import Receiver

from bridge.engine.channel_state import ChannelState, select_messages, set_up

CHANGES = st.lists(
    st.one_of(
        st.tuples(
            st.just("cc"), st.sampled_from((0, 1, 7, 10, 11, 32, 64, 71, 74, 91, 93)), st.integers(0, 127)
        ),
        st.tuples(st.just("program"), st.integers(0, 127), st.just(0)),
        st.tuples(st.just("pressure"), st.integers(0, 127), st.just(0)),
        st.tuples(st.just("poly"), st.integers(40, 43), st.integers(0, 127)),
        st.tuples(st.just("rpn"), st.sampled_from((2, 5)), st.integers(0, 16383)),
        st.tuples(st.just("reset"), st.just(0), st.just(0)),
    ),
    max_size=12,
)


def apply(state: ChannelState, receiver: Receiver, nibble: int, changes: list[tuple[str, int, int]]) -> None:
    """Tell both a state and a receiver on paper the same."""
    for kind, number, value in changes:
        if kind == "cc":
            state.cc[number] = value
            receiver.feed(bytes((0xB0 | nibble, number, value)))
        elif kind == "program":
            state.take_program(number)
            receiver.feed(bytes((0xC0 | nibble, number)))
        elif kind == "pressure":
            state.pressure = number
            receiver.feed(bytes((0xD0 | nibble, number)))
        elif kind == "poly":
            state.poly[number] = value
            receiver.feed(bytes((0xA0 | nibble, number, value)))
        elif kind == "rpn":
            state.params[(True, (0, number))] = value
            for controller, data in ((101, 0), (100, number), (6, value >> 7), (38, value & 127)):
                receiver.feed(bytes((0xB0 | nibble, controller, data)))
        else:
            state.reset_controllers()
            receiver.feed(bytes((0xB0 | nibble, 121, 0)))


@given(CHANGES, CHANGES)
def test_a_set_up_makes_one_channel_sound_like_another(
    wanted: list[tuple[str, int, int]], had: list[tuple[str, int, int]]
) -> None:
    want, have, receiver = ChannelState(), ChannelState(), Receiver()
    apply(want, receiver, 0, wanted)
    apply(have, receiver, 5, had)
    for message in set_up(want, have, 5):
        assert message[0] & 15 == 5
        receiver.feed(message)
    source, output = receiver.channels[0], receiver.channels[5]
    assert output.heard() == source.heard()
    assert (output.program, output.bank) == (source.program, source.bank)
    assert (output.cc.get(0, 0), output.cc.get(32, 0)) == (source.cc.get(0, 0), source.cc.get(32, 0))
    assert output.pressure == source.pressure
    assert {k: v for k, v in output.key_pressure.items() if v} == {
        k: v for k, v in source.key_pressure.items() if v
    }
    for which, value in source.heard_parameters().items():
        assert output.values[which] == value
    assert set_up(want, have, 5) == []


def test_only_differences_are_sent() -> None:
    want, have = ChannelState(), ChannelState()
    assert set_up(want, have, 0) == []
    want.cc[7], have.cc[7] = 90, 90
    want.cc[10] = 64
    assert set_up(want, have, 3) == [bytes((0xB3, 10, 64))]


def test_what_another_part_moved_goes_back_to_its_power_up_value() -> None:
    want, have = ChannelState(), ChannelState()
    have.cc[7], have.cc[1], have.cc[10] = 30, 99, 64
    assert set_up(want, have, 0) == [bytes((0xB0, 1, 0)), bytes((0xB0, 7, 100))]


def test_bank_comes_before_program_and_a_later_bank_after_it() -> None:
    want, have = ChannelState(), ChannelState()
    want.cc[0] = 8
    want.take_program(24)
    want.cc[0] = 9
    assert set_up(want, have, 0) == [bytes((0xB0, 0, 8)), bytes((0xC0, 24)), bytes((0xB0, 0, 9))]


def test_selecting_parameters() -> None:
    assert select_messages((True, (0, 2)), 0xB1) == [bytes((0xB1, 101, 0)), bytes((0xB1, 100, 2))]
    assert select_messages((False, (1, 8)), 0xB1) == [bytes((0xB1, 99, 1)), bytes((0xB1, 98, 8))]
    assert select_messages(None, 0xB1) == [bytes((0xB1, 101, 127)), bytes((0xB1, 100, 127))]
