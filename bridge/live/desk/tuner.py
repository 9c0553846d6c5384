"""The live tuner: sound from a microphone, readings of the meter, and what of it a player is shown.

What is shown stands still as far as it can: readings are smoothed over three, first guesses are shown as such and not
where the same string stands there already, without a new pluck another string takes over only when two readings agree
on it, and a string that fades leaves its last reading for a while.

A player who turns a peg looks at one thing at a time: the string, the way to turn, how far.

Index: `Shown`, `Steadied`, `TunerDisplay`, `run_tuner`.
"""

from __future__ import annotations

import statistics
import threading
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from bridge.children import leaving
from bridge.live.desk.typed import Command, Typed
from bridge.sound.device.microphone import Microphone
from bridge.sound.listening.meter import Meter, Reading
from bridge.tuning.string_aims import StringAim, aim_for

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
    """What is shown of the string that is heard.

    Attributes
    ----------
    aim : StringAim or None
        The string; None where none is near.
    hz : float
        What it sounds.
    cents : float
        From its aim; without one, 0.
    beats_hz : float or None
        Beats a second against the reference.
    turn : str
        ``"tighten"``, ``"loosen"``, or empty where it is in tune or unnamed.
    steady : bool
        Whether the reading has settled.
    guess : bool
        Whether it is a first guess, right to some cents.
    """

    aim: StringAim | None
    hz: float
    cents: float
    beats_hz: float | None
    turn: str
    steady: bool
    guess: bool


class Steadied:
    """Readings in, what is shown out.

    Parameters
    ----------
    aims : mapping of int to StringAim
        The strings that may be meant.
    held : int, optional
        The one string that is tuned, however far off.

    Attributes
    ----------
    shown : Shown or None
        What stands there now.
    last : dict of int to float
        The last settled reading of each string, in cents.
    """

    def __init__(self, aims: Mapping[int, StringAim], held: int | None = None) -> None:
        self._aims = aims
        self._held = held
        self._hz: list[float] = []
        self._other = 0
        self._read_s = 0.0
        self.shown: Shown | None = None
        self.last: dict[int, float] = {}

    def take(self, reading: Reading) -> bool:
        """Take in a reading; tell whether what is shown has changed."""
        aim = self._aim(reading.hz)
        guess = reading.confidence <= SURE
        before = self.shown
        if before is not None and reading.time_s - self._read_s <= HELD_S:
            # A first guess comes only after a new pluck: another string takes over at once, the same one stands.
            if guess and before.aim == aim and not before.guess:
                return False
            if before.aim != aim and not before.guess and not guess:
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

    @staticmethod
    def _show(hz: float, aim: StringAim | None, steady: bool, guess: bool) -> Shown:
        if aim is None:
            return Shown(None, hz, 0.0, None, "", steady, guess)
        return Shown(aim, hz, aim.cents(hz), aim.beats_hz(hz), aim.turn(hz), steady, guess)


class TunerDisplay(Protocol):
    """Shows what is heard. None of its methods raises."""

    def say(self, text: str) -> None:
        """Show a sentence."""

    def show(self, shown: Shown | None, last: Mapping[int, float]) -> None:
        """Show a string, or that none is heard; and how all strings were last."""

    def close(self) -> None:
        """Give the terminal back."""


@dataclass
class _Watch:
    """What is wrong with the sound itself, said once each time it begins."""

    display: TunerDisplay
    name: str
    loud: bool = False
    quiet_since_s: float = 0.0
    told: set[str] = field(default_factory=set)

    def look(self, peak: float, time_s: float) -> None:
        if peak >= TOO_LOUD:
            self._tell("the sound is clipped: turn the input level down, or move the microphone away")
        if peak > NOTHING:
            self.quiet_since_s = time_s
            self.told.discard(self._nothing)
        elif time_s - self.quiet_since_s > NOTHING_S:
            self._tell(self._nothing)

    @property
    def _nothing(self) -> str:
        return f"nothing at all comes from {self.name}: is it muted, or another input meant (--device)?"

    def _tell(self, text: str) -> None:
        if text not in self.told:
            self.told.add(text)
            self.display.say(text)


def run_tuner(
    aims: Mapping[int, StringAim], microphone: Microphone, display: TunerDisplay, held: int | None = None
) -> None:
    """Listen and show until Ctrl-C, a signal to end, or a typed q.

    Parameters
    ----------
    aims : mapping of int to StringAim
    microphone : Microphone
        Opened and closed here.
    display : TunerDisplay
    held : int, optional
        The one string that is tuned.

    Raises
    ------
    PortProblem
        The microphone cannot be opened, or goes away.
    """
    strings = [(aim.string, aim.hz) for aim in aims.values()]
    meter = Meter(microphone.sample_rate, strings, *_range_hz(aims.values(), held))
    steadied = Steadied(aims, held)
    ended = threading.Event()

    def typed(command: Command) -> None:
        if command == "quit":
            ended.set()

    keys = Typed(typed)
    with leaving(ended.set), microphone:
        keys.start()
        try:
            display.say(f"listening to {microphone.input.name}; q or Ctrl-C ends it")
            watch = _Watch(display, microphone.input.name)
            display.show(None, steadied.last)
            while not ended.is_set():
                block = microphone.read()
                if not block.size:
                    continue
                reading = meter.feed(block)
                watch.look(float(abs(block).max()), meter.time_s)
                changed = steadied.take(reading) if reading is not None else steadied.fade(meter.time_s)
                if changed:
                    display.show(steadied.shown, steadied.last)
        finally:
            keys.stop()


def _range_hz(aims: Iterable[StringAim], held: int | None) -> tuple[float, float]:
    """Pitches to listen for: from slack to a fourth too high."""
    found = [aim.hz for aim in aims if held in (None, aim.string)]
    return max(20.0, 0.6 * min(found)), min(2000.0, max(1.4 * max(found), 200.0))
