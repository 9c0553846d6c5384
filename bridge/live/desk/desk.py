"""The desk: what a musician types and hears goes to the player, and what the player tells is shown.

Everything arrives in one queue: what the player says, typed keys, what the ear hears, signals. Only the main thread
acts, and it waits for nobody: a terminal that takes no output holds up the drawing alone.
"""

from __future__ import annotations

import contextlib
import queue
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Protocol, Self

from bridge.children import on_signals
from bridge.engine.play.controls import Action
from bridge.errors import StillbeatError
from bridge.live.desk.drawing import Drawer, View
from bridge.live.desk.keeper import FromProcess, Inbox, Keeper
from bridge.live.desk.labels import Labels
from bridge.live.desk.typed import Command, MuteByDigit, Typed, by_chord, by_drone, by_piece, by_track
from bridge.live.frames import Act, Changed, LetGo, Ready, Renew, Say, Sound
from bridge.live.plan import ChordsDrone, LivePlan, StepsDrone
from bridge.live.snapshot import Kind, Link, Message, Snapshot
from bridge.live.state import State

if TYPE_CHECKING:
    from bridge.live.desk.ear import Told
    from bridge.live.desk.listening import Listening, Moved
    from bridge.live.desk.string_ear import Told as StringTold
    from bridge.live.desk.string_following import StringFollowing

_LOOK_S = 0.1
_SHOW_S = 1.0
"""So often things are shown though nothing happens: the time goes on."""
_HUSH_S = 1.0
"""So long a drone dies away before the string is listened to."""
_MOST_MESSAGES = 40
_KINDS: dict[str, Kind] = {"lost": "alarm", "back": "healed"}


@dataclass(frozen=True)
class _Typed:
    """Something was typed."""

    command: Command


@dataclass(frozen=True)
class _Heard:
    """The ear told something."""

    told: Told


@dataclass(frozen=True)
class _Pluck:
    """The ear for open strings told something."""

    told: StringTold


@dataclass(frozen=True)
class _Leave:
    """A signal asks to leave."""


class Watcher(Protocol):
    """Is shown how things are, beside the view; it must not wait for anybody."""

    def show(self, seen: Snapshot) -> None:
        """Take how things are now."""
        ...


class Desk:
    """Runs a performance from start to end.

    Create it as early as possible (see `Keeper`). As a context manager it ends the player whatever happens before
    there is something to play.
    """

    def __init__(self) -> None:
        self._inbox: Inbox = queue.SimpleQueue()
        self._keeper = Keeper(self._inbox, self.say)
        self._labels = Labels(())
        self._drawer: Drawer[Snapshot] | None = None
        self._watchers: Sequence[Watcher] = ()
        self._listening: Listening | None = None
        self._strings: StringFollowing | None = None
        self._listens_until_s: float | None = None
        self._messages: tuple[Message, ...] = ()
        self._renewals = 0
        self._engine = self._over = False
        self._changed = True
        self._shown_s = 0.0

    def typed(self, command: Command) -> None:
        """Take what was typed; may be called from any thread."""
        self._inbox.put(_Typed(command))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._keeper.end()

    # ---- running

    def perform(
        self,
        plan: LivePlan,
        labels: Labels,
        make_view: Callable[[bool], View[Snapshot]],
        notices: Sequence[str] = (),
        listening: Listening | None = None,
        watchers: Sequence[Watcher] = (),
        strings: StringFollowing | None = None,
    ) -> None:
        """Play with keys and a view, and give the terminal back whatever happens (see `run`).

        Parameters
        ----------
        make_view : callable
            Returns what shows it; called with whether single keys are read.
        watchers : sequence of Watcher
            Who else is shown how things are.
        strings : StringFollowing, optional
            The guitar that the tables follow.
        """
        self._watchers = watchers
        means = by_piece if plan.starts else by_track if plan.track_alone else None
        if isinstance(plan.drone, StepsDrone):
            means = by_drone
        elif plan.charts and len(plan.tables) == 1 and plan.backing is None:
            means = by_chord
        take = self.typed if means is None else lambda command: self.typed(means(command))
        typed = Typed(MuteByDigit(take) if plan.backing is not None else take)
        self._listening, self._strings = listening, strings
        try:
            typed.start()
            for notice in notices:
                self.say("engine" if notice in labels.about_engine else "said", notice)
            self.run(plan, labels, lambda: make_view(typed.keys))
        finally:
            typed.stop()

    def run(self, plan: LivePlan, labels: Labels, make_view: Callable[[], View[Snapshot]]) -> None:
        """Play until the player leaves, a signal comes, or there is nothing more to play.

        StillbeatError if it could not start, or something went wrong; what sounded has been silenced.
        """
        keeper = self._keeper
        self._labels = labels
        self._drawer = drawer = Drawer(make_view)
        keeper.begin(plan)
        try:
            if self._strings is not None:
                self._strings.begin(lambda told: self._inbox.put(_Pluck(told)))
                if self._listening is not None and self._listening.moved_cents:
                    self._strings.begin_anew(self._listening.moved_cents)
            with on_signals(lambda: self._inbox.put(_Leave())):
                try:
                    while not (self._over or keeper.ended):
                        self._step()
                finally:
                    for ear in (self._listening, self._strings):
                        if ear is not None:
                            ear.end()
                    keeper.leave()
        finally:
            self._show()
            drawer.close()
        keeper.raise_failure()
        if drawer.failure is not None:
            raise drawer.failure

    def _step(self) -> None:
        item = None
        with contextlib.suppress(queue.Empty):
            item = self._inbox.get(timeout=_LOOK_S)
        match item:
            case FromProcess():
                self._frame(item)
            case _Typed(command):
                self._typed(command)
                self._changed = True
            case _Heard(told):
                self._heard(told)
                self._changed = True
            case _Pluck(told):
                self._plucked(told)
            case _Leave():
                self._over = True
        self._follow_strings()
        self._keeper.look()
        if self._inbox.empty() and (self._changed or time.monotonic() - self._shown_s > _SHOW_S):
            self._show()

    def _frame(self, said: FromProcess) -> None:
        link = self._keeper.link
        match self._keeper.take(said):
            case Ready(state):
                self._renewals = state.renewals  # a player that replaces another counts anew
                self._take_state(state)
                plan = self._keeper.plan
                assert plan is not None
                if plan.returning and state.synth_there:
                    self.say("healed", "playing again: silenced, set up, in tune")
                elif not plan.returning:
                    ready = f"ready: {state.keyboard} ->" if state.keyboard else "playing on"
                    self.say("said", f"{ready} {state.synth}")
            case Changed(state):
                before = self._keeper.state
                self._take_state(state)
                if before is not None:
                    self._off_guitar(before, state)
            case Say("asked", ("listen" | "undo") as command):  # by foot
                self._typed(command)
                self._changed = True
            case Say(kind, text):
                self.say(_KINDS.get(kind, "said"), text)
        self._changed = self._changed or self._keeper.link != link

    def _take_state(self, state: State) -> None:
        keeper = self._keeper
        if state.renewals < self._renewals and keeper.state is not None:
            # The trim of the old tables: the new ones are still on their way.
            state = replace(state, kept=state.kept._replace(trim_cents=keeper.state.kept.trim_cents))
        keeper.state = state
        keeper.link = _link(state)
        if self._strings is not None:
            self._strings.state(state)
        self._changed = True

    def _off_guitar(self, before: State, now: State) -> None:
        """Say where a table that was switched to lies off the guitar; equal temperament is meant to."""
        if now.kept.equal or (now.kept.number, now.kept.tonic) == (before.kept.number, before.kept.tonic):
            return
        table = self._labels.table(now.kept)
        if table.off_guitar:
            self.say("said", f"{table.name}: {table.off_guitar}")

    # ---- showing

    def say(self, kind: Kind, text: str) -> None:
        """Show something that the musician should know."""
        number = self._messages[-1].number + 1 if self._messages else 1
        message = Message(number, time.time(), kind, text)
        self._messages = (*self._messages, message)[-_MOST_MESSAGES:]
        self._changed = True

    def snapshot(self) -> Snapshot:
        """Return how things are now."""
        state, listening = self._keeper.state, self._listening
        if state is not None and self._keeper.link in ("synth gone", "server gone", "restarting"):
            state = state.silent()
        moved_cents = listening.moved_cents if listening is not None else 0.0
        left_s = None
        if self._listens_until_s is not None:
            left_s = max(0.0, self._listens_until_s - time.monotonic())
        return Snapshot(
            at_s=time.time(),
            link=self._keeper.link,
            listening_s=left_s,
            messages=self._messages,
            engine=self._engine,
            **(self._labels.shown(state, moved_cents) if state is not None else {}),
        )

    def _show(self) -> None:
        self._changed, self._shown_s = False, time.monotonic()
        if self._drawer is not None:
            snapshot = self.snapshot()
            self._drawer.show(snapshot)
            for watcher in self._watchers:
                watcher.show(snapshot)

    # ---- what is typed

    def _typed(self, command: Command) -> None:
        keeper = self._keeper
        if isinstance(command, Action):
            keeper.tell(Act(command))
        elif command == "quit":
            self._over = True
        elif command == "let go":
            keeper.tell(LetGo())
        elif command == "chord" or command.startswith("chord "):
            keeper.tell(Sound(tuple(int(key) for key in command.split()[1:])))
        elif command.startswith("tell "):
            self.say("said", command[5:])
        elif command == "mute":
            self.say("said", "there is no track whose parts could be muted")
        elif command == "view":
            self._engine = not self._engine
        elif command == "untrim":
            if keeper.state is not None and keeper.state.kept.trim_cents:
                keeper.tell(Act(Action("trim", -keeper.state.kept.trim_cents)))
            if self._strings is not None and self._strings.take_back() is not None:
                self.say("said", f"untrimmed: {self._followed_no_more}")
        elif command == "listen" or command.startswith("listen "):
            self._listen(command[7:].strip().strip("\"'"))
        elif command == "undo" and self._strings is not None and self._strings.moved_cents:
            back = self._strings.take_back() or 0.0
            keeper.tell(Act(Action("trim", back)))
            self.say("said", f"taken back by {abs(back):.1f} cents: {self._followed_no_more}")
        elif command == "undo":
            moved = self._listening.undo() if self._listening is not None else None
            if moved is None:
                self.say("said", "there is nothing to take back")
            else:
                self._renew(moved)
        else:
            if command.startswith("?slot "):
                self.say("said", f"tables are numbered now; type: table {command[6:].strip()}")
                return
            hint = "type a number, next, previous, equal, trim 0.5, drone, pause, back, mute 2, "
            hint += "listen, undo, view, panic or quit"
            self.say("said", f"{command[1:]!r} means nothing here; {hint}")

    # ---- the guitar, followed

    @property
    def _followed_no_more(self) -> str:
        until = "until l listens anew" if self._listening is not None else "any more"
        return f"the strings are not followed {until}"

    def _plucked(self, told: StringTold) -> None:
        """Take what the ear for open strings tells."""
        assert self._strings is not None
        if said := self._strings.heard(told, time.monotonic()):
            self.say("said", said)

    def _follow_strings(self) -> None:
        """Let the tables go where the guitar is, step by step."""
        if self._strings is None or self._keeper.state is None or self._keeper.link != "ok":
            return
        if by_cents := self._strings.step(time.monotonic()):
            self._keeper.tell(Act(Action("trim", by_cents)))

    # ---- the reference, found anew

    def _listen(self, file: str) -> None:
        """Begin to listen to the reference string, or to a take of it."""
        listening, state = self._listening, self._keeper.state
        if listening is None:
            plan = self._keeper.plan
            if plan is not None and isinstance(plan.drone, StepsDrone | ChordsDrone):
                self.say(
                    "said", "nothing is heard anew beside this drone: begin again with --reference-from TAKE"
                )
                return
            hint = "name a guitar, or the note with --reference"
            self.say("said", f"nothing says which string to listen to: {hint}")
            return
        if state is None:
            return
        if listening.busy:
            self.say("said", "still listening: one moment")
            return
        held = state.held
        if not file and state.played:
            self.say("said", "wait until nothing plays, so that only the string is heard")
            return
        wait_s = 0.0
        if not file and held is not None:
            self._keeper.tell(Act(Action("hush")))
            wait_s = _HUSH_S if held.keys else 0.0
        path = Path(file).expanduser() if file else None
        listening.begin(path, wait_s, lambda told: self._inbox.put(_Heard(told)), self._strings)

    def _heard(self, told: Told) -> None:
        """Take what the ear tells."""
        from bridge.live.desk.ear import Opened
        from bridge.live.frames import Refused

        listening = self._listening
        assert listening is not None
        if isinstance(told, Opened):
            self._listens_until_s = time.monotonic() + told.seconds
            self.say("said", f"listening ({told.name}): pluck {listening.what}, and let it ring")
            return
        listening.end()
        self._listens_until_s = None
        state = self._keeper.state
        try:
            if isinstance(told, Refused):
                raise StillbeatError(told.message, told.hint)
            self._renew(listening.heard(told.reference, state.kept.trim_cents if state is not None else 0.0))
        except StillbeatError as problem:
            self.say("said", f"not moved: {problem}")
        self._keeper.tell(Act(Action("unhush")))

    def _renew(self, moved: Moved) -> None:
        """Put other tables in the place of all, here and in the player."""
        keeper = self._keeper
        self.say("said", moved.text)
        if moved.tables is None:
            return
        assert keeper.plan is not None
        self._renewals += 1
        keeper.plan = replace(keeper.plan, tables=moved.tables.tables, tonics=moved.tables.tonics)
        if keeper.state is not None:
            kept = keeper.state.kept._replace(trim_cents=moved.trim_cents)
            keeper.state = replace(keeper.state, kept=kept)
        keeper.tell(Renew(moved.tables))
        if self._strings is not None and self._listening is not None:
            self._strings.begin_anew(self._listening.moved_cents)
        if moved.trim_cents:
            keeper.tell(Act(Action("trim", moved.trim_cents)))


def _link(state: State) -> Link:
    if not state.synth_there:
        return "synth gone"
    if state.keyboard and not state.keyboard_there:
        return "keyboard gone"
    return "loop" if any(one.looped for one in state.keyboards) else "ok"
