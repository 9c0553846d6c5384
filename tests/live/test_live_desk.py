"""The desk and its player's process: nothing that is told is lost, and a player that hangs hangs nobody."""

from __future__ import annotations

import os
import queue
import signal
import threading
from typing import Any

import pytest

from bridge.engine.play.controls import Action
from bridge.engine.play.tables import AllTables, Kept, PlayTable
from bridge.errors import PortProblem
from bridge.jobs.choose import TableRequest, choose_table
from bridge.jobs.drone import DroneRequest, plan_drone
from bridge.live import demo_aloud
from bridge.live.backing import Backing
from bridge.live.desk.desk import Desk
from bridge.live.desk.keeper import FromProcess, Keeper
from bridge.live.desk.labels import Labels
from bridge.live.frames import Act, FromPlayer, Renew, ServerGone
from bridge.live.piped import Piped
from bridge.live.plan import LivePlan
from bridge.live.player import process as child
from bridge.live.player.process import Child
from bridge.live.prepare.drone import prepare_drone, sound_card_plan
from bridge.live.state import Lesson, Sounding, State


class Returning:
    """A plan for a player that replaces another."""

    returning = True


class Quiet:
    """A player that plays nothing."""

    def state(self) -> State:
        return State(kept=Kept(1))

    def leave(self) -> int:
        return 0


def test_what_is_told_while_a_player_waits_for_its_ports_is_done_afterwards(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(child, "RETRY_S", 0.01)
    for name in ("freeze", "disable"):
        monkeypatch.setattr(f"bridge.live.player.process.gc.{name}", lambda: None)
    read, write = os.pipe()
    player = Child(write)
    tries: list[int] = []

    def begin(_: Any) -> Any:
        tries.append(1)
        if len(tries) < 3:
            raise PortProblem("no server")
        return Quiet()

    monkeypatch.setattr(player, "_begin", begin)
    told = [Act(Action("drone")), Renew(AllTables(()))]
    for item in told:
        player._inbox.put(item)
    assert player._open(Returning())  # type: ignore[arg-type]
    assert len(tries) == 3
    assert [player._inbox.get_nowait() for _ in told] == told
    os.close(read)
    os.close(write)


@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="this system cannot stop a process")
def test_a_player_that_hangs_does_not_hang_who_tells_it_something() -> None:
    process: Piped[FromPlayer] = Piped("bridge.live.player.process", FromPlayer, lambda item: None)
    os.kill(process.popen.pid, signal.SIGSTOP)
    table = PlayTable("one", (440.0,) * 128, (440.0,) * 128, 2)
    telling = threading.Thread(target=process.tell, args=(Renew(AllTables((table,) * 500)),), daemon=True)
    telling.start()
    telling.join(5.0)
    assert not telling.is_alive()
    process.end()
    assert process.popen.poll() is not None


def test_what_the_player_has_set_goes_to_the_process_that_replaces_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    told: list[Any] = []

    class Process:
        def __init__(self, *_: Any) -> None:
            self.tell = told.append

        def end(self) -> None:
            """It has ended."""

    monkeypatch.setattr("bridge.live.desk.keeper.Piped", Process)
    keeper = Keeper(queue.SimpleQueue(), lambda *_: None)
    keeper.begin(LivePlan(out_port="box", in_port="keys", tables=(), method="note"))
    own = (bytes((0xB0, 101, 0)), bytes((0xB0, 100, 0)), bytes((0xB0, 6, 12)))
    keeper.state = State(kept=Kept(1), keyboard="Keys", synth="Box", own=own)
    keeper.take(FromProcess(1, ServerGone()))
    plan = told[-1].plan
    assert (plan.returning, plan.own, plan.out_port) == (True, own, "Box")


def test_the_snapshot_shows_nothing_that_sounds_while_the_server_is_gone() -> None:
    table = PlayTable("one", (440.0,) * 128, (440.0,) * 128, 2)
    with Desk() as desk:
        desk._labels = Labels((table,))
        lesson = Lesson("sound", 1, "fifth", ((62, 293.66),), ())
        desk._keeper.state = State(kept=Kept(1), sounding=(Sounding(1, 62, 0.0),), lesson=lesson)
        for link, notes in (
            ("ok", ["D4"]),
            ("keyboard gone", ["D4"]),
            ("server gone", []),
            ("restarting", []),
            ("synth gone", []),
        ):
            desk._keeper.link = link  # type: ignore[assignment]
            seen = desk.snapshot()
            assert [note.name for note in seen.sounding] == notes, link
            assert seen.lesson is not None
            assert len(seen.lesson.notes) == len(notes), link


def test_a_string_to_listen_to_is_asked_for_where_that_can_be() -> None:
    with Desk() as desk:
        plans = (
            (sound_card_plan(choose_table(TableRequest(tonic="D"))), "name a guitar, or the note"),
            (prepare_drone(TableRequest(tonic="D"), DroneRequest(("1",))).plan, "--reference-from TAKE"),
        )
        for plan, hint in plans:
            desk._keeper.plan = plan
            desk._typed("listen")
            assert hint in desk.snapshot().messages[-1].text


def test_the_demonstration_names_the_keys_that_do_something(monkeypatch: pytest.MonkeyPatch) -> None:
    spec = choose_table(TableRequest(tonic="D"))
    drone = plan_drone(demo_aloud.DEMO_DRONE, spec, endless=False)
    named: list[tuple[str, ...]] = []

    class NoDesk:
        def run(self, _: LivePlan, labels: Labels, make_view: object) -> None:
            named.append(labels.keys)

    monkeypatch.setattr(demo_aloud, "Desk", NoDesk)
    for plan in (
        sound_card_plan(spec, drone=drone),
        sound_card_plan(spec, backing=Backing("piece", (), 1.0, (0.0,))),
    ):
        demo_aloud._Evening().play(plan, 1.0)
    assert [("d off and on" in keys, "x or q ends it" in keys) for keys in named] == [
        (True, True),
        (False, True),
    ]
