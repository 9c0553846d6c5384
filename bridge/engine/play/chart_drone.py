"""A drone that follows the chords of a chart: which messages are due when.

Each chord has the notes that are held under it, at their exact pitch. When the chord changes, a note that the new chord
holds at the same pitch goes on; the others fade to nothing, and the new ones rise from nothing, each on a channel of
its own that is bent while nothing sounds there. Nothing glides. The chord that comes next is named from outside (`to`):
by the bars of a track, a foot or a key; this has no clock of its own.

Conventions: times in seconds; channels 1 to 16; cents above the table that the synth holds.

Sources: MIDI 1.0 Detailed Specification (expression, controller 11; pitch bend).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from bridge.engine.play.drone_messages import (
    BEND_RANGE_SEMITONES,
    STEP_S,
    StepByStep,
    expression,
    let_go,
    prepared,
    quieter,
    restored,
    struck,
)
from bridge.engine.play.drone_plan import LEAST_SWELL_S, MOST_EXPRESSION
from bridge.errors import ValueProblem
from bridge.wire.bend import bend_message, bend_value

CHORD_FADE_S = 0.4
"""How long a note of a new chord takes to rise, and one of the old chord to fall."""

_SAME_CENTS = 0.05


@dataclass(frozen=True, slots=True)
class ChartNote:
    """A note to hold: its key, and how far above the table it sounds."""

    key: int
    cents: float = 0.0


@dataclass
class _Voice:
    """A note on its channel, and how far it has risen, 0 to 1."""

    channel: int
    note: ChartNote
    rise_s: float
    level: float = 0.0
    wanted: bool = True
    sent: int = 0


@dataclass
class ChartDrone(StepByStep):
    """The drone as it plays."""

    chords: Sequence[Sequence[ChartNote]]  # what is held under each chord; nothing under one that is silent
    # Channels 1 to 16, twice as many as notes are held at once: the old chord fades while the new one rises.
    channels: Sequence[int] = tuple(range(1, 10))
    level: float = 0.8  # loudness above 0, at most 1
    program: int | None = 19  # MIDI program from 0; None: the synth keeps its sound
    bend_scale: float = 1.0  # how far the synth bends for what is asked, 1 if exactly
    number: int | None = None  # the chord that is held, from 0
    _voices: list[_Voice] = field(default_factory=list)
    _set_up: bool = False
    _next_s: float | None = None
    _since_s: float = 0.0

    def __post_init__(self) -> None:
        most = max((len(chord) for chord in self.chords), default=0)
        if not most:
            raise ValueProblem("a drone needs a note", "such as: 1,5")
        if 2 * most > len(self.channels):
            raise ValueProblem(
                f"{most} notes at a time that fade into others need {2 * most} channels, and there are "
                f"{len(self.channels)}",
                "hold fewer notes, or allow more channels",
            )

    def to(self, number: int | None, now_s: float) -> list[bytes]:
        """Hold the notes of a chord from now on, None for silence; return what is to be sent at once."""
        self.number = number
        wanted = list(self.chords[number]) if number is not None else []
        for voice in self._voices:
            same = [note for note in wanted if _same(note, voice.note)]
            voice.wanted = bool(same)
            if same:
                wanted.remove(same[0])
        sent = [] if self._set_up else prepared(self.channels, self.program)
        self._set_up = True
        rise_s = CHORD_FADE_S if self._voices else LEAST_SWELL_S  # out of silence it swells slowly
        for note in wanted:
            sent += self._strike(note, rise_s)
        if self._voices and self._next_s is None:
            self._since_s, self._next_s = now_s, now_s + STEP_S
        return sent

    def release(self) -> list[bytes]:
        """Let go of everything; return the note-offs, and what puts the channels back."""
        sent = [let_go(voice.channel, voice.note.key) for voice in self._voices]
        self._voices, self._next_s = [], None
        return [*sent, *(restored(self.channels) if self._set_up else [])]

    def sounding(self) -> list[tuple[ChartNote, int]]:
        """Return the notes that sound, each with its expression."""
        return [(voice.note, voice.sent) for voice in self._voices]

    # ---- inside

    def _strike(self, note: ChartNote, rise_s: float) -> list[bytes]:
        """Begin a note on a free channel; where old ones still fade everywhere, the quietest makes room."""
        sent: list[bytes] = []
        taken = {voice.channel for voice in self._voices}
        channel = next((one for one in self.channels if one not in taken), None)
        if channel is None:
            oldest = min((voice for voice in self._voices if not voice.wanted), key=lambda voice: voice.level)
            sent += self._end(oldest)
            channel = oldest.channel
        value, _ = bend_value(note.cents / self.bend_scale, BEND_RANGE_SEMITONES)
        sent += [expression(channel, 0), bend_message(channel, value), struck(channel, note.key)]
        self._voices.append(_Voice(channel, note, rise_s))
        return sent

    def _end(self, voice: _Voice) -> list[bytes]:
        self._voices.remove(voice)
        return [expression(voice.channel, 0), let_go(voice.channel, voice.note.key)]

    def _do(self, at_s: float) -> list[bytes]:
        passed_s, self._since_s = max(0.0, at_s - self._since_s), at_s
        notes = sum(voice.wanted for voice in self._voices)
        top = MOST_EXPRESSION * self.level / quieter(notes)
        sent: list[bytes] = []
        moving = False
        for voice in list(self._voices):
            aim = 1.0 if voice.wanted else 0.0
            step = passed_s / (voice.rise_s if voice.wanted else CHORD_FADE_S)
            voice.level = min(voice.level + step, aim) if voice.wanted else max(voice.level - step, aim)
            value = round(top * voice.level)
            if voice.level == 0.0 and not voice.wanted:
                sent += self._end(voice)
                continue
            if value != voice.sent:
                voice.sent = value
                sent.append(expression(voice.channel, value))
            moving = moving or voice.level != aim
        self._next_s = at_s + STEP_S if moving else None
        return sent


def _same(one: ChartNote, other: ChartNote) -> bool:
    return one.key == other.key and abs(one.cents - other.cents) <= _SAME_CENTS
