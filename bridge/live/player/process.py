"""The player's process: it takes a plan from its standard input, plays, and reports on its standard output.

It leaves cleanly when it is told to, when it is asked by a signal, when something goes wrong inside, and when the
process that started it is gone (its standard input ends). The death of a JACK server it reports and ends at once:
nothing in it can be trusted to return any more, and another player takes its place.

What it is sent and what it sends stands in `bridge.live.frames`.
"""

from __future__ import annotations

import contextlib
import gc
import os
import queue
import sys
import threading
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

from bridge.children import on_signals, own_output
from bridge.errors import PortProblem
from bridge.live.frames import (
    Act,
    Alive,
    Begin,
    Changed,
    Ended,
    Failed,
    FrameReader,
    FrameWriter,
    Leave,
    Left,
    LetGo,
    Ready,
    Renew,
    Say,
    ServerGone,
    Sound,
    ToPlayer,
)
from bridge.live.plan import LivePlan
from bridge.live.player.priority import be_real_time
from bridge.live.state import State

if TYPE_CHECKING:
    from bridge.live.player.player import Player
    from bridge.ports.base import MidiSystem

BEAT_S = 0.2
STATE_S = 0.1
IDLE_S = 0.02
"""So often the time is looked at though nothing is due: what starts in another thread is noticed at last then."""
RETRY_S = 0.25
TIDY_S = 30.0
"""So long at least from one collection of garbage to the next, which waits for silence."""


@dataclass(frozen=True)
class _Nudge:
    """Look at the time: something may be due."""


_Item: TypeAlias = ToPlayer | Say | _Nudge


def main() -> None:
    """Run until told to leave."""
    player = Child(own_output(), prompt=True)
    with on_signals(player.leave):
        player.run()


class Child:
    """One player process, which reports to a descriptor.

    Parameters
    ----------
    out : int
        The descriptor.
    prompt : bool
        Whether to take real-time priority where the system grants it: only where the process is ours alone.
    """

    def __init__(self, out: int, prompt: bool = False) -> None:
        self._prompt = prompt
        self._writer = FrameWriter(out)
        self._inbox: queue.SimpleQueue[_Item] = queue.SimpleQueue()
        self._player: Player | None = None
        self._watch: Any = None
        self._state: State | None = None
        self._told_s = self._state_s = 0.0
        self._tidy_s = time.perf_counter() + TIDY_S

    def leave(self) -> None:
        """Leave as soon as possible."""
        self._inbox.put(Leave())

    def run(self) -> None:
        """Take the plan and play."""
        sys.setswitchinterval(0.0005)
        _warm()
        reader: FrameReader[ToPlayer] = FrameReader(sys.stdin.buffer, ToPlayer)
        try:
            begin = reader.read()
        except EOFError:
            return
        if not isinstance(begin, Begin):
            return
        threading.Thread(target=self._listen, args=(reader,), daemon=True).start()
        failed: BaseException | None = None
        try:
            if self._open(begin.plan):
                self._play()
        except Exception as error:
            failed = error
        let_go = 0
        if self._player is not None:
            with contextlib.suppress(Exception):
                let_go = self._player.leave()
        if failed is not None:
            self._writer.put(_described(failed))
        self._writer.put(Left(let_go))
        limit_s = time.perf_counter() + 1.0
        while not self._writer.push() and time.perf_counter() < limit_s:
            time.sleep(0.005)
        os._exit(0)  # daemon threads and C libraries have nothing more to say

    def _listen(self, reader: FrameReader[ToPlayer]) -> None:
        """Take commands, in a thread of its own."""
        with contextlib.suppress(EOFError):
            while True:
                self._inbox.put(reader.read())
        self.leave()

    # ---- beginning

    def _open(self, plan: LivePlan) -> bool:
        """Open ports; tell whether to play. A player that replaces another waits for its system."""
        waiting: list[_Item] = []
        while True:
            try:
                player = self._begin(plan)
            except PortProblem:
                if not plan.returning:
                    raise
            else:
                break
            if self._player is not None:
                self._player.leave()
                self._player = None
            self._writer.put(Alive(), must=False)
            with contextlib.suppress(queue.Empty):
                while True:
                    item = self._inbox.get(timeout=RETRY_S)
                    if isinstance(item, Leave):
                        return False
                    if isinstance(item, Act | Renew):
                        waiting.append(item)
        gc.collect()
        gc.freeze()
        gc.disable()  # a collection would hold up a note: see `_tidy`
        if self._prompt:
            be_real_time()
        with contextlib.suppress(queue.Empty):
            while True:  # what was found out while the ports were opened is told first
                item = self._inbox.get_nowait()
                if isinstance(item, Say):
                    self._writer.put(item)
                else:
                    waiting.append(item)
        for item in waiting:  # and what was typed meanwhile is done now
            self._inbox.put(item)
        self._state = player.state()
        self._writer.put(Ready(self._state))
        return True

    def _begin(self, plan: LivePlan) -> Player:
        from bridge.live.player.player import Player

        system = self._system(plan)
        player = Player(
            plan,
            system,
            lambda kind, text: self._inbox.put(Say(kind, text)),
            lambda: self._inbox.put(_Nudge()),
            alive=lambda: self._writer.put(Alive(), must=False),
        )
        if system.title == "JACK":
            from bridge.ports.jack_watch import JackWatch

            self._watch = JackWatch(self._server_gone)
        self._player = player
        try:
            player.open()
        except PortProblem:
            system.close()
            raise
        return player

    def _system(self, plan: LivePlan) -> MidiSystem:
        """Return the system that has the ports of a plan."""
        ins = [*(one.port for one in plan.played), plan.reply_port]
        outs = [] if plan.card else [plan.out_port]
        system = None
        if plan.played or not plan.card:
            from bridge.ports.find import find_system

            system = find_system(plan.system, ins, outs)
        if plan.card:
            from bridge.live.player.sound_card import SoundSystem

            return SoundSystem(system, lambda: self._writer.put(Alive(), must=False))
        assert system is not None
        return system

    def _server_gone(self) -> None:
        """Called in a thread of JACK's: end now, before anything hangs."""
        self._writer.put(ServerGone())
        os._exit(3)

    # ---- playing

    def _play(self) -> None:
        player = self._player
        assert player is not None
        clock = time.perf_counter
        nudge = _Nudge()
        while True:
            wait_s = min(player.next_s - clock(), IDLE_S)
            item: _Item = nudge
            with contextlib.suppress(queue.Empty):
                item = self._inbox.get(timeout=wait_s) if wait_s > 0.0 else self._inbox.get_nowait()
            match item:
                case Leave():
                    return
                case Act(action):
                    player.act(action)
                    self._state_s = 0.0
                case Renew(tables):
                    player.renew(tables)
                    self._state_s = 0.0
                case LetGo():
                    player.let_go()
                case Sound(keys):
                    player.sound(keys)
                case Say():
                    self._writer.put(item)
            player.tick()
            if player.ended:
                self._writer.put(Ended())
                return
            now_s = clock()
            self._report(player, now_s)
            self._tidy(player, now_s)

    def _tidy(self, player: Player, now_s: float) -> None:
        """Collect garbage now and then, where nothing sounds and nothing waits."""
        if now_s >= self._tidy_s and player.silent:
            self._tidy_s = now_s + TIDY_S
            gc.collect()

    def _report(self, player: Player, now_s: float) -> None:
        if now_s - self._state_s >= STATE_S:
            self._state_s = now_s
            state = player.state()
            if state != self._state:
                self._state = state
                self._writer.put(Changed(state), must=False)
                self._told_s = now_s
        if now_s - self._told_s >= BEAT_S:
            self._told_s = now_s
            self._writer.put(Alive(), must=False)


def _warm() -> None:
    """Import what every plan needs while the plan is still being worked out."""
    import bridge.live.player.player
    import bridge.ports.find  # noqa: F401
    from bridge.ports.rtmidi_ports import midi_systems

    with contextlib.suppress(PortProblem):
        midi_systems()


def _described(error: BaseException) -> Failed:
    """Return an error so that it can be raised again elsewhere."""
    import traceback

    lines = "".join(traceback.format_exception(error))
    return Failed(
        type(error).__name__, getattr(error, "message", str(error)), getattr(error, "hint", ""), lines
    )


if __name__ == "__main__":
    main()
