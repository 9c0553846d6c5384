"""The player on ports in memory: beginning, faults, leaving. Time is the test's; no thread runs but the test's own."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from support.fake_ports import Desk, FakeSystem, Synth
from support.obedient import ObedientSynth

from bridge.engine.play.controls import Action, Controls
from bridge.engine.play.drones.held import HeldKeys, HoldPlan
from bridge.engine.play.tables import AllTables, Kept, PlayTable
from bridge.errors import PortProblem
from bridge.live.backing import Backing
from bridge.live.plan import LivePlan, TablesDrone
from bridge.live.player.outlet import MOST_BYTES, Outlet
from bridge.live.player.player import POLL_S, Player
from bridge.store.profiles import load_profile

EQUAL = tuple(440.0 * 2 ** ((key - 69) / 12) for key in range(128))
FULL = load_profile("full-midi-tuning")


def choice(name: str, cents: dict[int, float]) -> PlayTable:
    """A table with some pitch classes moved, equal temperament beside it."""
    hz = tuple(hz * 2 ** (cents.get(key % 12, 0.0) / 1200) for key, hz in enumerate(EQUAL))
    return PlayTable(name, hz, EQUAL, 2)


SLOTS = (choice("one", {6: -14.0}), choice("two", {6: 7.5}))


class ReplyingSynth(Synth):
    """A synth that obeys on paper, and answers dump requests through a callback if it has one."""

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.paper = ObedientSynth()
        self.answer: Callable[[bytes], None] | None = None
        self.losing = False  # a server that misses periods: nothing arrives

    def take(self, data: bytes) -> None:
        if self.losing:
            return
        super().take(data)
        self.paper.feed(data)
        if data[:2] == b"\xf0\x7e" and data[3:5] == b"\x08\x00" and self.answer is not None:
            table = self.paper.program(0, data[5])
            body = b"\x7e\x7f\x08\x01" + data[5:6] + b"own             "
            for value in table:
                raw = round(value * 16384)
                body += bytes((raw >> 14, raw >> 7 & 127, raw & 127))
            total = 0
            for byte in body:
                total ^= byte
            self.answer(b"\xf0" + body + bytes((total & 127,)) + b"\xf7")


class Stage:
    """A desk with a keyboard and a synth, and a player with a clock that the test moves."""

    def __init__(self, folder: Path, **changes: object) -> None:
        self.desk = Desk()
        self.keys = self.desk.keyboard("Keys:Keys MIDI 1")
        self.box = ReplyingSynth("Box:Box MIDI 1")
        self.desk.synth("Box:Box MIDI 1", self.box)
        self.now_s = 100.0
        self.said: list[tuple[str, str]] = []
        self.paused: list[float] = []
        self.players: list[Player] = []
        self.plan = LivePlan(
            out_port="box", in_port="keys", tables=SLOTS, method="note", profile=FULL, state_dir=str(folder)
        )
        self.plan = replace(self.plan, **changes)  # type: ignore[arg-type]

    def player(self, **changes: object) -> Player:
        """Make a player and let it begin."""
        plan = replace(self.plan, **changes)  # type: ignore[arg-type]
        player = Player(
            plan,
            FakeSystem(self.desk),
            lambda *said: self.said.append(said),
            clock=lambda: self.now_s,
            pause=self.pause,
        )
        self.players.append(player)
        player.open()
        return player

    def pause(self, seconds: float) -> None:
        """Let a player wait on its way out."""
        self.now_s += seconds
        self.paused.append(seconds)
        self.box.losing = False

    def leave(self) -> None:
        """Let every player leave that has not."""
        for player in self.players:
            player.leave()

    def pass_time(self, player: Player, seconds: float, step_s: float = 0.05) -> None:
        """Let time go by."""
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            self.now_s += step_s
            player.tick()

    def notes(self) -> list[bytes]:
        """Notes that the synth received."""
        return [data for data in self.box.received if data[0] < 0xA0]


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    """A desk and a plan for it."""
    one = Stage(tmp_path / "state")
    yield one
    one.leave()


def test_notes_go_through_in_tune_and_everything_is_put_back(stage: Stage) -> None:
    player = stage.player()
    assert (player.state().keyboard, player.state().synth) == ("Keys:Keys MIDI 1", "Box:Box MIDI 1")
    stage.keys.play(bytes((0x90, 66, 100)))
    assert stage.notes() == [bytes((0x90, 66, 100))]
    assert stage.box.paper.pitch(0, 66) == pytest.approx(66 - 0.14, abs=1e-4)
    player.act(Action("table", 2))
    assert stage.box.paper.pitch(0, 66) == pytest.approx(66 + 0.075, abs=1e-4)
    status = player.state()
    assert status.kept == (2, None, False, 0.0)
    assert [note[:2] for note in status.sounding] == [(1, 66)]
    assert (status.keyboard_there, status.synth_there, status.counts.received) == (True, True, 1)
    assert player.leave() == 1
    assert stage.notes()[-1] == bytes((0x80, 66, 64))
    assert all(stage.box.paper.pitch(channel, 66) == 66.0 for channel in range(16))
    received = len(stage.notes())
    stage.keys.play(bytes((0x90, 60, 100)))
    assert len(stage.notes()) == received, "it has closed its ports"
    assert list((Path(str(stage.plan.state_dir))).iterdir()) == [], "a clean end leaves nothing behind"


@pytest.mark.parametrize("method", ["note", "octave", "dump", "bend", "mpe"])
def test_what_is_lost_on_the_way_out_is_said_once_more_some_periods_later(stage: Stage, method: str) -> None:
    player = stage.player(method=method)
    strikes = [bytes((0x90 | channel, 66, 100)) for channel in range(4)]
    stage.keys.play(*strikes, bytes((0xB1, 64, 127)), bytes((0xE0, 0, 0x60)))
    began = {(data[0] & 15, data[1]) for data in stage.notes()}
    player.act(Action("table", 2))
    stage.box.received.clear()
    stage.box.losing = True  # until the player waits
    assert player.leave() == 4
    assert stage.paused[-1] >= 0.1 or 0.1 in stage.paused
    ended = {(data[0] & 15, data[1]) for data in stage.notes() if data[0] < 0x90 or not data[2]}
    assert ended >= began
    pedals = {data[0] & 15: data[2] for data in stage.box.received if data[0] >> 4 == 0xB and data[1] == 64}
    assert pedals
    assert set(pedals.values()) == {0}
    paper = stage.box.paper
    assert paper.bend == [8192] * 16
    assert all(paper.pitch(channel, 66) == 66.0 for channel in range(16))


def test_the_tuning_of_the_synth_is_asked_for_and_put_back(stage: Stage) -> None:
    replies = stage.desk.keyboard("Box:Box MIDI 2")
    stage.box.answer = replies.play
    stage.box.paper.program(0, 0)[66] = 66.25
    player = stage.player(reply_port="box midi 2")
    assert ("say", "the synth's own tuning is known, and will be put back at the end") in stage.said
    assert stage.box.paper.pitch(0, 66) == pytest.approx(66 - 0.14, abs=1e-4)
    player.leave()
    assert stage.box.paper.pitch(0, 66) == 66.25


def test_a_synth_that_does_not_answer_is_put_to_equal(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    def sleep(seconds: float) -> None:
        stage.now_s += seconds

    monkeypatch.setattr("bridge.live.player.connections.time.sleep", sleep)
    stage.desk.keyboard("Box:Box MIDI 2")
    player = stage.player(reply_port="box midi 2")
    assert any("does not answer" in text for _, text in stage.said)
    player.leave()
    assert stage.box.paper.pitch(0, 66) == 66.0


@pytest.mark.parametrize("method", ["note", "bend"])
def test_it_is_silent_only_where_nothing_sounds_and_nothing_waits(stage: Stage, method: str) -> None:
    player = stage.player(method=method)
    assert player.silent
    stage.keys.play(bytes((0x90, 66, 100)))
    assert not player.silent
    stage.keys.play(bytes((0x80, 66, 100)))
    assert player.silent


def test_what_a_killed_run_left_sounding_is_silenced_by_the_next(stage: Stage) -> None:
    player = stage.player(local="off")
    for channel, key in ((0, 60), (4, 64), (4, 64)):
        stage.keys.play(bytes((0x90 | channel, key, 100)))
    # The process is killed: nothing is closed, and the system takes the lock of the file away.
    assert player._ends is not None
    player._ends.journal.close(clean=False)
    stage.players.clear()
    stage.box.received.clear()
    stage.player()
    assert sorted(stage.notes()) == [bytes((0x80, 60, 64)), bytes((0x84, 64, 64)), bytes((0x84, 64, 64))]
    assert bytes((0xB0, 122, 127)) in stage.box.received, "local control is on again"
    first_tuning = next(at for at, data in enumerate(stage.box.received) if data[0] == 0xF0)
    assert all(stage.box.received.index(data) < first_tuning for data in stage.notes())
    assert ("say", "the last run ended while it played: 3 notes silenced") in stage.said
    for nibble in range(16):
        assert bytes((0xB0 | nibble, 11, 127)) in stage.box.received, "a drone may have been turned down"


def test_a_folder_for_what_hangs_that_cannot_be_written_is_said_once(stage: Stage, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    folder = str(tmp_path / "file" / "live")
    player = stage.player(state_dir=folder)
    stage.keys.play(bytes((0x90, 66, 100)))
    says = f"{folder} cannot be written: notes that hang after a crash will not be silenced"
    assert stage.said == [("say", says)]
    player.leave()
    stage.player(state_dir=folder, returning=True)
    assert len(stage.said) == 1, "a player that replaces another does not say it again"
    stage.said.clear()
    stage.player(state_dir=folder, starts=(1,))
    assert stage.said == [("say", f"{says}, and no evening is there to go on with")]


def test_two_runs_on_one_synth_are_told_and_do_not_share_a_journal(stage: Stage) -> None:
    first = stage.player()
    stage.keys.play(bytes((0x90, 60, 100)))
    second = stage.player()
    assert any("another run plays to Box" in text for _, text in stage.said)
    second.leave()
    first.leave()
    assert stage.notes()[-1] == bytes((0x80, 60, 64))


def test_an_instrument_on_both_sides_has_its_local_control_switched_off_and_on_again(stage: Stage) -> None:
    stage.desk.keyboard("Box:Box MIDI 1")
    player = stage.player(in_port="Box")
    off = [bytes((0xB0 | nibble, 122, 0)) for nibble in range(16)]
    on = [bytes((0xB0 | nibble, 122, 127)) for nibble in range(16)]
    assert [data for data in stage.box.received if data[1] == 122] == off
    assert any("Local Control off" in text and "panel" in text for _, text in stage.said)
    player.leave()
    assert [data for data in stage.box.received if data[1] == 122] == off + 2 * on


@pytest.mark.parametrize(("local", "sent"), [("keep", 0), ("auto", 0), ("off", 48)])
def test_local_control_is_a_choice(stage: Stage, local: str, sent: int) -> None:
    stage.player(local=local).leave()
    assert len([data for data in stage.box.received if data[0] != 0xF0 and data[1] == 122]) == sent


def test_a_loop_is_noticed_and_refused(stage: Stage) -> None:
    player = stage.player()
    stage.keys.play(*stage.box.received)
    with pytest.raises(PortProblem, match=r"comes back on Keys.*a MIDI loop"):
        player.tick()


def test_a_loop_that_is_cut_already_ends_nothing_when_the_question_comes_back(stage: Stage) -> None:
    _, player = two_notes_go_round(stage, "note", 0.3, 1.5)
    assert [kind for kind, text in stage.said if "a MIDI loop" in text] == ["lost"]
    assert player.failure is None


class EchoingSynth(ReplyingSynth):
    """Sends back what it receives, a hundredth of a second later, one message at a time: 100 messages a second."""

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.echoes = False
        self.changed: Callable[[bytes], bytes] = bytes
        self.waiting: list[bytes] = []

    def take(self, data: bytes) -> None:
        super().take(data)
        if self.echoes and (back := self.changed(data)):
            self.waiting.append(back)


def looped(stage: Stage) -> EchoingSynth:
    """Put a synth on the desk that can be made to echo."""
    stage.box = box = EchoingSynth("Box:Box MIDI 1")
    stage.desk.synths["Box:Box MIDI 1"] = box
    return box


def go_round(stage: Stage, player: Player, seconds: float) -> None:
    """Let what waits at the synth come back, 100 messages a second, while time goes by."""
    box = stage.box
    assert isinstance(box, EchoingSynth)
    for _ in range(round(seconds * 100)):
        stage.now_s += 0.01
        if box.waiting:
            stage.keys.play(box.waiting.pop(0))
        player.tick()


def two_notes_go_round(
    stage: Stage, method: str, after_s: float, for_s: float
) -> tuple[EchoingSynth, Player]:
    """Make a loop some time after the beginning, and let two notes go round in it."""
    box = looped(stage)
    player = stage.player(method=method)
    stage.pass_time(player, after_s)
    box.echoes = True
    stage.keys.play(bytes((0x90, 66, 100)), bytes((0x90, 69, 100)))
    go_round(stage, player, for_s)
    return box, player


@pytest.mark.parametrize("method", ["note", "octave", "bend", "mpe"])
def test_a_loop_that_is_made_while_playing_is_cut_within_two_seconds_and_the_show_goes_on(
    stage: Stage, method: str
) -> None:
    box, player = two_notes_go_round(stage, method, 10.0, 2.0)
    assert [kind for kind, text in stage.said if "a MIDI loop" in text] == ["lost"]
    assert player.failure is None
    go_round(stage, player, 3.0)
    assert not box.waiting or all(data[0] >> 4 == 0xA or data[0] == 0xF0 for data in box.waiting)
    began = [data for data in stage.notes() if data[0] & 0xF0 == 0x90 and data[2]]
    ended = [data for data in stage.notes() if data not in began]
    assert len(ended) == len(began), "what circled is let go"
    stage.keys.play(bytes((0x90, 40, 100)))
    assert stage.notes()[-1][1] != 40, "the input is cut"
    player.act(Action("table", 2))
    assert player.state().kept.number == 2
    assert not any(kind == "back" for kind, _ in stage.said)
    box.echoes = False
    box.waiting.clear()
    go_round(stage, player, 4.0)
    assert stage.said[-1][0] == "back"
    stage.keys.play(bytes((0x90, 41, 100)))
    assert stage.notes()[-1][1:] == bytes((41, 100))


def rechannelled(data: bytes) -> bytes:
    """As a device sends it on that puts everything on channel 5."""
    return data if data[0] >= 0xF0 else bytes((data[0] & 0xF0 | 4,)) + data[1:]


def transposed(data: bytes) -> bytes:
    """As a device sends it on that plays a fifth higher; what is out of range is lost."""
    if data[0] >= 0xB0:
        return data
    return bytes((data[0], data[1] + 7, data[2])) if data[1] < 121 else b""


@pytest.mark.parametrize("changed", [rechannelled, transposed])
@pytest.mark.parametrize("method", ["note", "bend"])
def test_a_loop_that_changes_what_goes_round_is_cut_too(
    stage: Stage, method: str, changed: Callable[[bytes], bytes]
) -> None:
    box = looped(stage)
    player = stage.player(method=method)
    stage.pass_time(player, 10.0)
    box.echoes, box.changed = True, changed
    stage.keys.play(bytes((0xB0, 1, 40)), bytes((0x90, 66, 100)), bytes((0x80, 66, 64)))
    go_round(stage, player, 2.0)
    assert [kind for kind, text in stage.said if "a MIDI loop" in text] == ["lost"]
    stage.keys.play(bytes((0x90, 40, 100)))
    assert stage.notes()[-1][1] != 40, "the input is cut"


@pytest.mark.parametrize("method", ["note", "bend"])
def test_ten_seconds_of_hard_aftertouch_are_no_loop(stage: Stage, method: str) -> None:
    player = stage.player(method=method)
    stage.pass_time(player, 10.0)
    stage.keys.play(bytes((0x90, 66, 100)))
    for number in range(1000):
        stage.now_s += 0.01
        stage.keys.play(bytes((0xD0, 127 - number % 3)))
        player.tick()
    stage.keys.play(bytes((0x80, 66, 0)))
    assert player.failure is None
    assert not any("loop" in text for _, text in stage.said)
    assert len([data for data in stage.box.received if data[0] & 0xF0 == 0xD0]) == 1000


def test_a_loop_that_brings_back_nothing_but_sysex_is_noticed_by_the_flood(stage: Stage) -> None:
    player = stage.player()
    stage.pass_time(player, 10.0)
    for number in range(1000):
        stage.keys.play(bytes((0xB0, 1, number % 128)))
    before = len(stage.box.received)
    stage.pass_time(player, POLL_S)
    stage.keys.play(*(data for data in stage.box.received[before:] if data[0] == 0xF0))
    player.tick()
    assert any("a MIDI loop" in text for _, text in stage.said)


def test_through_ports_are_refused_by_name(stage: Stage) -> None:
    stage.desk.keyboard("Midi Through:Midi Through Port-0 14:0")
    stage.desk.synth("Midi Through:Midi Through Port-0 14:0")
    with pytest.raises(PortProblem, match="gives back what is sent to it: a loop"):
        stage.player(in_port="through", out_port="through")


@pytest.mark.parametrize(
    ("wanted", "says"), [({"in_port": "kees"}, "did you mean Keys"), ({"out_port": "bx"}, "no output port")]
)
def test_missing_ports_are_named(stage: Stage, wanted: dict[str, str], says: str) -> None:
    with pytest.raises(PortProblem, match=says):
        stage.player(**wanted)


def test_a_synth_that_goes_and_comes_is_silenced_and_set_up_again(stage: Stage) -> None:
    player = stage.player()
    stage.keys.play(bytes((0xC0, 19)), bytes((0xB0, 7, 80)), bytes((0x90, 66, 100)))
    player.act(Action("table", 2))
    stage.desk.unplug("Box:Box MIDI 1")
    stage.pass_time(player, POLL_S + 0.1)
    assert stage.said[-1] == ("lost", "the synth's port Box:Box MIDI 1 is gone; waiting for it")
    assert not player.state().synth_there
    stage.keys.play(bytes((0x90, 70, 100)), bytes((0x80, 70, 0)))
    stage.box.received.clear()
    stage.box.paper.reset()
    stage.desk.plug("Box:Box MIDI 1")
    stage.pass_time(player, POLL_S + 0.1)
    assert stage.said[-1][0] == "back"
    assert stage.notes() == [bytes((0x80, 66, 64))], "what hung is let go, what was lost is not played late"
    assert bytes((0xC0, 19)) in stage.box.received
    assert bytes((0xB0, 7, 80)) in stage.box.received
    assert stage.box.paper.pitch(0, 66) == pytest.approx(66 + 0.075, abs=1e-4), "the table that held"
    stage.keys.play(bytes((0x80, 66, 0)), bytes((0x90, 71, 90)))
    assert stage.notes()[-1] == bytes((0x90, 71, 90))
    player.leave()
    assert stage.notes()[-1] == bytes((0x80, 71, 64))


def test_a_synth_that_comes_back_under_another_number_is_known(stage: Stage) -> None:
    stage.desk.synth("Piano:Piano MIDI 1 28:0")
    player = stage.player(out_port="piano")
    stage.desk.unplug("Piano:Piano MIDI 1 28:0")
    stage.pass_time(player, POLL_S + 0.1)
    again = stage.desk.synth("Piano:Piano MIDI 1 32:0")
    stage.pass_time(player, POLL_S + 0.1)
    assert player.state().synth == "Piano:Piano MIDI 1 32:0"
    stage.keys.play(bytes((0x90, 60, 100)))
    assert again.received[-1] == bytes((0x90, 60, 100))


def test_a_keyboard_that_goes_is_let_go_and_may_come_back(stage: Stage) -> None:
    player = stage.player()
    stage.keys.play(bytes((0x90, 60, 100)), bytes((0xB0, 64, 127)))
    stage.desk.unplug("Keys:Keys MIDI 1")
    stage.pass_time(player, POLL_S + 0.1)
    assert stage.said[-1][0] == "lost"
    assert stage.box.received[-2:] == [bytes((0x80, 60, 64)), bytes((0xB0, 64, 0))]
    stage.desk.plug("Keys:Keys MIDI 1")
    stage.pass_time(player, POLL_S + 0.1)
    assert stage.said[-1] == ("back", "the keyboard's port Keys:Keys MIDI 1 is back")
    stage.keys.play(bytes((0x90, 61, 100)))
    assert stage.notes()[-1] == bytes((0x90, 61, 100))


def test_a_player_that_replaces_another_waits_for_what_is_missing(stage: Stage) -> None:
    stage.desk.unplug("Box:Box MIDI 1")
    player = stage.player(returning=True, kept=Kept(2, None, False, 1.5), out_port="Box:Box MIDI 1")
    assert [kind for kind, _ in stage.said] == ["lost"]
    stage.keys.play(bytes((0x90, 60, 100)))
    stage.desk.plug("Box:Box MIDI 1")
    stage.pass_time(player, POLL_S + 0.1)
    assert stage.box.paper.pitch(0, 66) == pytest.approx(66 + 0.09, abs=1e-4), (
        "table and trim are those that held"
    )
    assert stage.notes() == []


@pytest.mark.parametrize("method", ["note", "octave", "dump", "bend", "mpe"])
def test_whichever_periods_are_lost_on_the_way_out_the_synth_is_silent_after_it(
    tmp_path: Path, method: str
) -> None:
    """All that falls into 90 ms is lost (four periods of 1024 frames at 48 kHz), wherever they lie on the way out."""

    class Losing(ReplyingSynth):
        now_s: Callable[[], float]
        lost_s = (math.inf, math.inf)

        def take(self, data: bytes) -> None:
            if not self.lost_s[0] <= self.now_s() < self.lost_s[1]:
                super().take(data)

    losses = 0
    for begin_s in (-0.08, -0.04, -0.002, 0.0, 0.001, 0.03, 0.06, 0.09, 0.1, 0.15, 0.2):
        stage = Stage(tmp_path / f"{begin_s}", method=method)
        stage.box = box = Losing("Box:Box MIDI 1")
        stage.desk.synths["Box:Box MIDI 1"] = box
        box.now_s = lambda stage=stage: stage.now_s  # type: ignore[misc]
        player = stage.player()
        stage.pass_time(player, 3.0)
        strikes = [bytes((0x90 | channel, 66, 100)) for channel in range(4)]
        stage.keys.play(*strikes, bytes((0xB1, 64, 127)), bytes((0xE0, 0, 0x60)))
        box.lost_s = (stage.now_s + begin_s, stage.now_s + begin_s + 0.09)
        before = len(box.received)
        assert player.leave() >= 4
        losses += len(box.received) - before
        held: dict[tuple[int, int], bool] = {}
        pedals: dict[int, int] = {}
        for data in box.received:
            if data[0] < 0xA0:
                held[data[0] & 15, data[1]] = data[0] >= 0x90 and data[2] > 0
            elif data[0] & 0xF0 == 0xB0 and data[1] == 64:
                pedals[data[0] & 15] = data[2]
        assert held
        assert not any(held.values()), (begin_s, held)
        assert not any(pedals.values()), (begin_s, pedals)
        assert box.paper.bend == [8192] * 16, begin_s
    assert losses, "something arrived on the way out"


@pytest.mark.parametrize("method", ["note", "octave", "dump", "bend", "mpe"])
def test_the_players_own_bend_range_and_tuning_outlive_synth_and_player(tmp_path: Path, method: str) -> None:
    """A fifth up by the wheel (RPN 0 = 7) and 25 cents by fine tuning (RPN 1, 8192 steps a semitone): 7.25 more."""
    own = [(101, 0), (100, 0), (6, 7), (38, 0), (100, 1), (6, 80), (38, 0), (101, 127), (100, 127)]

    def sounds(stage: Stage) -> None:
        stage.keys.play(bytes((0xE0, 127, 127)), bytes((0x90, 66, 100)))
        channel = stage.notes()[-1][0] & 15
        assert stage.box.paper.pitch(channel, 66) == pytest.approx(66 - 0.14 + 7.25, abs=3e-3)
        stage.keys.play(bytes((0x80, 66, 0)), bytes((0xE0, 0, 64)))

    first = Stage(tmp_path / "first", method=method)
    player = first.player()
    first.keys.play(*(bytes((0xB0, controller, value)) for controller, value in own))
    sounds(first)
    first.desk.unplug("Box:Box MIDI 1")
    first.pass_time(player, POLL_S + 0.1)
    first.box.paper.reset()  # it was switched off
    first.desk.plug("Box:Box MIDI 1")
    first.pass_time(player, POLL_S + 0.1)
    sounds(first)
    kept = player.state().own
    first.leave()
    second = Stage(
        tmp_path / "second", method=method
    )  # another player, and what it is told of the one before
    again = second.player(returning=True, own=kept)
    sounds(second)
    assert again.state().own == kept
    second.keys.play(bytes.fromhex("f07e7f0901f7"))  # a reset: what was set is gone
    assert again.state().own == ()
    second.leave()


def test_ports_of_our_own(stage: Stage) -> None:
    player = stage.player(in_port="new", out_port="new")
    assert (player.state().keyboard, player.state().synth) == (
        "stillbeat keyboard:keyboard",
        "stillbeat synth:synth",
    )
    synth = stage.desk.synths["stillbeat synth:synth"]
    assert any("connect a synth" in text for _, text in stage.said)
    synth.received.clear()  # it was connected only now
    stage.desk.keyboards["stillbeat keyboard:keyboard"].play(bytes((0x90, 60, 100)), bytes((0x90, 61, 100)))
    paper = ObedientSynth()
    for data in synth.received:
        paper.feed(data)
    assert paper.pitch(0, 66) == pytest.approx(66 - 0.14, abs=1e-4)
    assert [data for data in synth.received if data[0] == 0x90] == synth.received[-2:], (
        "once, before the first note"
    )
    stage.pass_time(player, 2.0)
    player.leave()
    assert synth.received.count(bytes((0x80, 60, 64))) == 2  # and once more, in case one is lost


def test_an_error_in_the_ports_thread_comes_out_in_the_other_and_leaving_still_silences(stage: Stage) -> None:
    player = stage.player()
    stage.keys.play(bytes((0x90, 60, 100)))

    def fail(data: bytes, now_s: float, source: int = 0) -> list[tuple[float, bytes]]:
        raise ZeroDivisionError("on purpose")

    player._feed = fail  # type: ignore[method-assign]
    stage.keys.play(bytes((0x90, 61, 100)))
    with pytest.raises(ZeroDivisionError, match="on purpose"):
        player.tick()
    player.leave()
    assert stage.notes()[-1] == bytes((0x80, 60, 64))


def test_hostile_bytes_change_nothing(stage: Stage) -> None:
    player = stage.player()
    before = list(stage.box.received)
    for data in (
        b"",
        b"\x45",
        b"\x90\x90\x90",
        b"\xf0\x01\x02",
        b"\xf4",
        b"\xf5\x01",
        b"\x90\x3c",
        bytes(300),
        b"\xf0\x90\xf7",
    ):
        stage.keys.play(data)
    assert stage.box.received == before
    assert player.state().counts.dropped == 8  # F4 ended the message that F0 began, and both are one


def test_a_track_plays_beside_the_keyboard_and_its_end_is_no_end_while_somebody_plays(stage: Stage) -> None:
    track = Backing("song", ((0.0, b"\x91\x40\x50"), (1.0, b"\x81\x40\x00")), 1.0)
    player = stage.player(backing=track)
    stage.pass_time(player, 0.5)
    assert stage.notes() == [b"\x91\x40\x50"]
    stage.keys.play(bytes((0x90, 60, 100)))
    stage.pass_time(player, 1.0)
    assert stage.notes()[-1] == b"\x81\x40\x00"
    assert not player.ended
    alone = stage.player(backing=track, in_port=None)
    assert not alone.ended
    stage.pass_time(alone, 1.5)
    assert alone.ended


def test_a_track_is_not_taken_for_controls(stage: Stage) -> None:
    track = Backing("song", ((0.0, b"\xcf\x01"),), 1.0)
    player = stage.player(backing=track, controls=Controls(zone=(24, 35)))
    stage.pass_time(player, 0.5)
    assert b"\xcf\x01" in stage.box.received
    assert player.performance.switch.number == 1


def test_a_glide_goes_on_by_itself(stage: Stage) -> None:
    player = stage.player(on_change="glide", glide_s=1.0)
    stage.keys.play(bytes((0x90, 66, 100)), bytes((0xCF, 1)))
    stage.pass_time(player, 0.5, step_s=0.01)
    assert stage.box.paper.pitch(0, 66) == pytest.approx(66 - 0.0325, abs=0.006)
    stage.pass_time(player, 0.6, step_s=0.01)
    assert stage.box.paper.pitch(0, 66) == pytest.approx(66 + 0.075, abs=1e-4)
    player.leave()


def test_more_than_a_port_can_hold_waits_in_order(stage: Stage) -> None:
    player = stage.player()
    stage.pass_time(player, 0.2)
    stage.box.received.clear()
    burst = [bytes((0xB0 | number % 16, 1 + number % 5, number % 128)) for number in range(5000)]
    stage.keys.play(*burst)
    assert sum(len(data) for data in stage.box.received) <= MOST_BYTES
    sizes = []
    while len(stage.box.received) < len(burst) and stage.now_s < 110:
        had = len(stage.box.received)
        stage.now_s += 0.01
        player.tick()
        sizes.append(sum(len(data) for data in stage.box.received[had:]))
    assert stage.box.received == burst
    assert max(sizes) <= MOST_BYTES


def test_the_outlet_sends_at_the_time_and_counts_what_is_late() -> None:
    from bridge.engine.play.owed import LEDGER_BYTES, Ledger

    outlet = Outlet(Ledger(bytearray(LEDGER_BYTES)))
    got: list[bytes] = []
    assert not outlet.send([(0.0, b"\xf8")], 0.0)
    assert outlet.lost == 1
    outlet.connect(got.append)
    assert outlet.send([(1.0, b"\xfa"), (0.5, b"\xf8"), (0.0, b"\xfe")], 0.0)
    assert got == [b"\xfe"]
    assert outlet.next_due_s == 0.5
    outlet.flush(0.502)
    assert got == [b"\xfe", b"\xf8"]
    assert outlet.late == 0
    outlet.flush(1.5)
    assert got[-1] == b"\xfa"
    assert outlet.late == 1
    assert outlet.worst_late_s == pytest.approx(0.5)
    assert outlet.empty
    assert outlet.next_due_s is None


def test_what_sounds_on_a_port_of_our_own_is_not_set_up_again_by_the_first_key(stage: Stage) -> None:
    """A track's F#3 sounds by bend, away from the centre, when the keyboard is first played; it stays where it is."""
    track = Backing("song", ((0.0, b"\x90\x42\x50"), (9.0, b"\x80\x42\x00")), 9.0)
    player = stage.player(in_port="new", out_port="new", method="bend", backing=track)
    stage.pass_time(player, 0.5)
    synth = stage.desk.synths["stillbeat synth:synth"]
    synth.received.clear()
    stage.desk.keyboards["stillbeat keyboard:keyboard"].play(bytes((0x91, 60, 100)))
    assert [data for data in synth.received if data[0] == 0xE0] == []
    assert [data[1:] for data in synth.received if data[0] & 0xF0 == 0x90] == [bytes((60, 100))]


def test_a_drone_follows_the_tables_and_leaves_no_note(stage: Stage) -> None:
    hold = HoldPlan((HeldKeys((38,)), HeldKeys((43,))), channel=16)
    player = stage.player(drone=TablesDrone(hold))
    stage.pass_time(player, 0.5)
    assert stage.notes() == []
    player.act(Action("drone"))
    stage.pass_time(player, 3.0)
    held = player.state().held
    assert held is not None
    assert (held.channel, held.keys, held.on) == (16, (38,), True)
    player.act(Action("next"))
    stage.pass_time(player, 0.1)
    assert stage.notes() == [b"\x9f\x26\x50", b"\x8f\x26\x40", b"\x9f\x2b\x50"]
    player.act(Action("panic"))
    stage.pass_time(player, 0.1)
    assert stage.notes()[3:] == [b"\x8f\x2b\x40"]
    player.act(Action("drone"))
    stage.pass_time(player, 0.1)
    player.leave()
    assert stage.notes()[4:] == [b"\x9f\x2b\x50", b"\x8f\x2b\x40", b"\x8f\x2b\x40"]
    assert stage.box.received[-1] == b"\xbf\x0b\x7f"


def test_a_drone_fades_before_its_notes_end(tmp_path: Path) -> None:
    import time

    stage = Stage(tmp_path / "state")
    player = stage.player(drone=TablesDrone(HoldPlan((HeldKeys((38,)), HeldKeys((43,)))), on=True))
    stage.pass_time(player, 3.0)
    began_s = time.perf_counter()
    player._clock = lambda: stage.now_s + time.perf_counter() - began_s
    stage.box.received.clear()
    player.leave()
    at = stage.box.received.index(b"\x8f\x26\x40")
    levels = [data[2] for data in stage.box.received[:at] if data[:2] == b"\xbf\x0b"]
    assert levels == sorted(levels, reverse=True)
    assert levels[-1] == 0
    assert len(levels) > 4


@pytest.mark.parametrize(("method", "on_change"), [("dump", "now"), ("note", "next"), ("octave", "next")])
def test_a_drone_has_the_new_pitch_though_sounding_notes_keep_the_old_one(
    stage: Stage, method: str, on_change: str
) -> None:
    hold = HoldPlan((HeldKeys((54,)), HeldKeys((54,))), channel=16)  # F#3 in both tables
    player = stage.player(drone=TablesDrone(hold, on=True), method=method, on_change=on_change)
    stage.pass_time(player, 3.0)
    before = len(stage.notes())
    player.act(Action("next"))
    stage.pass_time(player, 2.0)
    assert stage.notes()[before:] == [b"\x8f\x36\x40", b"\x9f\x36\x50"]
    last = max(at for at, data in enumerate(stage.box.received) if data[0] >= 0xF0)
    struck = max(at for at, data in enumerate(stage.box.received) if data == b"\x9f\x36\x50")
    if method == "dump":
        assert struck > last, "the table came first"
    assert stage.box.paper.pitch(15, 54) == pytest.approx(54.075, abs=1e-2)


@pytest.mark.parametrize("method", ["bend"])
def test_by_bends_the_loudness_is_put_back_on_every_channel(stage: Stage, method: str) -> None:
    tables = (choice("one", {2: -3.0, 6: -14.0, 9: 5.0}),)
    hold = HoldPlan((HeldKeys((38, 42, 45), 19),), channel=16)
    player = stage.player(drone=TablesDrone(hold, on=True), method=method, profile=None, tables=tables)
    stage.pass_time(player, 3.0)
    player.leave()
    last: dict[int, int] = {}
    for data in stage.box.received:
        if data[0] & 0xF0 == 0xB0 and data[1] == 11:
            last[data[0] & 15] = data[2]
    assert last
    assert set(last.values()) == {127}
    struck = {data[0] & 15 for data in stage.notes() if data[0] & 0xF0 == 0x90}
    assert len(struck) == 3
    assert 0 not in struck, "the first channel is left to the keyboard"


def test_another_reference_reaches_the_synth_at_once(stage: Stage) -> None:
    player = stage.player()
    stage.keys.play(bytes((0x90, 66, 100)))
    player.renew(AllTables((choice("one", {6: -4.0}), choice("two", {6: 17.5}))))
    assert stage.box.paper.pitch(0, 66) == pytest.approx(65.96, abs=1e-4)
