"""Several keyboards: what is said of each, where each sounds, and that one never ends what another one holds."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.engine.bend.live import BendEngine
from bridge.engine.mts.live import MtsLiveEngine
from bridge.engine.play.controls import Action, ControlReader, Controls
from bridge.engine.play.keyboards import Hands, Keyboard, KeyboardReader, parse_keyboard, shared_channels
from bridge.engine.play.performance import Performance
from bridge.engine.play.tables import PlayTable, TableSwitch
from bridge.engine.protocols import Due, LiveEngine
from bridge.errors import ValueProblem
from bridge.store.profiles import load_profile

EQUAL = tuple(440.0 * 2 ** ((key - 69) / 12) for key in range(128))


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("left", Keyboard("left")),
        (" left ", Keyboard("left")),
        ("left: keys C2-B3", Keyboard("left", keys=(36, 59))),  # C4 = 60
        ("left: keys from C4", Keyboard("left", keys=(60, 127))),
        ("left:keys to Bb3", Keyboard("left", keys=(0, 58))),
        ("left: octave +1, channel 2, velocity 90", Keyboard("left", (0, 127), 1, 2, 90)),
        ("left: Octave down,  KEYS f#2 - G5", Keyboard("left", (42, 79), -1)),
        ("left: octave \N{MINUS SIGN}2", Keyboard("left", octave=-2)),
        ("Stage:Stage MIDI 1 20:0", Keyboard("Stage:Stage MIDI 1 20:0")),
        ("Stage:keys 1: channel 3", Keyboard("Stage:keys 1", channel=3)),
        ("new: channel 3", Keyboard("new", channel=3)),
    ],
)
def test_a_keyboard_in_words(text: str, wanted: Keyboard) -> None:
    assert parse_keyboard(text) == wanted
    assert wanted.whole == (text.count("octave") + len(wanted.words) == 0)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "names no keyboard"),
        (": keys C2-B3", "names no keyboard"),
        ("left: key C2-B3", "left: 'key C2-B3' says nothing about a keyboard .did you mean keys"),
        ("left: keys C2-B3, loud 3", "left: 'loud 3' says nothing"),
        ("left: keys B3-C2", "run downward .did you mean C2-B3"),
        ("left: keys", "are no keys"),
        ("left: keys from X", "'X' is not a note"),
        ("left: octave 5", r"octave \+5 is too far .-4 to \+4"),
        ("left: octave half", "no whole number"),
        ("left: channel 0", "channel 0 is out of range"),
        ("left: velocity 128", "a velocity of 128 is out of range"),
        ("left: channel 1, channel 2", "channel is said twice"),
        ("left: keys C2-B3,", "left: '' says nothing"),
    ],
)
def test_a_keyboard_that_cannot_be(text: str, says: str) -> None:
    with pytest.raises(ValueProblem, match=says):
        parse_keyboard(text)


def test_words_for_the_picture() -> None:
    assert parse_keyboard("left: keys C2-B3, octave -2, channel 2, velocity 90").words == (
        "keys C2 to B3, 2 octaves down, channel 2, velocity to 90"
    )
    assert parse_keyboard("left").words == ""
    assert parse_keyboard("left: keys to B3").words == "keys to B3"
    assert parse_keyboard("left: keys from C4").words == "keys from C4"


def test_keyboards_that_share_a_channel_share_its_wheel_and_are_told() -> None:
    left, right = Keyboard("left", keys=(36, 59)), Keyboard("right")
    (said,) = shared_channels([left, right])
    assert said.startswith("left and right: where they send on one channel the wheel")
    assert said.endswith('--in "right: channel 2"')
    assert shared_channels([left, Keyboard("right", channel=2)]) == []
    (said,) = shared_channels([right, Keyboard("one", channel=3), Keyboard("two", channel=3)])
    assert said.startswith("one and two: on channel 3 the wheel")
    assert shared_channels([]) == shared_channels([left]) == []


def test_what_goes_to_one_channel_by_a_setting_for_all_is_told_too() -> None:
    left, right, third = Keyboard("left"), Keyboard("right", channel=2), Keyboard("third")
    assert shared_channels([left, right], play_on=5) == []
    (said,) = shared_channels([left, right], play_on=2)
    assert said.startswith("left and right: on channel 2 the wheel")
    assert said.endswith('--in "right: channel 3"'), "one that nobody has"
    (said,) = shared_channels([left, right, third], play_on=5)
    assert said.startswith("left and third: on channel 5 the wheel")


def test_only_its_keys_play_moved_and_on_its_channel() -> None:
    reader = KeyboardReader(
        parse_keyboard("left: keys C2-B3, octave +1, channel 2, velocity 64"),
        Controls(zone=(24, 35), feet={66: Action("next")}),
    )
    assert reader.take(bytes((0x90, 36, 127))) == (None, bytes((0x91, 48, 64)))
    assert reader.take(bytes((0x80, 36, 40))) == (None, bytes((0x81, 48, 40)))
    assert reader.take(bytes((0xA0, 59, 40))) == (None, bytes((0xA1, 71, 40)))
    assert reader.take(bytes((0x90, 60, 90))) == (None, None)
    assert reader.take(bytes((0x80, 60, 0))) == (None, None)
    assert reader.take(bytes((0xB0, 7, 90))) == (None, bytes((0xB1, 7, 90)))
    assert reader.take(bytes((0xE0, 0, 80))) == (None, bytes((0xE1, 0, 80)))
    assert reader.take(bytes((0x90, 29, 90))) == (Action("tonic", 5), None), "silent keys lie beside its own"
    assert reader.take(bytes((0xB0, 66, 127))) == (Action("next"), None)
    high = KeyboardReader(parse_keyboard("right: octave +4"), Controls())
    assert high.take(bytes((0x90, 100, 90))) == (None, None), "no key lies so high"
    assert high.take(bytes((0x90, 79, 90))) == (None, bytes((0x90, 127, 90)))


def test_what_all_playing_says_holds_for_a_keyboard_that_says_nothing() -> None:
    controls = Controls(channel=None, play_on=5, max_velocity=64)
    assert KeyboardReader(Keyboard("left"), controls).take(bytes((0x90, 60, 127)))[1] == bytes((0x94, 60, 64))
    own = KeyboardReader(Keyboard("left", channel=7, max_velocity=127), controls)
    assert own.take(bytes((0x90, 60, 127)))[1] == bytes((0x96, 60, 127))
    assert KeyboardReader(Keyboard("left"), Controls(channel=None)).plain
    assert not KeyboardReader(Keyboard("left", octave=1), Controls(channel=None)).plain


ON, OFF = bytes((0x90, 60, 90)), bytes((0x80, 60, 40))


def test_a_key_that_two_hold_ends_when_the_last_one_lets_go() -> None:
    hands = Hands(2)
    assert hands.feed(0, ON) == [ON]
    assert hands.feed(1, ON) == [ON], "struck again"
    assert hands.feed(0, OFF) == []
    assert hands.feed(1, bytes((0x90, 60, 0))) == [OFF, bytes((0x90, 60, 0))], "as often as it was struck"
    assert hands.feed(1, OFF) == [OFF], "what nobody holds goes through"
    other = bytes((0x91, 60, 90))
    hands.feed(0, ON)
    hands.feed(1, other)
    assert hands.feed(0, OFF) == [OFF], "another channel is another note"


def test_a_pedal_that_two_hold_is_up_when_both_are() -> None:
    hands = Hands(2)
    down, up = bytes((0xB0, 64, 127)), bytes((0xB0, 64, 0))
    assert [hands.feed(0, down), hands.feed(1, down), hands.feed(0, up), hands.feed(1, up)] == [
        [down],
        [down],
        [],
        [up],
    ]
    hands.feed(0, down)
    assert hands.feed(1, up) == [], "a keyboard that says up as it begins"
    assert hands.feed(1, bytes((0xB0, 121, 0))) == [bytes((0xE0, 0, 64))], "its own bend alone is reset"
    assert hands.feed(0, bytes((0xB0, 121, 0))) == [bytes((0xB0, 121, 0))], "nobody else is there"


def test_what_ends_all_notes_ends_those_of_its_keyboard() -> None:
    hands = Hands(2)
    high = bytes((0x90, 72, 90))
    for source, data in ((0, ON), (1, ON), (1, high)):
        hands.feed(source, data)
    assert hands.feed(1, bytes((0xB0, 123, 0))) == [bytes((0x80, 72, 64))]
    assert hands.feed(0, bytes((0xB0, 120, 0))) == [bytes((0xB0, 120, 0))], "now it is alone"


def test_one_that_is_gone_lets_go_of_its_own() -> None:
    hands = Hands(3)
    for source, data in ((0, ON), (1, ON), (1, bytes((0x90, 72, 90))), (1, bytes((0xB0, 64, 127)))):
        hands.feed(source, data)
    assert hands.release(1) == [bytes((0x80, 72, 64)), bytes((0xB0, 64, 0))]
    assert hands.release(1) == []
    assert hands.release(0) == [bytes((0x80, 60, 64)), bytes((0x80, 60, 64))]


KEYS, CHANNELS, KEYBOARDS = (60, 61), (0, 1), 3
STEPS = st.lists(
    st.tuples(
        st.integers(0, KEYBOARDS - 1),
        st.one_of(
            st.tuples(st.sampled_from(["on", "off"]), st.sampled_from(CHANNELS), st.sampled_from(KEYS)),
            st.tuples(st.sampled_from(["down", "up", "all off"]), st.sampled_from(CHANNELS), st.just(64)),
            st.tuples(st.just("gone"), st.just(0), st.just(0)),
        ),
    ),
    max_size=40,
)


class Synths:
    """Two kinds of synth: one ends a note at its first note-off, one at as many as there were strikes."""

    def __init__(self) -> None:
        self.first: set[tuple[int, int]] = set()
        self.counted: Counter[tuple[int, int]] = Counter()
        self.pedals: set[int] = set()

    def take(self, messages: Sequence[bytes]) -> None:
        for data in messages:
            place = data[0] & 15, data[1]
            if data[0] & 0xF0 == 0x90:
                self.first.add(place)
                self.counted[place] += 1
            elif data[0] & 0xF0 == 0x80:
                self.first.discard(place)
                self.counted[place] -= self.counted[place] > 0
            elif data[1] == 64:
                (self.pedals.add if data[2] else self.pedals.discard)(place[0])
            elif data[1] == 123:
                self.first = {one for one in self.first if one[0] != place[0]}
                for one in [one for one in self.counted if one[0] == place[0]]:
                    del self.counted[one]


@settings(max_examples=400)
@given(steps=STEPS)
def test_a_note_sounds_as_long_as_anybody_holds_it(
    steps: list[tuple[int, tuple[str, int, int]]],
) -> None:
    hands, synths = Hands(KEYBOARDS), Synths()
    held = [Counter[tuple[int, int]]() for _ in range(KEYBOARDS)]
    pedals: list[set[int]] = [set() for _ in range(KEYBOARDS)]
    for source, (what, channel, key) in steps:
        place = channel, key
        match what:
            case "on" if held[source][place]:
                pass  # a key that is down cannot be struck
            case "on":
                held[source][place] += 1
                synths.take(hands.feed(source, bytes((0x90 | channel, key, 90))))
            case "off":
                held[source][place] -= held[source][place] > 0
                synths.take(hands.feed(source, bytes((0x80 | channel, key, 0))))
            case "down" | "up":
                (pedals[source].add if what == "down" else pedals[source].discard)(channel)
                synths.take(hands.feed(source, bytes((0xB0 | channel, 64, 127 * (what == "down")))))
            case "all off":
                for one in [one for one in held[source] if one[0] == channel]:
                    del held[source][one]
                synths.take(hands.feed(source, bytes((0xB0 | channel, 123, 0))))
            case _:
                held[source].clear()
                pedals[source].clear()
                synths.take(hands.release(source))
        for one in ((channel, key) for channel in CHANNELS for key in KEYS):
            by_anybody = any(mine[one] for mine in held)
            assert bool(synths.counted[one]) == by_anybody, one
            assert (one in synths.first) == by_anybody, one
        assert synths.pedals == set().union(*pedals)


TABLES = tuple(
    PlayTable(name, tuple(hz * factor for hz in EQUAL), EQUAL, 2)
    for name, factor in (("D", 1.0), ("A", 1.003))
)


def make(method: str) -> Performance:
    switch = TableSwitch(TABLES)
    engine: LiveEngine
    if method in ("bend", "mpe"):
        engine = BendEngine(None, switch.table(), method=method)  # type: ignore[arg-type]
    else:
        engine = MtsLiveEngine(load_profile("full-midi-tuning"), switch.table(), method)
    keyboards = [parse_keyboard("left: keys to B4, octave +1"), Keyboard("right")]
    return Performance(engine, switch, ControlReader(Controls()), keyboards=keyboards)


@pytest.mark.parametrize("method", ["note", "octave", "dump", "bend", "mpe"])
@settings(max_examples=40)
@given(
    steps=st.lists(
        st.tuples(
            st.integers(0, 1),
            st.sampled_from([48, 60, 72]),
            st.sampled_from(["on", "on", "off", "pedal", "next", "gone", "panic", "all off"]),
        ),
        max_size=40,
    )
)
def test_whatever_two_keyboards_do_every_note_that_went_out_is_ended(
    method: str, steps: list[tuple[int, int, str]]
) -> None:
    performance = make(method)
    owed: Counter[tuple[int, int]] = Counter()

    def take(due: Sequence[Due]) -> None:
        for _, data in due:
            place = data[0] & 15, data[1]
            if data[0] & 0xF0 == 0x90 and data[2]:
                owed[place] += 1
            elif data[0] & 0xE0 == 0x80:
                owed[place] -= owed[place] > 0

    take(performance.start(0.0))
    now_s = 0.0
    for source, key, what in steps:
        now_s += 0.2
        match what:
            case "on":
                take(performance.feed(bytes((0x90, key, 90)), now_s, source))
            case "off":
                take(performance.feed(bytes((0x80, key, 0)), now_s, source))
            case "pedal":
                take(performance.feed(bytes((0xB0, 64, 127)), now_s, source))
            case "all off":
                take(performance.feed(bytes((0xB0, 123, 0)), now_s, source))
            case "gone":
                take(performance.release_keyboard(now_s, source))
            case _:
                take(performance.act(Action(what), now_s))
    take(performance.release_keyboard(now_s))
    for _ in range(20):
        if (wake_s := performance.next_wake_s) is not None:
            now_s = max(now_s, wake_s)
            take(performance.wake(now_s))
    take(performance.stop(now_s + 1.0))
    assert +owed == Counter()
    assert list(performance.engine.sounding()) == []


def test_one_keyboard_that_is_gone_leaves_the_other_sounding() -> None:
    performance = make("note")
    performance.start(0.0)
    performance.feed(bytes((0x90, 48, 90)), 0.1, 0)  # sounds at 60
    performance.feed(bytes((0x90, 60, 90)), 0.2, 1)
    performance.feed(bytes((0x90, 64, 90)), 0.3, 1)
    sent = [data for _, data in performance.release_keyboard(0.4, 1)]
    assert [data for data in sent if data[0] & 0xF0 == 0x80] == [bytes((0x80, 64, 64))]
    sent = [data for _, data in performance.feed(bytes((0x80, 48, 0)), 0.5, 0)]
    assert [data[:2] for data in sent] == [bytes((0x80, 60))] * 2
