"""Bend ranges while somebody plays, heard by a synth that takes a range for new notes only.

`LateSynth` is such a synth on paper: a note keeps the bend range that its channel had when it started. With it a range
that is sent while a note sounds makes every bend of that note wrong.

Sources: MIDI 1.0 Detailed Specification, "Pitch Bend Change" and RPN 00 00; *MIDI Polyphonic Expression* (2018), "Pitch
Bend Sensitivity": 48 semitones for member channels, 2 for the manager, from the configuration message on.
"""

from __future__ import annotations

import dataclasses

import pytest
from support.obedient import ObedientSynth
from support.streams import Frequencies

from bridge.engine.bend.live import BendEngine
from bridge.engine.mts.live import MtsLiveEngine
from bridge.wire.mpe import MpeReceiver
from bridge.wire.profile import STANDARD, SynthProfile

JUST_CENTS = [0, 12, 4, 16, -14, -2, -10, 2, 14, -16, 18, -12]
JUST = Frequencies(JUST_CENTS)
HALF_STEP_CENTS = 1600.0 / 8192 / 2
E, WHEEL_UP, WHEEL_HALF = 64, bytes((0xE0, 127, 127)), bytes((0xE0, 0, 96))


def parameter(channel: int, number: int, msb: int) -> list[bytes]:
    """A registered parameter 00 `number`, written out by hand, with null after it."""
    rows = ((101, 0), (100, number), (6, msb), (101, 127), (100, 127))
    return [bytes((0xAF + channel, *row)) for row in rows]


class LateSynth(ObedientSynth):
    """Notes keep the range of their start."""

    def reset(self) -> None:
        super().reset()
        self.notes: dict[tuple[int, int], float] = {}

    def feed(self, data: bytes) -> None:
        channel = data[0] & 15
        if data[0] & 0xF0 == 0x90 and data[2]:
            self.notes[channel, data[1]] = self.range[channel]
        elif data[0] & 0xE0 == 0x80:
            self.notes.pop((channel, data[1]), None)
        super().feed(data)

    def off_cents(self, key: int) -> float:
        """How far the note of a key lies from where equal temperament has it."""
        ((channel, range_semitones),) = [(ch, kept) for (ch, note), kept in self.notes.items() if note == key]
        return (self.bend[channel] - 8192) / 8192 * range_semitones * 100.0


class Played:
    """An engine and a synth that gets what it sends."""

    def __init__(self, engine: BendEngine | MtsLiveEngine) -> None:
        self.engine, self.synth = engine, LateSynth()
        self.sent: list[bytes] = []
        self.give(engine.start(0.0))

    def give(self, due: list[tuple[float, bytes]]) -> None:
        self.sent = [data for _, data in due]
        for data in self.sent:
            self.synth.feed(data)

    def play(self, *messages: bytes) -> None:
        for data in messages:
            self.give(self.engine.feed(data, 1.0))


def test_a_wheel_that_moves_for_the_first_time_bends_a_sounding_note_as_far_as_it_should() -> None:
    played = Played(BendEngine(None, JUST))
    played.play(bytes((0x90, E, 80)))
    assert played.synth.off_cents(E) == pytest.approx(-14.0, abs=HALF_STEP_CENTS)
    played.play(WHEEL_HALF)
    assert played.synth.off_cents(E) == pytest.approx(-14.0 + 100.0, abs=HALF_STEP_CENTS)
    played.play(WHEEL_UP)
    assert played.synth.off_cents(E) == pytest.approx(-14.0 + 200.0 * 8191 / 8192, abs=HALF_STEP_CENTS)


def test_a_range_that_is_asked_for_while_a_note_sounds_waits_until_its_channel_is_silent() -> None:
    played = Played(BendEngine(None, JUST))
    played.play(bytes((0x90, E, 80)), *parameter(1, 0, 12))
    assert played.synth.range[0] == 3.0
    played.play(bytes((0xE0, 0, 72)))  # an eighth of the way to 12 semitones: 150 cents, within the old range
    assert played.synth.off_cents(E) == pytest.approx(-14.0 + 150.0, abs=HALF_STEP_CENTS)
    played.play(WHEEL_HALF)  # 600 cents: cut at the old range of 3 semitones
    assert played.synth.off_cents(E) == pytest.approx(300.0, abs=0.1)
    assert played.engine.clipped == 1
    played.play(bytes((0x80, E, 64)), bytes((0x90, E, 80)))
    assert played.synth.off_cents(E) == pytest.approx(-14.0 + 600.0, abs=HALF_STEP_CENTS)


def test_a_note_on_another_channel_has_the_new_range_at_once() -> None:
    played = Played(BendEngine(None, JUST))
    played.play(bytes((0x90, E, 80)), *parameter(1, 0, 12), bytes((0x90, 60, 80)), WHEEL_HALF)
    assert played.synth.off_cents(60) == pytest.approx(600.0, abs=HALF_STEP_CENTS)


def test_a_synth_whose_sounding_notes_follow_gets_the_range_at_once() -> None:
    follows = SynthProfile("x", "X", "made up", ("bend",), bend_range_sounding=True)
    played = Played(BendEngine(follows, JUST))
    played.play(bytes((0x90, E, 80)), *parameter(1, 0, 9))
    played.play(WHEEL_HALF)
    channel = played.synth
    assert (channel.bend[0] - 8192) / 8192 * channel.range[0] * 100 == pytest.approx(436.0, abs=0.1)


def test_all_tables_that_may_come_are_foreseen() -> None:
    far = Frequencies([-150] * 12)
    engine = BendEngine(None, JUST)
    engine.foresee([JUST, far])
    played = Played(engine)
    played.play(bytes((0x90, E, 80)), bytes((0xE0, 0, 0)))
    played.give(engine.change(far, 2.0))
    assert played.synth.off_cents(E) == pytest.approx(-350.0, abs=HALF_STEP_CENTS)
    assert engine.clipped == 0


class ZoneSynth(ObedientSynth):
    """A range that one member of the lower zone is told holds for all of them, and for what sounds there."""

    def feed(self, data: bytes) -> None:
        before = list(self.range)
        super().feed(data)
        changed = [channel for channel in range(1, 9) if self.range[channel] != before[channel]]
        for channel in changed:
            self.range[1:9] = [self.range[channel]] * 8


def test_the_range_of_an_mpe_zone_waits_until_the_whole_zone_is_silent() -> None:
    engine = BendEngine(None, JUST, None, "mpe")
    synth = ZoneSynth()

    def play(*messages: bytes) -> list[bytes]:
        sent = [data for message in messages for _, data in engine.feed(message, 1.0)]
        for data in sent:
            synth.feed(data)
        return sent

    for _, data in engine.start(0.0):
        synth.feed(data)
    (first,) = {data[0] & 15 for data in play(bytes((0x90, E, 80))) if data[0] >> 4 == 9}
    play(*parameter(1, 0, 12))
    (second,) = {data[0] & 15 for data in play(bytes((0x90, 60, 80))) if data[0] >> 4 == 9}
    play(bytes((0xE0, 0, 72)))  # 150 cents
    for channel, cents in ((first, -14.0 + 150.0), (second, 150.0)):
        heard = (synth.bend[channel] - 8192) / 8192 * synth.range[channel] * 100
        assert heard == pytest.approx(cents, abs=0.1)
    play(bytes((0x80, E, 0)), bytes((0x80, 60, 0)), bytes((0x90, E, 80)), WHEEL_HALF)
    heard = (synth.bend[first] - 8192) / 8192 * synth.range[first] * 100
    assert heard == pytest.approx(-14.0 + 600.0, abs=0.1)


def test_a_synth_of_two_semitones_stays_at_two() -> None:
    fixed = SynthProfile("x", "X", "made up", ("bend",), bend_range_fixed_semitones=2)
    played = Played(BendEngine(fixed, JUST))
    played.play(bytes((0x90, E, 80)))
    assert played.synth.off_cents(E) == pytest.approx(-14.0, abs=HALF_STEP_CENTS)


@pytest.mark.parametrize("members", [1, 7, 15])
def test_an_mpe_keyboard_that_sends_only_the_configuration_bends_by_48(members: int) -> None:
    played = Played(BendEngine(None, JUST))
    played.play(*parameter(1, 6, members), bytes((0x91, E, 80)))
    played.play(bytes((0xE1, 0, 65)))  # 128 steps of 8192: 75 cents at 48 semitones, 3 at 2
    assert played.synth.off_cents(E) == pytest.approx(-14.0 + 75.0, abs=4800 / 8192 / 2 + 1e-6)
    played.play(bytes((0x90, 60, 80)), WHEEL_HALF)  # the manager's wheel reaches two semitones
    assert played.synth.off_cents(60) == pytest.approx(100.0, abs=HALF_STEP_CENTS)


def test_a_range_said_after_the_configuration_holds() -> None:
    played = Played(BendEngine(None, JUST))
    played.play(*parameter(1, 6, 5), *parameter(3, 0, 12), bytes((0x92, E, 80)), bytes((0xE2, 0, 72)))
    assert played.synth.off_cents(E) == pytest.approx(-14.0 + 150.0, abs=4800 / 8192 / 2)


def test_a_zone_that_ends_takes_the_standard_range_along() -> None:
    played = Played(BendEngine(None, JUST))
    played.play(*parameter(1, 6, 3), *parameter(1, 6, 0), bytes((0x91, E, 80)), bytes((0xE1, 0, 96)))
    assert played.synth.off_cents(E) == pytest.approx(-14.0 + 100.0, abs=4800 / 8192 / 2)


def test_zones_that_take_channels_from_each_other() -> None:
    """The later zone wins; a channel that it leaves to nobody is an ordinary one again."""
    zones = MpeReceiver()
    assert zones.reach_after(2, 5) == {}
    assert zones.reach_after(1, 16) == {}
    assert zones.reach_after(1, 3) == {1: 2, 2: 48, 3: 48, 4: 48}
    assert zones.reach_after(16, 12) == {16: 2, **dict.fromkeys(range(4, 16), 48)}
    assert zones.zones[0].members == 2
    assert zones.reach_after(16, 1) == {16: 2, 15: 48, **dict.fromkeys(range(4, 15), 2)}


@pytest.mark.parametrize("method", ["note", "octave", "dump"])
def test_a_tuned_synth_that_does_not_know_mpe_is_told_the_ranges_of_the_configuration(method: str) -> None:
    profile = dataclasses.replace(STANDARD, channels=tuple(range(1, 17)))
    played = Played(MtsLiveEngine(profile, JUST, method))
    played.play(*parameter(1, 6, 4))
    assert played.synth.range == [2.0, 48.0, 48.0, 48.0, 48.0] + [2.0] * 11


def test_a_tuned_synth_that_was_away_is_told_again_what_the_player_had_set() -> None:
    """The engine is stopped for nobody and started anew; the synth is at power-up."""
    engine = MtsLiveEngine(STANDARD, JUST, "note")
    played = Played(engine)
    fine = [bytes((0xB2, *row)) for row in ((101, 0), (100, 1), (6, 70), (38, 5))]
    played.play(*parameter(1, 0, 12), *fine, *parameter(4, 2, 61), *parameter(16, 6, 2))
    engine.stop(2.0)
    played.synth.reset()
    played.give(engine.start(3.0))
    synth = played.synth
    assert synth.range[0] == 12.0
    assert synth.range[13:] == [48.0, 48.0, 2.0]
    assert synth.fine[2] == [70, 5]
    assert synth.coarse[3] == -3
    assert synth.rpn[2] == (0, 1)  # and the player may go on with the parameter that was chosen
    played.play(bytes.fromhex("f07e7f0901f7"))  # a reset takes all of it away
    engine.stop(4.0)
    played.synth.reset()
    played.give(engine.start(5.0))
    assert played.synth.range == [2.0] * 16
