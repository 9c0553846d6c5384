"""A player in this process: the program hands it messages, it sends them on in tune.

It is the player of the command (`bridge.live.player.player.Player`) without a keyboard. It keeps the synth's port, the
table and the time; what it has to say goes to the log ``stillbeat``.

Threads
-------
- `Seat.send` answers a message in the thread that calls it, from bytes to bytes. Any thread may call it; two that call
  at once take turns.
- One thread of the seat's own keeps time: glides, set-ups that are longer than the synth takes at once, and a look at
  the ports twice a second. It is a daemon: it never keeps a program from ending.
- When the program ends, every seat that is still open is closed: notes are let go, and the synth gets its tuning back.
  A program that is killed leaves that to the next one that plays to the same port.

Over JACK the end of the server is heard of at once. Nothing is sent from then on, for a message to a dead server hangs
a process for good; and nothing of it is closed, for the same reason.

Index: `Seat`, `seat_for`.
"""

from __future__ import annotations

import atexit
import os
import queue
import threading
import time
import weakref
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from bridge.cli.parts.options import take_table
from bridge.cli.play import play_command, prepare_tables
from bridge.door.words import PlayWords, say, understood, words_in_line, words_of
from bridge.engine.play.controls import Action
from bridge.engine.play.tables import AllTables
from bridge.errors import MethodProblem, PortProblem, StillbeatError, ValueProblem
from bridge.live.player.player import Player
from bridge.ports.base import NEW_PORT, check_message
from bridge.ports.find import find_system

if TYPE_CHECKING:
    from bridge.live.plan import LivePlan
    from bridge.ports.base import MidiSystem

VARIABLE = "STILLBEAT_PLAY"
"""The environment variable that holds the command's options where a program cannot be changed."""

_IDLE_S = 0.02
"""So often the time is looked at though nothing is due: what a message starts is noticed at last then."""
_FOR_GOOD: list[Any] = []
"""What belongs to a dead JACK server: letting go of it would wait for that server."""
_open: weakref.WeakSet[Seat] = weakref.WeakSet()


class Seat:
    """A player, and the thread that keeps its time.

    Parameters
    ----------
    plan : LivePlan
        What to play by; without a keyboard.
    system : MidiSystem
        Where the synth's port is; the seat closes it.
    words : mapping
        What was said, for `change`.

    Raises
    ------
    PortProblem
        The port is missing or refuses.
    """

    def __init__(self, plan: LivePlan, system: MidiSystem, words: Mapping[str, Any]) -> None:
        self.plan = plan
        self._words = dict(words)
        self._inbox: queue.SimpleQueue[tuple[str, str] | None] = queue.SimpleQueue()
        self._leaving = False
        self._dead = ""
        self._server_lost = False
        self._watch: Any = None
        if system.title == "JACK":
            from bridge.ports.jack_watch import JackWatch

            self._watch = JackWatch(self._server_gone)
        self._player = Player(plan, system, self._tell, self._nudge)
        try:
            self._player.open()
        except BaseException:
            self._player.leave()
            system.close()
            self._stop_watching()
            raise
        self._thread = threading.Thread(target=self._keep_time, name="stillbeat", daemon=True)
        self._thread.start()
        _open.add(self)

    @property
    def name(self) -> str:
        """The synth's port."""
        return self._player.state().synth if not self._dead else self.plan.out_port

    @property
    def closed(self) -> bool:
        """Whether `close` was called."""
        return self._leaving

    def send(self, data: bytes) -> None:
        """Take one whole message, and send what becomes of it.

        Raises
        ------
        PortProblem
            The seat is closed or its server gone, something went wrong in its thread, or the message is too long.
        """
        if self._dead:
            raise PortProblem(self._dead, "open the port anew once it is there again")
        if data[0] == 0xF0 and (wrong := check_message(data)):
            raise PortProblem(wrong)
        self._player.receive(data)
        if self._player.failure is not None:
            raise PortProblem(_reason(self._player.failure))

    def panic(self) -> None:
        """End all sound, and give the synth its table again."""
        if not self._dead:
            self._player.act(Action("panic"))

    def change(self, words: Mapping[str, Any]) -> None:
        """Play by another table from now on: `words` are laid over those that were said before.

        Raises
        ------
        StillbeatError
            The words make no table, or the method cannot express it; nothing has changed then.
        """
        said = {**self._words, **words}
        plan = _plan(_values({**said, "method": self.plan.method}), self.plan.out_port)
        if plan.method != self.plan.method or plan.profile != self.plan.profile:
            raise ValueProblem("method and synth stay as they are", "open another port")
        version = self._player.performance.renewals
        self._player.renew(AllTables(plan.tables, plan.tonics))
        if self._player.performance.renewals == version:
            raise MethodProblem(
                f"method {plan.method} cannot express this table", "the old one is still in force"
            )
        self._words = said

    def close(self) -> None:
        """Let go of all notes, put the synth's tuning back, and close the port. Closing twice is no error."""
        if self._leaving:
            return
        self._leaving = True
        _open.discard(self)
        self._nudge()
        if threading.current_thread() is not self._thread:
            self._thread.join()
        if self._server_lost:
            _FOR_GOOD.append(self._player)
            return
        self._player.leave()  # nothing, where it has left already
        self._dead = self._dead or "the port is closed"
        self._stop_watching()
        self._say_all()

    def _stop_watching(self) -> None:
        if self._watch is not None:
            self._watch.close()

    # ---- the thread that keeps time

    def _keep_time(self) -> None:
        player = self._player
        try:
            while not self._leaving and not self._dead:
                wait_s = min(player.next_s - time.perf_counter(), _IDLE_S)
                if wait_s > 0.0:
                    try:
                        item = self._inbox.get(timeout=wait_s)
                    except queue.Empty:
                        item = None
                    if item is not None:
                        self._say(item)
                if not self._leaving and not self._dead:
                    player.tick()
        except Exception as error:
            self._failed(error)
        self._say_all()

    def _failed(self, error: BaseException) -> None:
        if not self._dead:
            self._dead = _reason(error)
            say(f"playing has ended: {self._dead}", aloud=True)
            self._player.leave()
            self._stop_watching()

    def _tell(self, kind: str, text: str) -> None:
        self._inbox.put((kind, text))

    def _nudge(self) -> None:
        self._inbox.put(None)

    def _server_gone(self) -> None:
        """Called in a thread of JACK's."""
        self._dead, self._server_lost = "the JACK server is gone", True
        self._inbox.put(("lost", self._dead))

    def _say(self, item: tuple[str, str]) -> None:
        say(item[1], aloud=item[0] == "lost")

    def _say_all(self) -> None:
        while not self._inbox.empty():
            item = self._inbox.get_nowait()
            if item is not None:
                self._say(item)


def seat_for(name: str | None, words: Mapping[str, Any], system: str | None = None) -> Seat:
    """Open a synth's port and return what plays to it.

    Parameters
    ----------
    name : str or None
        Part of the port's name, `NEW_PORT`, or None for the first port that there is.
    words : mapping
        The command's words; without any, those in the environment variable `VARIABLE` hold.
    system : str, optional
        Which MIDI system, where the words do not say.

    Raises
    ------
    StillbeatError
        Nothing says how the guitar is tuned, the words make no table, or the port is missing.
    """
    words = words or _words_around()
    values = _values(words)
    values["system"] = values["system"] or system
    if name is None:
        from bridge.door.inputs import port_names

        names = port_names(values["system"])[1]
        if not names:
            raise PortProblem("there are no output ports at all", "see: stillbeat ports")
        name = names[0]
    plan = _plan(values, name)
    found = find_system(plan.system, [plan.reply_port], [plan.out_port])
    return Seat(plan, found, words)


def _words_around() -> dict[str, Any]:
    """Return the words that stand in the environment."""
    line = os.environ.get(VARIABLE, "")
    if not line.strip():
        raise ValueProblem(
            "nothing says how the guitar is tuned",
            "open_output(name, guitar='open-d', reference='D3=146.5'), or in the environment "
            f"{VARIABLE}='--guitar open-d --reference D3=146.5'",
        )
    return words_in_line(play_command, line, words_of(PlayWords), VARIABLE)


def _values(words: Mapping[str, Any]) -> dict[str, Any]:
    return understood(play_command, words, words_of(PlayWords))


def _plan(values: dict[str, Any], out_port: str) -> LivePlan:
    """Return a plan to play messages that this program hands over: no keyboard, and nothing that controls tables."""
    values = {**values, "out_port": out_port, "in_ports": (NEW_PORT,), "control_channel": "none"}
    request = take_table(values)
    prepared = prepare_tables(request, values)
    if prepared.doubt:
        say(prepared.doubt, aloud=True)
    for notice in prepared.notices:
        say(notice)
    return replace(prepared.plan, in_port=None, keyboards=())


@atexit.register
def _close_all() -> None:
    for seat in list(_open):
        seat.close()


def _reason(error: BaseException) -> str:
    return error.message if isinstance(error, StillbeatError) else f"{type(error).__name__}: {error}"
