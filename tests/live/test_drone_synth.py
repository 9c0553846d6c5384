"""A drone on a synth: FluidSynth on a JACK server, played by ``stillbeat drone``; its sound recorded and measured.

FluidSynth 2.3.1 sounds whole cents, rounded down: a pitch may lie up to a cent below what is meant. Expected
frequencies are worked out here from ratios: open D with its D3 at 146.5 Hz, five-limit (third 5/4, fifth 3/2).
"""

from __future__ import annotations

import os
import re
import signal
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from support import jack, measure
from support.live import LiveRun, player_pid, until

pytestmark = pytest.mark.jack

D3 = 146.5
FLOOR_CENTS = 1.05
NEAREST_CENTS = 0.53
GUITAR = ("--guitar", "open-d", "--reference", "D3=146.5")
BEGIN_HZ = 4 * D3 * 2 ** (400 / 1200) - 5 * D3
"""Beats of the equal third over D3: its fourth partial against the fifth."""
CENT_OF_BEATS_HZ = 5 * D3 * (2 ** (FLOOR_CENTS / 1200) - 1)
"""What a cent in one of the notes is worth in beats."""
PROBE = dict(enumerate(range(60, 68), start=1))
"""A key for each channel; within an octave, so that no partial of one lies near another one's fundamental."""


class Stage:
    """A server that waits for its clients, a recorder, and a synth."""

    def __init__(
        self, server: jack.JackServer, tap: jack.JackTap, synth: jack.JackFluidSynth, state: Path
    ) -> None:
        self.server, self.tap, self.synth, self.state = server, tap, synth, state
        tap.listen_to(synth)

    def drone(self, *options: str, before: str = "") -> LiveRun:
        """Begin to play."""
        options = (*GUITAR, "--out", "synth", "--synth", "fluidsynth", *options)
        return LiveRun(self.server.env, self.state, *options, before=before, command="drone")

    def probe(self) -> tuple[np.ndarray, np.ndarray]:
        """Play a note on each channel from outside; return their frequencies and amplitudes."""
        self.tap.send(*(bytes((0x8F + channel, key, 100)) for channel, key in PROBE.items()))
        sound = self.tap.record(1.4)
        self.tap.send(*(bytes((0x7F + channel, key, 0)) for channel, key in PROBE.items()))
        stretch = sound.clean(1.0, after_s=0.2)
        near_hz = [440.0 * 2 ** ((key - 69) / 12) for key in PROBE.values()]
        found = measure.tones_hz(stretch, sound.rate_hz, near_hz)
        return found, np.array([measure.amplitude(stretch, sound.rate_hz, hz) for hz in found])

    def silent(self) -> bool:
        """Whether nothing sounds."""
        return bool(self.tap.record(0.3).peak(0.1, 0.2) < 1e-6)

    def off_cents(self, wanted_hz: list[float], length_s: float = 1.0) -> list[float]:
        """Measure what sounds now: how far from what is wanted."""
        sound = self.tap.record(length_s + 0.2)
        found = measure.tones_hz(sound.clean(length_s), sound.rate_hz, wanted_hz)
        return [measure.cents(hz, want) for hz, want in zip(found, wanted_hz, strict=True)]


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory, organ_font: Path) -> Iterator[Stage]:
    """One server for all tests of this file; every test leaves the synth as it was."""
    with (
        jack.JackServer() as server,
        jack.JackTap(server) as tap,
        jack.JackFluidSynth(server, organ_font) as synth,
    ):
        yield Stage(server, tap, synth, tmp_path_factory.mktemp("state"))


def in_tune(off: list[float]) -> bool:
    return all(abs(cents) <= NEAREST_CENTS for cents in off)


@pytest.mark.parametrize("method", ["note", "octave", "bend"])
def test_the_drone_has_the_tables_pitch_starts_quiet_and_is_trimmed(stage: Stage, method: str) -> None:
    with stage.drone("chord", "--method", method, "--swell", "2") as run:
        run.wait("start with the volume down")
        run.wait("chord: D3 F#3 A3")
        sound = stage.tap.record(2.6)
        levels = np.array([sound.peak(at_s, 0.2) for at_s in np.arange(0.0, 2.4, 0.2)])
        assert levels[0] < 0.3 * levels[-1]
        assert np.all(levels[:9] < levels[1:10] * 1.05), "louder and louder"
        assert levels[-1] < 0.5, "and far from full scale"
        off = stage.off_cents([D3, 1.25 * D3, 1.5 * D3])
        assert in_tune(off), off
        run.say("trim 8")
        run.wait(r"trim \+8 cents")
        up = 2 ** (8 / 1200)
        off = stage.off_cents([D3 * up, 1.25 * D3 * up, 1.5 * D3 * up])
        assert in_tune(off), off
        run.say("equal")
        run.wait("equal")
        off = stage.off_cents([D3 * up, D3 * up * 2 ** (4 / 12), D3 * up * 2 ** (7 / 12)])
        assert in_tune(off), off
        run.say("quit")
        assert run.exit_code() == 0
    assert stage.silent()


def test_beats_slow_down_on_top_of_a_table_for_octaves(stage: Stage) -> None:
    """By the other methods: in `test_drone_jack`."""
    times = ("--swell", "2", "--settle-wait", "3", "--settle-time", "4")
    with stage.drone("third", "--settle", "tempered", "--method", "octave", *times) as run:
        said = run.wait("beats a second")
        stated = float(re.search(r"([\d.]+) beats a second", said)[1])  # type: ignore[index]
        assert stated == pytest.approx(BEGIN_HZ, abs=0.01)
        before = stage.tap.record(4.4)
        heard = measure.beats_per_s(before.clean(2.5, after_s=1.8), before.rate_hz, 5 * D3)
        assert heard == pytest.approx(BEGIN_HZ, abs=CENT_OF_BEATS_HZ + 0.05)
        run.wait("no beats")
        rates = [
            float(found[1]) for line in run.lines if (found := re.search(r"([\d.]+) beats a second", line))
        ]
        assert len(rates) >= 3, run.lines
        assert rates == sorted(rates, reverse=True)
        off = stage.off_cents([D3, 1.25 * D3])
        assert in_tune(off), off
        run.signal(signal.SIGINT)
        assert run.exit_code() == 0
    assert stage.silent()


def test_between_the_steps_of_a_lesson_there_is_silence(stage: Stage) -> None:
    with stage.drone(
        "--step", "unison", "--step", "fifth", "--hold", "3", "--rest", "2", "--swell", "2"
    ) as run:
        run.wait("step 1 of 2: unison: D3")
        run.wait("silence: sing")
        rest = stage.tap.record(1.2)
        assert rest.peak(0.3, 0.8) < 1e-6
        run.wait("step 2 of 2: fifth: D3 A3")
        off = stage.off_cents([D3, 1.5 * D3], 1.2)
        assert in_tune(off), off
        run.wait("silence: sing")
        assert run.exit_code() == 0, "at the end of the lesson it leaves by itself"
    assert stage.silent()


BROKEN_DISPLAY = (
    "from bridge.live.desk.views import drone\n"
    "def show(*_): raise RuntimeError('broken display')\n"
    "drone.DroneLines.show = show\n"
)


@pytest.mark.parametrize(
    ("way", "method"),
    [
        ("quit", "note"),
        ("panic", "note"),
        ("end of input", "bend"),
        ("SIGTERM", "octave"),
        ("crash", "note"),
        ("crash", "bend"),
        ("SIGKILL", "octave"),
    ],
)
def test_every_way_out_leaves_silence_and_the_synth_as_it_was(stage: Stage, way: str, method: str) -> None:
    before_hz, before_level = stage.probe()
    assert np.allclose(before_hz, [440.0 * 2 ** ((key - 69) / 12) for key in PROBE.values()], rtol=1e-6)
    options = ("chord", "--settle", "tempered", "--method", method, "--swell", "2")
    with stage.drone(*options) as run:
        run.wait("chord: D3 F#3 A3")
        until(lambda: stage.tap.record(0.2).peak(0.0, 0.2) > 1e-3, what="it never sounded")
        match way:
            case "quit" | "panic":
                run.say(way)
            case "end of input":
                run.close_input()
            case "crash":
                os.kill(player_pid(run), signal.SIGKILL)
                run.wait("starting it again")
                run.wait(
                    "playing again", limit_s=60.0
                )  # jackd takes ten seconds over each client that was killed
                until(lambda: stage.tap.record(0.2).peak(0.0, 0.2) > 1e-3, 30.0, "it did not play again")
                run.signal(signal.SIGTERM)
            case _:
                run.signal(getattr(signal, way))
        assert run.exit_code() == (-signal.SIGKILL if way == "SIGKILL" else 0), run.errors()
        until(stage.silent)
    after_hz, after_level = stage.probe()
    assert np.allclose(after_hz, before_hz, rtol=1e-7), "tuning and bends are put back"
    assert np.allclose(after_level, before_level, rtol=0.02), "and loudness is"


def test_a_display_that_breaks_does_not_leave_a_drone_behind(stage: Stage) -> None:
    with stage.drone("chord", before=BROKEN_DISPLAY) as run:
        run.say("quit")  # which still acts: only the drawing has ended
        assert run.exit_code() == 1
        assert "broken display" in run.errors()
    assert stage.silent()


def test_the_drone_comes_back_with_its_synth_from_silence(stage: Stage) -> None:
    """The synth's port goes away and returns: nothing hangs, and it swells up anew."""
    with jack.JackFluidSynth(stage.server, stage.synth.soundfont, name="second") as synth:
        run = LiveRun(
            stage.server.env,
            stage.state,
            *GUITAR,
            "--out",
            "second",
            "--synth",
            "fluidsynth",
            command="drone",
        )
        run.wait("D3 A3")
        synth.stop()
        run.wait("is gone; waiting")
        with jack.JackFluidSynth(stage.server, stage.synth.soundfont, name="second") as again:
            run.wait("is back: silenced, set up, in tune", limit_s=60.0)
            stage.tap.hear(again.sound_ports)
            early = stage.tap.record(0.3).peak(0.1, 0.2)
            until(lambda: stage.tap.record(0.3).peak(0.0, 0.3) > 10 * max(early, 1e-4), what="no swell")
            off = stage.off_cents([D3, 1.5 * D3])
            assert in_tune(off), off
            run.say("quit")
            assert run.exit_code() == 0
            until(stage.silent)
        run.end()
