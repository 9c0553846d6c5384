"""``stillbeat probe`` on a real synth: FluidSynth on a JACK server, heard through it, interrupted, and asked about.

The column that must come out was measured by other means, with bytes written out by hand, in
``tests/synths/test_oracles.py``, with FluidSynth 2.3.1.
"""

from __future__ import annotations

import json
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from support import jack, needs
from support.live import LiveRun, until

from bridge.store.profiles import load_profile

pytestmark = pytest.mark.jack

FLOOR_CENTS = 1.02
"""It sounds whole cents, rounded down."""

COLUMN = {
    "note-unselected": "ignored",
    "note-bank-unselected": "ignored",
    "dump-unselected": "ignored",
    "note": "now",
    "note-bank": "now",
    "note-bank-later": "new",
    "dump": "ignored",
    "dump-bank": "ignored",
    "octave-dump-1": "ignored",
    "octave-dump-2": "ignored",
    "octave-1": "now",
    "octave-2": "now",
    "octave-1-later": "new",
    "octave-2-later": "new",
    "octave-shared": "now",
    "select-program": "now",
    "select-bank": "now",
    "select-bank-late": "ignored",
    "master-fine": "ignored",
    "channel-fine": "now",
    "bend": "now",
    "bend-range": "now",
    "mpe": "ignored",
    "device-0": "now",
    "device-5": "ignored",
}


class Stage:
    """A server that waits for its clients, a recorder, and a synth that nobody has told anything."""

    def __init__(
        self, server: jack.JackServer, tap: jack.JackTap, synth: jack.JackFluidSynth, state: Path
    ) -> None:
        self.server, self.tap, self.synth, self.state = server, tap, synth, state
        tap.listen_to(synth)

    def probe(self, *options: str) -> LiveRun:
        """Begin to examine."""
        return LiveRun(
            self.server.env, self.state, "--out", "synth", "-o", str(self.state / "found.toml"), *options,
            command="probe",
        )  # fmt: skip

    def cents(self, key: int = 69) -> float:
        """How far a key on channel 1 lies from equal temperament."""
        self.tap.send(bytes((0x90, key, 90)))
        sound = self.tap.record(0.7)
        self.tap.send(bytes((0x80, key, 0)))
        hz = 440.0 * 2 ** ((key - 69) / 12)
        return float(1200 * jack.np.log2(sound.tone_hz(hz, 0.2, 0.45) / hz))


@pytest.fixture
def stage(tmp_path: Path, sine_font: Path) -> Iterator[Stage]:
    """A fresh synth for each test."""
    needs.portaudio()
    with (
        jack.JackServer(frames=256) as server,
        jack.JackTap(server) as tap,
        jack.JackFluidSynth(server, sine_font) as synth,
    ):
        yield Stage(server, tap, synth, tmp_path)


def test_it_finds_out_by_itself_what_fluidsynth_obeys(stage: Stage) -> None:
    began_s = time.monotonic()
    with stage.probe("--yes", "--json", "--name", "found") as run:
        assert run.exit_code(180.0) == 0
        assert time.monotonic() - began_s < 90.0
        text = ""
        while not text.endswith("\n}"):
            text += "\n" + run.wait("")
        assert "overwrites the synth's tuning programs" in run.errors()
        assert "Turn the synth down first" in run.errors()
    found = json.loads(text)
    rows = {row["name"]: row for row in found["rows"]}
    assert {name: row["verdict"] for name, row in rows.items()} == COLUMN
    for row in rows.values():
        moves = {"now": (1, 1), "new": (0, 1), "ignored": (0, 0)}[row["verdict"]]
        for share, heard in zip(moves, (row["sounding_cents"], row["later_cents"]), strict=True):
            if row["name"] != "mpe":
                assert heard == pytest.approx(share * row["asked_cents"], abs=FLOOR_CENTS), row
    # A bend of 2.5 cents, floored: MPE did not widen the range of two semitones.
    assert rows["mpe"]["later_cents"] == pytest.approx(-3.0, abs=0.1)
    assert found["bend_range"]["found_semitones"] == pytest.approx(2.0, abs=0.01)
    assert (found["bend_range"]["widest_semitones"], found["bend_range"]["clamped"]) == (127, False)
    assert found["bend_scale"] == 127 / 128
    assert (found["bend_rounding"], found["tuning_rounding"]) == ("floor", "floor")
    assert found["fine_tuning_parts"] == "msb with the lsb before"
    assert found["channels"] == list(range(1, 17))
    assert found["unknown"] == []
    assert found["method"] == "note"
    # What it wrote is what is shipped, and was measured by hand.
    profile, shipped = load_profile(str(stage.state / "found.toml")), load_profile("fluidsynth")
    for name in (
        "methods", "note_form", "note_realtime", "octave_form", "octave_realtime", "octave_shared", "select",
        "program", "bank", "device_id", "channels", "bend_range_max_semitones", "bend_range_fixed_semitones",
        "bend_scale", "fine_tuning", "sounding", "rounding", "rounding_cents",
    ):  # fmt: skip
        assert getattr(profile, name) == getattr(shipped, name), name
    assert abs(stage.cents()) < 0.01
    assert abs(stage.cents(60)) < 0.01


@pytest.mark.parametrize(
    ("number", "after_s"), [(signal.SIGINT, 1.0), (signal.SIGTERM, 7.0), (signal.SIGHUP, 12.0)]
)
def test_a_signal_in_its_middle_leaves_the_synth_silent_and_put_back(
    stage: Stage, number: signal.Signals, after_s: float
) -> None:
    with stage.probe("--yes") as run:
        stage.tap.connect(f"{stage.server.client('stillbeat')} synth:synth", stage.tap.midi_in)
        stage.tap.start()
        until(lambda: any(data[0] & 0xF0 == 0x90 for _, data in stage.tap.heard()))
        time.sleep(after_s)
        run.signal(number)
        assert run.exit_code(15.0) == 130
        assert run.errors().strip().endswith("stillbeat: interrupted")
        messages = [data for _, data in stage.tap.stop_recording().midi]
    assert not (stage.state / "found.toml").exists()
    held: dict[tuple[int, int], int] = {}
    for data in messages:
        if data[0] & 0xE0 == 0x80:
            held[data[0] & 0x0F, data[1]] = data[0] & 0x10
    assert held
    assert not any(held.values())
    for channel in {data[0] & 0x0F for data in messages if data[0] < 0xF0}:
        mine = [data for data in messages if data[0] & 0x0F == channel and data[0] < 0xF0]
        assert [data[2] for data in mine if data[:2] == bytes((0xB0 | channel, 11))][-1] == 127
        bends = [data for data in mine if data[0] & 0xF0 == 0xE0]
        assert not bends or bends[-1][1:] == b"\x00\x40"
    assert abs(stage.cents()) < 0.01
    sound = stage.tap.record(0.4)
    assert sound.peak(0.2, 0.2) < 1e-6


def test_a_player_is_asked_and_answers_through_a_pipe(stage: Stage) -> None:
    with stage.probe("--ask") as run:
        run.say("y")
        for _ in range(200):
            if "question 1" in run.errors():
                break
            time.sleep(0.05)
        run.say("r")
        run.say("the same")
        run.say("s")  # two notes a semitone apart: nobody who listens says so
        assert run.exit_code(30.0) == 2
        said = run.errors()
    assert "asking you what you hear" in said
    assert "'the same' is no answer" in said
    assert "Did the second note sound lower?" in said
    assert "no method is known to be obeyed" in said
    assert not (stage.state / "found.toml").exists()


def test_nothing_is_sent_before_it_may(stage: Stage) -> None:
    with stage.probe() as run:
        run.say("n")
        assert run.exit_code(20.0) == 2
        assert "nothing was sent to the synth" in run.errors()
    (stage.state / "found.toml").write_text("kept")
    with stage.probe("--yes") as run:
        assert run.exit_code(20.0) == 3
        assert "found.toml" in run.errors()
    assert (stage.state / "found.toml").read_text() == "kept"


def test_a_synth_that_is_not_heard_is_said(stage: Stage) -> None:
    stage.synth.command("gain 0")
    with stage.probe("--yes") as run:
        assert run.exit_code(30.0) == 4
        assert "the synth is not heard" in run.errors()
    stage.synth.command("gain 0.2")
    assert abs(stage.cents()) < 0.01


def test_a_server_that_dies_ends_it_with_a_word(stage: Stage) -> None:
    with stage.probe("--yes") as run:
        stage.tap.wait_for_port(f"{stage.server.client('stillbeat')} synth:synth")
        time.sleep(3.0)
        stage.server.kill()
        assert run.exit_code(20.0) == 4
        assert "Traceback" not in run.errors()
        assert "the MIDI server is gone" in run.errors() or "has gone silent" in run.errors()
