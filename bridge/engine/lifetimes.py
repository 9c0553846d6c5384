"""How long notes sound: keys, the pedals that hold them, and the messages that end them all.

`Sounding` follows one channel of the source. A note sounds from its note-on until its key is up and no pedal holds
it any more:

- Sustain (CC 64) holds at any value above 0: where a synth knows half-pedalling, a note still sounds there.
- Hold 2 (CC 69) and sostenuto (CC 66) hold from 64 on; sostenuto only strokes that were down at one of its messages.
- All notes off (CC 123) lets go of all keys; pedals still hold.
- The mode messages 124 to 127 do the same by the standard, but some receivers keep the notes. So here a note counts
  as sounding until its own note-off: whichever the receiver does, no note is cut or moved that it still sounds.
- All sound off (CC 120) ends everything, and so does a GM, GM2, GS or XG reset. Reset all controllers (CC 121) lifts
  the pedals (RP-015).

Pedals hold at most `MOST_HELD` notes of a channel; what is let go beyond counts as ended. No synth has so many voices,
and a file that never lifts its pedal stays quick to read.

A key struck again before it was let go sounds until it has been let go as often as it was struck; the oldest stroke
ends first, be it a note or, on a channel that was or has become a kit, a drum.

Conventions: keys are 0 to 127; notes are whatever the caller hands in.

Sources: MIDI 1.0 Detailed Specification, "Hold Pedal", "Sostenuto", "Channel Mode Messages"; RP-015 (Response to
Reset All Controllers).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from typing import Generic, TypeVar

SUSTAIN, SOSTENUTO, SOFT, HOLD_2 = 64, 66, 67, 69
HOLDING = (SUSTAIN, SOSTENUTO, HOLD_2)
"""Pedals that hold notes."""
PEDALS = (SUSTAIN, SOSTENUTO, SOFT, HOLD_2)
"""Pedals that must not stay down."""

ALL_SOUND_OFF, RESET_CONTROLLERS, LOCAL_CONTROL, ALL_NOTES_OFF = 120, 121, 122, 123
MONO = 126

ENDING = frozenset({*HOLDING, ALL_SOUND_OFF, RESET_CONTROLLERS, *range(ALL_NOTES_OFF, 128)})
"""Controllers that can end notes or hold them."""

DECAY_S = 0.5
"""How long a note is taken to decay audibly after its end."""

MOST_HELD = 256
"""How many notes of a channel pedals hold at once."""

NoteT = TypeVar("NoteT")


class Sounding(Generic[NoteT]):
    """The notes of one source channel that sound now."""

    __slots__ = (
        "_captured",
        "_caught",
        "_hold_2",
        "_let_go_beside",
        "_sustain",
        "down",
        "drums",
        "held",
        "silenced",
    )

    def __init__(self) -> None:
        self.down: dict[int, deque[NoteT]] = {}  # strokes of each key that is down, the oldest first
        # Notes whose key is up and that a pedal holds, and whether sostenuto does.
        self.held: list[tuple[int, NoteT, bool]] = []
        self._sustain = False
        self._hold_2 = False
        self._captured: dict[int, int] = {}  # how many of a key's oldest strokes sostenuto holds
        self._caught = False  # whether the stroke let go last was one of them
        # Drum strokes of each key that lack their note-off, the oldest first: how many notes of it came before.
        self.drums: dict[int, deque[int]] = {}
        self._let_go_beside: dict[int, int] = {}  # how many of those notes have been let go
        # Drums that CC 120 or 123 silenced: not every receiver obeys, and their note-offs may still come.
        self.silenced: dict[int, int] = {}

    def __bool__(self) -> bool:
        return bool(self.down or self.held)

    def __iter__(self) -> Iterator[tuple[int, NoteT]]:
        for key, strokes in self.down.items():
            for note in strokes:
                yield key, note
        for key, note, _ in self.held:
            yield key, note

    def sounding_keys(self) -> set[int]:
        """Return the keys that sound."""
        return {*self.down, *(key for key, _, _ in self.held)}

    def strike(self, key: int, note: NoteT) -> None:
        """A key goes down."""
        strokes = self.down.get(key)
        if strokes is None:
            self.down[key] = deque((note,))
        else:
            strokes.append(note)

    def strike_drum(self, key: int) -> None:
        """A key goes down that is a drum."""
        before = len(self.down.get(key, ())) + self._let_go_beside.get(key, 0)
        self.drums.setdefault(key, deque()).append(before)

    def release_drum(self, key: int) -> bool:
        """A key goes up, whose `drums` is not empty: tell whether it is a drum, else `release` it."""
        drums = self.drums[key]
        gone = self._let_go_beside.get(key, 0)
        if drums[0] > gone and key in self.down:
            self._let_go_beside[key] = gone + 1
            return False
        drums.popleft()
        if not drums:
            del self.drums[key]
            self._let_go_beside.pop(key, None)
        return True

    def release(self, key: int) -> NoteT | None:
        """A key goes up: return its oldest stroke, None if it was not down. Ask `hold` whether it sounds on."""
        strokes = self.down.get(key)
        if strokes is None:
            return None
        self._caught = bool(self._captured) and self._uncapture(key)
        if len(strokes) == 1:
            del self.down[key]
            return strokes[0]
        return strokes.popleft()

    def hold(self, key: int, note: NoteT) -> bool:
        """Tell whether a pedal holds a note just let go, and remember it if so."""
        if (self._sustain or self._hold_2 or self._caught) and len(self.held) < MOST_HELD:
            self.held.append((key, note, self._caught))
            return True
        return False

    def _uncapture(self, key: int) -> bool:
        count = self._captured.pop(key, 0)
        if count > 1:
            self._captured[key] = count - 1
        return count > 0

    def control(self, controller: int, value: int) -> Sequence[NoteT]:
        """Take one of the controllers in `ENDING`; return the notes that it ends."""
        if controller == SUSTAIN:
            self._sustain = value > 0
            return () if self._sustain else self._let_go()
        if controller == SOSTENUTO:
            if value >= 64:
                self._captured = {key: len(strokes) for key, strokes in self.down.items()}
                return ()
            self._lift_sostenuto()
            return self._let_go()
        if controller == HOLD_2:
            self._hold_2 = value >= 64
            return () if self._hold_2 else self._let_go()
        if controller == RESET_CONTROLLERS:
            return self.lift_pedals()
        if controller == ALL_SOUND_OFF:
            return self._end_all()
        if controller == ALL_NOTES_OFF:
            self.held += [
                (key, note, number < self._captured.get(key, 0))
                for key, strokes in self.down.items()
                for number, note in enumerate(strokes)
            ]
            self.down.clear()
            self._silence_drums()
            self._captured = {}
            beyond = [note for _, note, _ in self.held[MOST_HELD:]]
            del self.held[MOST_HELD:]
            return [*beyond, *self._let_go()]
        return ()

    def lift_pedals(self) -> Sequence[NoteT]:
        """All pedals go up; return the notes that this ends."""
        self._sustain = self._hold_2 = False
        self._lift_sostenuto()
        return self._let_go()

    def reset(self) -> Sequence[NoteT]:
        """Everything ends and all pedals go up; return the notes that this ends."""
        drums = self.drums or self.silenced
        if not (self.down or self.held or drums or self._sustain or self._hold_2 or self._captured):
            return ()  # some files hold thousands of resets
        ended = self._end_all()
        self.silenced.clear()
        self.lift_pedals()
        return ended

    def _end_all(self) -> Sequence[NoteT]:
        ended = [note for _, note in self]
        self.down.clear()
        self._silence_drums()
        self.held = []
        return ended

    def _silence_drums(self) -> None:
        for key, drums in self.drums.items():
            self.silenced[key] = self.silenced.get(key, 0) + len(drums)
        self.drums.clear()
        self._let_go_beside.clear()

    def release_silenced(self, key: int) -> bool:
        """A key goes up that is not down: tell whether it was a drum that was silenced."""
        count = self.silenced.pop(key, 0)
        if count > 1:
            self.silenced[key] = count - 1
        return count > 0

    def _let_go(self) -> Sequence[NoteT]:
        if not self.held or self._sustain or self._hold_2:
            return ()
        ended = [note for _, note, caught in self.held if not caught]
        self.held = [item for item in self.held if item[2]]
        return ended

    def _lift_sostenuto(self) -> None:
        self._captured = {}
        self.held = [(key, note, False) for key, note, _ in self.held]
