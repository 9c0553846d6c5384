"""An evening played live: FluidSynth on a JACK server, its sound measured; the reference heard between pieces.

FluidSynth 2.3.1 sounds whole cents, rounded down. Expected frequencies are worked out here from ratios above
D3 = 146.5.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
import soundfile
from support import jack, measure, needs, takes
from support.jack_player import JackPlayer
from support.live import LiveRun

pytestmark = pytest.mark.jack

EVENING = Path(__file__).resolve().parents[2] / "examples" / "evening"
D3 = 146.5
NEAREST_CENTS = 0.53


class Stage:
    """A server, a keyboard that also records, and a synth."""

    def __init__(self, server: jack.JackServer, tap: jack.JackTap, folder: Path) -> None:
        self.server, self.tap, self.folder = server, tap, folder

    def live(self, *options: str, synth: str = "organ") -> LiveRun:
        """Begin to play through the evening."""
        return LiveRun(
            self.server.env,
            self.folder,
            *("--session", str(EVENING / "evening.toml"), "--synth", synth),
            *("--in", "tap", "--out", "synth", *options),
        )

    def cents(self, wanted_hz: float, length_s: float = 0.8) -> float:
        """How far the one tone that sounds lies from what is wanted."""
        sound = self.tap.record(length_s + 0.3)
        return measure.cents(sound.tone_hz(wanted_hz, 0.25, length_s), wanted_hz)

    def in_tune(self, wanted_hz: float) -> bool:
        return abs(self.cents(wanted_hz)) <= NEAREST_CENTS


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory, sine_font: Path) -> Iterator[Stage]:
    """One server for all tests of this file."""
    with (
        jack.JackServer() as server,
        jack.JackTap(server) as tap,
        jack.JackFluidSynth(server, sine_font) as synth,
    ):
        tap.listen_to(synth)
        yield Stage(server, tap, tmp_path_factory.mktemp("evening"))


def test_feet_keys_and_programs_lead_through_pieces_and_sections(stage: Stage) -> None:
    with stage.live() as live:
        live.wait("^Thursday evening: 6 pieces on Organ")
        live.wait("^ready")
        live.wait("^piece 1/6  Low Water, from the start: in D$")
        live.wait("next: bar 6, E minor: in D, 2=10/9")
        live.wait("then: 2/6  Kettle Hymn: in D, drone D2 A2")
        stage.tap.send(bytes((0x90, 64, 90)))  # E above D: 9/8
        assert stage.in_tune(D3 * 9 / 4)
        stage.tap.send(bytes((0xB0, 80, 127)))  # the right foot of the session
        live.wait("^piece 1/6  Low Water, bar 6, E minor")
        assert stage.in_tune(D3 * 20 / 9), "the second degree has come down while it sounds"
        stage.tap.send(bytes((0x80, 64, 0)), bytes((0xB0, 80, 0)), bytes((0xB0, 81, 127)))
        live.wait("^piece 1/6  Low Water, from the start")
        live.say("next piece")
        live.wait("^piece 2/6  Kettle Hymn, from the start")
        stage.tap.send(bytes((0xCF, 3)))  # program 4 on the control channel: the fourth piece
        live.wait("^piece 4/6  Slate Roof Blues, from the start: in D")
        stage.tap.send(bytes((0x90, 60, 90)))  # b7 = 7/4
        assert stage.in_tune(D3 * 7 / 4)
        stage.tap.send(bytes((0x80, 60, 0)))
        live.say("6")
        live.wait("^piece 6/6  Lantern Waltz")
        live.wait("the last section: nothing comes after it")
        live.say("next")
        live.wait("that was the last one")
        live.say("quit")
        assert live.exit_code() == 0
        assert live.errors() == ""


@pytest.mark.parametrize("built", [False, True])
def test_it_begins_with_the_piece_that_was_asked_for(
    stage: Stage, evening_bundle: Path, tmp_path: Path, built: bool
) -> None:
    """Also from the folder that was built, on another computer."""
    moved: tuple[str, ...] = ()
    if built:
        shutil.copytree(evening_bundle, tmp_path / "Thursday")
        moved = ("--session", str(tmp_path / "Thursday"))
    with stage.live("--from", "slate", *moved) as live:
        live.wait("^ready")
        live.wait("^piece 4/6  Slate Roof Blues, from the start: in D")
        stage.tap.send(bytes((0x90, 60, 90)))
        assert stage.in_tune(D3 * 7 / 4), "the table of its first note"
        stage.tap.send(bytes((0x80, 60, 0)))
        live.say("previous piece")
        live.wait("^piece 3/6")
        live.say("quit")
        assert live.exit_code() == 0


def test_every_piece_has_its_drone_which_is_let_go_at_the_end(stage: Stage) -> None:
    with stage.live() as live:
        live.wait("^ready")
        live.say("piece 4")
        live.say("next")
        live.say("next")
        live.say("next")
        live.wait("Turnaround")
        live.say("drone")
        live.wait("^drone A2$")
        stage.tap.record(2.5)
        assert stage.in_tune(D3 * 3 / 4)  # A below D3
        live.say("drone")
        live.wait("^drone off")
        stage.tap.record(1.0)
        assert stage.tap.record(0.3).peak(0.1, 0.2) < 1e-6
        live.say("drone")
        live.wait("^drone A2$")
        stage.tap.record(1.0)
        live.close_input()
        assert live.exit_code() == 0
        stage.tap.record(0.3)
        assert stage.tap.record(0.3).peak(0.1, 0.2) < 1e-6


def test_a_take_between_pieces_moves_all_of_them_and_can_be_taken_back(stage: Stage, tmp_path: Path) -> None:
    heard_hz = D3 * 2 ** (8.0 / 1200)
    path = tmp_path / "fourth string.wav"
    soundfile.write(path, takes.take([takes.open_d(heard_hz)[4]]), takes.RATE, subtype="FLOAT")
    with stage.live() as live:
        live.wait("^ready")
        live.say("trim 2")
        live.wait(r"trim \+2 cents")
        live.say(f"listen {path}")
        live.wait(r"^listening \(fourth string.wav\): pluck string 4 \(D3\), open")
        live.wait(r"^D3 sounds 147.1\d Hz, 6.0 cents higher: all tables follow")
        for piece, key, ratio in ((1, 62, 2.0), (3, 57, 1.5), (5, 64, 2.0 * 2 ** (2 / 12))):
            live.say(str(piece))
            live.wait(f"^piece {piece}/6")
            stage.tap.send(bytes((0x90, key, 90)))
            assert stage.in_tune(heard_hz * ratio), piece
            stage.tap.send(bytes((0x80, key, 0)))
        live.say("undo")
        live.wait("^taken back: D3 is 146.50 Hz again")
        live.say("1")
        live.wait(r"^piece 1/6 .*trim \+2 cents")
        stage.tap.send(bytes((0x90, 62, 90)))
        assert stage.in_tune(2 * D3 * 2 ** (2.0 / 1200))
        stage.tap.send(bytes((0x80, 62, 0)))
        live.say("undo")
        live.wait("nothing to take back")
        live.say("listen nowhere.wav")
        live.wait("^not moved: .*nowhere.wav")
        live.say("quit")
        assert live.exit_code() == 0


def test_another_string_moves_nothing_and_nothing_is_heard_over_the_playing(
    stage: Stage, tmp_path: Path
) -> None:
    path = tmp_path / "sharp.wav"
    sharp = takes.open_d(D3 * 2 ** (80.0 / 1200))[4]
    soundfile.write(path, takes.take([sharp]), takes.RATE, subtype="FLOAT")
    with stage.live() as live:
        live.wait("^ready")
        live.say(f"listen {path}")
        live.wait("^not moved: ")
        stage.tap.send(bytes((0x90, 62, 90)))
        assert stage.in_tune(2 * D3)
        live.say("listen")
        live.wait("wait until nothing plays")
        stage.tap.send(bytes((0x80, 62, 0)))
        live.say("quit")
        assert live.exit_code() == 0


def test_the_microphone_hears_the_string_while_the_drone_waits(stage: Stage) -> None:
    needs.portaudio()
    heard_hz = D3 * 2 ** (-5.0 / 1200)
    feet = ("--foot", "66=listen", "--foot", "program 100=undo")
    with JackPlayer(stage.server) as guitar, stage.live("--mic", "guitar", *feet) as live:
        live.wait("^ready")
        live.say("drone")
        live.wait("^drone D2 A2")
        stage.tap.send(bytes((0xB0, 66, 127)), bytes((0xB0, 66, 0)))
        live.wait("^drone waits until the listening is over")
        live.wait(r"^listening \(guitar", 20.0)
        sound = takes.take([takes.open_d(heard_hz)[4]])
        guitar.begin(takes.at_rate(sound, guitar.rate_hz))
        live.wait(r"^D3 sounds 146.0\d Hz, 5.0 cents lower: all tables follow", 20.0)
        guitar.finish()
        live.wait("^drone D2 A2")
        stage.tap.send(bytes((0xCF, 99)))  # program 100 on the control channel
        live.wait("^taken back: D3 is 146.50 Hz again")
        live.say("quit")
        assert live.exit_code() == 0


def test_a_synth_that_bends_plays_the_evening_as_well(stage: Stage) -> None:
    with stage.live(synth="student") as live:
        live.wait("on The student's keyboard")
        live.wait("^ready")
        live.say("4")
        live.wait("^piece 4/6")
        stage.tap.send(bytes((0x90, 60, 90)))
        assert abs(stage.cents(D3 * 7 / 4)) < 1.7  # FluidSynth bends fall short by 1/128, and floor
        live.say("quit")
        assert live.exit_code() == 0


def test_what_a_session_cannot_play_is_said(stage: Stage, tmp_path: Path) -> None:
    folder = tmp_path / "evening"
    shutil.copytree(EVENING, folder)
    file = folder / "evening.toml"
    for options, code, says in (
        (("--synth", "home-keyboard"), 2, "no message tunes it"),
        (("--synth", "orgam"), 2, "unknown synth 'orgam'.*organ"),
        (("--guitar", "open-g"), 2, "tables and drones come from the session"),
        (("--also", "A"), 2, "not from --also"),
    ):
        with LiveRun(
            stage.server.env, tmp_path, "--session", str(file), "--in", "tap", "--out", "synth", *options
        ) as live:
            assert live.exit_code() == code
            assert says_so(live.errors(), says), live.errors()
    file.write_text(file.read_text().replace("bar = 12", "bar = 1200"))
    with LiveRun(stage.server.env, tmp_path, "--session", str(file), "--in", "tap", "--out", "synth") as live:
        assert live.exit_code() == 3
        assert says_so(live.errors(), r"evening.toml, line \d+: tracks/low-water.mid: there is no bar 1200")


def says_so(text: str, pattern: str) -> bool:
    return re.search(pattern, text.replace("\n", " ")) is not None and "Traceback" not in text
