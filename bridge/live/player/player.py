"""The player: ports, engine and time brought together. No process, terminal or signal is known here.

Threads
-------
- `receive` runs in the thread of the input port. It answers a message at once, from bytes to bytes.
- Everything else runs in one other thread, which calls `tick` when `next_s` has come, or sooner.
- One lock guards the performance and the way out. Neither thread keeps it longer than it takes to work out a table.

What happens at either end, and when a port is lost and found, is the business of `bridge.live.player.connections`.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

from bridge.engine.play.chart_walk import ChartWalk
from bridge.engine.play.controls import Action, ControlReader
from bridge.engine.play.performance import Performance
from bridge.engine.play.tables import AllTables, TableSwitch
from bridge.engine.protocols import Due
from bridge.errors import MethodProblem, PortProblem
from bridge.live.plan import NEW_PORT, LivePlan
from bridge.live.player.chord import HeldChord, chord_channel
from bridge.live.player.connections import Connections
from bridge.live.player.drone_seat import DroneSeat, drone_seat, usual_volume
from bridge.live.player.engines import make_engine
from bridge.live.player.input_line import TICK_S
from bridge.live.player.outlet import Outlet
from bridge.live.player.sources import NoteSource
from bridge.live.player.track_seat import track_actions, track_state
from bridge.live.player.way_out import WayOut
from bridge.live.state import AtChord, Counts, Following, Sounding, State, TrackState
from bridge.live.track import BackingPlayer
from bridge.ports.base import MidiSystem

POLL_S = 0.5
"""How often ports are looked for."""
BEGINNING_S = 2.0
"""A loop that shows so soon is refused; one that is made later is cut."""
BUSY_MESSAGES = 800
"""So many messages between two looks at the ports make one ask whether it is a loop."""
_SHOWN_NOTES = 40


class Player:
    """Plays by a plan on one system of ports.

    Parameters
    ----------
    tell : callable
        Called with what the musician should know: a kind (``say``, ``lost``, ``back``, ``failed``) and a text; or with
        ``asked`` and what a foot asked for. From any thread; it must only put things in a queue.
    nudge : callable
        Called when `tick` should be called soon. From any thread.
    alive : callable
        Called now and then while ports are waited for, in the thread of `open` and `tick`.
    pause : callable
        Lets time go by on the way out.
    """

    def __init__(
        self,
        plan: LivePlan,
        system: MidiSystem,
        tell: Callable[[str, str], None],
        nudge: Callable[[], None] = lambda: None,
        clock: Callable[[], float] = time.perf_counter,
        alive: Callable[[], None] = lambda: None,
        pause: Callable[[float], None] = time.sleep,
    ) -> None:
        self.plan = plan
        self.system = system
        self._tell = tell
        self._nudge = nudge
        self._clock = clock
        self._alive = alive
        self._pause = pause
        switch = TableSwitch(plan.tables, plan.tonics, plan.starts)
        if plan.kept is not None:
            switch.put(plan.kept)
        profile = plan.profile
        walk = ChartWalk(switch, plan.charts, plan.tonic_charts) if plan.charts else None
        if walk is not None:
            walk.put(plan.chord)
        self.performance = Performance(
            make_engine(plan, switch, walk),
            switch,
            ControlReader(plan.controls),
            plan.on_change,
            plan.glide_s,
            profile.sysex_max_bytes if profile is not None else 15000,
            plan.keyboards,
        )
        self.performance.go_on_with(plan.own, clock())
        self.performance.drone = plan.drone is not None and plan.drone.on
        self.performance.drone_volume = usual_volume(plan)
        self.performance.walk = walk
        self._feed = self._feed_first if plan.out_port == NEW_PORT else self.performance.feed
        self._lock = threading.Lock()
        self._ends: Connections | None = None
        self._outlet: Outlet | None = None
        self._probe = b""
        self._sources: list[NoteSource] = []
        self._backing: BackingPlayer | None = None
        self._seat: DroneSeat | None = None
        self._chord: HeldChord | None = None
        self._version = 0
        self._poll_s = self._pulse_s = self._opened_s = 0.0
        self.received = 0
        self._received_at_poll = 0
        self.failure: BaseException | None = None
        self._closed = False

    # ---- beginning

    def open(self) -> None:
        """Open the ports, silence what an earlier run may have left sounding, and give the synth the table.

        PortProblem if a port is missing (unless the plan says that it will come back), or makes a loop.
        """
        plan = self.plan
        self._opened_s = self._clock()
        ends = Connections(
            plan,
            self.system,
            self.performance,
            self.receive,
            self._tell,
            self._alive,
            self._clock,
            self._lock,
        )
        self._ends, self._outlet, self._probe = ends, ends.outlet, ends.probe.message
        ends.open()
        now_s = self._opened_s = self._clock()
        if plan.backing is not None:
            kept = plan.track or TrackState()
            position_s = plan.position_s if plan.returning else None
            self._backing = BackingPlayer(plan.backing, now_s, position_s, kept.paused, kept.muted)
            self.performance.others = track_actions(
                self._backing, lambda text: self.performance.notices.append(text)
            )
            self.add_source(self._backing)
        self._seat = drone_seat(plan, self.performance, lambda: self._clock())
        if self._seat is not None:
            self.add_source(self._seat.source)
        self._poll_s = now_s + POLL_S

    def add_source(self, source: NoteSource) -> None:
        """Let something else play beside the keyboard, from now on."""
        with self._lock:
            self._sources.append(source)
        self._nudge()

    # ---- playing

    def receive(self, data: bytes, source: int = 0) -> None:
        """Take a message from a keyboard, counted from 0. Called in its port's thread; never raises."""
        try:
            with self._lock:
                outlet = self._outlet
                if self._closed or outlet is None:
                    return
                self.received += 1
                now_s = self._clock()
                if self._comes_back(data, now_s, source):
                    return
                if self._seat is not None:
                    for first in self._seat.heard(data, now_s):
                        outlet.send(self.performance.feed_backing(first, now_s), now_s)
                waits = outlet.send(self._feed(data, now_s, source), now_s)
                if not waits and self.performance.version == self._version:
                    return
                self._version = self.performance.version
            self._nudge()
        except (
            BaseException
        ) as error:  # the thread is not ours: whatever it is, the other one must leave cleanly
            self.failure = error
            self._nudge()

    def _feed_first(self, data: bytes, now_s: float, source: int = 0) -> list[Due]:
        """Feed until the first note: whoever was connected to our port before it has the table then."""
        performance = self.performance
        if not data or data[0] & 0xF0 != 0x90 or not performance.engine.at_rest:
            return performance.feed(data, now_s, source)  # what sounds already must not be set up again
        self._feed = performance.feed
        return [*performance.engine.start(now_s), *performance.feed(data, now_s, source)]

    def _comes_back(self, data: bytes, now_s: float, source: int) -> bool:
        """Tell whether a message must not be played, because there is a loop or it shows whether there is one."""
        ends = self._ends
        assert ends is not None
        if not ends.inputs.ends:
            return False
        end = ends.inputs.ends[source]
        watch = end.loop
        cut = watch.found
        ours = watch.came(data)
        if len(data) > 3 and data == self._probe:
            if now_s < self._opened_s + BEGINNING_S and not cut:  # else it is told, and the show goes on
                self._closed = True
                self.failure = PortProblem(
                    f"what is sent to {ends.out_name} comes back on {end.name}: a MIDI loop",
                    "switch off Thru or Echo at the instrument, or choose other ports",
                )
                self._nudge()
                return True
            watch.confirm()
            ours = True
        if watch.found and not cut:
            ends.cut_loop(source)
        return ours or watch.found

    def act(self, action: Action) -> None:
        """Carry out an action of the musician's."""
        ends = self._ends
        assert ends is not None
        outlet = ends.outlet
        with self._lock:
            now_s = self._clock()
            if action.name == "panic":
                outlet.drop_later()
                for source in self._sources:
                    source.release()
                if self._backing is not None:
                    self._backing.halt(now_s)
            outlet.send(self.performance.act(action, now_s), now_s)
            if action.name == "panic":
                outlet.send([(now_s, message) for message in ends.journal.ledger.offs()], now_s)

    def let_go(self) -> None:
        """Let what sounds die away by itself: keys and pedals, a chord, the steps of a drone; a track waits."""
        ends, seat = self._ends, self._seat
        assert ends is not None
        if seat is not None and not seat.endless and ends.outlet.connected:
            seat.fade(self._send_now)
        with self._lock:
            now_s = self._clock()
            due = self.performance.release_keyboard(now_s)
            for source in self._sources:
                if seat is None or source is not seat.source:
                    track = self._backing if source is self._backing else None
                    for data in source.release() if track is None else track.halt(now_s):
                        due += self.performance.feed_backing(data, now_s)
            ends.outlet.send(due, now_s)

    def sound(self, keys: Sequence[int]) -> None:
        """Let a chord sound for a while, in the place of the one that may sound still."""
        with self._lock:
            now_s = self._clock()
            if self._chord is None:
                self._chord = HeldChord(chord_channel(self.plan))
                self._sources.append(self._chord)
            self._chord.sound(keys, now_s)
        self._nudge()

    def renew(self, tables: AllTables) -> None:
        """Put other tables in the place of all: the reference is another."""
        outlet = self._outlet
        assert outlet is not None
        with self._lock:
            now_s = self._clock()
            try:
                outlet.send(self.performance.renew(*tables, now_s), now_s)
                self._nudge()
            except MethodProblem as problem:
                self.performance.notices.append(f"not changed: {problem.message}")

    @property
    def next_s(self) -> float:
        """When `tick` wants to be called."""
        with self._lock:
            times = [
                self._poll_s,
                self._pulse_s,
                self.performance.next_wake_s,
                *(source.next_s for source in self._sources),
            ]
            if self._outlet is not None:
                times.append(self._outlet.next_due_s)
            times.append(self._next_chord_s())
        return min(at_s for at_s in times if at_s is not None)

    def tick(self) -> None:
        """Do what is due by now; raises what went wrong in a port's thread."""
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
            if (place_s := self._place_s(now_s)) is not None:
                outlet.send(performance.at_bar(place_s, now_s), now_s)
            seat = self._seat
            if seat is not None:
                seat.lead(now_s, outlet.empty)
            for source in self._sources:
                for due_s, data in source.due(now_s):
                    outlet.note_late(now_s - due_s)
                    if isinstance(data, Action):  # a track chooses a table
                        outlet.send(performance.act(data, now_s), now_s)
                        continue
                    if seat is not None and source is not seat.source:
                        for first in seat.heard(data, now_s):
                            outlet.send(performance.feed_backing(first, now_s), now_s)
                    outlet.send(performance.feed_backing(data, now_s), now_s)
            outlet.flush(now_s)
            notices, performance.notices = performance.notices, []
            asked, performance.asked = performance.asked, []
        for notice in notices:
            self._tell("say", notice)
        for command in asked:
            self._tell("asked", command)
        if now_s >= self._pulse_s and self._ends is not None:
            self._pulse_s = now_s + TICK_S
            self._ends.inputs.pulse()
        if now_s >= self._poll_s:
            self._poll(now_s)

    def _place_s(self, now_s: float) -> float | None:
        """Return where in the track a chart is to be; None where no track leads it."""
        backing = self._backing
        if backing is None or self.performance.walk is None:
            return None
        return max(backing.position_s(now_s), backing.backing.begin_s)

    def _next_chord_s(self) -> float | None:
        """Return when the track comes to the next chord of its chart."""
        walk, place_s = self.performance.walk, self._place_s(self._clock())
        if walk is None or place_s is None or self._backing is None or self._backing.ended:
            return None
        next_s = walk.next_s(place_s)
        return None if next_s is None else self._backing.time_s(next_s)

    def _poll(self, now_s: float) -> None:
        """Look whether the ports are still there, or there again; and for a loop where very much comes in."""
        ends = self._ends
        assert ends is not None
        self._poll_s = now_s + POLL_S
        busy = self.received - self._received_at_poll > BUSY_MESSAGES
        self._received_at_poll = self.received
        if busy:
            with self._lock:
                if ends.outlet.connected:
                    ends.outlet.send([(now_s, self._probe)], now_s)
        ends.look_for_loop()
        if ends.look() and self._seat is not None:
            with self._lock:
                self._seat.again(self._clock())

    @property
    def silent(self) -> bool:
        """Whether nothing sounds and nothing waits to be sent."""
        with self._lock:
            return self.performance.engine.at_rest and (self._outlet is None or self._outlet.empty)

    @property
    def ended(self) -> bool:
        """Whether there is nothing more to play: no keyboard but the feet of a drone, and every source ended."""
        if self.plan.played and (self._seat is None or self._seat.endless):
            return False
        held = self._seat.source if self._seat is not None and self._seat.endless else None
        with self._lock:
            playing = [source.next_s for source in self._sources if source is not held]
        return bool(playing) and all(at_s is None for at_s in playing)

    def state(self) -> State:
        """Return the state of things."""
        performance, ends = self.performance, self._ends
        assert ends is not None
        outlet, engine = ends.outlet, performance.engine
        with self._lock:
            now_s = self._clock()
            kept = performance.switch.keep()
            sounding = [Sounding(at, key, cents) for at, key, _, cents in engine.sounding()[:_SHOWN_NOTES]]
            others = self._seat.state(now_s) if self._seat is not None else {}
            if (at := performance.walk) is not None and (step := at.step) is not None and step.name:
                coming = at.coming
                others["chart"] = AtChord(
                    at.number,
                    step.name,
                    step.bar,
                    step.section,
                    coming.name if coming is not None else "",
                    coming.bar if coming is not None else 0,
                    bool(at.chart and at.chart.starts_s),
                )
            if self.plan.follow is not None and self.plan.follow.offered:
                followed: Any = engine
                others["following"] = Following(followed.on, followed.can_follow, followed.offsets_cents)
        if self._backing is not None:
            others |= track_state(self._backing, now_s)
        counts = Counts(
            self.received,
            outlet.sent,
            outlet.late,
            outlet.lost,
            performance.dropped,
            getattr(engine, "crowded", 0),
            getattr(engine, "clipped", 0),
            outlet.worst_late_s,
        )
        return State(
            kept=kept,
            own=performance.own,
            renewals=performance.renewals,
            keyboard=ends.inputs.name,
            keyboards=ends.inputs.seen,
            synth=ends.out_name,
            keyboard_there=ends.inputs.all_there,
            synth_there=ends.synth is not None,
            sounding=tuple(sounding),
            counts=counts,
            **others,
        )

    # ---- the end

    def leave(self) -> int:
        """Silence the synth, put it back as it was, and close the ports; return how many notes were let go."""
        with self._lock:  # so that no message is on its way through from here on
            self._closed = True
        ends, self._ends = self._ends, None
        if ends is None:
            return 0
        ledger = ends.journal.ledger
        hung = ledger.owed
        last = WayOut(ends.outlet, self._lock, ledger.offs(), self._clock, self._pause)
        seat = self._seat if ends.outlet.connected else None
        if seat is not None:
            seat.fade(self._send_now)
        with self._lock:
            now_s = self._clock()
            ends.outlet.drop_later()
            stop = self.performance.stop(now_s)
        last.send(stop, now_s)
        last.send_now(ends.local_on())
        last.send_now([*ledger.offs(), *ledger.pedals_up()])
        if seat is not None:
            last.send_now(seat.put_back())
        last.again()
        ends.close_inputs()  # before the synth's port: closing that waits for a server that may wait for our thread
        ends.close()
        self._outlet = None
        self.system.close()
        return hung

    def _send_now(self, messages: list[bytes]) -> None:
        """Send messages of a source that does not wait for its time."""
        outlet = self._outlet
        assert outlet is not None
        with self._lock:
            now_s = self._clock()
            for data in messages:
                outlet.send(self.performance.feed_backing(data, now_s), now_s)
            outlet.flush(now_s)
