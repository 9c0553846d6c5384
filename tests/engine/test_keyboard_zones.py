"""An MPE keyboard played by bends, into channels and into an MPE zone: each finger slides alone, the manager moves all.

Source: *MIDI Polyphonic Expression* (2018): a note's pitch is bent by its member channel (48 semitones unless told
otherwise) and by the manager channel (2); the manager's controllers hold for the whole zone.
"""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from support.obedient import ObedientSynth
from support.streams import Frequencies

from bridge.engine.bend.live import BendEngine

JUST = Frequencies([0, 12, 4, 16, -14, -2, -10, 2, 14, -16, 18, -12])
ZONE = [(101, 0), (100, 6), (6, 15), (101, 127), (100, 127)]
WITHIN_CENTS = 0.31  # half a step of 48 or 49 semitones is 0.3
GM = bytes.fromhex("f07e7f0901f7")


class Fingers:
    """An engine, a synth on paper, and where each key sounds."""

    def __init__(self, method: str, members: int = 15) -> None:
        self.engine = BendEngine(None, JUST, None, method)  # type: ignore[arg-type]
        self.synth = ObedientSynth()
        self.places: dict[int, int] = {}
        self.controls: list[tuple[int, int, int]] = []
        self.sent: list[bytes] = []
        self.take(self.engine.start(0.0))
        self.play(
            *(bytes((0xB0, number, min(value, members) if number == 6 else value)) for number, value in ZONE)
        )

    def take(self, due: list[tuple[float, bytes]]) -> None:
        for _, data in due:
            self.sent.append(data)
            self.synth.feed(data)
            if data[0] >> 4 == 9 and data[2]:
                self.places[data[1]] = data[0] & 15
            elif data[0] & 0xE0 == 0x80:
                self.places.pop(data[1], None)
            elif data[0] >> 4 == 0xB:
                self.controls.append((data[0] & 15, data[1], data[2]))

    def play(self, *messages: bytes) -> None:
        for data in messages:
            self.take(self.engine.feed(data, 1.0))

    def cents(self, key: int) -> float:
        """How far a key that sounds lies from equal temperament."""
        return 100.0 * (self.synth.pitch(self.places[key], key) - key)


def on(channel: int, key: int) -> bytes:
    return bytes((0x8F + channel, key, 90))


def off(channel: int, key: int) -> bytes:
    return bytes((0x7F + channel, key, 0))


def slide(channel: int, steps: int) -> bytes:
    value = 8192 + steps
    return bytes((0xDF + channel, value & 127, value >> 7))


@pytest.fixture(params=["bend", "mpe"])
def method(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def test_each_finger_slides_alone_and_as_far_as_the_standard_has_it(method: str) -> None:
    fingers = Fingers(method)
    fingers.play(on(2, 60), on(3, 64), on(4, 67))
    assert [fingers.cents(key) for key in (60, 64, 67)] == pytest.approx([0.0, -14.0, 2.0], abs=WITHIN_CENTS)
    fingers.play(slide(3, 512))  # 512 of 8192 at 48 semitones: three semitones
    assert [fingers.cents(key) for key in (60, 64, 67)] == pytest.approx([0.0, 286.0, 2.0], abs=WITHIN_CENTS)
    fingers.play(slide(2, -256))
    assert [fingers.cents(key) for key in (60, 64)] == pytest.approx([-150.0, 286.0], abs=WITHIN_CENTS)


def test_the_managers_wheel_moves_all_fingers_by_two_semitones(method: str) -> None:
    fingers = Fingers(method)
    fingers.play(on(2, 60), on(3, 64), slide(3, 512), slide(1, 4096))
    assert [fingers.cents(key) for key in (60, 64)] == pytest.approx([100.0, 386.0], abs=WITHIN_CENTS)
    fingers.play(on(4, 67))
    assert fingers.cents(67) == pytest.approx(102.0, abs=WITHIN_CENTS)
    fingers.play(slide(1, 0))
    assert [fingers.cents(key) for key in (60, 64, 67)] == pytest.approx([0.0, 286.0, 2.0], abs=WITHIN_CENTS)


def test_the_managers_pedal_holds_every_finger(method: str) -> None:
    fingers = Fingers(method)
    fingers.play(on(2, 60), on(3, 64), bytes((0xB0, 64, 127)), off(2, 60), off(3, 64))
    assert [note.key for note in fingers.engine.sounding()] == [60, 64]
    held = {place for place, number, value in fingers.controls if number == 64 and value}
    if method == "mpe":
        assert held == {0}, "the synth's own manager"
    else:
        assert {1, 2} <= held, "every channel on which a finger plays"
    fingers.play(bytes((0xB0, 64, 0)))
    assert fingers.engine.at_rest


def test_channel_ten_is_a_finger_too_and_drums_again_afterwards(method: str) -> None:
    fingers = Fingers(method)
    fingers.play(on(10, 64), slide(10, 512))
    assert fingers.cents(64) == pytest.approx(286.0, abs=WITHIN_CENTS)
    assert fingers.places[64] != 9
    fingers.play(off(10, 64))
    assert fingers.engine.at_rest
    fingers.play(*(bytes((0xB0, number, 0 if number == 6 else value)) for number, value in ZONE), on(10, 38))
    assert fingers.places[38] == 9


def test_what_is_pressed_on_one_finger_stays_on_it(method: str) -> None:
    fingers = Fingers(method)
    fingers.play(bytes((0xB1, 74, 100)), on(2, 60), bytes((0xB2, 74, 20)), on(3, 64))
    timbre = {place: value for place, number, value in fingers.controls if number == 74}
    assert (timbre[fingers.places[60]], timbre[fingers.places[64]]) == (100, 20)
    fingers.sent.clear()
    fingers.play(bytes((0xD2, 77)))
    assert fingers.sent == [bytes((0xD0 | fingers.places[64], 77))]


@pytest.mark.parametrize("ending", ["zone", "reset"])
def test_what_sounds_when_the_zone_ends_is_let_go(method: str, ending: str) -> None:
    fingers = Fingers(method)
    fingers.play(on(2, 60), on(3, 64), slide(3, 512))
    if ending == "zone":
        fingers.play(*(bytes((0xB0, number, 0 if number == 6 else value)) for number, value in ZONE))
        assert fingers.places == {}
    else:
        fingers.play(GM)
    assert fingers.engine.sounding() == []
    fingers.play(off(2, 60), off(3, 64), on(2, 62))
    assert fingers.cents(62) == pytest.approx(4.0, abs=WITHIN_CENTS)
    fingers.play(slide(2, 4096), off(2, 62))
    fingers.take(fingers.engine.stop(9.0))
    assert fingers.engine.at_rest
    assert all(bend == 8192 for number, bend in enumerate(fingers.synth.bend) if number != 9)


def test_more_fingers_than_the_synths_zone_has_channels_share_and_none_hangs(method: str) -> None:
    fingers = Fingers(method)
    keys = range(48, 63)
    fingers.play(*(on(2 + number, key) for number, key in enumerate(keys)))
    fingers.play(*(off(2 + number, key) for number, key in enumerate(keys)))
    assert fingers.engine.at_rest
    assert fingers.places == {}


_CHANNELS = st.sampled_from((1, 2, 3, 9, 10, 11, 15, 16))
_KEYS = st.integers(57, 61)
MESSAGES = st.one_of(
    st.tuples(st.just("on"), _CHANNELS, _KEYS),
    st.tuples(st.just("off"), _CHANNELS, _KEYS),
    st.tuples(st.just("slide"), _CHANNELS, st.integers(-8192, 8191)),
    st.tuples(st.just("pedal"), _CHANNELS, st.sampled_from((0, 127))),
    st.tuples(st.just("program"), _CHANNELS, st.integers(0, 3)),
    st.tuples(st.just("mode"), _CHANNELS, st.sampled_from((120, 121, 123))),
    st.tuples(st.just("zone"), st.sampled_from((1, 16)), st.integers(0, 15)),
    st.tuples(st.just("range"), _CHANNELS, st.sampled_from((2, 12, 24))),
    st.tuples(st.just("reset"), st.just(1), st.just(0)),
)


def as_bytes(what: str, channel: int, value: int) -> list[bytes]:
    status = 0xAF + channel
    match what:
        case "on":
            return [on(channel, value)]
        case "off":
            return [off(channel, value)]
        case "slide":
            return [slide(channel, value)]
        case "pedal":
            return [bytes((status, 64, value))]
        case "program":
            return [bytes((0xBF + channel, value))]
        case "mode":
            return [bytes((status, value, 0))]
        case "reset":
            return [GM]
        case _:
            number = 6 if what == "zone" else 0
            rows = ((101, 0), (100, number), (6, value), (101, 127), (100, 127))
            return [bytes((status, *row)) for row in rows]


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(("bend", "mpe")), st.lists(MESSAGES, max_size=60))
@example(
    "bend", [("on", 10, 57), ("mode", 10, 120)]
)  # of drums only the channel's receiver knows whether it obeyed
def test_whatever_a_keyboard_says_of_its_zones_every_note_ends(
    method: str, played: list[tuple[str, int, int]]
) -> None:
    engine = BendEngine(None, JUST, None, method)  # type: ignore[arg-type]
    sent = [data for _, data in engine.start(0.0)]
    for at, one in enumerate(played):
        for data in as_bytes(*one):
            sent += [answer for _, answer in engine.feed(data, 0.1 * at)]
    sent += [data for _, data in engine.stop(99.0)]
    owed: Counter[tuple[int, int]] = Counter()
    for data in sent:
        if data == GM:
            continue
        if data[0] >> 4 == 9 and data[2]:
            owed[data[0] & 15, data[1]] += 1
        elif data[0] & 0xE0 == 0x80:
            owed[data[0] & 15, data[1]] -= 1
    assert engine.at_rest
    assert not +owed, f"left sounding: {+owed}"
