"""What is heard: FluidSynth on a JACK server, played through ``stillbeat play``, its sound recorded and measured.

FluidSynth 2.3.1 sounds whole cents, rounded down, so a pitch may lie up to a cent below the table (and the measurement
0.02 more). Finer: the messages that came out, rendered by TiMidity++, which is within 0.02 cents by single note tuning.
Expected frequencies are worked out here from ratios: open D with its D3 at 146.5 Hz, five-limit.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from support import jack, measure, synths
from support.live import LiveRun, until

pytestmark = pytest.mark.jack

D3 = 146.5
NEAREST_CENTS = 0.53
PROGRAM = {name: bytes((0xCF, number)) for number, name in enumerate("DA")}
OPTIONS = ("--guitar", "open-d", "--reference", "D3=146.5", "--in", "tap", "--also", "A")


class Stage:
    """A server that waits for its clients, a keyboard and recorder, and a synth."""

    def __init__(
        self, server: jack.JackServer, tap: jack.JackTap, synth: jack.JackFluidSynth, state: Path
    ) -> None:
        self.server, self.tap, self.synth, self.state = server, tap, synth, state

    def live(self, *options: str) -> LiveRun:
        """Begin to play, and wait until it is ready."""
        return LiveRun(self.server.env, self.state, *OPTIONS, "--out", "synth", *options).ready()

    def strike(self, *keys: int) -> None:
        """Strike keys."""
        self.tap.send(*(bytes((0x90, key, 90)) for key in keys))

    def hear(self, wanted_hz: dict[int, float], length_s: float = 0.5) -> dict[int, float]:
        """Measure sounding keys: how far each lies from what is wanted, in cents."""
        sound = self.tap.record(length_s + 0.4)
        heard = measure.tones_hz(sound.clean(length_s, after_s=0.25), sound.rate_hz, list(wanted_hz.values()))
        return {
            key: measure.cents(hz, want) for (key, want), hz in zip(wanted_hz.items(), heard, strict=True)
        }


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory, sine_font: Path) -> Iterator[Stage]:
    """One server for all tests of this file."""
    with (
        jack.JackServer() as server,
        jack.JackTap(server) as tap,
        jack.JackFluidSynth(server, sine_font) as synth,
    ):
        tap.hear(synth.sound_ports)
        yield Stage(server, tap, synth, tmp_path_factory.mktemp("state"))


def in_tune(off: dict[int, float]) -> bool:
    return all(abs(cents) <= NEAREST_CENTS for cents in off.values())


D_CHORD = {50: D3, 54: D3 * 5 / 4, 57: D3 * 3 / 2, 62: D3 * 2}
A_CHORD = {57: D3 * 3 / 2, 61: D3 * 15 / 8, 64: D3 * 9 / 4}
A_TONIC_B = D3 * 3 / 2 * 9 / 8  # B in the table of A: 27/16 of D, a comma above D's own 5/3
D_TONIC_B = D3 * 5 / 3


@pytest.mark.parametrize("method", ["note", "octave", "bend"])
def test_notes_and_chords_have_the_tables_pitch_across_a_change_while_they_sound(
    stage: Stage, method: str
) -> None:
    with stage.live("--synth", "fluidsynth", "--method", method) as live:
        stage.strike(*D_CHORD)
        off = stage.hear(D_CHORD)
        assert in_tune(off), off
        stage.tap.send(*(bytes((0x80, key, 0)) for key in D_CHORD), bytes((0x90, 59, 90)))
        assert in_tune(stage.hear({59: D_TONIC_B}))
        stage.tap.send(PROGRAM["A"])
        off = stage.hear({59: A_TONIC_B})
        assert in_tune(off), "the note that sounds has moved by a comma"
        stage.tap.send(bytes((0x80, 59, 0)))
        stage.strike(*A_CHORD)
        off = stage.hear(A_CHORD)
        assert in_tune(off), off
        live.say("equal")
        live.wait("EQUAL")
        equal = {57: D3 * 2 ** (7 / 12), 61: D3 * 2 ** (11 / 12), 64: D3 * 2 ** (14 / 12)}
        off = stage.hear(equal)
        assert in_tune(off), off
        live.say("quit")
        assert live.exit_code() == 0
        sound = stage.tap.record(0.3)
        assert sound.peak(0.15, 0.15) < 1e-6


@pytest.mark.parametrize("method", ["note", "octave", "bend"])
def test_next_leaves_a_note_and_glide_moves_it_slowly(stage: Stage, method: str) -> None:
    with stage.live("--synth", "fluidsynth", "--method", method, "--on-change", "next"):
        stage.strike(59)
        stage.tap.send(PROGRAM["A"])
        assert in_tune(stage.hear({59: D_TONIC_B})), "it stays"
        stage.tap.send(bytes((0x80, 59, 0)), bytes((0x90, 59, 90)))
        assert in_tune(stage.hear({59: A_TONIC_B})), "struck again it is new"
    with stage.live("--synth", "fluidsynth", "--method", method, "--on-change", "glide", "1.5"):
        stage.strike(59)
        assert in_tune(stage.hear({59: D_TONIC_B}, 0.5))
        stage.tap.send(PROGRAM["A"])
        sound = stage.tap.record(2.6)
        places = np.arange(0.0, 2.2, 0.2)
        path = [measure.cents(sound.tone_hz(D_TONIC_B, float(at_s), 0.2), D_TONIC_B) for at_s in places]
        assert path[0] < 6.0
        assert path[-1] == pytest.approx(21.5, abs=1.5)
        assert all(late >= early - 0.5 for early, late in itertools.pairwise(path)), path
        between = [cents for cents in path if 3.0 < cents < 18.0]
        assert len(between) >= 3, path


def test_the_trim_is_heard_and_every_table_follows(stage: Stage) -> None:
    with stage.live("--synth", "fluidsynth") as live:
        stage.strike(50)
        live.say("trim 8")
        live.wait(r"trim \+8 cents")
        up = 2 ** (8 / 1200)
        assert in_tune(stage.hear({50: D3 * up}))
        stage.tap.send(bytes((0x80, 50, 0)), PROGRAM["A"])
        stage.strike(57)
        assert in_tune(stage.hear({57: D3 * 3 / 2 * up}))


def test_a_silent_key_chooses_the_tonic_and_hard_strokes_are_softened(stage: Stage) -> None:
    with stage.live("--synth", "fluidsynth", "--switch-keys", "C1-B1", "--max-velocity", "40"):
        stage.tap.send(bytes((0x90, 33, 127)))  # A1
        sound = stage.tap.record(0.5)
        assert sound.peak(0.2, 0.3) < 1e-6, "the key itself is silent"
        stage.strike(59)
        assert in_tune(stage.hear({59: A_TONIC_B}))
        stage.tap.send(bytes((0x80, 33, 0)), bytes((0x80, 59, 0)))
    quiet = stage.tap.record(0.3)
    assert quiet.peak(0.15, 0.15) < 1e-6


def test_a_retuned_track_sounds_beside_the_keyboard(stage: Stage, tmp_path: Path) -> None:
    track = synths.write_midi(
        tmp_path / "track.mid", [(0.0, bytes((0x91, 54, 90))), (5.0, bytes((0x81, 54, 0)))]
    )
    with stage.live("--synth", "fluidsynth", "--track", str(track), "--tempo", "50%", "--count-in", "0"):
        stage.strike(50)
        off = stage.hear({50: D3, 54: D3 * 5 / 4})
        assert in_tune(off), off


def test_what_comes_out_is_within_timiditys_finer_resolution(stage: Stage, organ_font: Path) -> None:
    """The same performance by file: every message that left, rendered by TiMidity++."""
    with stage.live("--synth", "timidity", "--method", "note") as live:
        stage.tap.connect(f"{stage.server.client('stillbeat')} synth:synth", stage.tap.midi_in)
        stage.tap.start()
        live.say("panic")  # sends the set-up again, now that somebody listens
        live.say("2")
        live.wait("table 2")
        stage.strike(59, 64)
        until(lambda: [data[0] for _, data in stage.tap.heard()].count(0x90) == 2)
        heard = len(stage.tap.heard())
        live.say("1")
        until(lambda: any(data[0] == 0xF0 for _, data in stage.tap.heard()[heard:]))
        messages = stage.tap.stop_recording().midi
    # In the order in which they came; the moments are stretched, so that there is time to measure in.
    struck = max(at for at, (_, data) in enumerate(messages) if data[0] == 0x90)
    performance = [(0.0 if at <= struck else 2.0, data) for at, (_, data) in enumerate(messages)]
    assert any(data[0] == 0xF0 for _, data in messages[struck:]), "the table changed while they sounded"
    sound = synths.render_timidity([*performance, (4.5, bytes((0x80, 59, 0)))], organ_font)
    before = sound.tones_hz([A_TONIC_B, D3 * 9 / 4], 0.3, 1.6)
    assert np.allclose(1200 * np.log2(before / [A_TONIC_B, D3 * 9 / 4]), 0.0, atol=0.05)
    after = sound.tone_hz(D_TONIC_B, 2.3, 2.0)
    assert abs(measure.cents(after, D_TONIC_B)) < 0.05


def test_a_drone_under_the_keyboard_follows_the_tables(stage: Stage) -> None:
    with stage.live("--synth", "fluidsynth", "--method", "note", "--drone", "1") as live:
        stage.tap.record(2.3)
        assert in_tune(stage.hear({50: D3}))
        stage.tap.send(PROGRAM["A"])
        stage.tap.record(0.5)
        assert in_tune(stage.hear({57: D3 * 3 / 2}))
        stage.strike(61)
        off = stage.hear({57: D3 * 3 / 2, 61: D3 * 15 / 8})
        assert in_tune(off), off
        stage.tap.send(bytes((0x80, 61, 0)))
        live.say("panic")
        live.wait("^drone off")
        assert stage.tap.record(0.6).peak(0.4, 0.2) < 1e-6
