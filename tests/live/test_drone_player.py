"""A drone in the player, on ports in memory: what is sent, a lost port, panic, leaving. Time is the test's."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.fake_ports import Desk, FakeSystem, Synth
from support.obedient import ObedientSynth

from bridge.engine.play.controls import Action
from bridge.errors import StillbeatError
from bridge.jobs.choose import TableRequest
from bridge.jobs.drone import DroneRequest
from bridge.live.desk.views.drone import DroneLines
from bridge.live.player.player import Player
from bridge.live.prepare.drone import PreparedDrone, prepare_drone
from bridge.live.snapshot import Snapshot
from bridge.live.state import Lesson

pytestmark = pytest.mark.slow

TABLE = TableRequest(tonic="D", reference="D3=146.5")
THIRD = DroneRequest(notes=("third",), settle="tempered")
BOX = "Box:Box MIDI 1"
D3 = 69 + 12 * math.log2(146.5 / 440)  # key of equal temperament, by definition
PURE = 12 * math.log2(5 / 4)  # semitones


class PaperSynth(Synth):
    """A synth that works out what would sound."""

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.paper = ObedientSynth()

    def take(self, data: bytes) -> None:
        super().take(data)
        self.paper.feed(data)


class Stage:
    """A synth on a desk, a drone for it, and a clock."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.desk = Desk()
        self.box = PaperSynth(BOX)
        self.desk.synth(BOX, self.box)
        self.now_s = 50.0
        self.said: list[str] = []
        self.player: Player | None = None

    def begin(
        self, asked: DroneRequest = THIRD, method: str = "note", synth: str = "full-midi-tuning"
    ) -> Player:
        prepared = prepare_drone(TABLE, asked, out_port="box", synth=synth, method=method)
        self.player = Player(
            prepared.plan,
            FakeSystem(self.desk),
            lambda _, text: self.said.append(text),
            clock=lambda: self.now_s,
        )
        self.player.open()
        return self.player

    def wait(self, seconds: float) -> None:
        assert self.player is not None
        for _ in range(round(seconds / 0.05)):
            self.now_s += 0.05
            self.player.tick()

    def held(self) -> dict[tuple[int, int], int]:
        """Notes that sound: (channel from 0, key)."""
        held: dict[tuple[int, int], int] = {}
        for data in self.box.received:
            place = (data[0] & 0x0F, data[1])
            if data[0] & 0xF0 == 0x90 and data[2]:
                held[place] = held.get(place, 0) + 1
            elif data[0] & 0xF0 in (0x80, 0x90) and held.get(place):
                held[place] -= 1
        return {place: count for place, count in held.items() if count}

    def last(self, status: int, number: int | None = None) -> dict[int, bytes]:
        """The last message of a kind on each channel (from 0)."""
        return {
            data[0] & 0x0F: data
            for data in self.box.received
            if data[0] & 0xF0 == status and (number is None or data[1] == number)
        }


def lesson(player: Player) -> Lesson:
    """How far the drone is."""
    found = player.state().lesson
    assert found is not None
    return found


@pytest.fixture
def stage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Stage]:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    one = Stage(tmp_path)
    yield one
    if one.player is not None:
        one.player.leave()


@pytest.mark.parametrize("method", ["note", "octave", "dump", "bend"])
def test_it_settles_by_every_method_and_leaves_the_synth_as_it_was(stage: Stage, method: str) -> None:
    player = stage.begin(method=method)
    stage.wait(5.0)
    sounding = {key: channel for channel, key in stage.held()}
    assert sorted(sounding) == [50, 54]
    # Tempered at first: the third is four equal semitones above the tonic.
    assert stage.box.paper.pitch(sounding[50], 50) == pytest.approx(D3, abs=3e-4)
    assert stage.box.paper.pitch(sounding[54], 54) == pytest.approx(D3 + 4.0, abs=3e-4)
    (beat,) = lesson(player).beats
    assert (beat.low_key, beat.high_key, beat.partial, beat.other_partial) == (50, 54, 5, 4)
    assert beat.rate_hz == pytest.approx(5.814, abs=0.001)
    stage.wait(15.0)
    assert stage.box.paper.pitch(sounding[54], 54) == pytest.approx(D3 + PURE, abs=3e-4)
    assert lesson(player).beats[0].rate_hz == 0.0
    assert not player.ended
    expression = stage.last(0xB0, 11)[sounding[50]][2]
    stage.box.received.clear()
    held_before = dict(sounding)
    player.leave()
    faded = [data[2] for data in stage.box.received if data[0] == 0xB0 | held_before[50] and data[1] == 11]
    assert faded[:-2] == sorted(faded[:-2], reverse=True)  # it fades
    assert faded[0] < expression
    assert faded[-3:] == [0, 127, 127]  # to nothing, and then loudness is put back, twice
    offs = {(data[0] & 0x0F, data[1]) for data in stage.box.received if data[0] & 0xF0 == 0x80}
    assert offs >= {(channel, key) for key, channel in held_before.items()}
    assert all(data[1:] == b"\x00\x40" for data in stage.last(0xE0).values())  # bends centred
    for key in (50, 54, 66):
        assert stage.box.paper.pitch(held_before[54], key) == pytest.approx(key, abs=1e-4)  # equal again


def test_trim_and_equal_move_the_drone(stage: Stage) -> None:
    player = stage.begin(DroneRequest(notes=("third",)), method="note")
    stage.wait(1.0)
    sounding = {key: channel for channel, key in stage.held()}
    player.act(Action("trim", 5.0))
    assert stage.box.paper.pitch(sounding[50], 50) == pytest.approx(D3 + 0.05, abs=3e-4)
    player.act(Action("trim", -5.0))
    player.act(Action("equal"))
    assert stage.box.paper.pitch(sounding[54], 54) == pytest.approx(D3 + 4.0, abs=3e-4)
    assert lesson(player).beats[0].rate_hz == pytest.approx(5.814, abs=0.001)


def test_panic_ends_it_for_good(stage: Stage) -> None:
    player = stage.begin()
    stage.wait(4.0)
    assert stage.held()
    player.act(Action("panic"))
    assert not stage.held()
    stage.wait(2.0)
    assert not stage.held()
    assert player.ended


def test_a_port_that_comes_back_gets_the_drone_again_from_nothing(stage: Stage) -> None:
    stage.begin(DroneRequest(notes=("1", "5")))
    stage.wait(5.0)
    stage.desk.unplug(BOX)
    stage.wait(1.0)
    assert any("gone" in text for text in stage.said)
    stage.box.received.clear()
    stage.desk.plug(BOX)
    stage.wait(1.0)
    assert {key for _, key in stage.held()} == {50, 57}
    assert max(data[2] for data in stage.last(0xB0, 11).values()) < 60  # swelling anew
    stage.wait(3.0)
    assert max(data[2] for data in stage.last(0xB0, 11).values()) > 60


def test_a_lesson_ends_by_itself(stage: Stage) -> None:
    player = stage.begin(DroneRequest(steps=("unison", "fifth"), hold_s=4.0, rest_s=1.0, swell_s=2.0))
    stage.wait(4.5)
    assert not stage.held()
    assert lesson(player).phase == "rest"
    stage.wait(1.5)
    assert {key for _, key in stage.held()} == {50, 57}
    stage.wait(5.0)
    assert player.ended
    assert not stage.held()
    assert {data[2] for data in stage.last(0xB0, 11).values()} == {127}


def prepared(asked: DroneRequest = THIRD, **how: object) -> PreparedDrone:
    return prepare_drone(TABLE, asked, out_port="box", **how)  # type: ignore[arg-type]


def test_a_synth_that_cannot_settle_is_told_apart_with_the_reason(tmp_path: Path) -> None:
    # One that obeys scale/octave tuning for notes that start later, and moves no note that sounds.
    path = tmp_path / "still.toml"
    path.write_text(
        'schema = 1\nname = "still"\ntitle = "A still synth"\nsource = "invented for this test"\n'
        'units = "cents, semitones, seconds, bytes; channels 1 to 16"\n'
        'methods = ["octave"]\nselect = "none"\noctave_realtime = false\nsounding = []\n'
    )
    with pytest.raises(StillbeatError) as caught:
        prepared(synth=str(path))
    assert re.search("cannot settle: it does not move notes that sound", caught.value.message)
    assert "sound card" in caught.value.hint
    prepared(DroneRequest(notes=("third",)), synth=str(path))  # held still it can
    with pytest.raises(StillbeatError, match="all notes of a part bend together"):
        prepared(synth="mpe", method="mpe")
    with pytest.raises(StillbeatError, match="all notes of a part bend together"):
        prepared(synth="mpe-fixed-48")


def test_mpe_gives_way_to_bends_where_it_may() -> None:
    done = prepared(synth="mpe")
    assert done.plan.method == "bend"
    assert any("bend instead of mpe" in notice for notice in done.notices)


def test_drums_are_never_a_channel_of_the_drone() -> None:
    done = prepared(DroneRequest(notes=("1", "5")), channels=(9, 10, 11))
    assert done.plan.drone is not None
    assert done.plan.drone.channels == (9, 11)
    with pytest.raises(StillbeatError, match="need as many channels"):
        prepared(DroneRequest(notes=("1", "5")), channels=(10, 11))
    with pytest.raises(StillbeatError, match="no channel is left"):
        prepared(DroneRequest(notes=("1",)), channels=(10,))


def test_plain_lines_follow_the_beats_as_they_fall(stage: Stage, capsys: pytest.CaptureFixture[str]) -> None:
    player = stage.begin()
    lines = DroneLines(clock=lambda: stage.now_s)
    for _ in range(250):
        stage.wait(0.1)
        lines.show(Snapshot(tonic="D", lesson=lesson(player)))
    printed = capsys.readouterr().out.splitlines()
    assert printed[0] == "third: D3 F#3"
    rates = [
        float(found[1])
        for line in printed
        if (found := re.search(r"D3 - F#3: ([\d.]+) beats a second", line))
    ]
    assert rates[0] == pytest.approx(5.81)
    assert rates == sorted(rates, reverse=True)
    assert 8 <= len(rates) <= 15  # once a second, while it settles in 12
    assert printed[-1].strip() == "D3 - F#3: no beats"
    assert sum("no beats" in line for line in printed) == 1
