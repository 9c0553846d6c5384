"""The desk: starts the player's process, watches it, replaces it, and ends it cleanly.

The player is a process of its own, because a message to a dead JACK server hangs whoever sends it. It gives a sign of
life several times a second. One that is silent for `SILENT_S` is ended by force and replaced; so is one that says
that the server is gone, or that ended by itself. The new one waits for server and ports, silences what the old one
left sounding (`bridge.live.player.journal`), and goes on with the table that held.

Everything arrives in one queue: frames of the player, typed keys, signals. Only the main thread acts.

Index: `Supervisor`, `PlayerProcess`.
"""

from __future__ import annotations

import contextlib
import queue
import signal
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from bridge import children, errors
from bridge.engine.play.controls import Action
from bridge.errors import StillbeatError
from bridge.live.desk.display import Display
from bridge.live.desk.listening import Listening, Moved
from bridge.live.desk.typed import Command, Typed, by_piece
from bridge.live.frames import read_frame, write_frame
from bridge.live.plan import LivePlan

SILENT_S = 2.0
"""A player that gives no sign of life for so long hangs."""
START_S = 15.0
"""So long a player may take until its first sign of life."""
RETURN_S = 30.0
"""And so long one that replaces another: a JACK server that waits for its clients takes ten seconds over each client
that was killed (measured with jackd2 1.9.21), and lets nobody in meanwhile."""
LEAVE_S = 8.0
"""So long leaving may take: a slow synth is put back piece by piece."""
SOUND_CARD_SYSTEM = "sound card"
"""`bridge.live.player.sound_card.SOUND_CARD`, which is too much to import for its name."""
_CRASHES = 5
_CRASH_WINDOW_S = 20.0
_LOOK_S = 0.1
_HUSH_S = 1.0
"""So long a drone dies away before the string is listened to."""
_ASLEEP_S = 1.0


class PlayerProcess:
    """One player process.

    Parameters
    ----------
    take : callable
        Called with everything that it says, in a thread of its own; at its end with ``("end",)``.
    """

    def __init__(self, take: Callable[[tuple[Any, ...]], None]) -> None:
        self._log: Any = tempfile.TemporaryFile()  # noqa: SIM115 - closed in end()
        self.popen = children.start("bridge.live.player.process", self._log)
        self._take = take
        self._outbox: queue.SimpleQueue[object] = queue.SimpleQueue()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        self._writer = threading.Thread(target=self._write, daemon=True)
        self._writer.start()

    def _read(self) -> None:
        stream = self.popen.stdout
        assert stream is not None
        with contextlib.suppress(EOFError, ValueError):
            while True:
                self._take(read_frame(stream))  # type: ignore[arg-type]
        self._take(("end",))

    def tell(self, value: object) -> None:
        """Send it something, without ever waiting for it; nothing happens if it is gone."""
        self._outbox.put(value)

    def _write(self) -> None:
        """Write what is told, in a thread of its own: a player that hangs must not hang its desk."""
        stream = self.popen.stdin
        while (value := self._outbox.get()) is not None:
            with contextlib.suppress(OSError, ValueError):
                write_frame(stream, value)  # type: ignore[arg-type]

    def last_words(self) -> str:
        """Return the last line that it wrote to its standard error."""
        self._log.seek(0)
        lines = self._log.read().decode(errors="replace").strip().splitlines()
        return lines[-1] if lines else ""

    def how_it_ended(self) -> str:
        """Return its last words, or what ended it where it had none."""
        words = self.last_words()
        if words:
            return words
        with contextlib.suppress(subprocess.TimeoutExpired):
            code = self.popen.wait(1.0)
            if code < 0:
                return signal.strsignal(-code) or f"signal {-code}"
            return f"exit code {code}"
        return "no reason given"

    def end(self) -> None:
        """End it by force if it still runs, and wait for that."""
        children.end(self.popen)
        self._outbox.put(None)
        self._writer.join(1.0)
        self._reader.join(1.0)
        for stream in (self.popen.stdin, self.popen.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()
        self._log.close()


class Supervisor:
    """Runs a performance from start to end.

    Create it as early as possible: its player process gets ready while the tables are still being worked out. As a
    context manager it ends that process whatever happens before there is something to play.
    """

    def __init__(self) -> None:
        self._inbox: queue.SimpleQueue[tuple[Any, ...]] = queue.SimpleQueue()
        self._generation = 0
        self._heard_s = self._looked_s = time.monotonic()
        self._ready = False
        self._spoken = False
        self._crashes: list[float] = []
        self._state: dict[str, Any] | None = None
        self._plan: LivePlan | None = None
        self._display: Display | None = None
        self._failed: tuple[str, str, str, str] | None = None
        self._ended = False
        self._listening: Listening | None = None
        self._process = self._spawn()

    def _spawn(self) -> PlayerProcess:
        self._generation += 1
        number = self._generation
        self._ready = self._spoken = False
        self._renewals = 0
        self._heard_s = time.monotonic()
        return PlayerProcess(lambda item: self._inbox.put(("frame", number, item)))

    def typed(self, command: Command) -> None:
        """Take what was typed; may be called from any thread."""
        self._inbox.put(("typed", command))

    def discard(self) -> None:
        """End the player that was never given a plan."""
        self._process.end()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.discard()

    # ---- running

    def perform(
        self,
        plan: LivePlan,
        make_display: Callable[[bool], Display],
        notices: Sequence[str] = (),
        listening: Listening | None = None,
    ) -> None:
        """Play with keys and a display, and give the terminal back whatever happens (see `run`).

        Parameters
        ----------
        plan : LivePlan
            What to play.
        make_display : callable
            Returns the display; called with whether single keys are read.
        notices : sequence of str
            What to say first.
        listening : Listening, optional
            How the reference is found anew.
        """
        self._listening = listening
        typed = Typed((lambda command: self.typed(by_piece(command))) if plan.starts else self.typed)
        try:
            typed.start()
            display = make_display(typed.keys)
            try:
                for notice in notices:
                    display.say(notice)
                self.run(plan, display)
            finally:
                display.close()
        finally:
            typed.stop()

    def run(self, plan: LivePlan, display: Display) -> None:
        """Play until the player leaves, a signal comes, or a track has ended with nothing else to play.

        Raises
        ------
        StillbeatError
            It could not start, or something went wrong; what sounded has been silenced.
        """
        self._plan, self._display = plan, display
        self._process.tell(plan)
        with children.leaving(lambda: self._inbox.put(("signal",))):
            try:
                while not self._ended:
                    self._step()
            finally:
                if self._listening is not None:
                    self._listening.end()
                self._leave()
        if self._failed is not None:
            _raise(self._failed)

    def _step(self) -> None:
        try:
            item = self._inbox.get(timeout=_LOOK_S)
        except queue.Empty:
            item = ("nothing",)
        now_s = time.monotonic()
        if (
            now_s - self._looked_s > _ASLEEP_S
        ):  # it is we who were stopped (Ctrl-Z), or kept waiting by a terminal
            self._heard_s = now_s
        self._looked_s = now_s
        match item[0]:
            case "frame" if item[1] == self._generation:
                self._heard_s = now_s
                self._spoken = True
                self._frame(item[2])
            case "typed":
                self._typed(item[1])
            case "ear":
                self._heard(item[1])
            case "signal":
                self._ended = True
        self._check_life()

    def _frame(self, frame: tuple[Any, ...]) -> None:
        display, plan = self._display, self._plan
        assert display is not None
        assert plan is not None
        match frame[0]:
            case "ready":
                self._ready = True
                self._take_state(frame[1])
                if plan.returning and frame[1]["out_open"]:
                    display.say("playing again: silenced, set up, in tune")
                elif not plan.returning:
                    display.say(f"ready: {frame[1]['in'] or 'no keyboard'} -> {frame[1]['out']}")
            case "state":
                self._take_state(frame[1])
            case "say" | "lost" | "back":
                display.say(frame[1])
            case "failed":
                self._failed = frame[1]
            case "left" | "ended":
                self._ended = True
            case "server gone":
                display.say("the MIDI server is gone; waiting for it")
                self._replace()
            case "end":
                self._crashed()

    def _take_state(self, state: dict[str, Any]) -> None:
        if state.get("renewals", 0) < self._renewals and self._state is not None:
            # The trim of the old tables: the new ones are still on their way.
            state = {**state, "kept": (*state["kept"][:3], self._state["kept"][3])}
        self._state = state
        assert self._display is not None
        self._display.show(state)

    def _typed(self, command: Command) -> None:
        assert self._display is not None
        if isinstance(command, Action):
            self._process.tell(("act", command))
        elif command == "quit":
            self._ended = True
        elif command == "untrim":
            if self._state is not None and self._state["kept"][3]:
                self._process.tell(("act", Action("trim", -self._state["kept"][3])))
        elif command == "listen" or command.startswith("listen "):
            self._listen(command[7:].strip().strip("\"'"))
        elif command == "undo":
            self._undo()
        else:
            hint = "type a number, next, previous, equal, trim 0.5, drone, listen, undo, panic or quit"
            self._display.say(f"{command[1:]!r} means nothing here; {hint}")

    # ---- the reference, found anew

    def _listen(self, file: str) -> None:
        """Begin to listen to the reference string, or to a take of it."""
        display, listening, state = self._display, self._listening, self._state
        assert display is not None
        if listening is None:
            display.say("nothing says which string to listen to: name a guitar, or the note with --reference")
            return
        if state is None:
            return
        if listening.busy:
            display.say("still listening: one moment")
            return
        channel, held = state.get("held", (0, ()))
        if not file and any(note[:2] not in {(channel, key) for key in held} for note in state["sounding"]):
            display.say("wait until nothing plays, so that only the string is heard")
            return
        wait_s = 0.0
        if not file and "held" in state:
            self._process.tell(("act", Action("hush")))
            wait_s = _HUSH_S if held else 0.0
        listening.begin(
            Path(file).expanduser() if file else None, wait_s, lambda told: self._inbox.put(("ear", told))
        )

    def _heard(self, told: tuple[Any, ...]) -> None:
        """Take what the ear tells."""
        display, listening = self._display, self._listening
        assert display is not None
        assert listening is not None
        if told[0] == "open":
            display.say(f"listening ({told[1]}): pluck {listening.what}, and let it ring")
            return
        listening.end()
        try:
            if told[0] == "refused":
                raise StillbeatError(told[1], told[2])
            trim_cents = self._state["kept"][3] if self._state is not None else 0.0
            self._renew(listening.heard(told[1], trim_cents))
        except StillbeatError as problem:
            display.say(f"not moved: {problem.message}" + (f" ({problem.hint})" if problem.hint else ""))
        self._process.tell(("act", Action("unhush")))

    def _undo(self) -> None:
        """Take back what was heard last."""
        assert self._display is not None
        moved = self._listening.undo() if self._listening is not None else None
        if moved is None:
            self._display.say("there is nothing to take back")
        else:
            self._renew(moved)

    def _renew(self, moved: Moved) -> None:
        """Put other tables into all slots, here and in the player."""
        assert self._plan is not None
        assert self._display is not None
        self._display.say(moved.text)
        if moved.tables is None:
            return
        slots, tonics = moved.tables
        self._renewals += 1
        self._plan = replace(self._plan, slots=slots, tonics=tonics)
        if self._state is not None:
            self._state = {**self._state, "kept": (*self._state["kept"][:3], moved.trim_cents)}
        self._process.tell(("renew", slots, tonics))
        if moved.trim_cents:
            self._process.tell(("act", Action("trim", moved.trim_cents)))

    # ---- faults

    def _check_life(self) -> None:
        silent_s = self._looked_s - self._heard_s
        first_s = RETURN_S if self._plan is not None and self._plan.returning else START_S
        if silent_s > (SILENT_S if self._spoken else first_s):
            assert self._display is not None
            self._display.say("the player does not answer; starting it again")
            self._replace()

    def _crashed(self) -> None:
        """The player's process ended without a word."""
        now_s = time.monotonic()
        self._crashes = [at_s for at_s in self._crashes if now_s - at_s < _CRASH_WINDOW_S] + [now_s]
        starting = not self._ready and not (self._plan and self._plan.returning)
        if starting or len(self._crashes) > _CRASHES:
            how = self._process.how_it_ended()
            message, hint = f"the player ended unexpectedly: {how}", "run again with --debug"
            if starting and self._plan is not None and self._plan.system == SOUND_CARD_SYSTEM:
                message = f"the sound system cannot be started here ({how})"
                hint = (
                    "let another program play first, and look at its sound settings; or write a file with -o"
                )
            self._failed = ("PortProblem", message, hint, "")
            self._ended = True
            return
        assert self._display is not None
        self._display.say("the player ended unexpectedly; starting it again")
        self._replace()

    def _replace(self) -> None:
        """End the player by force, and start another that goes on where it was."""
        self._process.end()
        assert self._plan is not None
        state = self._state
        if state is not None:
            self._plan = replace(
                self._plan,
                kept=state["kept"],
                in_port=self._plan.in_port if self._plan.in_port in (None, "new") else state["in"],
                out_port=self._plan.out_port if self._plan.out_port == "new" else state["out"],
                position_s=state.get("position_s", 0.0),
                hold_on=state.get("hold_on", self._plan.hold_on),
                returning=True,
            )
        self._process = self._spawn()
        self._process.tell(self._plan)

    # ---- the end

    def _leave(self) -> None:
        """Let the player silence the synth and put it back; if it hangs, let another one do it."""
        if self._failed is None and self._plan is not None and not self._left() and self._state is not None:
            self._replace()
            self._wait_for("ready", 4.0)
            self._left()
        self._process.end()

    def _left(self) -> bool:
        """Ask the player to leave; tell whether it did."""
        self._process.tell(("leave",))
        return self._wait_for("left", LEAVE_S)

    def _wait_for(self, wanted: str, limit_s: float) -> bool:
        limit = time.monotonic() + limit_s
        while (left_s := limit - time.monotonic()) > 0.0:
            try:
                item = self._inbox.get(timeout=left_s)
            except queue.Empty:
                return False
            if item[0] != "frame" or item[1] != self._generation:
                continue
            frame = item[2]
            if frame[0] == wanted:
                return True
            if frame[0] == "failed":
                self._failed = self._failed or frame[1]
            elif frame[0] in ("end", "server gone"):
                return False
        return False


def _raise(failed: tuple[str, str, str, str]) -> None:
    """Raise an error of the player's here."""
    kind, message, hint, trace = failed
    error = getattr(errors, kind, None)
    if isinstance(error, type) and issubclass(error, StillbeatError):
        raise error(message, hint)
    raise RuntimeError(f"{kind}: {message}\n{trace}")
