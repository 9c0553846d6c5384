"""The ends of a performance: the keyboard's port and the synth's, from when they are opened until they are closed.

A port that is not listed any more is lost: what hangs on a lost keyboard is let go, and for a lost synth the engine
goes on without sound, so that it knows what is held. When a port comes back it is opened again; a synth is then
silenced and gets its sounds, set-up and table anew.

All of it runs in one thread, that of `bridge.live.player.player.Player.tick`; the lock is the player's, and is held
only while something is sent.

Index: `Connections`.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

from bridge.engine.play.drones.messages import restored
from bridge.engine.play.performance import Performance
from bridge.errors import PortProblem, StillbeatError, WireError
from bridge.live.plan import NEW_PORT, LivePlan, StepsDrone
from bridge.live.player import checks
from bridge.live.player.inputs import Inputs, Take
from bridge.live.player.journal import Journal
from bridge.live.player.outlet import Outlet
from bridge.ports.base import SAFE_SYSEX_BYTES, InPort, MidiSystem, OutPort
from bridge.ports.pick import pick_port, same_port

REPLY_S = 0.3
"""How long a synth may take to answer a dump request."""
_CARRIES_S = 1.0
_CARRIES_TRIES = 4


class Connections:
    """The ports of one plan on one system, and what is sent when they open.

    PortProblem if a port is missing (unless the plan says that it will come back), or makes a loop.

    Parameters
    ----------
    performance : Performance
        Set up whenever the synth is there (again), and let go of a keyboard that is gone.
    receive : callable
        Takes what keyboards play, and which one it is.
    tell, alive, clock : callable
        See `bridge.live.player.player.Player`.
    lock : Lock
        Guards `performance` and `outlet`.
    """

    def __init__(
        self,
        plan: LivePlan,
        system: MidiSystem,
        performance: Performance,
        receive: Take,
        tell: Callable[[str, str], None],
        alive: Callable[[], None],
        clock: Callable[[], float],
        lock: threading.Lock,
    ) -> None:
        self.plan = plan
        self.probe = checks.LoopProbe()  # what must not come back
        self.synth: OutPort | None = None  # the same
        self._system = system
        self._performance = performance
        self._tell = tell
        self._alive = alive
        self._clock = clock
        self._lock = lock
        self._replies: InPort | None = None
        self._answers: list[bytes] = []
        self._local_off = False
        found_out = self._find(plan.out_port, "output")
        self.inputs = Inputs(
            plan.played,
            system,
            lambda wanted: self._find(wanted, "input"),
            receive,
            self._let_go,
            tell,
            plan.profile.sysex_max_bytes if plan.profile is not None else SAFE_SYSEX_BYTES,
        )
        for end in self.inputs.ends:
            if end.there and found_out and checks.is_through(end.name, found_out):
                raise PortProblem(
                    f"{end.name} gives back what is sent to it: a loop",
                    "name the keyboard and the synth themselves",
                )
        self.out_name = found_out or plan.out_port
        self._synth_found = found_out is not None
        self.journal = Journal(plan.state_dir, self.out_name)
        sent = self.inputs.sent
        self.outlet = Outlet(self.journal.ledger, sent) if sent is not None else Outlet(self.journal.ledger)

    def _find(self, wanted: str, side: Any) -> str | None:
        """Return the full name of a port; None for one that is missing and will come back."""
        if wanted == NEW_PORT:
            return NEW_PORT
        names = self._system.inputs() if side == "input" else self._system.outputs()
        found = same_port(wanted, names)
        if found is not None:
            return found
        card = "sound card" if self.plan.card and side == "output" else ""
        try:
            return pick_port(wanted, names, side, card)
        except PortProblem:
            if self.plan.returning:
                return None
            if card and not names:
                from bridge.live.player.sound_card import no_card

                raise no_card() from None
            raise

    @property
    def _synth_name(self) -> str:
        """What a musician calls the place where it sounds."""
        return self.out_name if self.plan.card else f"the synth's port {self.out_name}"

    # ---- beginning

    def open(self) -> None:
        """Open what is there: silence what an earlier run may have left sounding, and give the synth the table."""
        if self.journal.shared:
            self._tell("say", f"another run plays to {self.out_name} too: tables may get in each other's way")
        elif not (self.journal.kept or self.plan.returning or self.plan.state_dir is None):
            lost = "notes that hang after a crash will not be silenced"
            lost += ", and no evening is there to go on with" if self.plan.starts else ""
            self._tell("say", f"{self.plan.state_dir} cannot be written: {lost}")
        if self._synth_found:
            self._open_synth()
        else:
            self._tell("lost", f"{self._synth_name} is not there; waiting for it")
        self.inputs.open()

    def _open_synth(self) -> None:
        """Open the synth's port and bring the synth to where it should be."""
        plan, outlet, ledger = self.plan, self.outlet, self.journal.ledger
        if plan.out_port == NEW_PORT:
            port = self._system.make_output(label="synth")
            self._tell(
                "say",
                f"connect a synth to {port.name}; the first note sends the table again, and so does panic",
            )
        else:
            port = self._system.open_output(self.out_name, label="synth")
        self.synth = port
        self.out_name = port.name
        back = outlet.sent > 0 or plan.returning
        if port.about and self.inputs and not back and not isinstance(plan.drone, StepsDrone):
            self._tell("say", port.about)
        hung = ledger.owed
        if back or hung:
            self._wait_until_it_carries(port)
        want_off = self._wants_local_off(port.name)
        with self._lock:
            outlet.connect(port.emit)
            self._send(ledger.offs())
            if want_off or ledger.local_off:
                self._send(checks.local_control(not want_off))
            if back:
                self._send(ledger.sounds())
            else:
                ledger.clear()
            ledger.local_off = self._local_off = want_off
        if hung and not back:
            self._tell("say", f"the last run ended while it played: {hung} notes silenced")
        if want_off and not back:
            self._tell(
                "say", f"{port.name} is keyboard and synth in one: Local Control off; {checks.PANEL_HINT}"
            )
        if plan.reply_port is not None and not back:
            self._ask_tuning(plan.reply_port)
        with self._lock:
            now_s = self._clock()
            begin = self._performance.restart if back else self._performance.start
            outlet.send(begin(now_s), now_s)
            if hung and not back:  # a drone may have been on its way up or down
                outlet.send([(now_s, message) for message in restored(range(1, 17))], now_s)
            if self.inputs:
                outlet.send([(now_s, self.probe.message)], now_s)

    def _wants_local_off(self, synth: str) -> bool:
        """Tell whether the instrument's own sound must be switched off."""
        plan = self.plan
        if plan.local != "auto":
            return plan.local == "off"
        return any(not end.own and checks.one_instrument(end.name, synth) for end in self.inputs.ends)

    def _send(self, messages: list[bytes]) -> None:
        """Send some messages now; the caller holds the lock."""
        now_s = self._clock()
        self.outlet.send([(now_s, message) for message in messages], now_s)

    def _wait_until_it_carries(self, port: OutPort) -> None:
        """Wait for a server that is still busy with the end of another player or synth."""
        for _ in range(_CARRIES_TRIES):
            self._alive()
            if port.carries(self.probe.message, _CARRIES_S):
                return
        self._tell(
            "say",
            f"{port.name} is there, but {self._system.title} carries nothing to it: start that server again",
        )

    def _ask_tuning(self, reply_port: str) -> None:
        """Ask the synth for the tuning that it holds, so that it can be put back."""
        from bridge.wire.mts import BulkDump, DumpRequest, decode, encode

        profile = self.plan.profile
        put_back = getattr(self._performance.engine, "put_back", None)
        if profile is None or put_back is None:
            return
        name = pick_port(reply_port, self._system.inputs(), "input")
        self._replies = self._system.open_input(name, self._answers.append, label="replies")
        banks = [profile.bank, None] if profile.dump_form == "bank" else [None, profile.bank]
        for bank in banks:
            with self._lock:
                self._send([encode(DumpRequest(profile.device_id, profile.program, bank))])
            limit_s = self._clock() + REPLY_S
            while self._clock() < limit_s:
                while self._answers:
                    try:
                        answer = decode(self._answers.pop(0))
                    except WireError:
                        continue
                    if isinstance(answer, BulkDump):
                        put_back(answer.data)
                        self._tell("say", "the synth's own tuning is known, and will be put back at the end")
                        return
                time.sleep(0.002)
        self._tell("say", f"{name} does not answer: at the end the synth is put to equal temperament")

    # ---- lost and found

    def look(self) -> bool:
        """Look whether the ports are still there, or there again; tell whether the synth has come back."""
        plan, back = self.plan, False
        try:
            if plan.out_port != NEW_PORT:
                back = self._look_for_synth(self._system.outputs())
            self.inputs.look()
        except StillbeatError:  # a system that does not list its ports now may do so the next time
            if self._system.given_up:
                raise
        return back

    def _look_for_synth(self, names: list[str]) -> bool:
        if self.synth is not None and self.out_name not in names:
            port, self.synth = self.synth, None
            with self._lock:
                self.outlet.connect(None)
            self._tell("lost", f"{self._synth_name} is gone; waiting for it")
            port.close()
        found = same_port(self.out_name, names)
        if self.synth is not None or found is None:
            return False
        self.out_name = found
        self._open_synth()
        self._tell("back", f"{self._synth_name} is back: silenced, set up, in tune")
        return True

    def _let_go(self, keyboard: int) -> None:
        """A keyboard is gone: let go of what hangs on it."""
        with self._lock:
            now_s = self._clock()
            self.outlet.send(self._performance.release_keyboard(now_s, keyboard), now_s)

    def look_for_loop(self) -> None:
        """Ask whether what we send comes back, where that seems so; hear a keyboard again where it no longer does."""
        for end in self.inputs.ends:
            watch = end.loop
            with self._lock:
                was = watch.found
                question = watch.turn()
                if question:
                    question.append(self.probe.message)  # it comes back whatever a device does to notes
                if self.outlet.connected:
                    self._send(question)
            if was and not watch.found:
                self._tell("back", f"nothing comes back any more: {end.name} is heard again")

    def cut_loop(self, keyboard: int) -> None:
        """What we send comes back: let go of what came in. The caller holds the lock, and passes on nothing more."""
        now_s, name = self._clock(), self.inputs.ends[keyboard].name
        self.outlet.send(self._performance.release_keyboard(now_s, keyboard), now_s)
        self._tell(
            "lost",
            f"what is sent to {self.out_name} comes back on {name}, a MIDI loop: {name} is not heard "
            "until it ends; switch off Thru or Echo at the instrument, or take that cable away",
        )

    # ---- the end

    def close_inputs(self) -> None:
        """Hear nothing any more."""
        self.inputs.close()
        if self._replies is not None:
            self._replies.close()

    def local_on(self) -> list[bytes]:
        """Return what switches the instrument's own sound on again, if it was switched off."""
        return checks.local_control(True) if self._local_off else []

    def close(self) -> None:
        """Close the synth's port once all has gone out, and put the journal away."""
        clean = self.synth is not None and self.outlet.empty
        if self.synth is not None:
            self.synth.close()
            self.synth = None
            self.journal.ledger.local_off = False
        self.journal.close(clean=clean)
