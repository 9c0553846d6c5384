"""The course of practising: plays, asks, tells what was right, has the ears rest, and keeps what was done.

Nothing of an answer is seen before it is given. It begins quietly, has the ears rest every `REST_S`, and ends when it
is enough for today. Whoever leaves, by a key, Ctrl-C or a signal, leaves silence, and what was answered so far is kept.

Threads: all in one, but keys come from another and only leave their command in a queue.
"""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from types import TracebackType
from typing import Any, Self

from bridge.children import on_signals
from bridge.ear.asked import MINUTES
from bridge.ear.course import Course
from bridge.ear.sung import Sung, Target
from bridge.ear.trials import ANSWERS, Answer
from bridge.ear.tuning_out import Settled, TuningOut
from bridge.jobs.practise import Assignment, exercise_of
from bridge.live.desk.drawing import Drawer, View
from bridge.live.desk.typed import Command, Typed
from bridge.live.practise.keys import DONE, keys_shown, moved_cents, read_key, read_line
from bridge.live.practise.seen import PractiseSeen
from bridge.live.practise.sounders import Sounder
from bridge.sheet.phrases import signed

QUIET_START = (0.35, 0.55, 0.8)
"""How loud the first trials are, as a share of the level."""

GAP_S = 0.45
"""Silence between two sounds."""

AFTER_S = 0.7
"""Silence after an answer."""

REST_S = 600.0
_LOOK_S = 0.2
CAUTION = "start with the volume down, above all over headphones; the first sounds are the quietest"


_KEY_OF: dict[Answer, str] = {"first": "1", "second": "2", "wide": "w", "narrow": "n"}


class Leaving(Exception):
    """Somebody wants to leave."""


class Enough(Exception):
    """It is enough for today."""


class Practice:
    """What the exercises need of the world: keys, a view, time.

    Parameters
    ----------
    make_view : callable
        Makes what shows.
    minutes : float
        After so long it is enough.
    watchers : sequence of callable
        Who else is shown what is seen; they must not wait for anybody.
    clock : callable
        Seconds, rising.
    """

    def __init__(
        self,
        make_view: Callable[[], View[PractiseSeen]],
        minutes: float = MINUTES,
        watchers: Sequence[Callable[[PractiseSeen], None]] = (),
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._watchers = watchers
        self.stop = threading.Event()
        """Set when somebody leaves: whatever sounds ends."""
        self._make_view = make_view
        self._minutes = minutes
        self._clock = clock
        self._began_s = self._rested_s = clock()
        self._commands: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._typed = Typed(self.take, read_key, read_line)
        self._signals = on_signals(self.leave)
        self._seen = PractiseSeen()
        self._touching, self._touched = threading.Lock(), False

    def __enter__(self) -> Self:
        self._signals.__enter__()
        self._drawer = Drawer(self._make_view)
        self._typed.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._typed.stop()
        self._drawer.close()
        self._signals.__exit__(kind, error, trace)
        if self._drawer.failure is not None and error is None:
            raise self._drawer.failure

    def take(self, command: Command) -> None:
        """Take a command, in any thread; what comes in lines has its turn, a key to leave does not wait."""
        assert isinstance(command, str)
        if command == "quit" and self._typed.keys:
            self.leave()
        else:
            self._commands.put(command)

    def touch(self, command: str) -> None:
        """Take what was touched on a page, in any thread: only what is waited for now, so that none counts twice."""
        word = command.partition(" ")[0]
        with self._touching:
            if word in self._seen.waits and not self._touched:
                self._touched = word != "move"
                self._commands.put(command)

    def forget(self) -> None:
        """Forget keys that were struck for the question before; what comes in lines has its turn."""
        kept = []
        while self._typed.keys and not self._commands.empty():
            kept.append(self._commands.get())
        for command in kept:
            if command in ("quit", "pause"):
                self._commands.put(command)

    def leave(self) -> None:
        """End it, from any thread or a signal."""
        self.stop.set()
        self._commands.put("quit")

    def show(self, **changes: Any) -> None:
        """Show something else."""
        with self._touching:
            self._seen = replace(self._seen, **changes)
            if "waits" in changes:
                self._touched = False
        self._drawer.show(self._seen)
        for watcher in self._watchers:
            watcher(self._seen)

    def say(self, *texts: str) -> None:
        """Say something that stays."""
        self.show(said=(*self._seen.said, *texts))

    def wait(self, seconds: float) -> None:
        """Let time go by; at once over when somebody leaves.

        Raises
        ------
        Leaving
            Somebody does.
        """
        if self.stop.wait(seconds):
            raise Leaving

    def command(
        self, resting: Callable[[], contextlib.AbstractContextManager[None]] = contextlib.nullcontext
    ) -> str:
        """Wait for a command; pausing is looked after here.

        Parameters
        ----------
        resting : callable
            What is done around a rest: what sounds is silent in it.

        Raises
        ------
        Leaving
            Somebody leaves.
        """
        while True:
            command = self._next()
            if command == "quit" or self.stop.is_set():
                raise Leaving
            if command != "pause":
                return command
            with resting():
                self._rest("resting")

    def _next(self) -> str:
        """Wait for a command; signals have their turn meanwhile, whichever thread they came to."""
        while True:
            with contextlib.suppress(queue.Empty):
                return self._commands.get(timeout=_LOOK_S)

    def waiting_command(
        self, resting: Callable[[], contextlib.AbstractContextManager[None]] = contextlib.nullcontext
    ) -> str | None:
        """Return a command if one has come, without waiting.

        Raises
        ------
        Leaving
            Somebody leaves.
        """
        if self.stop.is_set():
            raise Leaving
        return None if self._commands.empty() else self.command(resting)

    def _rest(self, why: str) -> None:
        before = self._seen
        self.say(f"{why}: any key, or enter, goes on")
        self.show(ask="", waits=(DONE,))
        if self._next() == "quit" or self.stop.is_set():
            raise Leaving
        self.show(ask=before.ask, waits=before.waits)
        self._rested_s = self._clock()

    def breathe(
        self, resting: Callable[[], contextlib.AbstractContextManager[None]] = contextlib.nullcontext
    ) -> bool:
        """Between two trials: have the ears rest where it is time; tell whether they did.

        `resting` is entered while they rest, so that nothing sounds.

        Raises
        ------
        Enough
            It is enough for today.
        """
        now_s = self._clock()
        if now_s - self._began_s >= 60 * self._minutes:
            self.say(f"enough for today: {self._minutes:g} minutes; ears tire before their owner notices")
            raise Enough
        if now_s - self._rested_s >= REST_S:
            with resting():
                self._rest(f"{REST_S / 60:.0f} minutes of listening: rest your ears for one")
            return True
        return False

    def begin(self, assignment: Assignment) -> None:
        """Show what is asked."""
        keys = keys_shown(assignment.what)
        self.show(
            title=assignment.question,
            about=assignment.about,
            keys=keys,
            what=assignment.what,
            place="",
            large="",
            ask="",
            waits=(),
        )


def run_course(
    practice: Practice, sounder: Sounder, assignment: Assignment, course: Course, level: float
) -> None:
    """Ask every trial of a course; answers are kept in it.

    Raises
    ------
    Leaving, Enough
        It ends before that.
    """
    practice.begin(assignment)
    options = ANSWERS[exercise_of(assignment.what)]
    ask = " or ".join(f"{_words(option)} ({_KEY_OF[option]})" for option in options)
    heard = 0
    while not course.over:
        practice.breathe()
        number = len(course.marked) + 1
        place = f"trial {number} of {course.count}"
        practice.forget()
        practice.show(place=place, ask="")
        loud = level * (QUIET_START[heard] if heard < len(QUIET_START) else 1.0)
        heard += 1
        for at, played in enumerate(course.trial.played, 1):
            if at > 1:
                practice.wait(GAP_S)
            practice.show(large=str(at) if len(course.trial.played) > 1 else "")
            sounder.play(played, loud)
        practice.show(
            large="", ask=f"{assignment.question.rstrip('?')}: {ask}", waits=(*options, "skip", "pause")
        )
        given = _answer(practice, options)
        practice.show(ask="", waits=())
        if given is None:
            course.skip()
            continue
        marked = course.answer(given)
        verdict = "right" if marked.right else f"no: it was {_words(marked.trial.answer)}"
        practice.say(f"{number}. {verdict}")
        practice.wait(AFTER_S)


def _words(answer: Answer) -> str:
    return f"the {answer}" if answer in ANSWERS["still"] else f"too {answer}"


def _answer(practice: Practice, options: tuple[Answer, Answer]) -> Answer | None:
    """Wait for an answer; None where it was not heard."""
    while True:
        command = practice.command()
        if command == "skip":
            return None
        for option in options:
            if command == option:
                return option
        practice.say(f"{_typed(command)} is no answer here: {' or '.join(options)}")


def _typed(command: str) -> str:
    """Name what was typed, in words that its player knows: what a key means inside is none."""
    if command == DONE:
        return "enter"
    if moved_cents(command) is not None:
        return "moving the note"
    return repr(command.removeprefix("?"))


def run_tuning(
    practice: Practice, sounder: Sounder, assignment: Assignment, run: TuningOut, level: float
) -> None:
    """Have the beats tuned out, round by round; the rounds are kept in `run`.

    Raises
    ------
    Leaving, Enough
        It ends before that.
    """
    practice.begin(assignment)
    while not run.over:
        practice.breathe()
        number = len(run.settled) + 1
        loud = level * (QUIET_START[number - 1] if number <= len(QUIET_START) else 1.0)
        practice.forget()
        practice.show(
            place=f"round {number} of {run.rounds}",
            ask="move one note until nothing beats, then enter",
            waits=("move", DONE, "pause"),
        )
        sounder.hold(run.round.hz, loud)
        try:
            while (command := practice.command(partial(_silent_round, sounder, run, loud))) != DONE:
                cents = moved_cents(command)
                if cents is None:
                    practice.say(f"{_typed(command)} does nothing here")
                    continue
                run.round.move(cents)
                sounder.move(run.round.hz)
        finally:
            sounder.let_go()
            practice.show(ask="", waits=())
        practice.say(_told_round(number, run.settle(), assignment))
        practice.wait(AFTER_S)


@contextlib.contextmanager
def silent(sounder: Sounder, hz: Sequence[float], level: float) -> Iterator[None]:
    """Within it the notes that are held are silent; afterwards they sound again."""
    sounder.let_go()
    yield
    sounder.hold(hz, level)


def _silent_round(sounder: Sounder, run: TuningOut, level: float) -> contextlib.AbstractContextManager[None]:
    return silent(sounder, run.round.hz, level)


def _told_round(number: int, settled: Settled, assignment: Assignment) -> str:
    error = settled.error_cents
    rate = assignment.sounds[0].beats_hz(error)
    lean = "wide" if error > 0 else "narrow"
    began = f"it began {signed(settled.began_cents)}"
    return f"{number}. {abs(error):.1f} cents {lean}, {rate:.2f} beats a second ({began})"


def told_note(sung: Sung) -> str:
    """Say how a note was that was sung."""
    target = sung.target
    if sung.verdict == "that was another note":
        return f"{target.name} {target.note}: that was another note, {signed(sung.cents, 0)} cents from it"
    octave = ""
    if sung.octaves:
        many = "an octave" if abs(sung.octaves) == 1 else f"{abs(sung.octaves)} octaves"
        octave = f", {many} {'higher' if sung.octaves > 0 else 'lower'}"
    beats = f"; {sung.beats_hz:.1f} beats a second against the drone" if sung.verdict != "in tune" else ""
    steady = f"steady within {sung.steadiness_cents:.0f}"
    return f"{target.name} {target.note}{octave}: {sung.verdict}, {signed(sung.cents)} cents, {steady}{beats}"


def target_words(target: Target) -> str:
    """Say what is to be sung."""
    return f"sing the {target.name}: {target.note}, or in any octave"
