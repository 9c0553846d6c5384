"""The drone that somebody sings over: degrees of the table that come and go by key, on the sound card.

Every note has a channel of its own, bent into tune, and swells and fades by its expression. The sound card is opened
when the first note is wanted. Whatever happens, `close` leaves silence.

Threads: one.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Protocol

from bridge.engine.play.drones.sounds import SOUND, drone_program
from bridge.errors import PortProblem, ValueProblem
from bridge.sound.trial import BEND_SEMITONES, nearest_key, strike
from bridge.tuning.drone_notes import drone_keys
from bridge.tuning.tables import Table
from bridge.wire.rpn import bend_range

SWELL_S, FADE_S = 2.0, 0.6
"""From silence to full, and back."""

MOST_STEP_S = 0.1

STALLED_S = 2.0
"""A sound card that has not asked for sound for so long is gone."""

LOUDEST = 100
"""Of 127: a voice is to be heard beside it."""

DEGREES = range(1, 10)
"""What a key brings in or takes away: degrees above the tonic, 8 the octave."""

_EXPRESSION = 11
# The tenth is for drums; the first nine are the degrees'.
_OTHER_CHANNELS = range(11, 17)


class Sound(Protocol):
    """What sounds: a tone generator on a sound card."""

    def send(self, data: bytes) -> None:
        """Take MIDI bytes."""
        ...

    @property
    def failure(self) -> Exception | None:
        """What went wrong, if anything did."""
        ...

    @property
    def stalled_s(self) -> float:
        """Seconds since the sound card last asked for sound."""
        ...

    def close(self) -> None:
        """Fade out, and take leave of the sound card."""
        ...


class SungDrone:
    """Notes of a table that are held.

    Parameters
    ----------
    keys : sequence of int
        MIDI keys that sound from the beginning.
    voice : str
        Whose lowest octave the tonic lies in.
    open_sound : callable
        Opens the sound card; may raise a `PortProblem`.
    clock : callable
        Seconds, rising.
    """

    def __init__(
        self,
        table: Table,
        keys: Sequence[int],
        voice: str,
        open_sound: Callable[[], Sound],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._table = table
        self._open_sound = open_sound
        self._clock = clock
        self._sound: Sound | None = None
        self._degrees = {number: drone_keys(str(number), table.tonic, voice)[0] for number in DEGREES}
        numbers = {key: number for number, key in self._degrees.items()}
        beside = [key for key in keys if key not in numbers]
        if len(beside) > len(_OTHER_CHANNELS):
            raise ValueProblem(
                f"{len(beside)} notes beside the degrees 1 to 9 of this voice",
                f"at most {len(_OTHER_CHANNELS)}",
            )
        others = iter(_OTHER_CHANNELS)
        self._channels = {**numbers, **{key: next(others) for key in beside}}
        self._wanted: set[int] = set()
        self._named = tuple(keys) or (self._degrees[1], self._degrees[5])
        # How loud each note is that was struck and not let go, 0 to 1.
        self._loud: dict[int, float] = {}
        self._at_s = clock()
        if keys:
            self.all()

    @property
    def hz(self) -> tuple[float, ...]:
        """What is wanted to sound, and so is or will be heard."""
        return tuple(float(self._table.hz[key]) for key in sorted(self._wanted))

    @property
    def degrees(self) -> tuple[int, ...]:
        """Which of `DEGREES` are wanted to sound."""
        return tuple(number for number, key in self._degrees.items() if key in self._wanted)

    @property
    def names(self) -> tuple[str, ...]:
        """The notes of it."""
        return tuple(self._table.note(key) for key in sorted(self._wanted))

    def degree(self, number: int) -> None:
        """Bring a degree in, or take it away; PortProblem if the sound card cannot be opened."""
        self._wish(self._wanted ^ {self._degrees[number]})

    def all(self) -> None:
        """End all of it; or begin what was named, else tonic and fifth."""
        self._wish(set() if self._wanted else set(self._named))

    def _wish(self, keys: set[int]) -> None:
        if keys and self._sound is None:
            self._sound = self._open_sound()
        self._wanted = keys
        for key in keys - self._loud.keys():
            self._begin(key)

    def _begin(self, key: int) -> None:
        assert self._sound is not None
        channel = self._channels[key]
        program = drone_program(SOUND)
        assert program is not None
        messages = [bytes((0xC0 | channel - 1, program)), *bend_range(channel, BEND_SEMITONES)]
        for message in (*messages, self._express(channel, 0.0), *strike(channel, float(self._table.hz[key]))):
            self._sound.send(message)
        self._loud[key] = 0.0

    def _express(self, channel: int, loud: float) -> bytes:
        return bytes((0xB0 | channel - 1, _EXPRESSION, round(LOUDEST * loud)))

    def step(self) -> None:
        """Go on with what swells and fades; call it often. PortProblem once the sound card has stopped."""
        now_s = self._clock()
        # However long it was away, a sound swells from nothing.
        passed_s, self._at_s = min(now_s - self._at_s, MOST_STEP_S), now_s
        if self._sound is None:
            return
        if self._sound.failure is not None or self._sound.stalled_s > STALLED_S:
            self._sound, self._wanted, self._loud = None, set(), {}
            raise PortProblem("the sound card has stopped", "d begins the drone again")
        for key, before in list(self._loud.items()):
            channel = self._channels[key]
            way = passed_s / SWELL_S if key in self._wanted else -passed_s / FADE_S
            loud = min(max(before + way, 0.0), 1.0)
            if loud != before:
                self._sound.send(self._express(channel, loud))
                self._loud[key] = loud
            if loud == 0.0 and key not in self._wanted:
                self._sound.send(bytes((0x80 | channel - 1, nearest_key(float(self._table.hz[key])), 64)))
                del self._loud[key]

    def close(self) -> None:
        """Leave silence."""
        sound, self._sound = self._sound, None
        if sound is not None:
            sound.close()
