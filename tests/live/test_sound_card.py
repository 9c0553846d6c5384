"""The sound card beside a keyboard: in a process of its own, whose PortAudio is a stand-in that writes a file.

Keyboards are ports in memory. The table is 4 cents above equal temperament at A4 = 440 Hz, so A4 is 441.0178 Hz.
"""

from __future__ import annotations

import io
import os
import signal
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from unittest.mock import Mock

import numpy as np
import pytest
from support import measure
from support.fake_ports import Desk, FakeSystem
from support.live import until

from bridge.engine.play.controls import Action, Controls
from bridge.engine.play.tables import PlayTable
from bridge.errors import PortProblem
from bridge.live.backing import Backing
from bridge.live.frames import Leave
from bridge.live.plan import LivePlan
from bridge.live.player import sound_card, sound_process
from bridge.live.player.player import Player
from bridge.live.player.sound_card import USUAL, SoundSystem
from bridge.store.profiles import load_profile

EQUAL = tuple(440.0 * 2 ** ((key - 69) / 12) for key in range(128))
HIGHER = tuple(hz * 2 ** (4 / 1200) for hz in EQUAL)
RATE = 48_000
PLAN = LivePlan(
    out_port=USUAL,
    in_port="keys",
    card=True,
    tables=(PlayTable("one", HIGHER, EQUAL, 2),),
    method="note",
    profile=load_profile("builtin"),
    controls=Controls(feet={66: Action("pause")}),
    local="keep",
)
ORGAN = bytes((0xC0, 19))


class Stage:
    """A keyboard, the sound card's process, and a player between them; time is the clock's."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self.desk = Desk()
        self.keys = self.desk.keyboard("Keys")
        self.system = SoundSystem(FakeSystem(self.desk))
        self.said: list[tuple[str, str]] = []
        self.player: Player | None = None

    def play(self, **changes: object) -> Player:
        plan = replace(PLAN, **changes)  # type: ignore[arg-type]
        self.player = Player(plan, self.system, lambda *said: self.said.append(said))
        self.player.open()
        return self.player

    def sound(self) -> np.ndarray:
        """All that sounded so far, one channel."""
        return np.fromfile(self.file, dtype="<f4").reshape(-1, 2)[:, 0].astype(float)

    def after(self, seconds: float) -> np.ndarray:
        """So much of what sounds from now on."""
        begun = len(self.sound())

        def enough() -> bool:
            assert self.player is not None
            self.player.tick()
            return len(self.sound()) >= begun + seconds * RATE

        until(enough, 30.0)
        return self.sound()[begun:]


@pytest.fixture
def stage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Stage]:
    file = tmp_path / "sound"
    file.touch()
    monkeypatch.setenv("STANDIN_SOUND", str(file))
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).resolve().parents[1] / "support" / "standin"))
    stage = Stage(file)
    yield stage
    stage.system.close()


@pytest.mark.slow
def test_the_keyboard_is_heard_in_tune_and_leaving_leaves_silence_and_no_process(stage: Stage) -> None:
    player = stage.play()
    (about,) = [text for kind, text in stage.said if kind == "say"]
    # A block of 10 ms waits for the next one, and the stand-in says that it holds 3 ms.
    assert about == "what you play is heard 13 ms later on the sound card"
    stage.keys.play(ORGAN, bytes((0x90, 69, 100)))
    stage.after(0.3)
    heard = stage.after(1.0)
    assert measure.cents(measure.tone_hz(heard, RATE, HIGHER[69]), HIGHER[69]) == pytest.approx(0.0, abs=0.01)
    assert player.leave() == 1  # the key that is held is let go
    stage.system.close()
    left = stage.sound()
    assert np.abs(left).max() > 1e-3
    assert not left[-64:].any()
    assert np.abs(np.diff(left[-RATE // 2 :])).max() < 0.05  # it faded
    assert stage.system._process.popen.poll() == 0


@pytest.mark.slow
def test_a_foot_holds_the_song_that_plays_beside_the_keyboard(stage: Stage) -> None:
    song = Backing("song", ((0.0, ORGAN), (0.1, bytes((0x90, 57, 100)))), 60.0, (0.0, 2.0))
    player = stage.play(backing=song)
    stage.keys.play(bytes((0xC1, 19)), bytes((0x91, 69, 100)))
    stage.after(0.5)
    both = stage.after(1.0)
    for key in (57, 69):
        assert measure.cents(measure.tone_hz(both, RATE, HIGHER[key]), HIGHER[key]) == pytest.approx(
            0.0, abs=0.1
        )
    stage.keys.play(bytes((0xB0, 66, 127)), bytes((0xB0, 66, 0)))
    stage.after(0.5)
    alone = stage.after(1.0)
    assert measure.amplitude(alone, RATE, HIGHER[69]) > 100 * measure.amplitude(alone, RATE, HIGHER[57])
    assert player.state().track is not None
    assert player.state().track.paused
    player.leave()


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="processes are killed otherwise elsewhere")
def test_a_process_that_dies_is_told_and_another_plays_on(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    player = stage.play()
    os.kill(stage.system._process.popen.pid, signal.SIGKILL)
    for kind, words in (("lost", f"{USUAL} is gone; waiting for it"), ("back", f"{USUAL} is back: ")):

        def told(kind: str = kind, words: str = words) -> bool:
            player.tick()
            return any(one == kind and text.startswith(words) for one, text in stage.said)

        until(told, 30.0)
    stage.keys.play(ORGAN, bytes((0x90, 69, 100)))
    stage.after(0.3)
    heard = stage.after(1.0)
    assert measure.cents(measure.tone_hz(heard, RATE, HIGHER[69]), HIGHER[69]) == pytest.approx(0.0, abs=0.01)
    monkeypatch.setattr(sound_card, "_DEATHS", 1)  # enough is enough
    monkeypatch.setattr(sound_card, "SILENT_S", 0.7)
    os.kill(stage.system._process.popen.pid, signal.SIGSTOP)  # one that hangs
    with pytest.raises(PortProblem, match="ends again and again"):
        until(lambda: player.tick(), 30.0)
    player.leave()


@pytest.mark.parametrize("leaving", [True, False])
def test_a_process_that_hangs_on_leaving_is_not_left_over(
    leaving: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By who played, or by itself where who played is gone; the real one would sleep."""
    ended: list[object] = []
    if leaving:
        never = subprocess.TimeoutExpired("it", 0.0)
        popen = SimpleNamespace(wait=Mock(side_effect=never), kill=lambda: ended.append("killed"))
        told = SimpleNamespace(tell=ended.append, popen=popen)
        sound_card._leave(told)  # type: ignore[arg-type]
        assert ended == [Leave(), "killed"]
        return
    monkeypatch.setattr("bridge.live.player.sound_process.time.sleep", ended.append)
    monkeypatch.setattr("bridge.live.player.sound_process.os._exit", ended.append)
    monkeypatch.setattr("sys.stdin", SimpleNamespace(buffer=io.BytesIO()))
    with open(os.devnull, "wb") as nowhere:
        card = sound_process._Card(nowhere.fileno())
        card._read()
    assert card._orders.get_nowait() == Leave()
    assert ended == [sound_process.CLOSE_S, 3]


def test_cards_are_listed_and_one_that_is_not_there_is_told(stage: Stage) -> None:
    assert stage.system.outputs() == [USUAL, "Speakers"]
    assert stage.system.inputs() == ["Keys"]
    with pytest.raises(
        PortProblem, match=r"no sound card 'Room' \(there are: the usual sound card, Speakers\)"
    ):
        stage.play(out_port="Room")


def test_a_card_that_goes_away_between_the_look_and_the_opening_is_told(stage: Stage) -> None:
    with pytest.raises(PortProblem, match="there is no sound output 'Room'"):
        stage.system.open_output("Room")
    assert stage.system.open_output(USUAL).name == USUAL


def test_a_sound_card_alone_has_no_keyboards(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STANDIN_BREAKS", "query_hostapis")
    alone = SoundSystem()
    assert alone.inputs() == []
    with pytest.raises(PortProblem, match="sound card, not a keyboard"):
        alone.open_input("Keys", lambda data: None)
    with pytest.raises(PortProblem, match=r"cannot be started here \(.*\) \(let another program play first"):
        alone.outputs()
    alone.close()
