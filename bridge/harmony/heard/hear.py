"""Hearing a piece: its tonic and mode, where the key changes, and its chords bar by bar."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from bridge.harmony.heard.chords import HeardChord, hear_chords
from bridge.harmony.heard.keys import KeyStretch, Tonic, hear_changes, hear_tonic
from bridge.harmony.notes import TimedNote


@dataclass(frozen=True)
class Heard:
    """What was heard."""

    tonic: Tonic | None  # None where nothing sounds
    keys: tuple[KeyStretch, ...]  # the keys, from the first bar to the last
    chords: tuple[HeardChord, ...]  # in order of time

    @property
    def sure(self) -> bool:
        """Whether the tonic is clear enough to advise by."""
        return self.tonic is not None and self.tonic.sure

    def bar(self, number: int) -> tuple[HeardChord, ...]:
        """Return the chords of a bar."""
        return tuple(chord for chord in self.chords if chord.bar == number)


def hear(notes: Sequence[TimedNote], bar_starts_s: Sequence[float], guitar_tonic: int | None = None) -> Heard:
    """Hear a piece.

    Parameters
    ----------
    notes : sequence of TimedNote
        In order of their start (`bridge.harmony.notes.sorted_notes`).
    bar_starts_s : sequence of float
        When each bar begins.
    guitar_tonic : int, optional
        Pitch class of the guitar's own tonic, which decides between equals.
    """
    keys = hear_keys(notes, bar_starts_s, guitar_tonic)
    return replace(keys, chords=chords_in(notes, bar_starts_s, keys))


def hear_keys(
    notes: Sequence[TimedNote], bar_starts_s: Sequence[float], guitar_tonic: int | None = None
) -> Heard:
    """Hear the tonic and the keys of a piece alone, without its chords; parameters as for `hear`."""
    tonic = hear_tonic(notes, guitar_tonic)
    return Heard(tonic, () if tonic is None else hear_changes(notes, bar_starts_s, tonic), ())


def chords_in(
    notes: Sequence[TimedNote], bar_starts_s: Sequence[float], keys: Heard
) -> tuple[HeardChord, ...]:
    """Hear the chords of a piece whose keys are known."""
    if keys.tonic is None:
        return ()
    names = [key.name for key in keys.keys for _ in range(key.first_bar, key.last_bar + 1)]
    return hear_chords(notes, bar_starts_s, names or keys.tonic.name)
