"""The live tuner: sound from a microphone, readings of the meter, and what of it a musician is shown.

What is shown stands still as far as it can: readings are smoothed over three, first guesses are shown as such and not
where the same string stands there already, without a new pluck another string takes over only when two readings agree
on it, and a string that fades leaves its last reading for a while.

Somebody who turns a peg looks at one thing at a time: the string, the way to turn, how far.
"""

from __future__ import annotations

import statistics
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from bridge.children import on_signals
from bridge.live.desk.drawing import Drawer, View
from bridge.live.desk.typed import Command, Typed
from bridge.sound.device.microphone import Microphone
from bridge.sound.listening.meter import Meter, Reading
from bridge.tuning.strings.aims import StringAim, aim_for

#: Readings of one string that are smoothed together.
SMOOTHED = 3
#: A reading this sure is no first guess any more.
SURE = 0.5
#: A string that has faded is still shown for so long.
HELD_S = 4.0
#: Sound louder than this is clipped, and so is no measure.
TOO_LOUD = 0.98
#: An input below this for `NOTHING_S` is not connected, or muted.
NOTHING, NOTHING_S = 1e-6, 3.0
#: A string further than this from every aim is not named.
NAMED_CENTS = 250.0


@dataclass(frozen=True)
class Shown:
    """What is shown of the string that is heard."""

    aim: StringAim | None
    """The string; None where none is near."""
    hz: float
    cents: float
    """From its aim; without one, 0."""
    beats_hz: float | None
    """Beats a second against the reference."""
    turn: str
    """``"tighten"``, ``"loosen"``, or empty where it is in tune or unnamed."""
    steady: bool
    """Whether the reading has settled."""
    guess: bool
    """Whether it is a first guess, right to some cents."""
    nearest: StringAim | None = None
    """The string that is least far, where none is near."""


@dataclass(frozen=True)
class TunerSeen:
    """All that is seen at one moment."""

    shown: Shown | None = None
    """The string that is heard, if one is."""
    last: Mapping[int, float] = field(default_factory=dict)
    """How all strings were last, in cents."""
    said: tuple[str, ...] = ()
    """What is wrong with the sound itself."""


class Watcher(Protocol):
    """Is shown what is heard, beside the view; it must not wait for anybody."""

    def show(self, seen: TunerSeen) -> None:
        """Take what is heard now."""
        ...


class Steadied:
    """Readings in, what is shown out."""

    def __init__(self, aims: Mapping[int, StringAim], held: int | None = None) -> None:
        self._aims = aims
        self._held = held
        self._hz: list[float] = []
        self._other = 0
        self._pluck = 0
        self._read_s = 0.0
        self.shown: Shown | None = None
        """What stands there now."""
        self.last: dict[int, float] = {}
        """The last settled reading of each string, in cents."""

    def take(self, reading: Reading) -> bool:
        """Take in a reading; tell whether what is shown has changed."""
        aim = self._aim(reading.hz)
        guess = reading.confidence <= SURE
        before = self.shown
        new, self._pluck = reading.pluck != self._pluck, reading.pluck
        if new:
            self._hz = []
        if before is not None and reading.time_s - self._read_s <= HELD_S:
            # A first guess comes only after a new pluck: another string takes over at once, the same one stands.
            if guess and before.aim == aim and not before.guess:
                return False
            if before.aim != aim and not before.guess and not guess and not new:
                self._other += 1
                if self._other < 2:
                    return False
            if before.aim != aim or before.guess:
                self._hz = []
        else:
            self._hz = []
        self._other = 0
        self._read_s = reading.time_s
        self._hz = [*self._hz[1 - SMOOTHED :], reading.hz]
        self.shown = self._show(statistics.median(self._hz), aim, reading.steady, guess)
        if aim is not None and reading.steady:
            self.last[aim.string] = self.shown.cents
        return True

    def fade(self, time_s: float) -> bool:
        """Forget a string that was last read too long ago; tell whether that changed what is shown."""
        if self.shown is None or time_s - self._read_s <= HELD_S:
            return False
        self.shown = None
        return True

    def _aim(self, hz: float) -> StringAim | None:
        if self._held is not None:
            return self._aims[self._held]
        aim = aim_for(hz, self._aims)
        return aim if abs(aim.cents(hz)) <= NAMED_CENTS else None

    def _show(self, hz: float, aim: StringAim | None, steady: bool, guess: bool) -> Shown:
        if aim is None:
            nearest = min(self._aims.values(), key=lambda one: abs(one.cents(hz)))
            return Shown(None, hz, 0.0, None, "", steady, guess, nearest)
        return Shown(aim, hz, aim.cents(hz), aim.beats_hz(hz), aim.turn(hz), steady, guess)


class SoundWatch:
    """What is wrong with the sound itself, said once each time it begins; that nothing comes goes again with it."""

    def __init__(self, name: str) -> None:
        self._nothing = f"nothing at all comes from {name}: is it muted, or another input meant (--mic)?"
        self._quiet_since_s = 0.0
        self._told: set[str] = set()
        self.said: tuple[str, ...] = (f"listening to {name}; q or Ctrl-C ends it",)

    def look(self, peak: float, time_s: float) -> bool:
        """Look at a block of sound; tell whether something is to be said."""
        before = self.said
        if peak >= TOO_LOUD:
            self._tell("the sound is clipped: turn the input level down, or move the microphone away")
        if peak > NOTHING:
            self._quiet_since_s = time_s
            self._told.discard(self._nothing)
            self.said = tuple(text for text in self.said if text != self._nothing)
        elif time_s - self._quiet_since_s > NOTHING_S:
            self._tell(self._nothing)
        return self.said != before

    def _tell(self, text: str) -> None:
        if text not in self._told:
            self._told.add(text)
            self.said = (*self.said, text)


def run_tuner(
    aims: Mapping[int, StringAim],
    microphone: Microphone,
    make_view: Callable[[], View[TunerSeen]],
    held: int | None = None,
    watchers: Sequence[Watcher] = (),
    ended: threading.Event | None = None,
) -> None:
    """Listen and show until Ctrl-C, a signal to end, or a typed q.

    PortProblem if the microphone cannot be opened, or goes away.

    Parameters
    ----------
    microphone : Microphone
        Opened and closed here.
    watchers : sequence of Watcher
        Who else is shown what is heard.
    ended : threading.Event, optional
        Set by whoever ends it; nothing is read from the terminal then.
    """
    strings = [(aim.string, aim.hz) for aim in aims.values()]
    meter = Meter(microphone.sample_rate, strings)
    steadied = Steadied(aims, held)
    reads, ended = ended is None, ended or threading.Event()

    def typed(command: Command) -> None:
        if command == "quit":
            ended.set()

    keys = Typed(typed)
    with on_signals(ended.set), microphone:
        drawer = Drawer(make_view)
        if reads:
            keys.start()
        try:
            watch = SoundWatch(microphone.input.name)
            changed = True
            while not ended.is_set():
                if changed:
                    seen = TunerSeen(steadied.shown, dict(steadied.last), watch.said)
                    drawer.show(seen)
                    for watcher in watchers:
                        watcher.show(seen)
                    changed = False
                block = microphone.read()
                if not block.size:
                    continue
                reading = meter.feed(block)
                said = watch.look(float(abs(block).max()), meter.time_s)
                changed = steadied.take(reading) if reading is not None else steadied.fade(meter.time_s)
                changed = changed or said
        finally:
            keys.stop()
            drawer.close()
    if drawer.failure is not None:
        raise drawer.failure
