"""A drone that follows the tables: it swells, keeps what two tables share, and never leaves a note behind."""

from __future__ import annotations

import math
from collections.abc import Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.engine.play.drones.held import HELD_FADE_S, HELD_SWELL_S, HeldDrone, HeldKeys, HoldPlan
from bridge.errors import ValueProblem

ORGAN, REED = 19, 68
IN_D = HeldKeys((38, 45), ORGAN)  # D2 A2
IN_G = HeldKeys((43, 38), ORGAN)  # G2 D2
REEDS = HeldKeys((45,), REED)
PLAN = HoldPlan((IN_D, IN_G, REEDS, HeldKeys()), channel=16)


class Stage:
    """A drone and time that passes in small steps."""

    def __init__(self, plan: HoldPlan = PLAN) -> None:
        self.drone = HeldDrone(plan)
        self.now_s = 10.0
        self.sent: list[bytes] = []
        self.sounding: list[int] = []
        self.loudness = 127

    def take(self, messages: Iterable[bytes]) -> None:
        for data in messages:
            self.sent.append(data)
            if data[0] == 0x9F:
                self.sounding.append(data[1])
            elif data[0] == 0x8F:
                self.sounding.remove(data[1])  # fails where nothing sounded
            elif data[:2] == b"\xbf\x0b":
                self.loudness = data[2]

    def follow(self, number: int, on: bool = True, tonic: int | None = None) -> None:
        self.drone.follow(number, tonic, on, self.now_s)

    def wait(self, seconds: float) -> None:
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            self.now_s += 0.01
            self.take(data for _, data in self.drone.due(self.now_s))


def test_it_rises_slowly_and_is_told_apart_from_silence() -> None:
    stage = Stage()
    stage.follow(1)
    stage.wait(0.02)
    assert stage.sent[:4] == [b"\xcf\x13", b"\xbf\x0b\x00", b"\x9f\x26\x50", b"\x9f\x2d\x50"]
    loud = []
    for _ in range(10):
        stage.wait(HELD_SWELL_S / 10)
        loud.append(stage.loudness)
    assert loud == sorted(loud)
    assert loud[0] < 0.2 * loud[-1]
    stage.wait(0.1)
    assert stage.loudness < 100
    assert stage.drone.next_s == math.inf
    assert stage.drone.keys == (38, 45)


def test_what_two_tables_share_sounds_on_and_the_rest_moves() -> None:
    stage = Stage()
    stage.follow(1)
    stage.wait(3.0)
    stage.sent.clear()
    stage.follow(2)
    stage.wait(0.1)
    assert stage.sent == [b"\x8f\x2d\x40", b"\x9f\x2b\x50"]
    assert sorted(stage.sounding) == [38, 43]


def test_another_voice_comes_after_a_fade() -> None:
    stage = Stage()
    stage.follow(1)
    stage.wait(3.0)
    stage.sent.clear()
    stage.follow(3)
    stage.wait(HELD_FADE_S + 0.1)
    at = stage.sent.index(bytes((0xCF, REED)))
    assert stage.sent[at - 2 : at] == [b"\x8f\x26\x40", b"\x8f\x2d\x40"]
    assert b"\xbf\x0b\x00" in stage.sent[:at]
    stage.wait(3.0)
    assert stage.sounding == [45]


def test_off_fades_to_silence_and_on_again_begins_softly() -> None:
    stage = Stage()
    stage.follow(1)
    stage.wait(3.0)
    stage.follow(1, on=False)
    stage.wait(0.1)
    assert stage.sounding
    stage.wait(HELD_FADE_S)
    assert not stage.sounding
    assert stage.loudness == 0
    stage.follow(1)
    stage.wait(0.05)
    assert stage.loudness < 10


def test_a_table_without_a_drone_is_silent_and_the_next_one_sounds_again() -> None:
    stage = Stage()
    stage.follow(1)
    stage.wait(3.0)
    stage.follow(4)
    stage.wait(1.0)
    assert stage.sounding == []
    stage.follow(2)
    stage.wait(1.0)
    assert sorted(stage.sounding) == [38, 43]


def test_tonics_have_drones_of_their_own() -> None:
    tonics = tuple(HeldKeys((36 + pitch_class,)) for pitch_class in range(12))
    stage = Stage(HoldPlan((IN_D,), tonics))
    stage.follow(1, tonic=7)
    stage.wait(0.1)
    assert stage.sounding == [43]
    assert stage.sent[0] == b"\xbf\x0b\x00"  # no program: the synth's own sound


def test_after_a_fault_it_rises_anew() -> None:
    stage = Stage()
    assert not stage.drone.used
    stage.follow(1)
    stage.wait(3.0)
    stage.sounding.clear()  # the synth was away
    stage.drone.again(stage.now_s)
    stage.wait(0.05)
    assert stage.sounding == [38, 45]
    assert stage.loudness < 10
    stage.take(stage.drone.release())
    assert stage.sounding == []
    assert stage.drone.used


def test_where_sounding_notes_keep_their_pitch_they_are_struck_again_as_loud_as_they_are() -> None:
    stage = Stage()
    stage.follow(1)
    stage.wait(3.0)
    loud = stage.loudness
    stage.sent.clear()
    stage.drone.strike_anew(stage.now_s)
    stage.wait(0.1)
    assert stage.sent == [b"\x8f\x26\x40", b"\x8f\x2d\x40", b"\x9f\x26\x50", b"\x9f\x2d\x50"]
    assert stage.loudness == loud
    stage.follow(1, on=False)
    stage.wait(1.0)
    stage.sent.clear()
    stage.drone.strike_anew(stage.now_s)
    stage.wait(0.1)
    assert stage.sent == [], "what is off stays off"


@pytest.mark.parametrize("data", ["f07e7f0901f7", "ff", "bf7b00", "bf7800"])
def test_after_a_reset_or_all_notes_off_it_rises_anew(data: str) -> None:
    """GM System On (MIDI 1.0, SysEx 09 01), system reset, all notes off, all sound off."""
    stage = Stage()
    stage.follow(1)
    stage.wait(3.0)
    stage.drone.heard(bytes.fromhex(data), stage.now_s)
    stage.sounding.clear()  # the message ended them
    stage.wait(0.35)
    assert stage.sounding == [38, 45]
    assert 0 < stage.loudness < 15


@pytest.mark.parametrize("data", ["bf7900", "bf0b7f"])
def test_a_loudness_that_was_changed_from_elsewhere_is_its_own_again(data: str) -> None:
    """Reset All Controllers (RP-015) puts expression to 127."""
    stage = Stage()
    stage.follow(1)
    stage.wait(3.0)
    loud = stage.loudness
    stage.sent.clear()
    stage.loudness = 127
    stage.drone.heard(bytes.fromhex(data), stage.now_s)
    stage.wait(0.1)
    assert stage.loudness == loud
    assert stage.sent == [bytes((0xBF, 11, loud))]


def test_what_concerns_other_channels_does_not_concern_it() -> None:
    stage = Stage()
    stage.follow(1)
    stage.wait(3.0)
    stage.sent.clear()
    for data in ("b07b00", "b00b40", "f07e7f0803f7", "904040"):
        stage.drone.heard(bytes.fromhex(data), stage.now_s)
    stage.wait(1.0)
    assert stage.sent == []


@given(
    st.lists(
        st.tuples(st.integers(1, 4), st.booleans(), st.floats(0.0, 3.0), st.booleans()),
        max_size=12,
    )
)
def test_every_note_ends_whatever_is_chosen_and_when(steps: list[tuple[int, bool, float, bool]]) -> None:
    stage = Stage()
    for number, on, seconds, panic in steps:
        stage.follow(number, on)
        stage.wait(seconds)
        if panic:
            stage.take(stage.drone.release())
            assert stage.sounding == []
    stage.follow(1, on=False)
    stage.wait(1.0)
    assert stage.sounding == []
    assert stage.drone.keys == ()


def test_keys_and_channels_have_limits() -> None:
    with pytest.raises(ValueProblem, match="a drone on MIDI key 128"):
        HeldKeys((128,))
    with pytest.raises(ValueProblem, match="channel 17"):
        HoldPlan((IN_D,), channel=17)
