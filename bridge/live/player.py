"""The player: ports, engine and time brought together. No process, terminal or signal is known here.

Threads
-------
- `receive` runs in the thread of the input port. It answers a message at once, from bytes to bytes.
- Everything else runs in one other thread, which calls `tick` when `next_s` has come, or sooner.
- One lock guards the performance and the way out. Neither thread keeps it longer than it takes to work out a table.

Faults
------
A port that is not listed any more is lost: what hangs on a lost keyboard is let go, and for a lost synth the engine
goes on without sound, so that it knows what is held. When a port comes back it is opened again; a synth is then
silenced and gets its sounds, set-up and table anew.

Index: `Player`.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

from bridge.engine.live_controls import Action, Desk
from bridge.engine.live_performance import Performance
from bridge.engine.live_seam import Due
from bridge.engine.live_slots import Slots
from bridge.errors import PortProblem, StillbeatError, WireError
from bridge.live import checks
from bridge.live.drone_seat import DroneSeat
from bridge.live.engines import make_engine
from bridge.live.journal import Journal
from bridge.live.outlet import Outlet
from bridge.live.plan import NEW_PORT, LivePlan
from bridge.live.sources import NoteSource
from bridge.live.track import TrackPlayer
from bridge.ports.base import InPort, MidiSystem, OutPort
from bridge.ports.pick import pick_port, same_port

POLL_S = 0.5
"""How often ports are looked for."""
REPLY_S = 0.3
"""How long a synth may take to answer a dump request."""
FLUSH_S = 5.0
"""How long leaving may take for the sake of a slow synth."""
BUSY_MESSAGES = 800
"""So many messages between two looks at the ports make one ask whether it is a loop."""
_SHOWN_NOTES = 40
_CARRIES_S = 1.0
_CARRIES_TRIES = 4


class Player:
    """Plays by a plan on one system of ports.

    Parameters
    ----------
    plan : LivePlan
        What to play.
    system : MidiSystem
        Where the ports are.
    tell : callable
        Called with what the musician should know: a kind (``say``, ``lost``, ``back``, ``failed``) and a text. From
        any thread; it must only put things in a queue.
    nudge : callable
        Called when `tick` should be called soon. From any thread.
    clock : callable
        Seconds, rising.
    alive : callable
        Called now and then while ports are waited for, in the thread of `open` and `tick`.
    """

    def __init__(
        self,
        plan: LivePlan,
        system: MidiSystem,
        tell: Callable[[str, str], None],
        nudge: Callable[[], None] = lambda: None,
        clock: Callable[[], float] = time.perf_counter,
        alive: Callable[[], None] = lambda: None,
    ) -> None:
        self.plan = plan
        self.system = system
        self._tell = tell
        self._nudge = nudge
        self._clock = clock
        self._alive = alive
        slots = Slots(plan.slots, plan.tonics)
        if plan.kept is not None:
            slots.put(plan.kept)
        profile = plan.profile
        self.performance = Performance(
            make_engine(plan, slots.table()),
            slots,
            Desk(plan.controls),
            plan.on_change,
            plan.glide_s,
            profile.sysex_max_bytes if profile is not None else 15000,
        )
        self._feed = self.performance.feed
        self._lock = threading.Lock()
        self._probe = checks.LoopProbe()
        self._in: InPort | None = None
        self._out: OutPort | None = None
        self._replies: InPort | None = None
        self.in_name: str | None = None
        self.out_name: str | None = None
        self._journal: Journal | None = None
        self._outlet: Outlet | None = None
        self._sources: list[NoteSource] = []
        self._track: TrackPlayer | None = None
        self._seat: DroneSeat | None = None
        self._local_off = False
        self._version = 0
        self._poll_s = 0.0
        self._answers: list[bytes] = []
        self.received = 0
        self._received_at_poll = 0
        self.failure: BaseException | None = None
        self._closed = False

    # ---- beginning

    def open(self) -> None:
        """Open the ports, silence what an earlier run may have left sounding, and give the synth the table.

        Raises
        ------
        PortProblem
            A port is missing (unless the plan says that it will come back), or makes a loop.
        """
        plan = self.plan
        out_name = self._find(plan.out_port, "output")
        in_name = self._find(plan.in_port, "input") if plan.in_port is not None else None
        if in_name and out_name and checks.is_through(in_name, out_name):
            raise PortProblem(
                f"{in_name} gives back what is sent to it: a loop",
                "name the keyboard and the synth themselves",
            )
        self.out_name = out_name or plan.out_port
        self.in_name = in_name or plan.in_port
        self._journal = Journal(plan.state_dir, self.out_name)
        self._outlet = Outlet(self._journal.ledger)
        if self._journal.shared:
            self._tell("say", f"another run plays to {self.out_name} too: tables may get in each other's way")
        if out_name is not None:
            self._open_out()
        else:
            self._tell("lost", f"the synth's port {self.out_name} is not there; waiting for it")
        if plan.in_port is not None:
            if in_name is not None:
                self._open_in()
            else:
                self._tell("lost", f"the keyboard's port {self.in_name} is not there; waiting for it")
        now_s = self._clock()
        if plan.track is not None:
            self._track = TrackPlayer(plan.track, now_s, plan.position_s if plan.returning else None)
            self.add_source(self._track)
        if plan.drone is not None:
            self._seat = DroneSeat(plan, plan.drone, now_s)
            self.add_source(self._seat.drone)
        self._poll_s = now_s + POLL_S

    def _find(self, wanted: str, side: Any) -> str | None:
        """Return the full name of a port; None for one that is missing and will come back."""
        if wanted == NEW_PORT:
            return NEW_PORT
        names = self.system.inputs() if side == "input" else self.system.outputs()
        found = same_port(wanted, names)
        if found is not None:
            return found
        try:
            return pick_port(wanted, names, side)
        except PortProblem:
            if self.plan.returning:
                return None
            raise

    def _open_out(self) -> None:
        """Open the synth's port and bring the synth to where it should be."""
        plan, journal, outlet = self.plan, self._journal, self._outlet
        assert journal is not None
        assert outlet is not None
        assert self.out_name is not None
        if plan.out_port == NEW_PORT:
            port = self.system.make_output(label="synth")
        else:
            port = self.system.open_output(self.out_name, label="synth")
        self._out = port
        self.out_name = port.name
        if plan.out_port == NEW_PORT:
            self._feed = self._feed_first
            self._tell(
                "say",
                f"connect a synth to {port.name}; the first note sends the table again, and so does panic",
            )
        ledger = journal.ledger
        back = outlet.sent > 0 or plan.returning
        hung = ledger.owed
        if back or hung:
            self._wait_until_it_carries(port)
        with self._lock:
            now_s = self._clock()
            outlet.connect(port.emit)
            outlet.send([(now_s, message) for message in ledger.offs()], now_s)
            want_off = plan.local == "off" or (
                plan.local == "auto"
                and self.in_name is not None
                and plan.in_port != NEW_PORT
                and checks.one_instrument(self.in_name, port.name)
            )
            if want_off or ledger.local_off:
                outlet.send([(now_s, message) for message in checks.local_control(not want_off)], now_s)
            if back:
                outlet.send([(now_s, message) for message in ledger.sounds()], now_s)
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
            self._ask_tuning()
        with self._lock:
            now_s = self._clock()
            begin = self.performance.restart if back else self.performance.start
            outlet.send(begin(now_s), now_s)
            if plan.in_port is not None:
                outlet.send([(now_s, self._probe.message)], now_s)

    def _wait_until_it_carries(self, port: OutPort) -> None:
        """Wait for a server that is still busy with the end of another player or synth."""
        for _ in range(_CARRIES_TRIES):
            self._alive()
            if port.carries(self._probe.message, _CARRIES_S):
                return
        self._tell(
            "say",
            f"{port.name} is there, but {self.system.title} carries nothing to it: start that server again",
        )

    def _open_in(self) -> None:
        assert self.in_name is not None
        if self.plan.in_port == NEW_PORT:
            self._in = self.system.make_input(self.receive, label="keyboard")
        else:
            self._in = self.system.open_input(self.in_name, self.receive, label="keyboard")
        self.in_name = self._in.name

    def _ask_tuning(self) -> None:
        """Ask the synth for the tuning that it holds, so that it can be put back."""
        from bridge.wire.mts import BulkDump, DumpRequest, decode, encode

        plan, outlet = self.plan, self._outlet
        profile = plan.profile
        put_back = getattr(self.performance.engine, "put_back", None)
        if profile is None or put_back is None or outlet is None:
            return
        assert plan.reply_port is not None
        name = pick_port(plan.reply_port, self.system.inputs(), "input")
        self._replies = self.system.open_input(name, self._answers.append, label="replies")
        banks = [profile.bank, None] if profile.dump_form == "bank" else [None, profile.bank]
        for bank in banks:
            request = encode(DumpRequest(profile.device_id, profile.program, bank))
            with self._lock:
                now_s = self._clock()
                outlet.send([(now_s, request)], now_s)
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

    def add_source(self, source: NoteSource) -> None:
        """Let something else play beside the keyboard, from now on."""
        with self._lock:
            self._sources.append(source)
        self._nudge()

    # ---- playing

    def receive(self, data: bytes) -> None:
        """Take a message from the keyboard. Called in the port's thread; never raises."""
        try:
            with self._lock:
                outlet = self._outlet
                if self._closed or outlet is None:
                    return
                self.received += 1
                if len(data) > 3 and data == self._probe.message:
                    self._loop()
                    return
                now_s = self._clock()
                waits = outlet.send(self._feed(data, now_s), now_s)
                if not waits and self.performance.version == self._version:
                    return
                self._version = self.performance.version
            self._nudge()
        except (
            BaseException
        ) as error:  # the thread is not ours: whatever it is, the other one must leave cleanly
            self.failure = error
            self._nudge()

    def _feed_first(self, data: bytes, now_s: float) -> list[Due]:
        """Feed until the first note: whoever was connected to our port before it has the table then."""
        if not data or data[0] & 0xF0 != 0x90:
            return self.performance.feed(data, now_s)
        self._feed = self.performance.feed
        return [*self.performance.engine.start(now_s), *self.performance.feed(data, now_s)]

    def _loop(self) -> None:
        self._closed = True
        self.failure = PortProblem(
            f"what is sent to {self.out_name} comes back on {self.in_name}: a MIDI loop",
            "switch off Thru or Echo at the instrument, or choose other ports",
        )
        self._nudge()

    def act(self, action: Action) -> None:
        """Carry out an action of the player's."""
        outlet = self._outlet
        assert outlet is not None
        with self._lock:
            now_s = self._clock()
            if action.name == "panic":
                outlet.drop_later()
                for source in self._sources:
                    source.release()
            outlet.send(self.performance.act(action, now_s), now_s)
            if action.name == "panic" and self._journal is not None:
                outlet.send([(now_s, message) for message in self._journal.ledger.offs()], now_s)

    @property
    def next_s(self) -> float:
        """When `tick` wants to be called."""
        with self._lock:
            times = [self._poll_s, self.performance.next_wake_s, *(source.next_s for source in self._sources)]
            if self._outlet is not None:
                times.append(self._outlet.next_due_s)
        return min(at_s for at_s in times if at_s is not None)

    def tick(self) -> None:
        """Do what is due by now.

        Raises
        ------
        Exception
            Whatever went wrong in a port's thread.
        """
        if self.failure is not None:
            raise self.failure
        outlet = self._outlet
        assert outlet is not None
        with self._lock:
            now_s = self._clock()
            performance = self.performance
            wake_s = performance.next_wake_s
            if wake_s is not None and wake_s <= now_s:
                outlet.send(performance.wake(now_s), now_s)
            for source in self._sources:
                for due_s, data in source.due(now_s):
                    outlet.note_late(now_s - due_s)
                    outlet.send(performance.feed_track(data, now_s), now_s)
            outlet.flush(now_s)
            notices, performance.notices = performance.notices, []
        for notice in notices:
            self._tell("say", notice)
        if now_s >= self._poll_s:
            self._poll(now_s)

    def _poll(self, now_s: float) -> None:
        """Look whether the ports are still there, or there again."""
        self._poll_s = now_s + POLL_S
        busy = self.received - self._received_at_poll > BUSY_MESSAGES
        self._received_at_poll = self.received
        outlet, plan = self._outlet, self.plan
        assert outlet is not None
        if busy and self._out is not None:
            with self._lock:
                outlet.send([(now_s, self._probe.message)], now_s)
        try:
            if plan.out_port != NEW_PORT:
                self._poll_out(self.system.outputs())
            if plan.in_port not in (None, NEW_PORT):
                self._poll_in(self.system.inputs())
        except StillbeatError:
            return  # a system that does not list its ports now may do so the next time

    def _poll_out(self, names: list[str]) -> None:
        outlet = self._outlet
        assert outlet is not None
        assert self.out_name is not None
        if self._out is not None and self.out_name not in names:
            port, self._out = self._out, None
            with self._lock:
                outlet.connect(None)
            self._tell("lost", f"the synth's port {self.out_name} is gone; waiting for it")
            port.close()
        found = same_port(self.out_name, names)
        if self._out is None and found is not None:
            self.out_name = found
            self._open_out()
            if self._seat is not None:
                with self._lock:
                    self._seat.drone.again(self._clock())
            self._tell("back", f"the synth's port {found} is back: silenced, set up, in tune")

    def _poll_in(self, names: list[str]) -> None:
        outlet = self._outlet
        assert outlet is not None
        assert self.in_name is not None
        if self._in is not None and self.in_name not in names:
            port, self._in = self._in, None
            port.close()
            with self._lock:
                now_s = self._clock()
                outlet.send(self.performance.release_keyboard(now_s), now_s)
            self._tell(
                "lost", f"the keyboard's port {self.in_name} is gone; its notes are let go, waiting for it"
            )
        found = same_port(self.in_name, names)
        if self._in is None and found is not None:
            self.in_name = found
            self._open_in()
            self._tell("back", f"the keyboard's port {found} is back")

    @property
    def ended(self) -> bool:
        """Whether there is nothing more to play: no keyboard, and every source at its end."""
        if self.plan.in_port is not None or not self._sources:
            return False
        with self._lock:
            return all(source.next_s is None for source in self._sources)

    def status(self) -> dict[str, Any]:
        """Return what a display shows."""
        performance, outlet = self.performance, self._outlet
        assert outlet is not None
        with self._lock:
            slots = performance.slots
            sounding = [(note[0], note[1], note[3]) for note in performance.engine.sounding()[:_SHOWN_NOTES]]
            engine = performance.engine
            state: dict[str, Any] = {
                "kept": slots.keep(),
                "sounding": sounding,
                "crowded": getattr(engine, "crowded", 0),
                "clipped": getattr(engine, "clipped", 0),
                "dropped": performance.dropped,
            }
            if self._seat is not None:
                state |= self._seat.status(self._clock(), slots.table())
        track = self._track
        if track is not None:
            position_s = track.position_s(self._clock())
            state["position_s"] = position_s
            state["bar"] = track.track.bar_at(position_s)
        return {
            **state,
            "in": self.in_name,
            "out": self.out_name,
            "in_open": self._in is not None,
            "out_open": self._out is not None,
            "received": self.received,
            "sent": outlet.sent,
            "late": outlet.late,
            "lost": outlet.lost,
            "worst_late_s": outlet.worst_late_s,
        }

    # ---- the end

    def leave(self) -> int:
        """Silence the synth, put it back as it was, and close the ports; return how many notes were let go."""
        self._closed = True
        for port in (self._in, self._replies):
            if port is not None:
                port.close()
        outlet, journal = self._outlet, self._journal
        if outlet is None or journal is None:
            return 0
        ledger = journal.ledger
        hung = ledger.owed
        if self._seat is not None and outlet.connected:
            self._seat.fade(self._send_now)
        with self._lock:
            now_s = self._clock()
            outlet.drop_later()
            outlet.send(self.performance.stop(now_s), now_s)
            if self._local_off:
                outlet.send([(now_s, message) for message in checks.local_control(True)], now_s)
        self._drain()
        with self._lock:
            now_s = self._clock()
            outlet.send([(now_s, message) for message in ledger.offs()], now_s)
        self._drain()
        if self._seat is not None and outlet.connected:
            messages = self._seat.put_back()
            with self._lock:
                now_s = self._clock()
                outlet.send([(now_s, message) for message in messages], now_s)
            self._drain()
        clean = self._out is not None and outlet.empty
        if self._out is not None:
            self._out.close()
            self._out = None
            ledger.local_off = False
        journal.close(clean=clean)
        self._journal = self._outlet = None
        self.system.close()
        return hung

    def _send_now(self, messages: list[bytes]) -> None:
        """Send messages of a source that does not wait for its time."""
        outlet = self._outlet
        assert outlet is not None
        with self._lock:
            now_s = self._clock()
            for data in messages:
                outlet.send(self.performance.feed_track(data, now_s), now_s)
            outlet.flush(now_s)

    def _drain(self) -> None:
        """Wait until everything has gone to the port."""
        outlet = self._outlet
        assert outlet is not None
        limit_s = self._clock() + FLUSH_S
        while not outlet.empty and self._clock() < limit_s:
            with self._lock:
                outlet.flush(self._clock())
            time.sleep(0.001)
