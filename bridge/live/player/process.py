"""The player's process: it takes a plan from its standard input, plays, and reports on its standard output.

It leaves cleanly when it is told to, when it is asked by a signal, when something goes wrong inside, and when the
process that started it is gone (its standard input ends). The death of a JACK server it reports and ends at once:
nothing in it can be trusted to return any more, and another player takes its place.

What it is sent: a `LivePlan`, then ``("act", Action)``, ``("renew", slots, tonics)`` and ``("leave",)``.
What it sends: ``("ready", status)``, ``("state", status)`` at most ten times a second, ``("beat",)`` as a sign of
life, ``(kind, text)`` of the player's, ``("failed", error)``, ``("server gone",)``, ``("ended",)``, ``("left", notes
let go)``.
"""

from __future__ import annotations

import contextlib
import gc
import os
import queue
import sys
import threading
import time
from typing import Any

from bridge.children import leaving, own_output

BEAT_S = 0.2
STATE_S = 0.1
IDLE_S = 0.02
"""So often the time is looked at though nothing is due: what starts in another thread is noticed at last then."""
RETRY_S = 0.25


def main() -> None:
    """Run until told to leave."""
    player = Child(own_output())
    with leaving(player.leave):
        player.run()


class Child:
    """One player process.

    Parameters
    ----------
    out : int
        Descriptor to report to.
    """

    def __init__(self, out: int) -> None:
        from bridge.live.frames import FrameWriter

        self._writer = FrameWriter(out)
        self._inbox: queue.SimpleQueue[tuple[Any, ...]] = queue.SimpleQueue()
        self._player: Any = None
        self._watch: Any = None
        self._state: dict[str, Any] = {}
        self._told_s = self._state_s = 0.0

    def leave(self) -> None:
        """Leave as soon as possible."""
        self._inbox.put(("leave",))

    def run(self) -> None:
        """Take the plan and play."""
        from bridge.errors import StillbeatError
        from bridge.live.frames import read_frame

        sys.setswitchinterval(0.0005)
        _warm()
        try:
            plan = read_frame(sys.stdin.buffer)
        except EOFError:
            return
        threading.Thread(target=self._listen, daemon=True).start()
        failed: BaseException | None = None
        try:
            if self._open(plan):
                self._play()
        except StillbeatError as error:
            failed = error
        except Exception as error:
            failed = error
        let_go = 0
        if self._player is not None:
            with contextlib.suppress(Exception):
                let_go = self._player.leave()
        if failed is not None:
            self._writer.put(("failed", _described(failed)))
        self._writer.put(("left", let_go))
        limit_s = time.perf_counter() + 1.0
        while not self._writer.push() and time.perf_counter() < limit_s:
            time.sleep(0.005)
        os._exit(0)  # daemon threads and C libraries have nothing more to say

    def _listen(self) -> None:
        """Take commands, in a thread of its own."""
        from bridge.live.frames import read_frame

        while True:
            try:
                self._inbox.put(read_frame(sys.stdin.buffer))
            except EOFError:
                self._inbox.put(("leave",))
                return

    # ---- beginning

    def _open(self, plan: Any) -> bool:
        """Open ports; tell whether to play. A player that replaces another waits for its system."""
        from bridge.errors import PortProblem

        waiting: list[tuple[Any, ...]] = []
        while True:
            try:
                self._begin(plan)
            except PortProblem:
                if not plan.returning:
                    raise
            else:
                break
            if self._player is not None:
                self._player.leave()
                self._player = None
            self._beat()
            with contextlib.suppress(queue.Empty):
                while True:
                    item = self._inbox.get(timeout=RETRY_S)
                    if item[0] == "leave":
                        return False
                    if item[0] in ("act", "renew"):
                        waiting.append(item)
        gc.collect()
        gc.freeze()
        gc.disable()  # nothing on the live path makes cycles, and a collection would hold up a note
        self._state = self._player.status()
        for item in waiting:  # what was typed meanwhile is done now
            self._inbox.put(item)
        self._tell_before_ready()
        self._writer.put(("ready", self._state))
        return True

    def _tell_before_ready(self) -> None:
        """Report what was found out while the ports were opened, and keep everything else that came for later."""
        others = []
        with contextlib.suppress(queue.Empty):
            while True:
                item = self._inbox.get_nowait()
                if item[0] == "tell":
                    self._writer.put(item[1:])
                else:
                    others.append(item)
        for item in others:
            self._inbox.put(item)

    def _begin(self, plan: Any) -> None:
        from bridge.live.player.player import Player

        system = self._system(plan)
        player = Player(plan, system, self._tell, lambda: self._inbox.put(("nudge",)), alive=self._beat)
        if system.title == "JACK":
            from bridge.ports.jack_watch import JackWatch

            self._watch = JackWatch(self._server_gone)
        self._player = player
        player.open()

    def _system(self, plan: Any) -> Any:
        """Return the system that has the ports of a plan."""
        from bridge.live.player.sound_card import SOUND_CARD, SoundSystem

        if plan.system == SOUND_CARD:
            return SoundSystem(self._server_gone)
        from bridge.ports.find import find_system

        return find_system(plan.system, [plan.in_port, plan.reply_port], [plan.out_port])

    def _tell(self, kind: str, text: str) -> None:
        self._inbox.put(("tell", kind, text))

    def _server_gone(self) -> None:
        """Called in a thread of JACK's, or when a sound card is dead: end now, before anything hangs."""
        self._writer.put(("server gone",))
        os._exit(3)

    # ---- playing

    def _play(self) -> None:
        player = self._player
        clock = time.perf_counter
        while True:
            wait_s = min(player.next_s - clock(), IDLE_S)
            try:
                item = self._inbox.get(timeout=wait_s) if wait_s > 0.0 else self._inbox.get_nowait()
            except queue.Empty:
                item = ("nudge",)
            match item[0]:
                case "leave":
                    return
                case "act":
                    player.act(item[1])
                    self._state_s = 0.0
                case "renew":
                    player.renew(item[1], item[2])
                    self._state_s = 0.0
                case "tell":
                    self._writer.put(item[1:])
            player.tick()
            if player.ended:
                self._writer.put(("ended",))
                return
            self._report(clock())

    def _report(self, now_s: float) -> None:
        if now_s - self._state_s >= STATE_S:
            self._state_s = now_s
            state = self._player.status()
            if state != self._state:
                self._state = state
                self._writer.put(("state", state), must=False)
                self._told_s = now_s
        if now_s - self._told_s >= BEAT_S:
            self._told_s = now_s
            self._beat()

    def _beat(self) -> None:
        self._writer.put(("beat",), must=False)


def _warm() -> None:
    """Import what every plan needs while the plan is still being worked out."""
    import bridge.live.player.player
    import bridge.ports.find  # noqa: F401
    from bridge.errors import PortProblem
    from bridge.ports.rtmidi_ports import midi_systems

    with contextlib.suppress(PortProblem):
        midi_systems()


def _described(error: BaseException) -> tuple[str, str, str, str]:
    """Return an error as kind, message, hint and traceback, so that it can be raised again elsewhere."""
    import traceback

    lines = "".join(traceback.format_exception(error))
    return type(error).__name__, getattr(error, "message", str(error)), getattr(error, "hint", ""), lines


if __name__ == "__main__":
    main()
