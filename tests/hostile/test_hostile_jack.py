"""Hostile playing on a real JACK server: garbage, ports that vanish, a player that stands still, two runs at once.

What goes out is recorded beside the synth and read by a receiver that shares nothing with the package: nothing hangs,
pitches included (`support.obedient`). The counts that a run shows are compared with what was played and recorded.
``STILLBEAT_LONG`` repeats everything.

Source: MIDI 1.0 Detailed Specification, "Data Format" (data bytes without a status are to be ignored; any status byte
but real time ends a SysEx message).
"""

from __future__ import annotations

import os
import re
import signal
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from support import jack, needs
from support.live import LiveRun, player_pid, until
from support.obedient import ObedientSynth

pytestmark = [pytest.mark.jack, pytest.mark.campaign]

COUNTING = """
from bridge.live.desk.views.playing import LinesDisplay

_show = LinesDisplay.show

def show(self, shown):
    _show(self, shown)
    counts = shown.counts
    print("counts", counts.received, counts.sent, counts.lost, counts.dropped, flush=True)

LinesDisplay.show = show
"""
"""Has a run print the counts that the engine's view shows."""

TIMES = pytest.mark.parametrize("number", range(needs.often(1, long=10)))
CHORD = (50, 57, 62, 66)


def on(key: int, channel: int = 0) -> bytes:
    return bytes((0x90 | channel, key, 100))


def off(key: int, channel: int = 0) -> bytes:
    return bytes((0x80 | channel, key, 64))


def hanging(messages: list[bytes]) -> dict[tuple[int, int], int]:
    """What is owed an end, by channel and key; all sound off does not count as one."""
    owed: Counter[tuple[int, int]] = Counter()
    for data in messages:
        if data[0] < 0xA0:
            owed[data[0] & 15, data[1]] += 1 if data[0] >= 0x90 and data[2] else -1
            owed[data[0] & 15, data[1]] = max(0, owed[data[0] & 15, data[1]])
    return dict(+owed)


class Box:
    """A synth on paper at the end of a real cable."""

    def __init__(self, tap: jack.JackTap) -> None:
        self.tap = tap
        tap.start()

    def got(self) -> list[bytes]:
        return [data for _, data in self.tap.heard()]

    def notes(self) -> list[bytes]:
        return [data for data in self.got() if data[0] < 0xA0]

    def struck(self, *keys: int) -> None:
        """Wait until all these keys have been struck."""
        until(
            lambda: set(keys) <= {data[1] for data in self.notes() if data[0] >= 0x90 and data[2]},
            what="a key is never struck",
        )

    def silent(self) -> None:
        until(lambda: not hanging(self.got()), what=f"it hangs: {hanging(self.got())}")

    def is_as_it_was(self) -> None:
        """Nothing sounds, and the bends are centred."""
        assert not hanging(self.got())
        synth = ObedientSynth()
        for data in self.got():
            synth.feed(data)
        assert synth.bend == [8192] * 16


def counted(run: LiveRun, received: int, sent: int, lost: int, dropped: int) -> None:
    """Wait until a run shows these counts."""
    run.wait(f"^counts {received} {sent} {lost} {dropped}$", 10.0)


def shown_counts(run: LiveRun) -> list[int]:
    """The next counts that a run shows: received, sent, lost, dropped."""
    return [int(number) for number in run.wait(r"^counts \d+ [1-9]\d* ").split()[1:]]


def leave(run: LiveRun, *boxes: Box) -> None:
    run.say("quit")
    assert run.exit_code() == 0
    for box in boxes:
        box.is_as_it_was()


@pytest.fixture(scope="module")
def server() -> Iterator[jack.JackServer]:
    with jack.JackServer() as one:
        yield one


class Stage:
    """A keyboard, a synth, and a run between them."""

    def __init__(self, server: jack.JackServer, state: Path, stack: ExitStack, method: str) -> None:
        self.server, self.stack = server, stack
        self.keys = stack.enter_context(jack.JackTap(server, name="keys"))
        self.box = Box(stack.enter_context(jack.JackTap(server, name="box")))
        self.run = stack.enter_context(
            LiveRun(
                server.env,
                state,
                *("--guitar", "open-d", "--in", self.keys.midi_out, "--out", self.box.tap.midi_in),
                *("--synth", "fluidsynth", "--method", method),
                before=COUNTING,
            )
        ).ready()


@pytest.fixture
def stage(server: jack.JackServer, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Stage]:
    with ExitStack() as stack:
        yield Stage(server, tmp_path / "state", stack, getattr(request, "param", "bend"))


@TIMES
@pytest.mark.parametrize("stage", ["note", "bend"], indirect=True)
def test_garbage_and_split_sysex_among_notes(stage: Stage, number: int) -> None:
    """Every note comes out and ends; a SysEx message in three pieces comes whole; what is no message is counted."""
    garbage = (b"\x05", b"\x7f\x7f", b"\x90\x40", b"\xf4", b"\x10\x20\x30")
    dump = b"\xf0\x43\x20" + bytes(range(number, number + 90)) + b"\xf7"
    stage.keys.send(on(CHORD[0]), off(CHORD[0]))
    stage.box.struck(CHORD[0])
    stage.box.silent()
    before = [0, 0, 0, 0]
    while before[0] < 2:
        before = shown_counts(stage.run)
    assert before == [2, len(stage.box.got()), 0, 0]
    at = len(stage.box.got())
    for place, key in enumerate(CHORD):
        stage.keys.send(on(key), garbage[place], on(key + 1, 1))
    stage.keys.send(dump[:20], dump[20:50], dump[50:])
    stage.keys.send(*(off(key) for key in CHORD), garbage[4], *(off(key + 1, 1) for key in CHORD))
    until(lambda: dump in stage.box.got(), what="the dump is lost or spoilt")
    stage.box.struck(*CHORD, *(key + 1 for key in CHORD))
    stage.box.silent()
    came = stage.box.got()[at:]
    assert sum(data[0] >= 0x90 and data[2] > 0 for data in came if data[0] < 0xA0) == 2 * len(CHORD)
    now = [0, 0, 0, 0]
    while now[0] < before[0] + 4 * len(CHORD) + 1 + len(garbage):
        now = shown_counts(stage.run)
    assert now[0] == before[0] + 4 * len(CHORD) + 1 + len(garbage), "received"
    assert now[1] == before[1] + len(came), "sent"
    assert now[2:] == [0, len(garbage)], "lost, and dropped"
    leave(stage.run, stage.box)


@TIMES
def test_the_keyboard_vanishes_in_the_middle_of_a_chord(stage: Stage, number: int) -> None:
    stage.keys.send(*(on(key) for key in CHORD))
    stage.box.struck(*CHORD)
    stage.keys.stop()
    stage.run.wait("^the keyboard's port .* is gone; its notes are let go")
    stage.box.silent()
    again = stage.stack.enter_context(jack.JackTap(stage.server, name="keys"))
    stage.run.wait("^the keyboard's port .* is back")
    again.send(on(69), off(69))
    stage.box.struck(69)
    stage.box.silent()
    counted(stage.run, len(CHORD) + 2, len(stage.box.got()), 0, 0)
    leave(stage.run, stage.box)


@TIMES
def test_the_synth_vanishes_in_the_middle_of_a_chord(stage: Stage, number: int) -> None:
    """What is played meanwhile is lost and counted as such; the synth comes back silent, set up and in tune."""
    stage.keys.send(*(on(key) for key in CHORD))
    stage.box.struck(*CHORD)
    before = len(stage.box.got())
    stage.box.tap.stop()
    stage.run.wait("^the synth's port .* is gone")
    away = [off(CHORD[0]), on(74), off(74)]
    stage.keys.send(*away)
    lost = 0
    while not lost:
        received, sent, lost, dropped = shown_counts(stage.run)
    assert sent == before
    assert dropped == 0
    box = Box(stage.stack.enter_context(jack.JackTap(stage.server, name="box")))
    stage.run.wait("^the synth's port .* is back: silenced, set up, in tune")
    stage.keys.send(*(off(key) for key in CHORD[1:]), on(69), off(69))
    box.struck(69)
    box.silent()
    while received < len(CHORD) + len(away) + len(CHORD) - 1 + 2:
        received, sent, lost, dropped = shown_counts(stage.run)
    assert received == len(CHORD) + len(away) + len(CHORD) - 1 + 2
    assert (dropped, lost >= len(away)) == (0, True)
    leave(stage.run, box)


@TIMES
@pytest.mark.parametrize("goes_on", [False, True], ids=["replaced", "continued"])
def test_a_player_stands_still_in_the_middle_of_a_chord(stage: Stage, goes_on: bool, number: int) -> None:
    """Stopped for a moment it goes on where it was; stopped for good it is replaced, and what hung is let go."""
    stage.keys.send(*(on(key) for key in CHORD))
    stage.box.struck(*CHORD)
    player = player_pid(stage.run)
    os.kill(player, signal.SIGSTOP)
    if goes_on:
        later_s = time.monotonic() + 0.5
        until(lambda: time.monotonic() > later_s)
        os.kill(player, signal.SIGCONT)
        stage.keys.send(*(off(key) for key in CHORD))
        stage.box.silent()
        counted(stage.run, 2 * len(CHORD), len(stage.box.got()), 0, 0)
        assert player_pid(stage.run) == player
    else:
        stage.run.wait("does not answer", limit_s=10.0)
        stage.run.wait("playing again", limit_s=60.0)
        assert player_pid(stage.run) != player
        stage.box.silent()
        stage.keys.send(on(69), off(69))
        stage.box.struck(69)
        stage.box.silent()
    leave(stage.run, stage.box)


@TIMES
def test_two_runs_at_once_under_names_of_their_own(
    server: jack.JackServer, tmp_path: Path, number: int
) -> None:
    with ExitStack() as stack:
        halls: list[tuple[jack.JackTap, Box, LiveRun]] = []
        for name, method in (("left", "note"), ("right", "bend")):
            keys = stack.enter_context(jack.JackTap(server, name=f"{name} keys"))
            box = Box(stack.enter_context(jack.JackTap(server, name=f"{name} box")))
            env = {**server.env, "STILLBEAT_NAME": server.client(name)}
            ends = ("--in", keys.midi_out, "--out", box.tap.midi_in)
            options = ("--guitar", "open-d", "--synth", "fluidsynth", "--method", method, *ends)
            run = stack.enter_context(LiveRun(env, tmp_path / name, *options, before=COUNTING)).ready()
            halls.append((keys, box, run))
        for (keys, _, _), chord in zip(halls, (CHORD, (72, 76)), strict=True):
            keys.send(*(on(key) for key in chord))
        for (_, box, _), chord in zip(halls, (CHORD, (72, 76)), strict=True):
            box.struck(*chord)
            assert {data[1] for data in box.notes()} == set(chord), "it heard the other one"
        left, right = halls
        leave(left[2], left[1])
        assert hanging(right[1].got()), "the end of one ended the other"
        right[0].send(off(72), off(76))
        right[1].silent()
        counted(right[2], 4, len(right[1].got()), 0, 0)
        assert not any(re.search("gone|lost|not answer", line) for line in right[2].lines)
        leave(right[2], right[1])
