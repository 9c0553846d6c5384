"""A drone that follows the chords of a chart: which messages are due when.

Each chord has the notes that are held under it, at their exact pitch. When the chord changes, a note that the new chord
holds at the same pitch goes on; the others fade to nothing, and the new ones rise from nothing, each on a channel of
its own that is bent while nothing sounds there. Nothing glides. The chord that comes next is named from outside (`to`):
by the bars of a track, a foot or a key; this has no clock of its own.

Where something behind it chooses pitches (`bends` is False: `bridge.engine.play.following`), it sends no bends, and a
note waits until what sounds of its class at another pitch has faded.

Conventions: times in seconds; channels 1 to 16; cents above the table that the synth holds.

Sources: MIDI 1.0 Detailed Specification (expression, controller 11; pitch bend).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from bridge.engine.play.drones.messages import (
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
from bridge.engine.play.drones.plan import LEAST_SWELL_S, MOST_EXPRESSION, toward
from bridge.errors import ValueProblem
from bridge.wire.bend import bend_message, bend_value

CHORD_FADE_S = 0.4
"""How long a note of a new chord takes to rise, and one of the old chord to fall."""

_SAME_CENTS, _SAME_LEVEL = 0.05, 1e-6


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
    bends: bool = True  # whether it sends the bends that bring notes to their pitch
    # Whether all old notes fade out first: the new pitches come as a whole table, between chords.
    apart: bool = False
    number: int | None = None  # the chord that is held, from 0
    _voices: list[_Voice] = field(default_factory=list)
    _waiting: list[ChartNote] = field(default_factory=list)
    _set_up: bool = False
    _top_level: float = 0.0  # how loud it is on the way to its level
    _next_s: float | None = None
    _since_s: float = 0.0

    def __post_init__(self) -> None:
        self._top_level = self.level
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
        return self.hold(self.chords[number] if number is not None else (), now_s, number)

    def hold(self, notes: Sequence[ChartNote], now_s: float, number: int | None = None) -> list[bytes]:
        """Hold some notes from now on; return what is to be sent at once."""
        self.number = number
        wanted = list(notes)
        for voice in self._voices:
            same = [note for note in wanted if _same(note, voice.note)]
            voice.wanted = bool(same)
            if same:
                wanted.remove(same[0])
        sent = [] if self._set_up else self._prepared()
        rise_s = CHORD_FADE_S if self._voices else LEAST_SWELL_S  # out of silence it swells slowly
        self._waiting = [note for note in wanted if self._in_the_way(note)]
        for note in wanted:
            if note not in self._waiting:
                sent += self._strike(note, rise_s)
        if self._voices and self._next_s is None:
            self._since_s, self._next_s = now_s, now_s + STEP_S
        return sent

    def release(self) -> list[bytes]:
        """Let go of everything; return the note-offs, and what puts the channels back."""
        return [*self.offs(), *(restored(self.channels) if self._set_up else [])]

    def offs(self) -> list[bytes]:
        """Let go of everything at once; return the note-offs."""
        sent = [let_go(voice.channel, voice.note.key) for voice in self._voices]
        self._voices, self._waiting, self._next_s = [], [], None
        return sent

    def turn(self, level: float, now_s: float) -> None:
        """Be so loud from now on; it goes there as slowly as notes fade."""
        if level == self.level:
            return
        self.level = level
        if not self._voices:
            self._top_level = level
        elif self._next_s is None:
            self._since_s = self._next_s = now_s

    def make_way(self, pitch_class: int) -> list[bytes]:
        """End what only fades of a pitch class: somebody strikes it at the pitch of the new chord."""
        gone = [voice for voice in self._voices if not voice.wanted and voice.note.key % 12 == pitch_class]
        return [data for voice in gone for data in self._end(voice)]

    def strike_anew(self) -> list[bytes]:
        """Strike what is held again, as loud as it is: where sounding notes keep the pitch of an old table."""
        return [
            data
            for voice in self._voices
            if voice.wanted
            for data in (
                let_go(voice.channel, voice.note.key),
                struck(voice.channel, voice.note.key),
            )
        ]

    def forget(self) -> None:
        """The synth has forgotten all."""
        self._voices, self._waiting, self._next_s, self._set_up = [], [], None, False

    def repeat_levels(self) -> None:
        """Somebody else may have set the loudness: it is sent again with the next step."""
        for voice in self._voices:
            voice.sent = -1

    @property
    def used(self) -> bool:
        """Whether anything was sent that has to be put back (`bridge.engine.play.drones.messages.restored`)."""
        return self._set_up

    def loudest(self) -> float:
        """Return how far what is held has risen, 0 to 1."""
        return max((voice.level for voice in self._voices if voice.wanted), default=0.0)

    def sounding(self) -> list[tuple[ChartNote, int]]:
        """Return the notes that sound, each with its expression."""
        return [(voice.note, voice.sent) for voice in self._voices]

    # ---- inside

    def _prepared(self) -> list[bytes]:
        self._set_up = True
        sent = prepared(self.channels, self.program)
        return sent if self.bends else [data for data in sent if data[0] & 0xF0 == 0xC0]

    def _in_the_way(self, note: ChartNote) -> bool:
        return (self.apart and any(not voice.wanted for voice in self._voices)) or (
            not self.bends
            and any(
                not voice.wanted
                and voice.note.key % 12 == note.key % 12
                and abs(voice.note.cents - note.cents) > _SAME_CENTS
                for voice in self._voices
            )
        )

    def _strike(self, note: ChartNote, rise_s: float) -> list[bytes]:
        """Begin a note on a free channel; where old ones still fade everywhere, the quietest makes room."""
        sent: list[bytes] = []
        taken = {voice.channel for voice in self._voices}
        channel = next((one for one in self.channels if one not in taken), None)
        if channel is None:
            oldest = min((voice for voice in self._voices if not voice.wanted), key=lambda voice: voice.level)
            sent += self._end(oldest)
            channel = oldest.channel
        sent.append(expression(channel, 0))
        if self.bends:
            value, _ = bend_value(note.cents / self.bend_scale, BEND_RANGE_SEMITONES)
            sent.append(bend_message(channel, value))
        sent.append(struck(channel, note.key))
        self._voices.append(_Voice(channel, note, rise_s))
        return sent

    def _end(self, voice: _Voice) -> list[bytes]:
        self._voices.remove(voice)
        return [expression(voice.channel, 0), let_go(voice.channel, voice.note.key)]

    def _do(self, at_s: float) -> list[bytes]:
        passed_s, self._since_s = max(0.0, at_s - self._since_s), at_s
        self._top_level = 0.01 * toward(100.0 * self._top_level, 100.0 * self.level, passed_s)
        notes = sum(voice.wanted for voice in self._voices) + len(self._waiting) or len(self._voices)
        top = MOST_EXPRESSION * self._top_level / quieter(notes)
        sent: list[bytes] = []
        moving = abs(self._top_level - self.level) > _SAME_LEVEL
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
        for note in [note for note in self._waiting if not self._in_the_way(note)]:
            self._waiting.remove(note)
            sent += self._strike(note, CHORD_FADE_S)
            moving = True
        self._next_s = at_s + STEP_S if moving else None
        return sent


def _same(one: ChartNote, other: ChartNote) -> bool:
    return one.key == other.key and abs(one.cents - other.cents) <= _SAME_CENTS
