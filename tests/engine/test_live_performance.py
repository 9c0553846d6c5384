"""Keyboard, tables and controls together: what goes on as music, what chooses tables, and that nothing ever hangs."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.obedient import ObedientSynth

from bridge.engine.bend.live import BendEngine
from bridge.engine.bend.options import BendOptions
from bridge.engine.mts.live import MtsLiveEngine
from bridge.engine.play.controls import Action, ControlReader, Controls, parse_feet, parse_foot
from bridge.engine.play.performance import Performance, quieting
from bridge.engine.play.tables import PlayTable, TableSwitch
from bridge.engine.protocols import Due, LiveEngine, OnChange
from bridge.errors import ValueProblem
from bridge.ports.base import check_message
from bridge.store.profiles import load_profile
from bridge.wire.stream import is_whole

FULL = load_profile("full-midi-tuning")
EQUAL = [440.0 * 2 ** ((key - 69) / 12) for key in range(128)]
RATIOS = [1, 16 / 15, 9 / 8, 6 / 5, 5 / 4, 4 / 3, 45 / 32, 3 / 2, 8 / 5, 5 / 3, 9 / 5, 15 / 8]


def choice(tonic: int) -> PlayTable:
    """A five-limit table whose tonic is equal; equal temperament beside it."""
    hz = [
        EQUAL[60 + tonic] * RATIOS[(key - tonic) % 12] * 2.0 ** ((key - tonic) // 12 - 5)
        for key in range(128)
    ]
    return PlayTable(f"tonic {tonic}", tuple(hz), tuple(EQUAL), tonic)


SLOTS = (choice(2), choice(7), choice(9))
TONICS = tuple(choice(pitch_class) for pitch_class in range(12))


def make(
    method: str = "note",
    controls: Controls | None = None,
    on_change: OnChange = "now",
    glide_s: float = 0.3,
) -> Performance:
    switch = TableSwitch(SLOTS, TONICS)
    engine: LiveEngine
    if method in ("bend", "mpe"):
        engine = BendEngine(None, switch.table(), method=method)  # type: ignore[arg-type]
    else:
        engine = MtsLiveEngine(FULL, switch.table(), method)
    return Performance(engine, switch, ControlReader(controls or Controls()), on_change, glide_s)


def cents_off(synth: ObedientSynth, hz: Sequence[float], key: int) -> float:
    return abs(synth.pitch(0, key) - 69 - 12 * math.log2(hz[key] / 440)) * 100


def feed(synth: ObedientSynth, due: Sequence[Due]) -> list[bytes]:
    for _, data in due:
        synth.feed(data)
    return [data for _, data in due]


def started(performance: Performance) -> ObedientSynth:
    synth = ObedientSynth()
    feed(synth, performance.start(0.0))
    return synth


def test_the_start_silences_every_channel_before_anything_else() -> None:
    sent = [data for _, data in make().start(0.0)]
    assert sent[: len(quieting())] == quieting()
    for nibble in range(16):
        for controller in (64, 66, 67, 69, 120, 123):
            assert bytes((0xB0 | nibble, controller, 0)) in quieting()
        assert bytes((0xE0 | nibble, 0, 64)) in quieting()


def test_a_program_change_on_the_control_channel_chooses_a_table_and_goes_no_further() -> None:
    performance = make()
    synth = started(performance)
    sent = feed(synth, performance.feed(bytes((0xCF, 1)), 1.0))
    assert bytes((0xCF, 1)) not in sent
    assert performance.switch.number == 2
    assert cents_off(synth, SLOTS[1].hz, 64) < 0.01
    assert performance.feed(bytes((0xC0, 1)), 1.0)[0][1] == bytes((0xC0, 1)), (
        "other channels' programs are sounds"
    )
    version = performance.version
    assert performance.feed(bytes((0xCF, 99)), 1.0) == []
    assert performance.notices == ["there is no table 100: there are 3"]
    assert performance.version > version
    assert performance.switch.number == 2


def test_the_control_channel_can_be_another_or_none() -> None:
    performance = make(controls=Controls(channel=3))
    performance.feed(bytes((0xC2, 2)), 1.0)
    assert performance.switch.number == 3
    performance = make(controls=Controls(channel=None))
    assert performance.feed(bytes((0xCF, 2)), 1.0)[0][1] == bytes((0xCF, 2))
    assert performance.switch.number == 1


def test_a_foot_switch_acts_once_each_time_it_goes_down() -> None:
    feet = dict(
        parse_foot(text) for text in ("66=next", "67=previous", "80=equal", "81=trim-up", "82=table-3")
    )
    performance = make(controls=Controls(feet=feet))
    numbers = []
    for value in (127, 127, 64, 0, 127, 63, 100):
        assert all(data[0] == 0xF0 for _, data in performance.feed(bytes((0xB0, 66, value)), 1.0))
        numbers.append(performance.switch.number)
    assert numbers == [2, 2, 2, 2, 3, 3, 1]
    performance.feed(bytes((0xB5, 67, 127)), 1.0)
    assert performance.switch.number == 3
    performance.feed(bytes((0xB0, 80, 127)), 1.0)
    assert performance.switch.equal
    performance.feed(bytes((0xB0, 81, 127)), 1.0)
    assert performance.switch.trim_cents == 0.5
    performance.feed(bytes((0xB0, 82, 127)), 1.0)
    assert performance.switch.number == 3


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("66", "write a controller and what it does"),
        ("next=66", "no foot switch"),
        ("6=next", "cannot be a foot switch"),
        ("123=panic", "cannot be a foot switch"),
        ("200=panic", "cannot be a foot switch"),
        ("66=nxt", "did you mean next"),
        ("66=table-0", "cannot do 'table-0'"),
    ],
)
def test_feet_that_cannot_be(text: str, says: str) -> None:
    with pytest.raises(ValueProblem, match=says):
        parse_foot(text)


def test_feet_may_be_programs_of_the_control_channel_and_silent_keys() -> None:
    feet = parse_feet(["66=listen", "program 5=undo", "Key  A0 = next", "program 128=drone"])
    assert feet.controllers == {66: Action("listen")}
    controls = Controls(feet=feet.controllers, foot_programs=feet.programs, foot_keys=feet.keys)
    performance = make(controls=controls)
    assert performance.feed(bytes((0xB0, 66, 127)), 1.0) == []
    assert performance.feed(bytes((0xCF, 4)), 1.0) == []
    assert performance.asked == ["listen", "undo"], "others do that: it changes no table"
    assert performance.switch.number == 1
    performance.feed(bytes((0xCF, 127)), 1.0)
    assert performance.drone
    performance.feed(bytes((0xCF, 2)), 1.0)
    assert performance.switch.number == 3, "other programs choose tables as before"
    for message in ((0x90, 21, 90), (0xA0, 21, 5), (0x80, 21, 0)):  # A0 is MIDI key 21
        assert all(data[0] == 0xF0 for _, data in performance.feed(bytes(message), 1.0)), message
    assert performance.switch.number == 1
    assert performance.feed(bytes((0x90, 22, 90)), 1.0)[-1][1] == bytes((0x90, 22, 90))
    assert performance.feed(bytes((0xC0, 4)), 1.0)[0][1] == bytes((0xC0, 4)), "a sound, on another channel"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("program 0=next", "1 to 128"),
        ("program 129=next", "1 to 128"),
        ("program x=next", "1 to 128"),
        ("key X1=next", "X1"),
        ("key A0=nothing", "cannot do 'nothing'"),
        ("program 5=slot-2", "tables are numbered now"),
        ("key =next", "no foot switch"),
        ("pedal 3=next", "no foot switch"),
        ("6=next", "cannot be a foot switch"),
    ],
)
def test_programs_and_keys_that_cannot_be(text: str, says: str) -> None:
    with pytest.raises(ValueProblem, match=says):
        parse_feet([text])


def test_programs_as_feet_need_a_control_channel() -> None:
    with pytest.raises(ValueProblem, match="need a control channel"):
        Controls(channel=None, foot_programs={5: Action("next")})


def test_keys_of_the_split_zone_choose_tonics_and_are_silent() -> None:
    performance = make(controls=Controls(zone=(24, 35)))
    synth = started(performance)
    assert all(data[0] == 0xF0 for data in feed(synth, performance.feed(bytes((0x90, 29, 100)), 1.0)))
    assert performance.switch.tonic == 5
    assert cents_off(synth, TONICS[5].hz, 64) < 0.01
    assert performance.feed(bytes((0x80, 29, 0)), 1.1) == []
    assert performance.feed(bytes((0x90, 29, 0)), 1.1) == []
    assert performance.feed(bytes((0xA0, 29, 50)), 1.1) == []
    assert performance.feed(bytes((0x90, 36, 100)), 1.2)[-1][1] == bytes((0x90, 36, 100))
    performance.act(Action("table", 2), 1.3)
    assert (performance.switch.number, performance.switch.tonic) == (2, None)


def test_keys_of_the_split_zone_choose_tables_from_the_lowest_on() -> None:
    performance = make(controls=Controls(zone=(24, 35), zone_means="table"))
    performance.feed(bytes((0x90, 26, 100)), 1.0)
    assert performance.switch.number == 3
    performance.feed(bytes((0x90, 27, 100)), 1.0)
    assert performance.switch.number == 3
    assert performance.notices


def test_equal_is_that_of_the_same_reference_and_comes_back_exactly() -> None:
    performance = make("octave")
    synth = started(performance)
    feed(synth, performance.act(Action("equal"), 1.0))
    assert cents_off(synth, EQUAL, 64) < 0.01
    feed(synth, performance.act(Action("next"), 2.0))
    assert performance.switch.equal
    assert cents_off(synth, EQUAL, 64) < 0.01
    feed(synth, performance.act(Action("equal"), 3.0))
    assert cents_off(synth, SLOTS[1].hz, 64) < 0.01


def test_the_trim_moves_every_table_and_sounding_notes_at_once() -> None:
    performance = make("note", on_change="next")
    synth = started(performance)
    performance.feed(bytes((0x90, 64, 100)), 0.5)
    for _ in range(3):
        feed(synth, performance.act(Action("trim", 0.5), 1.0))
    up = [hz * 2 ** (1.5 / 1200) for hz in SLOTS[0].hz]
    assert cents_off(synth, up, 64) < 0.01
    feed(synth, performance.act(Action("table", 2), 2.0))
    up = [hz * 2 ** (1.5 / 1200) for hz in SLOTS[1].hz]
    assert cents_off(synth, up, 65) < 0.01
    performance.act(Action("trim", 48.5), 3.0)
    assert performance.act(Action("trim", 0.5), 4.0) == []
    assert "the trim stays at +50 cents" in performance.notices[-1]


def test_a_table_that_the_method_cannot_express_changes_nothing() -> None:
    pinned = list(SLOTS[1].hz)
    pinned[64] *= 1.01
    switch = TableSwitch((SLOTS[0], PlayTable("pinned", tuple(pinned), tuple(EQUAL), 7)))
    performance = Performance(
        MtsLiveEngine(FULL, switch.table(), "octave"), switch, ControlReader(Controls())
    )
    synth = started(performance)
    assert feed(synth, performance.act(Action("table", 2), 1.0)) == []
    assert switch.number == 1
    assert "does not repeat at the octave" in performance.notices[0]
    assert cents_off(synth, SLOTS[0].hz, 64) < 0.01


def test_velocities_are_scaled_not_clipped() -> None:
    performance = make(controls=Controls(max_velocity=64))
    got = [performance.feed(bytes((0x90, 60, velocity)), 1.0)[-1][1][2] for velocity in range(1, 128)]
    assert got[-1] == 64
    assert min(got) == 1
    assert got == sorted(got)
    assert all(abs(velocity - value * 64 / 127) <= 0.5 for value, velocity in enumerate(got[1:], 2))
    assert performance.feed(bytes((0x90, 60, 0)), 1.0)[-1][1][2] == 0
    assert performance.feed_backing(bytes((0x91, 60, 127)), 1.0)[-1][1][2] == 64


def test_playing_can_be_moved_to_a_channel() -> None:
    performance = make(controls=Controls(play_on=5))
    assert performance.feed(bytes((0x90, 60, 9)), 1.0)[-1][1] == bytes((0x94, 60, 9))
    assert performance.feed(bytes((0xC3, 7)), 1.0)[0][1] == bytes((0xC4, 7))
    assert performance.feed(bytes((0xCF, 1)), 1.0) != []
    assert performance.switch.number == 2
    assert performance.feed_backing(bytes((0x90, 60, 9)), 1.0)[-1][1] == bytes((0x90, 60, 9))


def test_panic_ends_everything_and_sets_up_again() -> None:
    for method in ("note", "bend"):
        performance = make(method)
        synth = started(performance)
        for key in (60, 64, 67):
            performance.feed(bytes((0x90, key, 100)), 1.0)
        sent = feed(synth, performance.act(Action("panic"), 2.0))
        ends = [data[1] for data in sent if data[0] & 0xF0 == 0x80]
        assert sorted(ends) == [60, 64, 67]
        assert set(quieting()) <= set(sent)
        assert performance.engine.at_rest
        if method == "note":
            assert cents_off(synth, SLOTS[0].hz, 64) < 0.01


def test_a_keyboard_that_is_gone_is_let_go_and_a_track_plays_on() -> None:
    performance = make()
    performance.feed(bytes((0x90, 60, 100)), 1.0)
    performance.feed(bytes((0x90, 60, 100)), 1.0)
    performance.feed(bytes((0x92, 64, 100)), 1.0)
    performance.feed(bytes((0xB0, 64, 127)), 1.0)
    performance.feed_backing(bytes((0x90, 72, 100)), 1.0)
    sent = [data for _, data in performance.release_keyboard(2.0)]
    assert sorted(sent) == sorted([bytes((0x80, 60, 64))] * 2 + [bytes((0x82, 64, 64)), bytes((0xB0, 64, 0))])
    assert not performance.engine.at_rest
    assert performance.release_keyboard(3.0) == []


def test_sysex_that_is_too_long_for_the_synth_is_refused_and_counted() -> None:
    performance = make()
    performance = Performance(
        performance.engine, performance.switch, ControlReader(Controls()), most_sysex_bytes=100
    )
    assert performance.feed(b"\xf0" + bytes(98) + b"\xf7", 1.0) != []
    assert performance.feed(b"\xf0" + bytes(99) + b"\xf7", 1.0) == []
    assert performance.dropped == 1


@given(st.binary(max_size=6))
def test_whole_agrees_with_what_ports_take(data: bytes) -> None:
    assert is_whole(data, 15000) == (not check_message(data))


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ({"channel": 17}, "control channel 17"),
        ({"play_on": 0}, "channel 0"),
        ({"max_velocity": 0}, "velocity of 0"),
        ({"zone": (60, 50)}, "lowest key first"),
        ({"zone": (0, 127)}, "leave keys to play on"),
        ({"zone": (0, 11), "zone_means": "chord"}, "tonic, table or piece"),
    ],
)
def test_controls_out_of_range(values: dict[str, object], says: str) -> None:
    with pytest.raises(ValueProblem, match=says):
        Controls(**values)  # type: ignore[arg-type]


# ---- nothing hangs, whatever comes

CHANNELS = st.integers(0, 15)
DATA = st.integers(0, 127)
NOTES = st.builds(
    lambda k, c, n, v: bytes((k | c, n, v)),
    st.sampled_from([0x80, 0x90]),
    CHANNELS,
    st.integers(58, 70),
    DATA,
)
PEDALS = st.builds(
    lambda c, n, v: bytes((0xB0 | c, n, v)), CHANNELS, st.sampled_from([64, 66, 69, 120, 121, 123, 126]), DATA
)
CONTROL = st.builds(
    lambda c, n, v: bytes((0xB0 | c, n, v)),
    CHANNELS,
    st.sampled_from([0, 1, 6, 7, 32, 38, 98, 99, 100, 101]),
    DATA,
)
OTHER = st.one_of(
    st.builds(lambda c, p: bytes((0xC0 | c, p)), CHANNELS, DATA),
    st.builds(lambda c, a, b: bytes((0xE0 | c, a, b)), CHANNELS, DATA, DATA),
    st.builds(lambda c, a, b: bytes((0xA0 | c, a, b)), CHANNELS, DATA, DATA),
    st.sampled_from(
        [
            bytes.fromhex("f07e7f0901f7"),
            bytes.fromhex("f04110421240007f0041f7"),
            bytes.fromhex("f0411042124012150118f7"),
            b"\xff",
            b"\xf8",
        ]
    ),
    st.binary(max_size=5),
)
MESSAGES = st.one_of(NOTES, NOTES, NOTES, PEDALS, CONTROL, OTHER)
ACTIONS = st.one_of(
    st.builds(Action, st.sampled_from(["next", "previous", "equal", "panic"])),
    st.builds(Action, st.just("table"), st.integers(0, 5)),
    st.builds(Action, st.just("tonic"), st.integers(0, 11)),
    st.builds(Action, st.just("trim"), st.sampled_from([0.5, -0.5, 30.0, -30.0])),
)
STEPS = st.lists(
    st.tuples(
        st.floats(0.0, 0.7),
        st.one_of(MESSAGES, MESSAGES, MESSAGES, ACTIONS, st.sampled_from(["wake", "gone", "restart"])),
    ),
    max_size=60,
)


@pytest.mark.parametrize("method", ["note", "octave", "dump", "bend", "mpe"])
@pytest.mark.parametrize("on_change", ["now", "next", "glide"])
@settings(max_examples=40)
@given(steps=STEPS)
def test_every_note_that_went_out_is_ended_on_its_channel_and_key(
    method: str, on_change: OnChange, steps: list[tuple[float, bytes | Action | str]]
) -> None:
    performance = make(
        method, Controls(zone=(58, 59), feet={1: Action("next")}, max_velocity=100), on_change, glide_s=0.4
    )
    sent: list[bytes] = []
    owed: Counter[tuple[int, int]] = Counter()

    def take(due: Sequence[Due]) -> None:
        for _, data in due:
            assert not check_message(data), data.hex()
            sent.append(data)
            if data[0] & 0xF0 == 0x90 and data[2]:
                owed[data[0] & 15, data[1]] += 1
            elif data[0] & 0xE0 == 0x80:
                owed[data[0] & 15, data[1]] = max(0, owed[data[0] & 15, data[1]] - 1)

    now_s = 0.0
    take(performance.start(now_s))
    for wait_s, what in steps:
        now_s += wait_s
        wake_s = performance.next_wake_s
        if wake_s is not None and wake_s <= now_s:
            take(performance.wake(now_s))
        if isinstance(what, Action):
            take(performance.act(what, now_s))
        elif what == "gone":
            take(performance.release_keyboard(now_s))
        elif (
            what == "restart"
        ):  # the synth was away: what it sounded is ended by the ledger, not by the engine
            performance.restart(now_s)
            owed.clear()
        elif isinstance(what, bytes):
            take(performance.feed(what, now_s))
    take(performance.stop(now_s + 1.0))
    assert +owed == Counter()
    assert performance.engine.at_rest
    assert list(performance.engine.sounding()) == []


@pytest.mark.parametrize("method", ["note", "octave", "dump", "bend", "mpe"])
@pytest.mark.parametrize("on_change", ["now", "next", "glide"])
@settings(max_examples=20)
@given(steps=STEPS)
def test_when_the_hands_are_off_the_keys_it_is_at_rest_without_being_stopped(
    method: str, on_change: OnChange, steps: list[tuple[float, bytes | Action | str]]
) -> None:
    """Whatever came before: every key let go and every pedal up, and no note is owed its end any more."""
    performance = make(method, Controls(), on_change, glide_s=0.4)
    owed: Counter[tuple[int, int]] = Counter()

    def take(due: Sequence[Due]) -> None:
        for _, data in due:
            if data[0] & 0xF0 == 0x90 and data[2]:
                owed[data[0] & 15, data[1]] += 1
            elif data[0] & 0xE0 == 0x80:
                owed[data[0] & 15, data[1]] = max(0, owed[data[0] & 15, data[1]] - 1)

    now_s = 0.0
    struck: Counter[tuple[int, int]] = Counter()
    take(performance.start(now_s))
    for wait_s, what in steps:
        now_s += wait_s
        if isinstance(what, Action):
            take(performance.act(what, now_s))
        elif isinstance(what, bytes):
            if len(what) == 3 and what[0] & 0xF0 == 0x90 and max(what[1:]) < 128 and what[2]:
                struck[what[0] & 15, what[1]] += 1
            take(performance.feed(what, now_s))
    for nibble in range(16):
        for pedal in (64, 66, 69):
            take(performance.feed(bytes((0xB0 | nibble, pedal, 0)), now_s))
    for (nibble, key), count in struck.items():
        for _ in range(count):
            take(performance.feed(bytes((0x80 | nibble, key, 64)), now_s))
    for _ in range(300):
        wake_s = performance.next_wake_s
        if wake_s is None:
            break
        now_s = max(now_s, wake_s)
        take(performance.wake(now_s))
    assert performance.next_wake_s is None
    assert +owed == Counter()
    assert performance.engine.at_rest
    assert list(performance.engine.sounding()) == []


@pytest.mark.parametrize("action", [Action("table", 2), Action("tonic", 7)])
def test_where_channels_are_short_the_tonic_of_the_table_that_holds_is_in_tune(action: Action) -> None:
    """Two channels for three pitches: A in the bass, a loud B, then G, the tonic since the change, softly."""
    synth = ObedientSynth()
    switch = TableSwitch(SLOTS, TONICS)
    engine = BendEngine(None, switch.table(), BendOptions(channels=(1, 2), tonics=(switch.chosen.tonic,)))
    performance = Performance(engine, switch, ControlReader(Controls()))
    feed(synth, performance.start(0.0))
    feed(synth, performance.act(action, 1.0))
    for key, velocity in ((45, 100), (59, 120), (67, 60)):
        sent = feed(synth, performance.feed(bytes((0x90, key, velocity)), 2.0))
    assert engine.crowded == 1
    struck = next(data for data in sent if data[0] & 0xF0 == 0x90)
    assert synth.pitch(struck[0] & 0x0F, 67) == pytest.approx(67.0, abs=2e-4)


@pytest.mark.parametrize("method", ["note", "octave", "bend"])
@settings(max_examples=25)
@given(steps=STEPS)
def test_after_silence_every_note_is_in_the_table_that_holds(
    method: str, steps: list[tuple[float, bytes | Action | str]]
) -> None:
    """Whatever was played and chosen, once it is quiet and all is done, a new note has the pitch of the table."""
    performance = make(method, Controls(), "next")
    synth = ObedientSynth()
    feed(synth, performance.start(0.0))
    now_s = 0.0
    for wait_s, what in steps:
        now_s += wait_s
        if isinstance(what, Action):
            feed(synth, performance.act(what, now_s))
        elif isinstance(what, bytes) and what and what[0] & 0xF0 in (0x80, 0x90) and what[0] & 0x0F != 9:
            feed(synth, performance.feed(what, now_s))
    feed(synth, performance.act(Action("panic"), now_s + 1.0))
    for _ in range(200):
        wake_s = performance.next_wake_s
        if wake_s is None:
            break
        now_s = max(wake_s, now_s)
        feed(synth, performance.wake(now_s))
    sent = feed(synth, performance.feed(bytes((0x90, 64, 100)), now_s + 2.0))
    channel = sent[-1][0] & 0x0F
    wanted = 69 + 12 * math.log2(performance.switch.table()[64] / 440)
    assert abs(synth.pitch(channel, 64) - wanted) * 100 < 0.02
