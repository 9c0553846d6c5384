"""Whatever is played, in whatever order: what goes out is followed by a receiver that shares nothing with the package.

A rule machine plays a `Performance` by every method: notes, pedals, bends, the source's own parameters, changes of
table, trims, a drone, channels that turn into drums and back, resets, garbage, floods, keyboards and synths that
vanish and come back. After every step

- each key that is down sounds as often as it was struck, and nothing else does (`owed`);
- it sounds within half a step of the table that holds, plus the source's own bend and fine tuning, wherever its output
  channel is not shared by notes that want different bends;
- nothing that was due is left behind, and leaving ends everything.

For the long run: ``STILLBEAT_EXAMPLES=2000 python -m pytest tests/hostile/test_hostile_playing.py``.
"""

from __future__ import annotations

import math
import os
from collections import Counter
from dataclasses import dataclass, field

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test
from support.obedient import ObedientSynth

from bridge.engine.bend.live import BendEngine
from bridge.engine.bend.options import BendOptions
from bridge.engine.mts.live import MtsLiveEngine
from bridge.engine.play.controls import Action, ControlReader, Controls
from bridge.engine.play.drones.held import HeldDrone, HeldKeys, HoldPlan
from bridge.engine.play.performance import Performance
from bridge.engine.play.tables import PlayTable, TableSwitch
from bridge.engine.protocols import Due, LiveEngine
from bridge.wire.profile import STANDARD, SynthProfile, moves_sounding

pytestmark = pytest.mark.slow

EXAMPLES = int(os.environ.get("STILLBEAT_EXAMPLES", "25"))
EQUAL = tuple(440.0 * 2 ** ((key - 69) / 12) for key in range(128))
CENTS = (  # five-limit tables on C, D and G, to the cent
    (0, 12, 4, 16, -14, -2, -10, 2, 14, -16, 18, -12),
    (-4, 8, 0, 12, 4, 16, -14, -2, -10, 2, 14, -16),
    (-2, 10, 2, 14, -16, 18, -12, 0, 12, 4, 16, -14),
)
TABLES = [
    PlayTable(
        str(number), tuple(hz * 2 ** (cents[key % 12] / 1200) for key, hz in enumerate(EQUAL)), EQUAL, number
    )
    for number, cents in enumerate(CENTS)
]
DRONE_NIBBLE = 14
FULL = SynthProfile("full", "Full", "on paper", STANDARD.methods, sounding=frozenset(("note", "octave")))
TAIL_S = 0.5  # a note that has ended may decay that long, and keeps its pitch then


def make(method: str, hz: list[float]) -> tuple[LiveEngine, tuple[int, ...]]:
    """An engine, and the source channels (0 to 15) to play it on."""
    if method in STANDARD.methods:
        return MtsLiveEngine(FULL, hz, method), (0, 1, 9)
    if method == "mpe":
        return BendEngine(None, hz, BendOptions(), "mpe"), (0,)
    few = (1, 2, 3, 4, 15) if method == "bend on five channels" else None
    return BendEngine(None, hz, BendOptions(channels=few)), (0, 1, 9)


@dataclass(eq=False)
class Stroke:
    """A key that is down: where it was struck, where it went, and whether its pitch is certain."""

    channel: int
    key: int
    out: int
    certain: bool = True
    silenced: bool = False  # by all notes off or all sound off: its note-off is still to come


@dataclass
class Receiver:
    """Pitches by `ObedientSynth`; the strikes that are owed an end by counting."""

    pitches: ObedientSynth = field(default_factory=ObedientSynth)
    owed: Counter[tuple[int, int]] = field(default_factory=Counter)

    def feed(self, data: bytes) -> None:
        self.pitches.feed(data)
        if data[0] >> 4 == 0xB and data[1] == 121:  # RP-015
            self.pitches.bend[data[0] & 15], self.pitches.rpn[data[0] & 15] = 8192, (127, 127)
        if data[0] < 0xA0:
            where = (data[0] & 15, data[1])
            self.owed[where] += 1 if data[0] >= 0x90 and data[2] else -1
            assert self.owed[where] >= 0, f"{data.hex(' ')} ends what nothing began"


class Playing(RuleBasedStateMachine):
    method = "bend"

    def __init__(self) -> None:
        super().__init__()
        switch = TableSwitch(TABLES)
        engine, self.channels = make(self.method, switch.table())
        self.performance = Performance(engine, switch, ControlReader(Controls(channel=None)))
        self.source = ObedientSynth()
        self.receiver = Receiver()
        self.strokes: list[Stroke] = []
        self.ringing: list[Stroke] = []  # let go, but a pedal is down
        self.pedals: dict[tuple[int, int], int] = {}
        self.kits: dict[int, bool] = {}
        self.banks: dict[int, int] = {}
        self.now_s = 0.0
        self.unsure_until_s = -math.inf
        keys = (HeldKeys((50, 57), 19), HeldKeys((50, 55)), HeldKeys())
        self.drone = HeldDrone(HoldPlan(keys, channel=DRONE_NIBBLE + 1))
        self.hear(self.performance.start(0.0))

    # ---- what goes out

    def hear(self, due: list[Due]) -> list[int]:
        """Let the receiver hear what is due; return the channels on which notes began."""
        began = []
        for at_s, data in sorted(due, key=lambda one: one[0]):
            assert at_s >= self.now_s - 1e-9, "it was due before it was sent"
            self.receiver.feed(data)
            if data[0] >> 4 == 9 and data[2]:
                began.append(data[0] & 15)
        return began

    def play(self, data: bytes, backing: bool = False) -> None:
        """Feed one message, and keep the books."""
        feed = self.performance.feed_backing if backing else self.performance.feed
        kind, channel = data[0] >> 4, data[0] & 15
        self.source.feed(data)
        began = self.hear(feed(data, self.now_s))
        if kind == 9 and data[2]:
            assert len(began) == 1, "a stroke goes out once"
            certain = self.now_s >= self.unsure_until_s or self.method.startswith(("bend", "mpe"))
            self.strokes.append(Stroke(channel, data[1], began[0], certain and channel not in self.drums))
        else:
            assert not began
        if kind in (8, 9) and not (kind == 9 and data[2]):
            same = [stroke for stroke in self.strokes if (stroke.channel, stroke.key) == (channel, data[1])]
            if same:
                stroke = next((one for one in same if not one.silenced), same[0])
                self.strokes.remove(stroke)
                if any(self.pedals.get((channel, pedal)) for pedal in (64, 66, 69)) and not stroke.silenced:
                    self.ringing.append(stroke)
        elif kind == 0xB and data[1] in (64, 66, 69, 120, 121):
            self.pedals[channel, data[1]] = data[2]
            if data[1] == 121:
                self.pedals.update(dict.fromkeys(((channel, pedal) for pedal in (64, 66, 69)), 0))
            if data[1] == 120 or not any(self.pedals.get((channel, pedal)) for pedal in (64, 66, 69)):
                self.ringing = [stroke for stroke in self.ringing if stroke.channel != channel]

    @property
    def drums(self) -> set[int]:
        """Source channels whose strokes are drums."""
        return {9, *(channel for channel, drums in self.kits.items() if drums)}

    def run_drone(self) -> None:
        performance = self.performance
        on = performance.drone and not performance.hushed
        self.drone.follow(performance.switch.number, performance.switch.tonic, on, self.now_s)
        for _, data in self.drone.due(self.now_s):
            self.play(data, backing=True)

    def forget(self) -> None:
        self.strokes.clear()
        self.ringing.clear()
        self.pedals.clear()

    def unsure(self) -> None:
        """What sounds now may keep an older pitch; by tuning messages its key does so until it has decayed."""
        for stroke in self.strokes:
            stroke.certain = False
        self.unsure_until_s = math.inf

    # ---- rules

    @rule(which=st.integers(0, 2), key=st.integers(36, 84), velocity=st.integers(1, 127))
    def strike(self, which: int, key: int, velocity: int) -> None:
        self.play(bytes((0x90 | self.channels[which % len(self.channels)], key, velocity)))

    @rule(number=st.integers(0, 99), as_on=st.booleans())
    def release(self, number: int, as_on: bool) -> None:
        played = [stroke for stroke in self.strokes if stroke.channel != DRONE_NIBBLE]
        if played:
            stroke = played[number % len(played)]
            kind = 0x90 if as_on else 0x80
            self.play(bytes((kind | stroke.channel, stroke.key, 0)))

    @rule(which=st.integers(0, 1), pedal=st.sampled_from((64, 66, 69)), value=st.sampled_from((0, 64, 127)))
    def press(self, which: int, pedal: int, value: int) -> None:
        self.play(bytes((0xB0 | self.channels[which % len(self.channels)], pedal, value)))

    @rule(which=st.integers(0, 1), value=st.integers(6144, 10240))
    def bend(self, which: int, value: int) -> None:
        channel = self.channels[which % len(self.channels)]
        self.play(bytes((0xE0 | channel, value & 127, value >> 7)))

    @rule(
        which=st.integers(0, 1),
        parameter=st.sampled_from(((0, 2), (0, 7), (1, 60), (1, 70), (1, 64))),
        null=st.booleans(),
    )
    def set_parameter(self, which: int, parameter: tuple[int, int], null: bool) -> None:
        status = 0xB0 | self.channels[which % len(self.channels)]
        entries = [(101, 0), (100, parameter[0]), (6, parameter[1]), (38, 0)]
        for controller, value in entries + [(101, 127), (100, 127)] * null:
            self.play(bytes((status, controller, value)))

    @rule(which=st.integers(0, 1), number=st.sampled_from((1, 7, 10, 11, 91)), value=st.integers(0, 127))
    def control(self, which: int, number: int, value: int) -> None:
        self.play(bytes((0xB0 | self.channels[which % len(self.channels)], number, value)))

    @rule(which=st.integers(0, 1), program=st.integers(0, 127))
    def choose_sound(self, which: int, program: int) -> None:
        channel = self.channels[which % len(self.channels)]
        self.play(bytes((0xC0 | channel, program)))
        self.turned(channel, self.banks.get(channel, 0) in (120, 127))

    @rule(which=st.integers(0, 1), mode=st.sampled_from((120, 121, 123, 124, 125, 127)))
    def send_mode(self, which: int, mode: int) -> None:
        channel = self.channels[which % len(self.channels)]
        self.play(bytes((0xB0 | channel, mode, 0)))
        if mode == 121:
            self.source.bend[channel], self.source.rpn[channel] = 8192, (127, 127)
        for stroke in self.strokes:
            if stroke.channel == channel and mode in (120, 123):
                stroke.certain, stroke.silenced = False, True
                if mode == 123:
                    self.ringing.append(stroke)

    @rule(
        which=st.integers(0, 1), how=st.sampled_from(("GS", "XG", "XG kit", "GM2 kit")), drums=st.booleans()
    )
    def turn_into_drums_or_back(self, which: int, how: str, drums: bool) -> None:
        """While notes sound: those keep their ends, and what is struck from now on is a drum, which nobody tunes."""
        channel = self.channels[which % len(self.channels)]
        if how.endswith("kit"):  # the bank counts with the next program change
            self.banks[channel] = {"XG kit": 127, "GM2 kit": 120}[how] if drums else 0
            self.play(bytes((0xB0 | channel, 0, self.banks[channel])))
            self.play(bytes((0xC0 | channel, 0)))
        elif how == "GS":  # use for rhythm part; channel 1 is block 1
            body = bytes((0x40, 0x11 + channel, 0x15, int(drums)))
            self.play(b"\xf0\x41\x10\x42\x12" + body + bytes((-sum(body) % 128, 0xF7)))
        else:  # part mode
            self.play(bytes((0xF0, 0x43, 0x10, 0x4C, 0x08, channel, 0x07, 2 * drums, 0xF7)))
        self.turned(channel, drums)

    def turned(self, channel: int, drums: bool) -> None:
        """A channel is a kit from now on, or is none: what sounds there keeps its end, but its pitch is not sure."""
        if drums or self.kits.get(channel):
            for stroke in self.strokes + self.ringing:
                if channel in (stroke.channel, stroke.out):
                    stroke.certain = False
        self.kits[channel] = drums

    @rule(slot=st.integers(1, 4), how=st.sampled_from(("now", "now", "next", "glide")))
    def change_table(self, slot: int, how: str) -> None:
        self.performance.on_change = how  # type: ignore[assignment]
        before = self.performance.switch.table()
        due = self.performance.act(Action("table", slot), self.now_s)
        moved = self.performance.switch.table() != before
        if moved and (how != "now" or not self.moves):
            self.unsure()
        self.hear(due)

    @rule(slot=st.integers(1, 3), key=st.integers(50, 70), how=st.sampled_from(("next", "glide")))
    def change_under_a_note(self, slot: int, key: int, how: str) -> None:
        """The note keeps its pitch or moves slowly; once it has ended and decayed, the key is on the new table."""
        self.play(bytes((0x90, key, 80)))
        self.change_table(slot, how)
        self.play(bytes((0x80, key, 0)))
        self.wait(1.1)
        self.play(bytes((0x90, key, 80)))

    @property
    def moves(self) -> bool:
        return moves_sounding(
            FULL if self.method in STANDARD.methods else None, self.method.partition(" ")[0]
        )

    @rule(cents=st.sampled_from((0.5, -0.5, 7.0)))
    def trim(self, cents: float) -> None:
        if not self.moves:
            self.unsure()
        self.hear(self.performance.act(Action("trim", cents), self.now_s))

    @rule()
    def compare_with_equal(self) -> None:
        self.performance.on_change = "now"
        if not self.moves:
            self.unsure()
        self.hear(self.performance.act(Action("equal"), self.now_s))

    @rule()
    def switch_drone(self) -> None:
        if self.method != "mpe":
            self.hear(self.performance.act(Action("drone"), self.now_s))
            self.run_drone()

    @rule(passed_s=st.sampled_from((0.001, 0.02, 0.3, 1.1)))
    def wait(self, passed_s: float) -> None:
        until_s = self.now_s + passed_s
        for _ in range(10_000):
            times = [
                time_s for time_s in (self.performance.next_wake_s, self.drone.next_s) if time_s is not None
            ]
            next_s = min(times, default=math.inf)
            if next_s > until_s:
                break
            self.now_s = max(self.now_s, next_s)
            self.hear(self.performance.wake(self.now_s))
            self.run_drone()
        else:
            pytest.fail("it wants to be woken without end")
        self.now_s = until_s
        if passed_s > TAIL_S and not self.strokes and self.unsure_until_s == math.inf:
            pedals_up = self.performance.engine.at_rest
            if pedals_up:
                self.unsure_until_s = self.now_s

    @rule(data=st.binary(max_size=6))
    def send_garbage(self, data: bytes) -> None:
        if not data or data[0] < 0x80 or (len(data) > 3 and data[0] != 0xF0):
            dropped = self.performance.dropped
            assert self.performance.feed(data, self.now_s) == []
            assert self.performance.dropped == dropped + 1

    @rule(count=st.integers(20, 60), low=st.integers(30, 60))
    def flood(self, count: int, low: int) -> None:
        for number in range(count):
            self.play(bytes((0x90 | self.channels[0], low + number % 24, 100)))
        for number in range(count):
            self.play(bytes((0x80 | self.channels[0], low + number % 24, 0)))

    @rule()
    def lose_the_keyboard(self) -> None:
        for stroke in [stroke for stroke in self.strokes if stroke.channel != DRONE_NIBBLE]:
            self.strokes.remove(stroke)
        self.hear(self.performance.release_keyboard(self.now_s))

    @rule()
    def lose_the_synth(self) -> None:
        """It was switched off and on: it has forgotten everything, and so has the player's book."""
        self.receiver = Receiver()
        self.source.bend = [8192] * 16
        self.forget()
        self.hear(self.performance.restart(self.now_s))
        self.drone.again(self.now_s)
        self.run_drone()

    @rule()
    def leave_and_return(self) -> None:
        self.hear(self.performance.stop(self.now_s))
        assert not +self.receiver.owed, f"left sounding: {+self.receiver.owed}"
        assert all(bend == 8192 for bend in self.receiver.pitches.bend)
        self.forget()
        self.source.bend = [8192] * 16
        self.hear(self.performance.start(self.now_s))
        self.drone.again(self.now_s)
        self.run_drone()

    # ---- what must hold

    @invariant()
    def what_sounds_is_what_is_held(self) -> None:
        held = Counter((stroke.out, stroke.key) for stroke in self.strokes if not stroke.silenced)
        others = +self.receiver.owed - held
        assert held <= self.receiver.owed
        silenced = Counter(stroke.key for stroke in self.strokes if stroke.silenced)
        # What was silenced is owed its end still, or had it when another note came to its channel.
        assert Counter(key for _, key in others.elements()) <= silenced

    @invariant()
    def pitches_are_those_of_the_table(self) -> None:
        table = self.performance.switch.table()
        wanted: dict[int, set[float]] = {}
        for stroke in self.strokes + self.ringing:
            own = self.source.pitch(stroke.channel, stroke.key) - stroke.key
            cents = 1200 * math.log2(table[stroke.key] / EQUAL[stroke.key]) + 100 * own
            wanted.setdefault(stroke.out, set()).add(round(cents, 6) if stroke.certain else math.nan)
        for stroke in self.strokes:
            shared = self.method.startswith(("bend", "mpe")) and len(wanted[stroke.out]) > 1
            if not stroke.certain or shared:
                continue
            own = self.source.pitch(stroke.channel, stroke.key) - stroke.key
            goal = stroke.key + 12 * math.log2(table[stroke.key] / EQUAL[stroke.key]) + own
            off_cents = abs(self.receiver.pitches.pitch(stroke.out, stroke.key) - goal) * 100
            assert off_cents <= self.half_step_cents(stroke.out) + 1e-6, (
                f"key {stroke.key}: {off_cents} cents"
            )

    def half_step_cents(self, out: int) -> float:
        if self.method in ("note", "dump"):
            return 50 / 16384
        return 50 / 8192 * (1 if self.method == "octave" else self.receiver.pitches.range[out])


@pytest.mark.parametrize("method", ["note", "octave", "dump", "bend", "bend on five channels", "mpe"])
def test_whatever_is_played(method: str) -> None:
    machine = type("Playing", (Playing,), {"method": method})
    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=EXAMPLES,
            stateful_step_count=40,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )


@pytest.mark.parametrize("method", ["note", "octave", "dump", "bend", "bend on five channels", "mpe"])
@pytest.mark.parametrize("mode", [120, 123])
@pytest.mark.parametrize("back", [False, True])
def test_what_a_mode_message_silenced_around_drums_ends_once(method: str, mode: int, back: bool) -> None:
    """Found by long runs of the above: a receiver that passes mode messages over still waits for every end."""
    for released in (False, True):
        playing = type("Playing", (Playing,), {"method": method})()
        playing.strike(0, 36, 90)  # a note, silenced, and its channel turns into drums before it ends
        playing.send_mode(0, mode)
        playing.turn_into_drums_or_back(0, "GS", True)
        playing.strike(
            0, 50, 90
        )  # a drum, silenced, and perhaps its channel plays notes again before it ends
        playing.send_mode(0, mode)
        if back:
            playing.turn_into_drums_or_back(0, "GS", False)
        for _ in range(2 * released):
            playing.release(0, False)
        playing.what_sounds_is_what_is_held()
        playing.leave_and_return()
