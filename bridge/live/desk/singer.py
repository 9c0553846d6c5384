"""Singing live: sound from a microphone, readings of the voice, and what of it a singer is shown.

The degree that is nearest stands there until another is nearer by `ANOTHER_CENTS`, so that who sings between two does
not see them change. A note that has ended is shown for a while, and goes to the row of those before.

Our own drone, which comes back from a loudspeaker, is taken out of what is heard
(`bridge.sound.listening.voice.drone`); each change of it has to be learnt anew, until it swells no more.
"""

from __future__ import annotations

import math
import queue
import threading
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass
from typing import Protocol

from bridge.children import on_signals
from bridge.errors import PortProblem
from bridge.jobs.sing import beats_against, nearest
from bridge.live.desk.drawing import Drawer, View
from bridge.live.desk.sung_drone import DEGREES, SungDrone
from bridge.live.desk.sung_line import SungLine
from bridge.live.desk.tuner import SoundWatch
from bridge.live.desk.typed import Command, Typed
from bridge.sound.device.asking import sound_problem, usable_microphone
from bridge.sound.device.microphone import Input
from bridge.sound.listening.voice.meter import VoiceMeter, VoiceReading
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.tables import Table

ANOTHER_CENTS = 10.0
HELD_S = 2.5
"""A note that has ended is still shown for so long."""

COUNTS_S = 0.4
"""Shorter notes are no row of their own."""

FIRST_S = 0.25
"""Before that, what is read is a first guess."""

KEPT = 5
WATCHED_S = 0.08
"""Watchers are shown something so often, whether it has changed or not: time goes on."""

LEARNING = "the drone is learnt, so that it is not taken for your voice: sing in two or three seconds"
CAUTION = "start with the volume down, above all over headphones; take breaks"


@dataclass(frozen=True)
class NoteNow:
    """The note that is sung, or was just now."""

    note: str
    degree: str
    hz: float
    cents: float  # above pure
    # How far the pitch strays, vibrato aside; and vibrato, 0 for none.
    steadiness_cents: float
    vibrato_hz: float
    vibrato_cents: float
    beats_hz: float | None  # against the drone
    held_s: float
    number: int  # counts the notes

    @property
    def guess(self) -> bool:
        """Whether it is too young to be sure."""
        return self.held_s < FIRST_S


@dataclass(frozen=True)
class SingerSeen:
    """All that is seen at one moment."""

    now: NoteNow | None = None
    before: tuple[NoteNow, ...] = ()  # notes that have ended, the newest last
    drone: tuple[str, ...] = ()  # what sounds
    degrees: tuple[int, ...] = ()  # of the drone, those that a key brings in
    said: tuple[str, ...] = ()  # what is wrong


class Watcher(Protocol):
    """Is shown what is heard, beside the view; it must not wait for anybody."""

    def show(self, seen: SingerSeen, line: Sequence[tuple[float, float]]) -> None:
        """Take what is seen now, and the pitch of the last seconds (`bridge.live.desk.sung_line`)."""
        ...


class NotesOf:
    """Readings in, notes of the table out."""

    def __init__(self, table: Table) -> None:
        self._table = table
        self._key = -1
        self._read_s = 0.0
        self.now: NoteNow | None = None
        self.before: tuple[NoteNow, ...] = ()

    def take(self, reading: VoiceReading, drone_hz: Sequence[float]) -> None:
        """Take in a reading."""
        key, cents = nearest(self._table, reading.centre_hz)
        same = self.now is not None and self.now.number == reading.note
        if not same:
            self._end()
        elif key != self._key:
            here = hz_to_cents(reading.centre_hz, float(self._table.hz[self._key]))
            if abs(here) - abs(cents) < ANOTHER_CENTS:
                key, cents = self._key, here
        self._key, self._read_s = key, reading.time_s
        steadiness = reading.steadiness_cents if math.isfinite(reading.steadiness_cents) else 0.0
        self.now = NoteNow(
            note=self._table.note(key),
            degree=self._table.degrees[key] or "",
            hz=reading.centre_hz,
            cents=cents,
            steadiness_cents=steadiness,
            vibrato_hz=reading.vibrato_hz,
            vibrato_cents=reading.vibrato_cents,
            beats_hz=beats_against(reading.centre_hz, steadiness, reading.vibrato_cents, drone_hz),
            held_s=reading.held_s,
            number=reading.note,
        )

    def fade(self, time_s: float) -> bool:
        """Forget a note that was read last too long ago; tell whether that changed anything."""
        if self.now is None or time_s - self._read_s <= HELD_S:
            return False
        self._end()
        return True

    def again(self) -> None:
        """The meter counts anew from here on."""
        self._end()

    def _end(self) -> None:
        now, self.now = self.now, None
        if now is not None and now.held_s >= COUNTS_S:
            self.before = (*self.before, now)[-KEPT:]


def read_key(key: str) -> str | None:
    """Return what a key means while singing."""
    if key.isdecimal() and key.isascii() and int(key) in DEGREES:
        return f"degree {key}"
    return {"d": "drone", "q": "quit", "\x03": "quit", "\x04": "quit"}.get(key.lower())


def read_line(line: str) -> str | None:
    """Return what a line says: the same as a key, or a word."""
    word = line.strip().lower()
    if word in ("drone", "quit"):
        return word
    return read_key(word) if len(word) == 1 else None


class Singing:
    """A microphone, a drone, and what is shown of both, until somebody leaves."""

    def __init__(self, table: Table, microphone: Input, name: str, drone: SungDrone) -> None:
        self._microphone, self._drone = microphone, drone
        self._notes = NotesOf(table)
        self._line = SungLine()
        self._watch = SoundWatch(name)
        self._problem: tuple[str, ...] = ()
        self._told: tuple[str, ...] = ()  # by the page, of itself
        self._learning = False
        self._commands: queue.SimpleQueue[str] = queue.SimpleQueue()
        self.ended = threading.Event()
        self._meter = self._new_meter()
        self._offset_s = 0.0

    def _new_meter(self) -> VoiceMeter:
        return VoiceMeter(self._microphone.sample_rate, drone_hz=self._drone.hz)

    def command(self, command: Command) -> None:
        """Take what was typed, in any thread."""
        if command == "quit":
            self.ended.set()
        else:
            self._commands.put(str(command))

    def _act(self) -> bool:
        """Do what was typed; tell whether there was anything."""
        acted = False
        while not self._commands.empty():
            word, _, number = self._commands.get().partition(" ")
            acted = True
            if word == "tell":
                self._told = (number,)
                continue
            try:
                if word == "degree":
                    self._drone.degree(int(number))
                else:
                    self._drone.all()
            except PortProblem as problem:
                self._problem = (f"no drone: {problem}",)
                continue
            self._problem = ()
            self._listen_anew()
        return acted

    def _listen_anew(self) -> None:
        """Another drone sounds, or none: it has to be learnt."""
        self._notes.again()
        self._offset_s += self._meter.time_s
        self._meter = self._new_meter()

    def step(self) -> SingerSeen | None:
        """Take what has come from microphone and keys; return what is to be seen if that has changed."""
        changed = self._act()
        try:
            self._drone.step()
        except PortProblem as problem:
            self._problem, changed = (f"no drone: {problem}",), True
            self._listen_anew()
        block = self._microphone.read()
        if not block.size:
            return self.seen if changed else None
        reading = self._meter.feed(block)
        learnt, self._learning = self._learning, self._meter.learning
        changed |= learnt != self._learning
        changed |= self._watch.look(float(abs(block).max()), self._offset_s + self._meter.time_s)
        if reading is not None:
            self._notes.take(reading, self._drone.hz)
            self._line.take(reading, self._offset_s + reading.time_s)
            changed = True
        else:
            changed |= self._notes.fade(self._meter.time_s)
        return self.seen if changed else None

    @property
    def seen(self) -> SingerSeen:
        """What is to be seen now."""
        notes = self._notes
        return SingerSeen(
            notes.now,
            notes.before,
            self._drone.names,
            self._drone.degrees,
            (*self._watch.said, *self._problem, *self._told, *((LEARNING,) if self._learning else ())),
        )

    @property
    def line(self) -> tuple[tuple[float, float], ...]:
        """The pitch of the last seconds (`bridge.live.desk.sung_line`)."""
        return self._line.until(self._offset_s + self._meter.time_s)


def run_singer(
    table: Table,
    keys: Sequence[int],
    voice: str,
    mic: str | None,
    card: str | None,
    lines: bool,
    page: Callable[[Callable[[Command], None]], AbstractContextManager[tuple[Watcher, Sequence[str]]]]
    | None = None,
) -> None:
    """Listen and show until q, Ctrl-C or a signal; leave silence.

    PortProblem if the microphone, or the sound card for a drone that is wanted from the beginning, cannot be opened.

    Parameters
    ----------
    keys : sequence of int
        MIDI keys of the drone that sounds from the beginning.
    mic, card : str, optional
        Part of the name of the sound input, and of the sound card.
    page : callable, optional
        Given what takes commands, begins to show it elsewhere as well; with the lines that tell where.
    """
    from time import monotonic as clock

    from bridge.live.desk.views.singer import make_singer_display
    from bridge.sound.device.output import LiveSound

    def open_sound() -> LiveSound:
        if problem := sound_problem("output", card):
            raise PortProblem(problem)
        return LiveSound(card).start()

    microphone = usable_microphone(mic)
    with ExitStack() as stack:
        drone = SungDrone(table, keys, voice, open_sound)
        stack.callback(drone.close)
        singing = Singing(table, stack.enter_context(microphone), microphone.input.name, drone)
        stack.enter_context(on_signals(singing.ended.set))
        watcher, under = (None, ()) if page is None else stack.enter_context(page(singing.command))
        view: Callable[[], View[SingerSeen]] = lambda: make_singer_display(lines, under)  # noqa: E731
        typed = Typed(singing.command, read_key, read_line)
        drawer = Drawer(view)
        stack.callback(drawer.close)
        typed.start()
        stack.callback(typed.stop)
        drawer.show(singing.seen)
        again_s = clock()
        while not singing.ended.is_set():
            seen = singing.step()
            if seen is not None:
                drawer.show(seen)
            if watcher is not None and clock() >= again_s:
                watcher.show(singing.seen, singing.line)
                again_s = clock() + WATCHED_S
    if drawer.failure is not None:
        raise drawer.failure
